"""`pullaudit trends`: how a car has moved over its nights."""

from __future__ import annotations

import json
import sys
from typing import TYPE_CHECKING

import click

from audit.cli.output import as_csv, as_json, json_alone

if TYPE_CHECKING:
    from audit.archive.store.store import Archive
    from audit.archive.trend.text import Shown


@click.command("trends")
@click.option(
    "--archive",
    "folder",
    required=True,
    metavar="DIR",
    help="The archive: a folder, or postgresql://… of a server.",
)
@click.option("--car", metavar="NAME", help="One car; without it all cars, worst first.")
@click.option(
    "--json",
    "json_to",
    metavar="FILE",
    help="Write it as JSON; - for standard output, and only it.",
)
@click.option(
    "--sql",
    metavar="QUERY",
    help="Ask in SQL instead, reading only: nights, logs, pulls, findings, notes.",
)
@click.option("--season", is_flag=True, help="One line a night of one car.")
def command(
    *, folder: str, car: str | None, json_to: str | None, sql: str | None, season: bool
) -> None:
    """Show how a car has moved over its nights, where it has shifted and what that usually means.

    With one car in the archive, or --car, its trends; else all cars, worst first.
    """
    from audit.archive.store.store import Archive
    from audit.archive.trend import text

    archive = Archive(folder)
    if sql is not None:
        answer = archive.ask(sql)
        if json_to is None or not json_alone(as_json(*answer), json_to):
            click.echo(as_csv(*answer), nl=False)
        return
    cars = archive.cars()
    if season:
        click.echo("\n".join(_season(archive, car, cars)))
        return
    if car is None and len(cars) != 1:
        from audit.archive.trend.fleet import fleet

        standings = fleet(archive, progress=_progress if sys.stderr.isatty() else None)
        _write(text.fleet_lines(standings), text.fleet_document(standings), json_to)
        return
    from audit.archive.trend.trends import trends

    found = trends(archive, car or cars[0])
    _write(
        text.trend_lines(found, shown=_shown(archive, found.car)),
        text.trends_document(found),
        json_to,
    )


def _shown(archive: Archive, car: str) -> Shown:
    """Figures in the units of the car's last night."""
    import shutil
    from functools import partial

    from audit.archive.trend import text
    from audit.report import display

    us = bool(archive.nights(car, columns=["us_units"])["us_units"].fill_null(value=False)[-1])

    def number(value: float, unit: str, digits: int) -> str:
        return display.number(value, unit, us=us, digits=digits)

    columns = min(max(shutil.get_terminal_size((text.WIDTH, 24)).columns, 40), text.WIDTH)
    unit = partial(display.unit_for, us=us)
    return text.Shown(partial(display.localise, us=us), number, unit, columns)


def _season(archive: Archive, car: str | None, cars: list[str]) -> list[str]:
    """The lines of --season. Raises UsageError where the car is not told."""
    from audit.archive.trend.season import season_lines
    from audit.errors import UsageError

    if car is None and len(cars) != 1:
        raise UsageError(f"--season is of one car: say which with --car ({', '.join(cars)}).")
    name = car or cars[0]
    archive.car(name)
    return season_lines(archive.nights(name), archive.pulls(name), shown=_shown(archive, name))


def _write(lines: list[str], document: object, json_to: str | None) -> None:
    if json_to is not None and json_alone(
        json.dumps(document, ensure_ascii=False, allow_nan=False, indent=2), json_to
    ):
        return
    click.echo("\n".join(lines))


def _progress(done: int, total: int) -> None:
    click.echo(f"\rworking out car {done} of {total}", nl=done == total, err=True)
