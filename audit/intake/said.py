"""The sentences of schemas/log_notes.toml, filled in: why a log is refused, what was found."""

from __future__ import annotations

from audit.errors import NotALog, UnreadableLog
from audit.intake.raw import Rejected
from audit.model import Note
from audit.tables import toml_table


def sentence(part: str, key: str, **figures: object) -> str:
    """A row of a part of the table; of a row with two, the first for a count of one."""
    table = toml_table("log_notes.toml")
    text = table[part][key]
    if isinstance(text, list):
        text = text[0 if figures.get("count") == 1 else 1]
    return str(text.format(**table["mend"], **figures))


def note(
    key: str,
    line: int | None = None,
    count: int = 1,
    *,
    code: str | None = None,
    span: tuple[float, float] | tuple[None, None] = (None, None),
    **figures: object,
) -> Note:
    """What intake did or skipped. span: s, where it concerns a stretch of the log."""
    text = sentence("note", key, line=line, count=count, **figures)
    return Note(text, line, count, code, *span)


def refused(key: str, **figures: object) -> UnreadableLog:
    """The error of a log that cannot be read; NotALog where the table knows that it is none."""
    if key in toml_table("log_notes.toml")["refused"]:
        return UnreadableLog(sentence("refused", key, **figures))
    return NotALog(sentence("no_log", key, **figures))


def rejected(path: str, digest: str, error: UnreadableLog) -> Rejected:
    """The error as one sentence that begins with the file."""
    text = str(error).rstrip(".")
    return Rejected(path, digest, f"{path}: {text}.", not_a_log=isinstance(error, NotALog))
