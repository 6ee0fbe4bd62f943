"""`pullaudit screen`: last night's logs in, the verdict out."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from audit.cli.output import json_alone

if TYPE_CHECKING:
    from audit.model import Night
    from audit.report.page.history import History

EXIT = {"clear": 0, "hold": 10, "stop": 20}
USAGE, NOTHING_READ = 2, 3


@click.command("screen")
@click.argument("paths", nargs=-1, required=True, metavar="PATH...")
@click.option(
    "--car",
    "car_file",
    type=click.Path(path_type=Path),
    metavar="CAR.toml",
    help="The car file; without it a car.toml beside the logs or up to three folders above.",
)
@click.option(
    "--archive",
    metavar="DIR",
    help="Keep the night in this archive: a folder, or postgresql://… of a server.",
)
@click.option(
    "--logs", metavar="ADDRESS", help="Where a new archive keeps its logs, if not in DIR."
)
@click.option(
    "--json",
    "json_to",
    metavar="FILE",
    help="Write the result as JSON; - for standard output, and only it.",
)
@click.option(
    "--report",
    "report_to",
    type=click.Path(path_type=Path),
    metavar="FILE.html",
    help="Write a page to send to your tuner.",
)
@click.option(
    "--text",
    "as_text",
    is_flag=True,
    help="Print the night in at most eight short lines, for a message to a friend.",
)
@click.option(
    "--units", type=click.Choice(["us", "metric"]), help="Units on the screen and in the report."
)
@click.option(
    "--workers", type=click.IntRange(1, 256), metavar="N", help="Processes to spread the logs over."
)
@click.option(
    "--cluster",
    metavar="ADDRESS",
    help="Spread the logs over a Dask cluster, as tcp://10.0.0.5:8786.",
)
@click.option(
    "--rate",
    "rate_hz",
    type=click.FloatRange(0.1, 10000),
    metavar="HZ",
    help="Rows a second, for a log without a time column.",
)
@click.option(
    "--duty",
    "duties",
    multiple=True,
    metavar="[PATH=]PERCENT",
    help="Solenoid duty set by hand, for logs that do not tell: 35 for all, run_2.csv=40 for one. "
    "May be repeated.",
)
@click.option("--limit", metavar="BOOST", help='Boost this engine may see, as "18 psi".')
@click.option("--altitude", metavar="HEIGHT", help='Height of the place, as "1200 ft".')
@click.option("--fuel", metavar="FUEL", help="petrol, e10, e85 or any share, ethanol, methanol.")
@click.option("--setting", type=click.Choice(["dyno", "street"]), help="Where the pulls were made.")
@click.option("--date", metavar="YYYY-MM-DD", help="The night's date, where the logs do not tell.")
def command(
    *,
    paths: tuple[str, ...],
    car_file: Path | None,
    archive: str | None,
    logs: str | None,
    json_to: str | None,
    report_to: Path | None,
    units: str | None,
    workers: int | None,
    rate_hz: float | None,
    setting: str | None,
    date: str | None,
    cluster: str | None,
    duties: tuple[str, ...],
    limit: str | None,
    altitude: str | None,
    fuel: str | None,
    as_text: bool,
) -> None:
    """Audit the logs of one night of one car and print the verdict.

    A PATH is a log or a folder that is searched for logs, or an address such as s3://bucket/folder.

    Exit codes: 0 clear, 10 hold, 20 stop, 2 wrong usage, 3 no log could be read.
    """
    from audit.night.remote import is_remote
    from audit.request import Request, run

    local = tuple(Path(p) for p in paths if not is_remote(p))
    urls = tuple(p for p in paths if is_remote(p))
    words = {"limit": limit, "altitude": altitude, "fuel": fuel}
    request = Request(
        paths=local,
        urls=urls,
        cluster=cluster,
        car_file=car_file,
        archive=archive,
        logs=logs,
        units=units,
        workers=workers,
        rate_hz=rate_hz,
        setting=setting or "",
        date=date,
        keep_frames=bool(archive or report_to),
        progress=_progress(),
        said={k: v for k, v in words.items() if v is not None},
        duty=_duties(duties),
        ask=_ask if sys.stdin.isatty() and sys.stderr.isatty() else None,
    )
    outcome = run(request)
    for line in outcome.warnings:
        click.echo(f"pullaudit: {line}", err=True)
    if outcome.night is None:
        sys.exit(USAGE if outcome.usage else NOTHING_READ)
    if report_to is not None:
        from audit.report.html import write_report

        history = _history(archive, outcome.night, outcome.date)
        write_report(outcome.night, report_to, date=outcome.date, history=history)
    try:
        _write(outcome.night, json_to, date=outcome.date if as_text else None)
        sys.stdout.flush()
    except (
        BrokenPipeError
    ):  # a reader such as `head` has gone; the exit code still tells the verdict
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    if outcome.usage:
        sys.exit(USAGE)
    sys.exit(EXIT[outcome.night.verdict] if outcome.any_read else NOTHING_READ)


def _history(archive: str | None, night: Night, date: str) -> History:
    """What the archive knows of this car's earlier nights; without one what tonight's pulls say of duty."""
    from audit.archive.step.decide import response_tonight
    from audit.archive.step.response import response
    from audit.archive.store.store import Archive
    from audit.service.web.pages.usual import history_of, wanted

    kept = None if archive is None else Archive(archive)
    if kept is None or night.car.name not in kept.cars():
        return history_of(None, date, response_tonight(night))
    pulls = kept.pulls(night.car.name, columns=wanted())
    return history_of(pulls, date, response(kept, night.car, only_main=True))


def _duties(texts: tuple[str, ...]) -> dict[str, float]:
    """--duty as percent by path, "" for all. Raises UsageError for what is no percentage."""
    from audit.amounts import WrongAmount, amount
    from audit.errors import UsageError

    found: dict[str, float] = {}
    for text in texts:
        path, _, figure = text.rpartition("=")
        figure = figure.strip()
        try:
            duty = amount(figure if figure.endswith("%") else f"{figure} %", "percent")
        except WrongAmount:
            duty = -1.0
        if not 0.0 <= duty <= 100.0:
            raise UsageError(
                f"--duty {text}: not a duty of 0 to 100 %. Write --duty 35, or --duty run_2.csv=40."
            )
        if found.get(path, duty) != duty:
            raise UsageError(f"--duty: two duties for {path or 'all logs'}. Keep one of them.")
        found[path] = duty
    return found


def _write(night: Night, json_to: str | None, *, date: str | None) -> None:
    """date: the night's, for the message; None for the whole report."""
    if json_to is not None:
        from audit.report.document import dumps

        if json_alone(dumps(night), json_to):
            return
    if date is not None:
        from audit.report.message import message

        click.echo("\n".join(message(night, date=date)))
        return
    from audit.report.terminal import print_night

    print_night(night)


def _ask(question: str) -> bool:
    return click.confirm(question, err=True)


def _progress() -> Callable[[int, int], None] | None:
    """A progress bar on a terminal, nothing elsewhere."""
    if not sys.stderr.isatty():
        return None
    bars: list[Any] = []

    def show(done: int, total: int) -> None:
        if total < 4:
            return
        if not bars:
            bars.append(
                click.progressbar(
                    length=total, label="reading logs", file=sys.stderr, show_pos=True
                )
            )
        bars[0].update(1)
        if done == total:
            bars[0].render_finish()

    return show
