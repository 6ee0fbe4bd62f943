"""When is a file complete? Nothing tells for sure, so several weak signs are put together.

A file is taken when its size and time of change have stood still for a while, when nobody holds it
open for writing, and when its end looks like an end. A file whose end looks torn off waits longer,
not for ever.
"""

from __future__ import annotations

import contextlib
import errno
import glob
import gzip
import math
import os
import re
import stat
import time
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from audit import discover
from audit.database import plain
from audit.tables import toml_table

GZIP, ZIP = b"\x1f\x8b", b"PK\x03\x04"
LOOK = 70_000  # bytes from the end that hold a zip's end record, with its longest comment
UNZIP_MOST = 64 << 20  # bytes of a gzip looked through; a longer one is not doubted
TRUSTED_AGE_S = 10.0  # a file this old at first sight is not being written, unless it is held open
HELD_LOOK_S = 0.5
PAUSES = 3.0
LATEST_S = (1 << 63) / 1e9  # 2262: nanoseconds since 1970 in 64 bits end there


def passed_over(name: str) -> bool:
    """Is this the name of a hidden file, of a copy under way, or of something that is no log?"""
    low = name.lower()
    ends = ("~", *toml_table("files.toml")["under_way"])
    return low.startswith((".", "~")) or low.endswith(ends) or discover.passed_over(name)


def unusable(path: Path, found: os.stat_result | None) -> str:
    """Why a file cannot be dealt with at all, "" for nothing: its name or its time cannot be
    written down.
    """
    if plain(str(path)) != str(path):
        return "its name is no UTF-8; give it another name"
    if found is not None and not 0 <= found.st_mtime < LATEST_S:
        age = f"{found.st_mtime:.0f} s since 1970"
        return f"its time of change is not of this age ({age}); touch it"
    return ""


def held_open(path: Path) -> bool:
    """Does a program hold the file open for writing? False where it cannot be known.

    Linux grants a read lease only while nobody has the file open for writing (fcntl(2),
    F_SETLEASE); where a lease may not be had (another's file, a network share) the open files of
    the processes we may see are looked through.
    """
    # Not so on a system without such calls, nor for a file that cannot be opened.
    with contextlib.suppress(ImportError, AttributeError, OSError):
        import fcntl

        with os.fdopen(os.open(path, os.O_RDONLY | os.O_NONBLOCK)) as file:
            try:
                fcntl.fcntl(file, fcntl.F_SETLEASE, fcntl.F_RDLCK)
                fcntl.fcntl(file, fcntl.F_SETLEASE, fcntl.F_UNLCK)
            except OSError as error:
                return error.errno == errno.EAGAIN or _seen_open(os.fstat(file.fileno()))
    return False


def _seen_open(wanted: os.stat_result) -> bool:
    """Looks through /proc for a writing handle on the file: its flags stand beside it, in octal
    (proc_pid_fdinfo(5)).
    """
    every = glob.iglob("/proc/[0-9]*/fd/*")  # noqa: PTH207 - Path.glob fails where a process ends
    for handle in map(Path, every):
        with contextlib.suppress(OSError):
            if os.path.samestat(handle.stat(), wanted):
                about = (handle.parents[1] / "fdinfo" / handle.name).read_text(encoding="ascii")
                flags = re.search(r"^flags:\s*(\d+)", about, re.MULTILINE)
                if flags and int(flags[1], 8) & os.O_ACCMODE != os.O_RDONLY:
                    return True
    return False


def looks_whole(path: Path) -> bool:
    """Does the file's end look like an end: a line's end, a gzip's trailer, a zip's directory?"""
    try:
        with path.open("rb") as file:
            head = file.read(4)
            if head.startswith(GZIP):
                return _gzip_ends(path)
            size = file.seek(0, os.SEEK_END)
            file.seek(max(0, size - LOOK))
            tail = file.read()
    except OSError:
        return True  # reading it will tell
    if head == ZIP:
        return b"PK\x05\x06" in tail
    # UTF-16 ends its last line in two bytes, of which one is nought.
    return tail.rstrip(b"\0").endswith((b"\n", b"\r", b"\x1a")) or size == 0


