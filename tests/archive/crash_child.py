"""Adds nights to an archive until it is killed or done: `python -m tests.archive.crash_child DIR FIRST LAST`."""

import sys

from audit.archive import tables
from audit.archive.store import Archive
from tests.archive.nights import a_night


def main(folder: str, first: int, last: int) -> None:
    tables.SMALL_FILES = 8  # compactions often, so that some of the kills hit one
    archive = Archive(folder)
    for seed in range(first, last):
        archive.add(a_night(2 * seed, 2 * seed + 1, day=f"2026-03-{1 + seed % 28:02d}"))
        print(seed, flush=True)


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]))
