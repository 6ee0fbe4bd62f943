"""`pullaudit trends`: how a car has moved over its nights."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

import click

from audit.cli import options, output

if TYPE_CHECKING:
    from audit.archive.store.store import Archive
    from audit.archive.trend.text import Shown


@click.command("trends", params=options.of("trends"))
def command(
    *, archive: str, car: str | None, json_to: str | None, sql: str | None, season: bool
) -> None:
    """Show how a car has moved over its nights, where it has shifted and what that usually means.

    With one car in the archive, or --car, its trends; else all cars, worst first.
    """
    from audit.archive.store.store import Archive
    from audit.archive.trend import text
    from audit.errors import UsageError

    kept = Archive(archive)
    if sql is not None:
        answer = kept.ask(sql)
        table = partial(click.echo, output.as_csv(*answer), nl=False)
        output.deliver(json_to, partial(output.as_json, *answer), table)
        return
    cars = kept.cars()
    name = car or (cars[0] if len(cars) == 1 else None)
    if season:
        from audit.archive.logged import logged_afr
        from audit.archive.trend.text import season_lines

        if name is None:
            raise UsageError(f"--season is of one car: say which with --car ({', '.join(cars)}).")
        kept.car(name)
        shown = _shown(kept, name)
        afr = logged_afr(kept, name) if shown.unit("kPa") == "psi" else None
        output.tell(season_lines(kept.nights(name), kept.pulls(name), shown=shown, afr=afr))
    elif name is None:
        from audit.archive.trend.fleet import fleet

        standings = fleet(kept, progress=output.counter("working out car"))
        output.deliver(
            json_to,
            lambda: text.fleet_document(standings),
            lambda: output.tell(text.fleet_lines(standings)),
        )
    else:
        from audit.archive.trend.trends import trends

        found = trends(kept, name)
        output.deliver(
            json_to,
            lambda: text.trends_document(found),
            lambda: output.tell(text.trend_lines(found, shown=_shown(kept, found.car))),
        )


def _shown(archive: Archive, car: str) -> Shown:
    """Figures in the units of the car's last night."""
    from audit.archive.trend import text
    from audit.report import display

    us = bool(archive.nights(car, columns=["us_units"])["us_units"].fill_null(value=False)[-1])

    def number(value: float, unit: str, digits: int) -> str:
        return display.number(value, unit, us=us, digits=digits)

    def unit(name: str) -> str:
        return name if name == "1" else display.unit_for(name, us=us)

    return text.Shown(partial(display.localise, us=us), number, unit, output.columns())
