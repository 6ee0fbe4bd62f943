"""What can go wrong, as sentences: file, place, mend.

PullauditError               anything this program says on purpose; exit 2
├── UsageError               a bad option or a path that is not there; exit 2
│   └── CarFileError         a car file that cannot be used; exit 2
├── UnreadableLog            one log that cannot be read; the others go on
│   └── NotALog              not a log at all: empty, a picture, no table in it
└── ArchiveError             the archive is missing, torn or locked; exit 2
"""

from __future__ import annotations

from collections.abc import Iterable


class PullauditError(Exception):
    """Base of every error that is meant for the person at the keyboard."""

    exit_code = 2


class UsageError(PullauditError):
    """A wrong option, or a path that does not exist."""


class CarFileError(UsageError):
    """A car file that cannot be parsed or holds a wrong key or value."""


class UnreadableLog(PullauditError):
    """A file that looks like a log but cannot be read; exit code 3 only when no log could."""

    exit_code = 3


class NotALog(UnreadableLog):
    """A file with no log in it (empty, binary, a picture, plain text)."""


class ArchiveError(PullauditError):
    """The archive cannot be read or written."""


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """'Did you mean x?' when something near is known, else the list of what is known."""
    import difflib

    names = sorted(known)
    near = difflib.get_close_matches(word, names, n=2, cutoff=0.6)
    if near:
        return f"Did you mean {' or '.join(near)}?"
    return f"Known: {', '.join(names)}." if names else ""
