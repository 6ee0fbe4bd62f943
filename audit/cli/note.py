"""`pullaudit note`: a change of hardware into the car's journal."""

from __future__ import annotations

from pathlib import Path

import click


@click.command("note")
@click.argument("car")
@click.argument("text")
@click.option(
    "--archive",
    "folder",
    required=True,
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="The archive.",
)
@click.option(
    "--date", metavar="YYYY-MM-DD", help="The first day with the change; today if not given."
)
def command(car: str, text: str, folder: Path, date: str | None) -> None:
    """Note that something was changed on CAR: TEXT, as in "fitted new injectors".

    The measures that it touches start a new baseline on that day.
    """
    import datetime as dt

    from audit.archive.store.store import Archive

    day = date or dt.datetime.now().astimezone().date().isoformat()
    note = Archive(folder).journal.add(car, text, date=day)
    touched = ", ".join(note.touches).replace("_", " ")
    anew = f"New baseline for: {touched}." if touched else "No change, so no new baseline."
    click.echo(f"Noted for {note.car} on {note.day}: {note.text}. {anew}")
