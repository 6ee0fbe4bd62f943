"""Adds nights to an archive until it is killed or done: `python -m tests.archive.crash_child DIR FIRST LAST`."""

import sys

from audit.archive.store import tables
from audit.archive.store.join import join
from audit.archive.store.store import Archive
from tests.archive.nights import a_night


def put(archive: Archive, seed: int) -> None:
    """One night of two logs; of every other night the second log comes late and joins the first."""
    day = f"2026-03-{1 + seed % 28:02d}"
    if seed % 2:
        archive.add(a_night(2 * seed, day=day))
        join(archive, a_night(2 * seed, 2 * seed + 1, day=day), date=day)
    else:
        archive.add(a_night(2 * seed, 2 * seed + 1, day=day))


def main(folder: str, first: int, last: int) -> None:
    tables.SMALL_FILES = 8  # compactions often, so that some of the kills hit one
    archive = Archive(folder)
    for seed in range(first, last):
        put(archive, seed)
        print(seed, flush=True)


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]))
