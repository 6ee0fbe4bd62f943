"""Boost against duty, and what follows: `response`, the next step up; `plan`, the evening ahead."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import click

from audit.cli import options, output


@click.command("response", params=options.of("response"))
def response(
    *,
    archive: str,
    car_file: Path | None,
    targets: tuple[str, ...],
    setting: str | None,
    json_to: str | None,
    units: str | None,
    by_gear: bool,
) -> None:
    """Boost against solenoid duty, gear by gear, with its spread; the next step up, or why not.

    No step is ever more than 5 % duty or 14 kPa (2 psi) expected (10 % through a dead band, where
    less than 1 psi is expected), and none goes past a limit of the car.
    """
    from audit.archive.step.response import response as worked_out
    from audit.archive.step.response_document import document_of, dumps
    from audit.archive.store.store import Archive
    from audit.report.sheets import gear_lines, response_lines

    kept = Archive(archive)
    car = options.car_of(kept, car_file)
    document = document_of(worked_out(kept, car, target_kpa=_wanted(targets), setting=setting))
    if car.name not in (known := kept.cars()):
        output.warn([f"no night of {car.name} in {archive} (known: {', '.join(known)})."])
    us = units == "us" if units else document["us_units"]
    table = gear_lines if by_gear else response_lines
    output.deliver(json_to, partial(dumps, document), lambda: output.tell(table(document, us=us)))


def _wanted(texts: tuple[str, ...]) -> float | dict[int, float] | None:
    """--target as kPa for all gears, or by gear. Raises UsageError for a figure without a unit."""
    from audit.amounts import WrongAmount, amount
    from audit.errors import UsageError

    by_gear: dict[int | None, float] = {}
    for text in texts:
        gear, _, boost = text.strip().rpartition("=")
        try:
            kpa = amount(boost, "pressure", least=0.0)
            by_gear[int(gear) if gear else None] = kpa
        except (WrongAmount, ValueError) as error:
            why = f"{error}. " if isinstance(error, WrongAmount) else ""
            raise UsageError(
                f"--target {text}: not a boost. {why}Give it with its unit: 13psi, 90kPa, "
                "or 2=9psi for gear 2 alone."
            ) from None
    every = by_gear.pop(None, None)
    own = {gear: kpa for gear, kpa in by_gear.items() if gear is not None}
    if own and every is not None:
        return {**dict.fromkeys(range(10), every), **own}
    return own or every


@click.command("plan", params=options.of("plan"))
def plan(
    *,
    archive: str | None,
    car_file: Path | None,
    setting: str | None,
    json_to: str | None,
    units: str | None,
) -> None:
    """The evening ahead on one page: what to look at first, the duties in order, cool-downs, what
    ends it."""
    from audit.archive.step.plan import plan as planned
    from audit.archive.step.response_document import dumps
    from audit.report.sheets import plan_lines

    if archive is None:
        from audit.carfile import load_car

        here = Path("car.toml")
        document = planned(load_car(car_file or (here if here.is_file() else None)))
    else:
        from audit.archive.logged import logged_afr
        from audit.archive.step.response import response as worked_out
        from audit.archive.store.store import Archive
        from audit.database import shown

        kept = Archive(archive)
        car = options.car_of(kept, car_file)
        afr = logged_afr(kept, car.name) if car.name in kept.cars() else None
        found = worked_out(kept, car, setting=setting)
        document = planned(car, found, where=shown(archive), afr=afr)
    us = units == "us" if units else document["us_units"]
    output.deliver(
        json_to, partial(dumps, document), lambda: output.tell(plan_lines(document, us=us))
    )
