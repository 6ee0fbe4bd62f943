"""Words that every report shares."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from audit.model import LogAudit

VERDICT_SAYS = {
    "clear": "nothing here speaks against the next small step.",
    "hold": "do not raise boost yet.",
    "stop": "do not drive it hard until this is fixed.",
}

CAUTIONS = (
    "What a log cannot show: loose ball joints, tyres, hoses, belts, leaks, brakes. Look before each run. "
    "Test on a dyno or a closed course, one small step at a time; local law and a qualified tuner decide. "
    "This program never writes to an engine computer."
)


def plain_check(name: str) -> str:
    """A check's name for people."""
    return name.replace("_", " ")


def mended(audit: LogAudit) -> list[str]:
    """What intake left out of a file or mended in it, a sentence each: torn end, skipped lines, restarted clock."""
    if audit.log is None:
        return []
    touched = [n for n in audit.log.notes if n.line is not None or n.code is not None]
    return [n.message[:1].upper() + n.message[1:] for n in touched]
