"""`pullaudit withdraw`: a night that is not to count."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from audit.cli import options, output

if TYPE_CHECKING:
    from audit.archive.store.store import Archive


@click.command("withdraw", params=options.of("withdraw"))
@click.argument("night", metavar="NIGHT")
def command(night: str, archive: str, *, undo: bool) -> None:
    """Take a night out of what its car is judged by: the wrong car, the wrong date. It stays kept.

    NIGHT is its day, as 2026-05-31, where that day has one night, or its name (night-2026-05-31-…).
    """
    from audit.archive.store.store import Archive
    from audit.archive.trend.fleet import fleet

    kept = Archive(archive)
    row = kept.withdraw(_named(kept, night, undo=undo), undo=undo)
    fleet(kept)  # works out the car's standing anew
    done = "counts again" if undo else "counts no more; --undo puts it back"
    output.say(f"{row['night_id']} of {row['car']}, {row['date']}, {done}.")


def _named(kept: Archive, night: str, *, undo: bool) -> str:
    """The night's name; of a day, its only night's. Raises UsageError where it has several."""
    from audit.errors import UsageError

    names = kept.names_of(night, withdrawn=undo) or kept.names_of(night, withdrawn=not undo)
    if len(names) > 1:
        raise UsageError(f"{night} has {len(names)} nights: {', '.join(names)}. Say which.")
    return names[0] if names else night
