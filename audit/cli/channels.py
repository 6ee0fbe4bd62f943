"""`pullaudit channels`: how a log was understood."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from audit.cli.output import json_alone


@click.command("channels")
@click.argument("path", type=click.Path(path_type=Path))
@click.option(
    "--car", "car_file", type=click.Path(path_type=Path), metavar="CAR.toml", help="The car file."
)
@click.option(
    "--json",
    "json_to",
    metavar="FILE",
    help="Write it as JSON; - for standard output, and only it.",
)
@click.option(
    "--suggest", is_flag=True, help="Print a [channels] block for the car file, and only it."
)
@click.option(
    "--rate",
    "rate_hz",
    type=click.FloatRange(0.1, 10000),
    metavar="HZ",
    help="Rows a second, for a log without a time column.",
)
def command(
    path: Path, car_file: Path | None, json_to: str | None, rate_hz: float | None, *, suggest: bool
) -> None:
    """Show how a log was understood, column by column: the channel and unit it became and why,
    its rate, its flags; what is missing and which checks that switches off."""
    from audit.channels import explain_file
    from audit.report.channel_table import dumps, print_channels

    explained = explain_file(path, car_file=car_file, rate_hz=rate_hz)
    for entry in explained.rejected:
        click.echo(f"pullaudit: {entry}", err=True)
    if suggest:
        click.echo(explained.suggestion())
    elif json_to is None or not json_alone(dumps(explained), json_to):
        print_channels(explained)
    sys.exit(0 if explained.logs else 3)
