"""The duty that a person set by hand: what the log does not tell, said for the night or for one
log.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from pathlib import Path

import polars as pl

from audit.errors import UsageError
from audit.model import Channel, Log, Note

TYPED = "typed by hand"
NOT_USED = f"{TYPED} is not used."
ALL = ""  # the path that stands for every log


def by_path(said: Mapping[str, float], files: Sequence[object]) -> dict[str, float]:
    """Duty, %, of each file that has one said, by its path as given to the audit.

    said: path, folder or file name -> duty, or ALL. A file's own word stands over its folder's, and
    that over ALL. Raises UsageError for a word that means none of the files, or several of one
    name.
    """
    known = {str(file): file for file in files}
    found = dict.fromkeys(known, said[ALL]) if ALL in said else {}
    named = sorted((w for w in said if w != ALL), key=len)
    meant = {word: _meant(word, known) for word in named}
    for word in sorted(named, key=lambda w: -len(meant[w])):
        found |= dict.fromkeys(meant[word], said[word])
    return found


def _meant(word: str, known: Mapping[str, object]) -> list[str]:
    if word in known:
        return [word]
    path = Path(word)
    if path.exists():
        real = path.resolve()
        inside = [
            text
            for text, file in known.items()
            if isinstance(file, Path) and (file.resolve() == real or real in file.resolve().parents)
        ]
        if inside:
            return inside
    same = [text for text in known if text.replace("\\", "/").rsplit("/", 1)[-1] == word]
    if len(same) == 1:
        return same
    if same:
        raise UsageError(f"--duty {word}=…: {len(same)} logs have that name. Give its whole path.")
    raise UsageError(
        f"--duty {word}=…: no log of tonight has that path. Known: {', '.join(known) or 'none'}."
    )


def with_duty(log: Log, duty_pct: float | None) -> Log:
    """The log with the duty as a channel of that constant value; the log's own duty stands over
    it.
    """
    if duty_pct is None:
        return log
    if log.has("wastegate_duty"):
        note = Note(f"The log has its own duty, so the {duty_pct:g} % {NOT_USED}")
        return dataclasses.replace(log, notes=(*log.notes, note))
    frame = log.frame.with_columns(pl.lit(duty_pct, pl.Float64).alias("wastegate_duty"))
    channel = Channel(
        name="wastegate_duty",
        source=TYPED,
        source_unit="%",
        unit="%",
        rate_hz=round(log.rate_hz, 4),
        held=True,
        unit_from=TYPED,
        name_why=f"{duty_pct:g} % {TYPED}, the same in every row",
    )
    note = Note(f"The duty is {duty_pct:g} % as {TYPED}: the log has none of its own.")
    return dataclasses.replace(
        log, frame=frame, channels=(*log.channels, channel), notes=(*log.notes, note)
    )


def typed_duty(log: Log) -> float | None:
    """The duty that a person set by hand for a log, %; None for none, or without its samples."""
    if not log.rows or all(c.source != TYPED for c in log.channels):
        return None
    return float(log.values("wastegate_duty")[0])


def unused(log: Log) -> str:
    """What is said of a duty that was set by hand for a log that has its own; "" for none."""
    return next((n.message for n in log.notes if n.message.endswith(NOT_USED)), "")