def _gzip_ends(path: Path) -> bool:
    # Of what is torn inside, or no gzip, waiting mends nothing.
    with contextlib.suppress(OSError, zlib.error), gzip.open(path) as file:
        try:
            while path.stat().st_size <= UNZIP_MOST and file.read(4 << 20):
                pass
        except EOFError:
            return False
    return True


@dataclass(slots=True)
class _Waiting:
    size: int
    stamp: int
    still_since: float  # on the monotonic clock
    look_at: float
    pause: float = 0.0  # the longest pause between two changes so far, s


class Settler:
    """Files that have been seen but may not be complete yet.

    stable_s: how long size and time of change must stand still; unsure_s: the same for an end that
    looks torn off; give_up_s: a file that stands still for so long is taken though it is held open.
    trust: may the file's own times be compared with our clock (not so on a share of another
    machine)?
    """

    def __init__(
        self,
        *,
        stable_s: float,
        unsure_s: float = 8.0,
        give_up_s: float = 600.0,
        trust: bool = True,
        clock: Callable[[], float] = time.monotonic,
        wall: Callable[[], float] = time.time,
    ) -> None:
        self.stable_s, self.unsure_s = stable_s, max(unsure_s, stable_s)
        self.give_up_s, self.trust = give_up_s, trust
        self._clock, self._wall = clock, wall
        self._waiting: dict[Path, _Waiting] = {}

    def __len__(self) -> int:
        return len(self._waiting)

    def __contains__(self, path: Path) -> bool:
        return path in self._waiting

    def saw(self, path: Path) -> None:
        """Something happened at a path: start or go on waiting for it, or forget it when it is
        gone.
        """
        found = regular(path)
        if found is None:
            self._waiting.pop(path, None)
            return
        was = self._waiting.get(path)
        if was is not None and (was.size, was.stamp) == (found.st_size, found.st_mtime_ns):
            return
        since = self._clock() - (self._age(found) if was is None or self.trust else 0.0)
        pause = 0.0 if was is None else max(was.pause, since - was.still_since)
        self._waiting[path] = _Waiting(
            found.st_size, found.st_mtime_ns, since, since + self._still_for(pause), pause
        )

    def _still_for(self, pause: float) -> float:
        """A file that comes in pieces must stand still for longer than the pauses it has made."""
        return max(self.stable_s, min(PAUSES * pause, self.unsure_s))

    def _age(self, found: os.stat_result) -> float:
        # The time of change of the inode is set by any write and can be set by no copying program.
        age = max(0.0, self._wall() - max(found.st_mtime, found.st_ctime))
        return age if self.trust or age > TRUSTED_AGE_S else 0.0

    def next_look(self) -> float:
        """When to call `complete` next, on the monotonic clock; infinity with nothing waiting."""
        return min((w.look_at for w in self._waiting.values()), default=math.inf)

    def complete(self) -> list[Path]:
        """The files that are complete now, the longest complete first; they are waited for no
        more.
        """
        now = self._clock()
        done: list[tuple[float, str, Path]] = []
        for path in [path for path, w in self._waiting.items() if w.look_at <= now]:
            self.saw(path)  # it may have grown with no event
            waiting = self._waiting.get(path)
            if waiting is None or waiting.look_at > now:
                continue
            wait = self._wait(path, now - waiting.still_since)
            waiting.look_at = now + wait
            if not wait:
                done.append((waiting.still_since, str(path), path))
                del self._waiting[path]
        return [path for *_, path in sorted(done)]

    def _wait(self, path: Path, still: float) -> float:
        """How long to wait on, s; 0 for complete."""
        if still < self.give_up_s and held_open(path):
            return min(5.0, max(HELD_LOOK_S, still / 8))
        if still < self.unsure_s and not looks_whole(path):
            return self.unsure_s - still
        return 0.0


def regular(path: Path) -> os.stat_result | None:
    """The state of a plain file, None for anything else (links are not followed: they lead out of
    the inbox).
    """
    try:
        found = path.lstat()
    except OSError:
        return None
    return found if stat.S_ISREG(found.st_mode) else None
