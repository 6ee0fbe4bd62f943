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
) -> None:
    """Audit the logs of one night of one car and print the verdict.

    A PATH is a log or a folder that is searched for logs, or an address such as s3://bucket/folder.

    Exit codes: 0 clear, 10 hold, 20 stop, 2 wrong usage, 3 no log could be read.
    """
    from audit.night.remote import is_remote
    from audit.request import Request, run

    local = tuple(Path(p) for p in paths if not is_remote(p))
    urls = tuple(p for p in paths if is_remote(p))
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
    )
    outcome = run(request)
    for line in outcome.warnings:
        click.echo(f"pullaudit: {line}", err=True)
    if outcome.night is None:
        sys.exit(USAGE if outcome.usage else NOTHING_READ)
    if report_to is not None:
        from audit.report.html import write_report

        write_report(outcome.night, report_to)
    try:
        _write(outcome.night, json_to)
        sys.stdout.flush()
    except (
        BrokenPipeError
    ):  # a reader such as `head` has gone; the exit code still tells the verdict
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    if outcome.usage:
        sys.exit(USAGE)
    sys.exit(EXIT[outcome.night.verdict] if outcome.any_read else NOTHING_READ)


def _write(night: Night, json_to: str | None) -> None:
    if json_to is not None:
        from audit.report.document import dumps

        if json_alone(dumps(night), json_to):
            return
    from audit.report.terminal import print_night

    print_night(night)


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
