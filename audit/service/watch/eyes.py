"""Seeing that something landed: by the file system's events, by looking again and again where it
has none.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from audit.service.watch.health import say
from audit.service.watch.settle import passed_over, regular
from audit.tables import toml_table

Heard = Callable[[Path], None]


def file_system(folder: Path) -> str:
    """The type of the file system that holds a folder; "" where it cannot be known."""
    best, kind = "", ""
    shown = str(folder.resolve())
    try:
        lines = Path("/proc/self/mounts").read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError:
        return ""
    for line in lines:
        point, found = (word.replace("\\040", " ") for word in line.split()[1:3])
        inside = shown == point or shown.startswith(point.rstrip("/") + "/")
        if inside and len(point) >= len(best):
            best, kind = point, found
    return kind


def has_events(folder: Path) -> bool:
    """May events be relied on there?"""
    return not file_system(folder).startswith(tuple(toml_table("files.toml")["no_events"]))


class Eyes:
    """Watches a folder and all below it; each path that changed is given to `heard`, from another
    thread.
    """

    def __init__(self, folder: Path, heard: Heard) -> None:
        self.folder, self._heard = folder, heard
        self._observer: Any = None
        self._identity: tuple[int, int] | None = None

    def open(self) -> bool:
        """Start; False when the system gives no events (none left, or not supported)."""
        from watchdog import events
        from watchdog.observers import Observer

        of_files = [events.FileCreatedEvent, events.FileModifiedEvent, events.FileClosedEvent]
        wanted = [*of_files, events.FileMovedEvent, events.DirCreatedEvent, events.DirMovedEvent]
        heard = self._heard

        class Handler(events.FileSystemEventHandler):
            def on_any_event(self, event: events.FileSystemEvent) -> None:
                heard(Path(os.fsdecode(event.dest_path or event.src_path)))

        observer = Observer()
        try:
            observer.schedule(Handler(), str(self.folder), recursive=True, event_filter=wanted)
            observer.start()
        except (OSError, RuntimeError) as error:
            mend = "the inbox is looked through every few seconds instead"
            say("no file events", level=30, error=str(error), mend=mend)
            return False
        self._observer, self._identity = observer, _identity(self.folder)
        return True

    @property
    def sound(self) -> bool:
        """Is the folder that is watched still the one at that path? Not so after a card was
        changed.
        """
        return bool(
            self._observer is not None
            and self._observer.is_alive()
            and self._identity == _identity(self.folder)
        )

    def close(self) -> None:
        if self._observer is not None:
            self._observer.stop()
            self._observer.join(5.0)
            self._observer = None


def _identity(folder: Path) -> tuple[int, int] | None:
    with contextlib.suppress(OSError):
        found = folder.stat()
        return found.st_dev, found.st_ino
    return None


def look_through(
    folder: Path, *, leave_out: tuple[Path, ...] = ()
) -> Iterator[tuple[Path, os.stat_result]]:
    """Every file below that may be a log, with its state; hidden folders and `leave_out` are not
    entered.
    """
    left_out = {str(path) for path in leave_out}
    for here, folders, names in os.walk(folder):
        folders[:] = [f for f in folders if f[0] != "." and f"{here}{os.sep}{f}" not in left_out]
        for path in (Path(here, name) for name in names if not passed_over(name)):
            found = regular(path)
            if found is not None:
                yield path, found
