"""`pullaudit rescreen`: the kept logs judged again."""

from __future__ import annotations

import sys
from pathlib import Path

import click


@click.command("rescreen")
@click.option(
    "--archive",
    "folder",
    required=True,
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="The archive.",
)
@click.option("--car", metavar="NAME", help="Only this car.")
@click.option("--all", "every", is_flag=True, help="Also nights that this version has judged.")
def command(folder: Path, car: str | None, *, every: bool) -> None:
    """Judge the kept nights again with this version; the old verdicts are kept too."""
    from audit.archive.store.rescreen import rescreen
    from audit.archive.store.store import Archive

    archive = Archive(folder)
    if car is not None:
        archive.car(car)
    done = rescreen(
        archive, car=car, every=every, progress=_progress if sys.stderr.isatty() else None
    )
    changed = [r for r in done if r.before != r.after]
    for r in changed:
        click.echo(f"{r.date}  {r.car}: {r.before} is now {r.after}")
    click.echo(
        f"{len(done)} night{'s' if len(done) != 1 else ''} judged again, {len(changed)} with another verdict."
    )


def _progress(done: int, total: int) -> None:
    click.echo(f"\rnight {done} of {total}", nl=done == total, err=True)
