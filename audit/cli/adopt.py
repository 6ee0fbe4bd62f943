"""`pullaudit adopt`: an archive of the earlier format brought over."""

from __future__ import annotations

from pathlib import Path

import click

from audit.cli import options


@click.command("adopt", params=options.of("adopt"))
@click.argument("old", type=options.FILE, metavar="OLD")
def command(old: Path, archive: str, logs: str | None) -> None:
    """Bring the archive in the folder OLD, of the earlier format, over into a new one.

    Its kept logs are screened again and its journal is taken along; OLD is not changed. May be run
    again.
    """
    from audit.archive.step.decide import in_history
    from audit.archive.store.adopt import adopt
    from audit.archive.store.store import Archive

    for sentence in adopt(old, Archive(archive, logs=logs), history=in_history):
        click.echo(sentence)
