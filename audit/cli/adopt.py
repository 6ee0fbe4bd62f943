"""`pullaudit adopt`: an archive of the earlier format brought over."""

from __future__ import annotations

from pathlib import Path

import click


@click.command("adopt")
@click.argument("old", type=click.Path(path_type=Path), metavar="OLD")
@click.option(
    "--archive",
    "folder",
    required=True,
    metavar="DIR",
    help="The new archive: a folder, or postgresql://… of a server.",
)
@click.option("--logs", metavar="ADDRESS", help="Where the new archive keeps its logs.")
def command(old: Path, folder: str, logs: str | None) -> None:
    """Bring the archive in the folder OLD, of the earlier format, over into a new one.

    Its kept logs are screened again and its journal is taken along; OLD is not changed. May be run again.
    """
    from audit.archive.step.decide import in_history
    from audit.archive.store.adopt import adopt
    from audit.archive.store.store import Archive

    for sentence in adopt(old, Archive(folder, logs=logs), history=in_history):
        click.echo(sentence)
