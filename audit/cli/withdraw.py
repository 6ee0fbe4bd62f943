"""`pullaudit withdraw`: a night that is not to count."""

from __future__ import annotations

import click

from audit.cli import options


@click.command("withdraw", params=options.of("withdraw"))
@click.argument("night", metavar="NIGHT")
def command(night: str, archive: str, *, undo: bool) -> None:
    """Take a night out of what its car is judged by: the wrong car, the wrong date. It stays kept.

    NIGHT is its name, as screen and trends --sql tell it (night-2026-05-31-…).
    """
    from audit.archive.store.store import Archive
    from audit.archive.trend.fleet import fleet

    kept = Archive(archive)
    row = kept.withdraw(night, undo=undo)
    fleet(kept)  # works out the car's standing anew
    done = "counts again" if undo else "counts no more; --undo puts it back"
    click.echo(f"{row['night_id']} of {row['car']}, {row['date']}, {done}.")
