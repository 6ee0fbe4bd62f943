"""`pullaudit rescreen`: the kept logs judged again."""

from __future__ import annotations

import click

from audit.cli import options, output


@click.command("rescreen", params=options.of("rescreen"))
def command(archive: str, car: str | None, *, every: bool) -> None:
    """Judge the kept nights again with this version; the old verdicts are kept too.

    A night, a kept log of which is lost, is held, with all that was found in it.
    """
    from audit.archive.step.decide import with_decision
    from audit.archive.store.rescreen import rescreen
    from audit.archive.store.store import Archive
    from audit.archive.trend.fleet import fleet

    kept = Archive(archive)
    if car is not None:
        kept.car(car)
    count = output.counter("night")
    done = rescreen(kept, car=car, every=every, decide=with_decision, progress=count)
    if done:
        fleet(kept)  # works out the standings anew
    for r in done:
        for why in r.lost:
            click.echo(f"{r.date}  {r.car}: {why} Its night stays on {r.after}.")
    changed = [r for r in done if r.before != r.after]
    for r in changed:
        click.echo(f"{r.date}  {r.car}: {r.before} is now {r.after}")
    nights = f"{len(done)} night{'s' if len(done) != 1 else ''}"
    click.echo(f"{nights} judged again, {len(changed)} with another verdict.")
