"""What is done with a kept archive: `note`, `withdraw`, `verify`, `rescreen` and `adopt`."""

from __future__ import annotations

import dataclasses
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from audit.cli import options, output

if TYPE_CHECKING:
    from audit.archive.store.store import Archive

BROKEN = 1


def _opened(archive: str) -> Archive:
    from audit.archive.store.store import Archive

    return Archive(archive)


def _anew(archive: Archive) -> None:
    """Work out the standings of cars that were touched."""
    from audit.archive.trend.fleet import fleet

    fleet(archive)


@click.command("note", params=options.of("note"))
@click.argument("car")
@click.argument("text")
def note(
    *, car: str, text: str, archive: str, date: str | None, affects: tuple[str, ...], remove: bool
) -> None:
    """Note that something was changed on CAR: TEXT, as in "fitted new injectors".

    The measures that it touches start a new baseline on that day. Words that are not known, and
    days to come, touch none unless --affects says which.
    """
    from audit.archive.step.evidence import CURVE_TOUCHED
    from audit.archive.watched import watched
    from audit.night.days import today

    kept = _opened(archive)
    if remove:
        for taken in kept.journal.remove(car, text):
            output.say(f"Taken back for {taken.car}: {taken.day}, {taken.text}.")
        _anew(kept)
        return
    made = kept.journal.add(car, text, date=date or today(), affects=affects)
    _anew(kept)
    touched = ", ".join(m.label for m in watched() if m.name in made.touches)
    anew = f"New baseline for: {touched}" if touched else "No baseline starts anew"
    output.say(f"Noted for {made.car} on {made.day}: {made.text}. {anew}.")
    days = set(kept.nights(car, columns=["date"])["date"])
    if CURVE_TOUCHED in made.touches and made.day in days:
        output.say(
            "The night of that day that is kept already counts as before it in boost against duty; "
            "if it came after, note it under the day before (--date)."
        )
    if made.doubt:
        which = "If a measure changes with it, say which: --affects MEASURE, or --affects all."
        output.warn([f"{made.doubt}. {which}"])


@click.command("withdraw", params=options.of("withdraw"))
@click.argument("night", metavar="NIGHT")
def withdraw(night: str, archive: str, *, undo: bool) -> None:
    """Take a night out of what its car is judged by: the wrong car, the wrong date. It stays kept.

    NIGHT is its day, as 2026-05-31, where that day has one night, or its name (night-2026-05-31-…).
    """
    from audit.errors import UsageError

    kept = _opened(archive)
    names = kept.names_of(night, withdrawn=undo) or kept.names_of(night, withdrawn=not undo)
    if len(names) > 1:
        raise UsageError(f"{night} has {len(names)} nights: {', '.join(names)}. Say which.")
    row = kept.withdraw(names[0] if names else night, undo=undo)
    _anew(kept)
    done = "counts again" if undo else "counts no more; --undo puts it back"
    output.say(f"{row['night_id']} of {row['car']}, {row['date']}, {done}.")


@click.command("verify", params=options.of("verify"))
def verify(archive: str, *, repair: bool) -> None:
    """Check the database, its references, every verdict's rows and every kept log of an archive.

    Exit codes: 0 whole, 1 something is wrong, 2 wrong usage or no archive.
    """
    from audit.archive.store import verify as proof
    from audit.database import shown

    where, problems = shown(archive), proof.verify(archive, repair=repair)
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


@click.command("rescreen", params=options.of("rescreen"))
def rescreen(archive: str, car: str | None, car_file: Path | None, *, every: bool) -> None:
    """Judge the kept nights again with this version; the old verdicts are kept too.

    With --car-file all nights of that car are judged by what the file says now (gearing that was
    not known, another limit) instead of by what it said then.

    A night, a kept log of which is lost, is held, with all that was found in it.
    """
    from audit.archive.step.decide import with_decision
    from audit.archive.store.rescreen import rescreen as judge
    from audit.carfile import load_car

    kept, by = _opened(archive), None
    if car_file is not None:
        by = load_car(car_file)
        car, every = car or by.name, True
        by = dataclasses.replace(by, name=car)
    if car is not None:
        kept.car(car)
    count = output.counter("night")
    done = judge(kept, car=car, every=every, by=by, decide=with_decision, progress=count)
    if done:
        _anew(kept)
    changed = [r for r in done if r.before != r.after]
    lost = [f"{r.date}  {r.car}: {w} Its night stays on {r.after}." for r in done for w in r.lost]
    for line in [*lost, *(f"{r.date}  {r.car}: {r.before} is now {r.after}" for r in changed)]:
        output.say(line)
    nights = f"{len(done)} night{'s' if len(done) != 1 else ''}"
    output.say(f"{nights} judged again, {len(changed)} with another verdict.")


@click.command("adopt", params=options.of("adopt"))
@click.argument("old", type=options.FILE, metavar="OLD")
def adopt(old: Path, archive: str, logs: str | None) -> None:
    """Bring the archive in the folder OLD, of the earlier format, over into a new one.

    Its kept logs are screened again and its journal is taken along; OLD is not changed. May be run
    again.
    """
    from audit.archive.step.decide import in_history
    from audit.archive.store.adopt import adopt as brought
    from audit.archive.store.store import Archive

    for sentence in brought(old, Archive(archive, logs=logs), history=in_history):
        click.echo(sentence)
