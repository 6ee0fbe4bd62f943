"""`pullaudit rescreen`: the kept logs judged again."""

from __future__ import annotations

import sys

import click


@click.command("rescreen")
@click.option(
    "--archive",
    "folder",
    required=True,
    metavar="DIR",
    help="The archive: a folder, or postgresql://… of a server.",
)
@click.option("--car", metavar="NAME", help="Only this car.")
@click.option("--all", "every", is_flag=True, help="Also nights that this version has judged.")
def command(folder: str, car: str | None, *, every: bool) -> None:
    """Judge the kept nights again with this version; the old verdicts are kept too.

    A night, a kept log of which is lost, is held, with all that was found in it.
    """
    from audit.archive.step.decide import with_decision
    from audit.archive.store.rescreen import rescreen
    from audit.archive.store.store import Archive
    from audit.archive.trend.fleet import fleet

    archive = Archive(folder)
    if car is not None:
        archive.car(car)
    done = rescreen(
        archive,
        car=car,
        every=every,
        decide=with_decision,
        progress=_progress if sys.stderr.isatty() else None,
    )
    if done:
        fleet(archive)  # works out the standings anew
    for r in done:
        for why in r.lost:
            click.echo(f"{r.date}  {r.car}: {why} Its night stays on {r.after}.")
    changed = [r for r in done if r.before != r.after]
    for r in changed:
        click.echo(f"{r.date}  {r.car}: {r.before} is now {r.after}")
    click.echo(
        f"{len(done)} night{'s' if len(done) != 1 else ''} judged again, {len(changed)} with another verdict."
    )


def _progress(done: int, total: int) -> None:
    click.echo(f"\rnight {done} of {total}", nl=done == total, err=True)
