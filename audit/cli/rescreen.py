"""`pullaudit rescreen`: the kept logs judged again."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import click

from audit.cli import options, output


@click.command("rescreen", params=options.of("rescreen"))
def command(archive: str, car: str | None, car_file: Path | None, *, every: bool) -> None:
    """Judge the kept nights again with this version; the old verdicts are kept too.

    With --car-file all nights of that car are judged by what the file says now (gearing that was
    not known, another limit) instead of by what it said then.

    A night, a kept log of which is lost, is held, with all that was found in it.
    """
    from audit.archive.step.decide import with_decision
    from audit.archive.store.rescreen import rescreen
    from audit.archive.store.store import Archive
    from audit.archive.trend.fleet import fleet
    from audit.carfile import load_car

    kept, by = Archive(archive), None
    if car_file is not None:
        by = load_car(car_file)
        car, every = car or by.name, True
        by = dataclasses.replace(by, name=car)
    if car is not None:
        kept.car(car)
    count = output.counter("night")
    done = rescreen(kept, car=car, every=every, by=by, decide=with_decision, progress=count)
    if done:
        fleet(kept)  # works out the standings anew
    for r in done:
        for why in r.lost:
            output.say(f"{r.date}  {r.car}: {why} Its night stays on {r.after}.")
    changed = [r for r in done if r.before != r.after]
    for r in changed:
        output.say(f"{r.date}  {r.car}: {r.before} is now {r.after}")
    nights = f"{len(done)} night{'s' if len(done) != 1 else ''}"
    output.say(f"{nights} judged again, {len(changed)} with another verdict.")
