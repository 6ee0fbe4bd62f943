"""Writes to an archive until it is killed or done: `python -m tests.archive.crash_child DIR FIRST LAST`."""

import sys

from audit.archive.store.rescreen import rescreen
from audit.archive.store.store import Archive
from tests.archive.nights import a_night


def put(archive: Archive, seed: int) -> None:
    """One night of two logs; of every other night the second log comes late and joins the first."""
    day = f"2026-03-{1 + seed % 28:02d}"
    if seed % 2:
        archive.add(a_night(2 * seed, day=day))
    name = archive.add(a_night(2 * seed, 2 * seed + 1, day=day)).night_id
    if name is not None and seed > 3 and seed % 3 == 0:
        archive.withdraw(name)
        archive.withdraw(name, undo=True)


def main(folder: str, first: int, last: int) -> None:
    archive = Archive(folder, logs=sys.argv[4] if len(sys.argv) > 4 else None)
    for seed in range(first, last):
        put(archive, seed)
        if seed % 5 == 4:
            rescreen(archive, every=True)
        print(seed, flush=True)


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]))
