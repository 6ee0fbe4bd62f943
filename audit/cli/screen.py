"""`pullaudit screen`: last night's logs in, the verdict out."""

from __future__ import annotations

import os
import sys
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from audit.cli import options, output

if TYPE_CHECKING:
    from audit.model import Night
    from audit.report.page.measures import History

EXIT = {"clear": 0, "hold": 10, "stop": 20}
USAGE, NOTHING_READ = 2, 3
WORDS = ("limit", "altitude", "fuel")  # the car file's keys that may be said for this call


@click.command("screen", params=options.of("screen"))
@click.argument("paths", nargs=-1, required=True, metavar="PATH...")
def command(
    *,
    paths: tuple[str, ...],
    json_to: str | None,
    report_to: Path | None,
    as_text: bool,
    duties: tuple[str, ...],
    **asked: Any,
) -> None:
    """Audit the logs of one night of one car and print the verdict.

    A PATH is a log or a folder that is searched for logs, or an address such as s3://bucket/folder.

    Exit codes: 0 clear, 10 hold, 20 stop, 2 wrong usage, 3 no log could be read.
    """
    from audit.night.remote import is_remote
    from audit.request import Request, run

    said = {word: asked.pop(word) for word in WORDS}
    request = Request(
        paths=tuple(Path(p) for p in paths if not is_remote(p)),
        urls=tuple(p for p in paths if is_remote(p)),
        keep_frames=bool(asked["archive"] or report_to),
        progress=output.counter("log"),
        said={word: text for word, text in said.items() if text is not None},
        duty=_duties(duties),
        ask=partial(click.confirm, err=True)
        if sys.stdin.isatty() and sys.stderr.isatty()
        else None,
        **asked,
    )
    outcome = run(request)
    output.warn(outcome.warnings)
    night = outcome.night
    if night is None:
        sys.exit(USAGE if outcome.usage else NOTHING_READ)
    if report_to is not None:
        from audit.report.html import write_report

        history = _history(request.archive, night, outcome.date)
        write_report(night, report_to, date=outcome.date, history=history)
    try:
        _write(night, json_to, date=outcome.date if as_text else None)
        sys.stdout.flush()
    except BrokenPipeError:  # a reader such as `head` has gone; the exit code still tells
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    if outcome.usage:
        sys.exit(USAGE)
    sys.exit(EXIT[night.verdict] if outcome.any_read else NOTHING_READ)


def _history(archive: str | Path | None, night: Night, date: str) -> History:
    """What the archive knows of the car's earlier nights; without one what tonight says of duty."""
    from audit.archive.step.decide import response_tonight
    from audit.archive.step.response import response
    from audit.archive.store.store import Archive
    from audit.service.web.pages.usual import history_of, wanted

    kept = None if archive is None else Archive(archive)
    if kept is None or night.car.name not in kept.cars():
        return history_of(None, date, response_tonight(night))
    pulls = kept.pulls(night.car.name, columns=wanted())
    return history_of(pulls, date, response(kept, night.car))


def _duties(texts: tuple[str, ...]) -> dict[str, float]:
    """--duty as percent by path, "" for all. Raises UsageError for what is no percentage."""
    from audit.amounts import WrongAmount, amount
    from audit.errors import UsageError

    found: dict[str, float] = {}
    for text in texts:
        path, _, figure = text.rpartition("=")
        figure = figure.strip()
        try:
            wanted = figure if figure.endswith("%") else f"{figure} %"
            duty = amount(wanted, "percent", least=0.0, most=100.0)
        except WrongAmount:
            raise UsageError(
                f"--duty {text}: not a duty of 0 to 100 %. Write --duty 35, or --duty run_2.csv=40."
            ) from None
        if found.setdefault(path, duty) != duty:
            raise UsageError(f"--duty: two duties for {path or 'all logs'}. Keep one of them.")
    return found


def _write(night: Night, json_to: str | None, *, date: str | None) -> None:
    """date: the night's, for the message; None for the whole report."""

    def document() -> str:
        from audit.report.document import dumps

        return dumps(night)

    def show() -> None:
        if date is not None:
            from audit.report.message import message

            output.tell(message(night, date=date))
            return
        from audit.report.terminal import print_night

        print_night(night)

    output.deliver(json_to, document, show)
