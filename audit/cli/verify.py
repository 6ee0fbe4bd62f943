"""`pullaudit verify`: proves that the archive is whole."""

from __future__ import annotations

import sys

import click

BROKEN = 1


@click.command("verify")
@click.option(
    "--archive",
    "folder",
    required=True,
    metavar="DIR",
    help="The archive: a folder, or postgresql://… of a server.",
)
@click.option(
    "--repair",
    is_flag=True,
    help="Hold the nights whose kept logs are lost or whose rows were changed.",
)
def command(folder: str, *, repair: bool) -> None:
    """Check the database, its references, every verdict's rows and every kept log of an archive.

    Exit codes: 0 whole, 1 something is wrong, 2 wrong usage or no archive.
    """
    from audit.archive.store.verify import verify
    from audit.database import shown

    where = shown(folder)
    problems = verify(folder, repair=repair)
    for problem in problems:
        click.echo(f"{problem.path}: {problem.what.rstrip('.')}.")
    wrong = [p for p in problems if p.kind != "spare"]
    if not wrong:
        click.echo(f"{where} is whole.")
        return
    lost = any(p.kind in ("log", "revision") for p in wrong)
    more = " `pullaudit verify --repair` holds the nights that are hit." if lost else ""
    held = " The nights that are hit are held." if lost else ""
    click.echo(
        f"{len(wrong)} thing{'s' if len(wrong) != 1 else ''} wrong in {where}.{held if repair else more}"
    )
    sys.exit(BROKEN)
