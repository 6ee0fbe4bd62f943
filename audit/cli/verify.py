"""`pullaudit verify`: proves that the archive is whole."""

from __future__ import annotations

import sys

import click

from audit.cli import options

BROKEN = 1


@click.command("verify", params=options.of("verify"))
def command(archive: str, *, repair: bool) -> None:
    """Check the database, its references, every verdict's rows and every kept log of an archive.

    Exit codes: 0 whole, 1 something is wrong, 2 wrong usage or no archive.
    """
    from audit.archive.store.verify import verify
    from audit.database import shown

    where = shown(archive)
    problems = verify(archive, repair=repair)
    for problem in problems:
        click.echo(f"{problem.path}: {problem.what.rstrip('.')}.")
    wrong = [p for p in problems if p.kind != "spare"]
    if not wrong:
        click.echo(f"{where} is whole.")
        return
    then = ""
    if repair:
        then = " The nights that are hit are held."
    elif any(p.kind in ("log", "revision") for p in wrong):
        then = " `pullaudit verify --repair` holds the nights that are hit."
    click.echo(f"{len(wrong)} thing{'s' if len(wrong) != 1 else ''} wrong in {where}.{then}")
    sys.exit(BROKEN)
