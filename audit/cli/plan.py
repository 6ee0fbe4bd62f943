"""`pullaudit plan`: the evening ahead on one page."""

from __future__ import annotations

from pathlib import Path

import click

from audit.cli.output import json_alone


@click.command("plan")
@click.option(
    "--archive",
    "folder",
    metavar="DIR",
    help="The archive; without it the plan is that of a new car.",
)
@click.option(
    "--car",
    "car_file",
    type=click.Path(path_type=Path),
    metavar="CAR.toml",
    help="The car file; without it car.toml here, if there is one.",
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
@click.option("--units", type=click.Choice(["us", "metric"]), help="Units on the sheet.")
def command(
    *,
    folder: str | None,
    car_file: Path | None,
    setting: str | None,
    json_to: str | None,
    units: str | None,
) -> None:
    """The evening ahead on one page: what to look at first, the duties in order, cool-downs, what ends it."""
    from audit.archive.step.plan import document_of_plan, plan
    from audit.archive.step.response_document import dumps

    if folder is None:
        from audit.carfile import load_car

        here = Path("car.toml")
        made = plan(load_car(car_file or (here if here.is_file() else None)))
    else:
        from audit.archive.step.response import response
        from audit.archive.store.store import Archive
        from audit.cli.response import car_of

        archive = Archive(folder)
        car = car_of(archive.cars(), car_file, folder) or archive.car(archive.cars()[0])
        made = plan(car, response(archive, car, setting=setting))
    document = document_of_plan(made)
    if json_to is not None and json_alone(dumps(document), json_to):
        return
    from audit.report.run_sheet import render

    click.echo("\n".join(render(document, us=units == "us" if units else document["us_units"])))
