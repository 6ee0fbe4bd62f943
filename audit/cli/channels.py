"""`pullaudit channels`: how a log was understood."""

from __future__ import annotations

import sys
from functools import partial
from pathlib import Path

import click

from audit.cli import options, output


@click.command("channels", params=options.of("channels"))
@click.argument("path", type=options.FILE)
def command(
    path: Path, car_file: Path | None, json_to: str | None, rate_hz: float | None, *, suggest: bool
) -> None:
    """Show how a log was understood, column by column: the channel and unit it became and why,
    its rate, its flags; what is missing and which checks that switches off."""
    from audit.channels import explain_file
    from audit.report.channel_table import document, render

    explained = explain_file(path, car_file=car_file, rate_hz=rate_hz)
    output.warn(explained.rejected)
    if suggest:
        click.echo(explained.suggestion())
    else:
        show = partial(render, explained, width=output.columns())
        output.deliver(json_to, partial(document, explained), lambda: output.tell(show()))
    sys.exit(0 if explained.logs else 3)
