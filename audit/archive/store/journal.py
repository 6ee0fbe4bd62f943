"""The journal of a car: what was fitted or changed, and from which night on that starts a new baseline."""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from audit.archive.store.migrate import FORMAT
from audit.archive.store.record import Record
from audit.archive.store.store import now
from audit.archive.watched import hardware_words, watched
from audit.errors import UsageError

if TYPE_CHECKING:
    import polars as pl

    from audit.archive.store.store import Archive


@dataclass(frozen=True, slots=True)
class JournalNote:
    """touches: names of the trended measures that start anew on that day; day: ISO."""

    note_id: str
    car: str
    day: str
    text: str
    touches: tuple[str, ...]


class Journal:
    """The notes of an archive."""

    def __init__(self, archive: Archive) -> None:
        self._archive = archive

    def add(self, car: str, text: str, *, date: str) -> JournalNote:
        """Keep a note; the same note twice is kept once. Raises UsageError for no text, no car or no such day."""
        from audit.archive.store.store import _day

        text = " ".join(text.split())
        if not text:
            raise UsageError(
                'the note is empty. Write what was changed, as in: "fitted new injectors".'
            )
        day = _day(date)
        self._archive.car(car)
        name = f"note-{day}-{hashlib.sha256(f'{car}|{day}|{text}'.encode()).hexdigest()[:16]}"
        note = JournalNote(name, car, day, text, touched_by(text))
        with self._archive.writing():
            if name not in set(self.frame(car)["night_id"]):
                row = {
                    "car": car,
                    "date": day,
                    "night_id": name,
                    "revision": 0,
                    "text": text,
                    "touches": list(note.touches),
                    "added_at": now(),
                }
                self._archive.put(Record(f"{name}-r0", car, day, {"note": [row]}, FORMAT))
        return note

    def frame(self, car: str | None = None) -> pl.DataFrame:
        """The notes as rows."""
        return self._archive.notes(car)

    def of(self, car: str) -> tuple[JournalNote, ...]:
        """The notes on a car by day."""
        rows = self.frame(car).select("night_id", "car", "date", "text", "touches").iter_rows()
        return tuple(
            JournalNote(i, c, day, text, tuple(touches or ())) for i, c, day, text, touches in rows
        )


def touched_by(text: str) -> tuple[str, ...]:
    """The measures that a note's words touch by the table in schemas/trends.toml; all of them for unknown words.

    None for a note that tells of a test or of how the car is, and not of a change.
    """
    words = text.lower()
    found: list[str] = []
    for row in hardware_words():
        if any(re.search(rf"\b{re.escape(word)}", words) for word in row.words):
            if not row.touches:  # tried and found sound, or the car as it is: no change
                return ()
            found += row.touches
    return tuple(dict.fromkeys(found)) or tuple(measure.name for measure in watched())
