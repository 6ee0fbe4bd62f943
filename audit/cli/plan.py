"""`pullaudit plan`: the evening ahead on one page."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import click

from audit.cli import options, output


@click.command("plan", params=options.of("plan"))
def command(
    *,
    archive: str | None,
    car_file: Path | None,
    setting: str | None,
    json_to: str | None,
    units: str | None,
) -> None:
    """The evening ahead on one page: what to look at first, the duties in order, cool-downs, what
    ends it."""
    from audit.archive.step.plan import plan
    from audit.archive.step.response_document import dumps
    from audit.report.run_sheet import render

    if archive is None:
        from audit.carfile import load_car

        here = Path("car.toml")
        document = plan(load_car(car_file or (here if here.is_file() else None)))
    else:
        from audit.archive.logged import logged_afr
        from audit.archive.step.response import response
        from audit.archive.store.store import Archive
        from audit.database import shown

        kept = Archive(archive)
        car = options.car_of(kept, car_file)
        afr = logged_afr(kept, car.name) if car.name in kept.cars() else None
        found = response(kept, car, setting=setting)
        document = plan(car, found, where=shown(archive), afr=afr)
    us = units == "us" if units else document["us_units"]
    output.deliver(json_to, partial(dumps, document), lambda: output.tell(render(document, us=us)))
