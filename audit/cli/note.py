"""`pullaudit note`: a change of hardware into the car's journal."""

from __future__ import annotations

import click


@click.command("note")
@click.argument("car")
@click.argument("text")
@click.option(
    "--archive",
    "folder",
    required=True,
    metavar="DIR",
    help="The archive: a folder, or postgresql://… of a server.",
)
@click.option(
    "--date", metavar="YYYY-MM-DD", help="The first day with the change; today if not given."
)
@click.option(
    "--affects",
    multiple=True,
    metavar="MEASURE",
    help="A measure that starts a new baseline; all, or none. May be repeated.",
)
@click.option("--remove", is_flag=True, help="Take back the note with this text.")
def command(
    *, car: str, text: str, folder: str, date: str | None, affects: tuple[str, ...], remove: bool
) -> None:
    """Note that something was changed on CAR: TEXT, as in "fitted new injectors".

    The measures that it touches start a new baseline on that day. Words that are not known, and days to come, touch
    none unless --affects says which.
    """
    import datetime as dt

    from audit.archive.store.store import Archive
    from audit.archive.trend.fleet import fleet

    archive = Archive(folder)
    journal = archive.journal
    if remove:
        for note in journal.remove(car, text):
            click.echo(f"Taken back for {note.car}: {note.day}, {note.text}.")
        fleet(archive)  # works out the car's standing anew
        return
    day = date or dt.datetime.now().astimezone().date().isoformat()
    note = journal.add(car, text, date=day, affects=affects)
    fleet(archive)
    click.echo(f"Noted for {note.car} on {note.day}: {note.text}. {_starts_anew(note.touches)}.")
    if note.doubt:
        click.echo(
            f"pullaudit: {note.doubt}. If a measure changes with it, say which: --affects MEASURE, or --affects all.",
            err=True,
        )


def _starts_anew(touches: tuple[str, ...]) -> str:
    named = ", ".join(touches).replace("_", " ")
    return f"New baseline for: {named}" if named else "No baseline starts anew"
