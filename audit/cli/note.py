"""`pullaudit note`: a change of hardware into the car's journal."""

from __future__ import annotations

import click

from audit.cli import options, output


@click.command("note", params=options.of("note"))
@click.argument("car")
@click.argument("text")
def command(
    *, car: str, text: str, archive: str, date: str | None, affects: tuple[str, ...], remove: bool
) -> None:
    """Note that something was changed on CAR: TEXT, as in "fitted new injectors".

    The measures that it touches start a new baseline on that day. Words that are not known, and
    days to come, touch none unless --affects says which.
    """
    from audit.archive.step.evidence import CURVE_TOUCHED
    from audit.archive.store.store import Archive
    from audit.archive.trend.fleet import fleet
    from audit.archive.watched import called
    from audit.night.days import today

    kept = Archive(archive)
    if remove:
        for note in kept.journal.remove(car, text):
            output.say(f"Taken back for {note.car}: {note.day}, {note.text}.")
        fleet(kept)  # works out the car's standing anew
        return
    note = kept.journal.add(car, text, date=date or today(), affects=affects)
    fleet(kept)
    touched = called(note.touches)
    anew = f"New baseline for: {touched}" if touched else "No baseline starts anew"
    output.say(f"Noted for {note.car} on {note.day}: {note.text}. {anew}.")
    if CURVE_TOUCHED in note.touches and note.day in set(
        kept.nights(car, columns=["date"])["date"]
    ):
        output.say(
            "The night of that day that is kept already counts as before it in boost against duty; "
            "if it came after, note it under the day before (--date)."
        )
    if note.doubt:
        which = "If a measure changes with it, say which: --affects MEASURE, or --affects all."
        output.warn([f"{note.doubt}. {which}"])
