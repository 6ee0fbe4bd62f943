"""`pullaudit response`: the duty sheet and the next step."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import click

from audit.cli import options, output


@click.command("response", params=options.of("response"))
def command(
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
    from audit.archive.step.response import response
    from audit.archive.step.response_document import document_of, dumps
    from audit.archive.store.store import Archive
    from audit.report.sheets import gear_lines, response_lines

    kept = Archive(archive)
    car = options.car_of(kept, car_file)
    found = response(kept, car, target_kpa=_wanted(targets), setting=setting)
    document = document_of(found)
    if car.name not in (known := kept.cars()):
        output.warn([f"no night of {car.name} in {archive} (known: {', '.join(known)})."])
    us = units == "us" if units else document["us_units"]
    table = gear_lines if by_gear else response_lines
    output.deliver(json_to, partial(dumps, document), lambda: output.tell(table(document, us=us)))


def _wanted(texts: tuple[str, ...]) -> float | dict[int, float] | None:
    """--target as kPa for all gears, or by gear. Raises UsageError for a figure without a unit."""
    from audit.amounts import WrongAmount, amount
    from audit.errors import UsageError

    by_gear: dict[int, float] = {}
    every: float | None = None
    for text in texts:
        gear, _, boost = text.strip().rpartition("=")
        try:
            kpa = amount(boost, "pressure", least=0.0)
            number = int(gear) if gear else 0
        except (WrongAmount, ValueError) as error:
            why = f"{error}. " if isinstance(error, WrongAmount) else ""
            raise UsageError(
                f"--target {text}: not a boost. {why}Give it with its unit: 13psi, 90kPa, "
                "or 2=9psi for gear 2 alone."
            ) from None
        if gear:
            by_gear[number] = kpa
        else:
            every = kpa
    if by_gear and every is not None:
        return {**dict.fromkeys(range(10), every), **by_gear}
    return by_gear or every
