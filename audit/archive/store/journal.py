"""The journal of a car: what was changed, and from which night on that starts a new baseline."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from audit.archive.store.rows import made, named, row_of, words
from audit.archive.store.tables import Tables
from audit.archive.watched import touches_of
from audit.database import plain
from audit.errors import UsageError
from audit.night.days import day_of, now


@dataclass(frozen=True, slots=True)
class JournalNote:
    """touches: names of the trended measures that start anew on that day; day: ISO.

    doubt: why it touches none. added_at: when it was written, ISO, UTC; "" where that is not known.
    """

    note_id: str
    car: str
    day: str
    text: str
    touches: tuple[str, ...]
    doubt: str = ""
    added_at: str = ""


@dataclass(frozen=True)
class Journal:
    """The notes of an archive."""

    archive: Tables

    def add(
        self, car: str, text: str, *, date: str, affects: Sequence[str] | None = None
    ) -> JournalNote:
        """Keep a note; the same note twice is kept once.

        affects: names of measures, or 'all' or 'none', that are known better than by the words.
        Words that the table does not know, and a day to come, touch nothing. Raises UsageError for
        no text, car, day or measure of that name.
        """
        text = " ".join(text.split())
        if not text:
            raise UsageError(words("empty_note"))
        day = day_of(date)
        self.archive.car(car)
        touches, doubt = touches_of(text, day, affects)
        name = named("note", day, f"{car}|{day}|{plain(text)}")
        at = next((n.added_at for n in self.of(car) if n.note_id == name), now())
        note = JournalNote(name, car, day, text, touches, doubt, at)
        with self.archive.writing(car):
            row = row_of("note", note, date=day, removed_at=None)
            self.archive.db.put("note", [row], ["note_id"])
        return note

    def remove(self, car: str, text: str) -> list[JournalNote]:
        """Take back the notes on a car with this text or name; they stay kept as removed.

        Raises UsageError where there is none.
        """
        text, every = " ".join(text.split()), self.of(car)
        found = [n for n in every if text in (n.text, n.note_id)]
        if not found:
            notes = "; ".join(f"{n.day} {n.text}" for n in every) or "none"
            raise UsageError(words("no_note", car=car, text=text, notes=notes))
        with self.archive.writing(car):
            gone = [row_of("note", n, date=n.day, removed_at=now()) for n in found]
            self.archive.db.put("note", gone, ["note_id"])
        return found

    def of(self, car: str) -> tuple[JournalNote, ...]:
        """The notes on a car by day."""
        rows = self.archive.db.dicts(
            "select * from notes where car = ? order by date, added_at", car
        )
        return tuple(made(JournalNote, row | {"day": row["date"]}) for row in rows)
