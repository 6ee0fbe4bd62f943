"""`pullaudit compare`: two pulls, logs or nights side by side."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from audit.cli import options, output

if TYPE_CHECKING:
    from audit.report.comparison import Side

Pulls = list[tuple[int | None, dict[str, float | None]]]


@click.command("compare", params=options.of("compare"))
@click.argument("a")
@click.argument("b")
def command(
    *,
    a: str,
    b: str,
    archive: str | None,
    car_file: Path | None,
    json_to: str | None,
    units: str | None,
) -> None:
    """Two pulls, logs or nights side by side: each measure, the difference, what differs for
    certain.

    A and B are logs or folders of one night; with --archive also nights by their day, as
    2026-05-31, or by their id. Add #2 for the second pull alone: run_1.csv#2.
    """
    from audit.report.comparison import compare, document, render

    left, right = (_side(text, archive, car_file) for text in (a, b))
    found = compare(left, right)
    us = units == "us" if units else left.us_units or right.us_units
    output.deliver(json_to, partial(document, found), lambda: output.tell(render(found, us=us)))


def _side(text: str, archive: str | None, car_file: Path | None) -> Side:
    """The side of a name. Raises UsageError where there is no such thing, or no pull."""
    from audit.errors import UsageError
    from audit.report.comparison import Side

    name, mark, only = text.rpartition("#")
    if not (mark and only.isdecimal()):
        name, only = text, ""
    here = Path(name).exists()
    pulls, us, afr = _screened(name, car_file) if here else _kept(name, archive, car_file)
    if only:
        pulls = pulls[int(only) - 1 : int(only)] if int(only) else []
    if not pulls:
        raise UsageError(f"{text}: no such pull in it. `pullaudit screen {name}` lists its pulls.")
    return Side(text, tuple(pulls), us, afr)


def _screened(name: str, car_file: Path | None) -> tuple[Pulls, bool, float | None]:
    from audit.report.words import logs_afr
    from audit.request import Request, run

    outcome = run(Request(paths=(Path(name),), car_file=car_file, keep_frames=False))
    output.warn(outcome.warnings)
    if outcome.night is None:
        return [], False, None
    found = [(p.pull.gear, dict(p.measures)) for a in outcome.night.logs for p in a.pulls]
    return found, outcome.night.us_units, logs_afr(outcome.night)


def _kept(name: str, folder: str | None, car_file: Path | None) -> tuple[Pulls, bool, float | None]:
    from audit.archive.logged import logged_afr
    from audit.archive.store.store import Archive
    from audit.errors import UsageError

    if folder is None:
        raise UsageError(
            f"{name}: no such log or folder. For a kept night give its archive with --archive DIR."
        )
    archive = Archive(folder)
    car = options.car_of(archive, car_file).name
    nights = archive.nights(car, columns=("night_id", "date", "us_units"))
    own = nights.filter((nights["night_id"] == name) | (nights["date"] == name))
    if own.is_empty():
        days = ", ".join(nights["date"].unique().sort().to_list()[-5:])
        raise UsageError(f"{name}: no night of {car} by that day or id. The last: {days}.")
    started = archive.logs(car, columns=("log_id", "wall_start", "path"))
    started = started.select("log_id", "wall_start", "path").unique("log_id", keep="first")
    pulls = archive.pulls(car)
    pulls = pulls.filter(pulls["night_id"].is_in(own["night_id"].to_list()))
    pulls = pulls.join(started, on="log_id", how="left")
    pulls = pulls.sort("wall_start", "path", "index", nulls_last=True)
    rows = [(row["gear"], row) for row in pulls.iter_rows(named=True)]
    return rows, bool(own["us_units"][-1]), logged_afr(archive, car)
