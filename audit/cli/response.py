"""`pullaudit response`: the duty sheet and the next step."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from audit.cli.output import json_alone

if TYPE_CHECKING:
    from audit.model import Car


@click.command("response")
@click.option(
    "--archive",
    "folder",
    required=True,
    metavar="DIR",
    help="The archive.",
)
@click.option(
    "--car",
    "car_file",
    type=click.Path(path_type=Path),
    metavar="CAR.toml",
    help="The car file; without it the one that the archive's only car had last.",
)
@click.option(
    "--target",
    "targets",
    multiple=True,
    metavar="[GEAR=]BOOST",
    help="Boost wanted, with its unit: 13psi, 90kPa; 2=9psi for gear 2 alone. May be repeated.",
)
@click.option(
    "--setting",
    type=click.Choice(["dyno", "street"]),
    help="Count these pulls; else those of the newest night's setting.",
)
@click.option(
    "--json",
    "json_to",
    metavar="FILE",
    help="Write the result as JSON; - for standard output, and only it.",
)
@click.option(
    "--gears", "by_gear", is_flag=True, help="The table by gear alone, to print or paste."
)
@click.option("--units", type=click.Choice(["us", "metric"]), help="Units on the screen.")
def command(
    *,
    folder: str,
    car_file: Path | None,
    targets: tuple[str, ...],
    setting: str | None,
    json_to: str | None,
    units: str | None,
    by_gear: bool,
) -> None:
    """Boost against solenoid duty, gear by gear, with its spread; the next step up, or why not.

    No step is ever more than 5 % duty or 14 kPa (2 psi) expected (10 % through a dead band, where less than
    1 psi is expected), and none goes past a limit of the car.
    """
    from audit.archive.step.response import response
    from audit.archive.step.response_document import document_of, dumps
    from audit.archive.store.store import Archive

    archive = Archive(folder)
    car = car_of(archive.cars(), car_file, folder) or archive.car(archive.cars()[0])
    document = document_of(response(archive, car, target_kpa=_wanted(targets), setting=setting))
    if car.name not in archive.cars():
        click.echo(
            f"pullaudit: no night of {car.name} in {folder} (known: {', '.join(archive.cars())}).",
            err=True,
        )
    if json_to is not None and json_alone(dumps(document), json_to):
        return
    from audit.report.response_table import gear_table, render

    us = units == "us" if units else document["us_units"]
    click.echo("\n".join((gear_table if by_gear else render)(document, us=us)))


def car_of(known: list[str], car_file: Path | None, folder: str) -> Car | None:
    """The car of a car file, or None where the archive's only car is meant. Raises UsageError where it is not told."""
    from audit.carfile import load_car
    from audit.errors import UsageError

    if car_file is not None:
        return load_car(car_file)
    if len(known) != 1:
        raise UsageError(
            f"{folder} holds {len(known)} cars ({', '.join(known) or 'none'}): say which with --car CAR.toml."
        )
    return None


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
                f"--target {text}: not a boost. {why}Give it with its unit: 13psi, 90kPa, or 2=9psi for gear 2 alone."
            ) from None
        if gear:
            by_gear[number] = kpa
        else:
            every = kpa
    if by_gear and every is not None:
        return {**dict.fromkeys(range(10), every), **by_gear}
    return by_gear or every
