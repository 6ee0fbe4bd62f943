"""`pullaudit compare`: two pulls, logs or nights side by side."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import TYPE_CHECKING

import click

from audit.cli.output import json_alone

if TYPE_CHECKING:
    from audit.report.comparison import Side


@click.command("compare")
@click.argument("a")
@click.argument("b")
@click.option(
    "--archive",
    "folder",
    metavar="DIR",
    help="Where nights that are named by their day or id are kept.",
)
@click.option(
    "--car",
    "car_file",
    type=click.Path(path_type=Path),
    metavar="CAR.toml",
    help="The car file, for logs and for an archive of several cars.",
)
@click.option(
    "--json",
    "json_to",
    metavar="FILE",
    help="Write the result as JSON; - for standard output, and only it.",
)
@click.option("--units", type=click.Choice(["us", "metric"]), help="Units on the screen.")
def command(
    *,
    a: str,
    b: str,
    folder: str | None,
    car_file: Path | None,
    json_to: str | None,
    units: str | None,
) -> None:
    """Two pulls, logs or nights side by side: each measure, the difference, what differs for certain.

    A and B are logs or folders of one night; with --archive also nights by their day, as 2026-05-31,
    or by their id. Add #2 for the second pull alone: run_1.csv#2.
    """
    from audit.report.comparison import compare, document, render

    sides = [_side(text, folder, car_file) for text in (a, b)]
    found = compare(sides[0][0], sides[1][0])
    if json_to is not None and json_alone(
        json.dumps(document(found), ensure_ascii=False, allow_nan=False, indent=1), json_to
    ):
        return
    us = units == "us" if units else sides[0][1] or sides[1][1]
    click.echo("\n".join(render(found, us=us)))


def _side(text: str, folder: str | None, car_file: Path | None) -> tuple[Side, bool]:
    """(side, shown in US units). Raises UsageError where there is no such thing, or no pull in it."""
    from audit.errors import UsageError
    from audit.report.comparison import Side

    match = re.fullmatch(r"(.*?)(?:#(\d+))?", text)
    name, only = (match[1], match[2]) if match is not None else (text, None)
    pulls, us = _screened(name, car_file) if Path(name).exists() else _kept(name, folder, car_file)
    if only is not None:
        pulls = pulls[int(only) - 1 : int(only)] if int(only) else []
    if not pulls:
        raise UsageError(f"{text}: no such pull in it. `pullaudit screen {name}` lists its pulls.")
    return Side(text, tuple(pulls)), us


Pulls = list[tuple[int | None, dict[str, float | None]]]


def _screened(name: str, car_file: Path | None) -> tuple[Pulls, bool]:
    from audit.request import Request, run

    outcome = run(Request(paths=(Path(name),), car_file=car_file, keep_frames=False))
    for line in outcome.warnings:
        click.echo(f"pullaudit: {line}", err=True)
    if outcome.night is None:
        return [], False
    found = [(p.pull.gear, dict(p.measures)) for a in outcome.night.logs for p in a.pulls]
    return found, outcome.night.us_units


def _kept(name: str, folder: str | None, car_file: Path | None) -> tuple[Pulls, bool]:
    from audit.archive.store.store import Archive
    from audit.cli.response import car_of
    from audit.errors import UsageError

    if folder is None:
        raise UsageError(
            f"{name}: no such log or folder. For a kept night give its archive with --archive DIR."
        )
    archive = Archive(folder)
    car = car_of(archive.cars(), car_file, folder)
    car_name = archive.cars()[0] if car is None else car.name
    nights = archive.nights(car_name, columns=("night_id", "date", "us_units"))
    own = nights.filter((nights["night_id"] == name) | (nights["date"] == name))
    if own.is_empty():
        days = ", ".join(nights["date"].unique().sort().to_list()[-5:])
        raise UsageError(f"{name}: no night of {car_name} by that day or id. The last: {days}.")
    pulls = archive.pulls(car_name)
    pulls = pulls.filter(pulls["night_id"].is_in(own["night_id"].to_list()))
    logs = archive.logs(car_name, columns=("log_id", "wall_start", "path"))
    started = logs.select("log_id", "wall_start", "path").unique("log_id", keep="first")
    pulls = pulls.join(started, on="log_id", how="left").sort(
        "wall_start", "path", "index", nulls_last=True
    )
    rows = [
        (int(row["gear"]) if row["gear"] is not None else None, row)
        for row in pulls.iter_rows(named=True)
    ]
    return rows, bool(own["us_units"][-1])
