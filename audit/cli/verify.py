"""`pullaudit verify`: proves that the archive is whole."""

from __future__ import annotations

import sys
from pathlib import Path

import click

BROKEN = 1


@click.command("verify")
@click.option(
    "--archive",
    "folder",
    required=True,
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="The archive.",
)
@click.option(
    "--repair",
    is_flag=True,
    help="Set aside what is broken and rebuild the rest from what is whole.",
)
def command(folder: Path, *, repair: bool) -> None:
    """Check every hash, every row's log, every record and every column of an archive.

    Exit codes: 0 whole (or mended), 1 something is wrong, 2 wrong usage or no archive.
    """
    from audit.archive.store.verify import verify

    problems = verify(folder, repair=repair)
    for problem in problems:
        click.echo(
            f"{problem.path}: {problem.what.rstrip('.')}.{' Mended.' if problem.repaired else ''}"
        )
    left = [p for p in problems if not p.repaired]
    if left:
        more = "" if repair else " `pullaudit verify --repair` mends what can be mended."
        click.echo(f"{len(left)} thing{'s' if len(left) != 1 else ''} wrong in {folder}.{more}")
        sys.exit(BROKEN)
    aside = f" What was broken is in {folder / 'set_aside'}." if problems else ""
    click.echo(f"{folder} is whole.{aside}")
