"""The inbox service: whatever lands in a folder is screened, kept and told of, each thing once.

One loop: events and looks say what changed; the settler says what is complete; the desk does the
work in batches, oldest first. All that must survive stands in the ledger and the archive, so that a
kill at any moment loses nothing.
"""

from __future__ import annotations

import contextlib
import importlib
import logging
import os
import queue
import signal
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from audit.archive.store.store import Archive
from audit.database import is_server, plain, shown
from audit.errors import ArchiveError, PullauditError, UsageError
from audit.model import Car, LogAudit, Night
from audit.night.days import now as utc_now
from audit.night.pool import Crew, audit_each
from audit.request import checked_archive
from audit.service.watch.desk import Desk, Worked
from audit.service.watch.eyes import Eyes, file_system, has_events, look_through
from audit.service.watch.health import Health, say, tell_manager, write_health
from audit.service.watch.hooks import Teller, Ways, checked
from audit.service.watch.ledger import Ledger
from audit.service.watch.papers import Places
from audit.service.watch.settle import Settler, passed_over, regular, unusable

STATE = "inbox"  # the service's folder in the archive's
BATCH_FILES, BATCH_BYTES = 32, 48 << 20
SPREAD_FROM = 8  # complete files from which worker processes are worth their start
LOOK_AGAIN_S = 300.0  # with events: a look for what an overrun queue of events has lost
POLL_S, POLL_STABLE_S = 1.0, 2.0
SHARE_OF_TIME = 0.005  # the most that looking through the inbox may take
RETRY_S = (5.0, 30.0, 60.0)
ELSEWHERE_S = 1.0  # until a car is asked for again that another service has in hand


@dataclass(frozen=True, slots=True)
class Settings:
    """What a person asked for.

    poll_s: look so often instead of using events; once: end when nothing is left.
    """

    inbox: Path
    archive: str | Path
    state: Path | None = None
    logs: str | None = None  # where a new archive keeps its logs
    stable_s: float = 1.0
    poll_s: float | None = None
    once: bool = False
    workers: int = 1
    units: str | None = None
    setting: str | None = None
    ways: Ways = field(default_factory=Ways)
    health_s: float = 60.0

    @property
    def places(self) -> Places:
        """Where the service's own files lie."""
        return Places((self.state or Path(self.archive) / STATE).resolve())


class Service:
    """`run()` until a signal or `stop()`."""

    def __init__(
        self, settings: Settings, *, on_verdict: Callable[[str, Night], None] | None = None
    ) -> None:
        self.settings, self._on_verdict = settings, on_verdict
        self.inbox = _checked_inbox(settings)
        checked(settings.ways)
        self.server, self.places = is_server(settings.archive), settings.places
        own = () if self.server else (Path(settings.archive).resolve(),)
        self._leave_out = (self.places.root, *own)
        self._skipped: set[str] = set()
        self._heard: queue.SimpleQueue[Path | None] = queue.SimpleQueue()
        self._stop = threading.Event()
        # Complete files that are to be read, and from when on; oldest first.
        self._due: dict[Path, float] = {}
        self._blocked: dict[Path, str] = {}  # why: a car file must be mended first
        self._failed: dict[Path, int] = {}
        self._crew = Crew(settings.workers)
        self.health = Health(inbox=str(self.inbox), every_s=settings.health_s, started=utc_now())

    # --- from outside -----------------------------------------------------------------------------

    def stop(self) -> None:
        """End after the batch at hand; safe from a signal handler or another thread."""
        self._stop.set()
        self._heard.put(None)

    def run(self) -> None:
        """Work until stopped.

        Raises UsageError when another service works here, ArchiveError for a broken ledger.
        """
        ledger = str(self.settings.archive) if self.server else self.places.ledger
        # Services that share a server share their inboxes too: there each car is claimed instead.
        alone = contextlib.nullcontext() if self.server else _alone_in(self.inbox)
        with _only_one(self.places), alone, _signals(self.stop):
            book = Ledger(ledger)
            self._done = book.places()
            self.health.read, self.health.set_aside = book.counts()
            self._teller = Teller(ledger, self.settings.ways)
            eyes = self._open_eyes()
            try:
                self._desk = Desk(
                    self.inbox,
                    self.places,
                    Archive(self.settings.archive, logs=self.settings.logs),
                    book,
                    self._audit_each,
                    self.health,
                    self._teller.kick,
                    self.settings.setting or "",
                    self.settings.units,
                    self._on_verdict,
                )
                _warm_up()
                self._teller.start()
                self._loop(eyes)
            finally:
                self._crew.rest()
                tell_manager("STOPPING=1")
                if eyes is not None:
                    eyes.close()
                self._teller.stop(within_s=20.0)
                self.health.ended = not self.settings.once
                self._say_health("stopped")
                book.close()

    # --- the loop ---------------------------------------------------------------------------------

    def _loop(self, eyes: Eyes | None) -> None:
        say(
            "started",
            inbox=str(self.inbox),
            archive=shown(self.settings.archive),
            mode=self.health.mode,
            known=len(self._done),
        )
        next_look, next_health = self._look(), time.monotonic()
        tell_manager("READY=1")
        while not self._stop.is_set():
            now = time.monotonic()
            if now >= next_look:
                if eyes is not None and not eyes.sound and self.inbox.is_dir():
                    eyes.close()
                    eyes.open()
                next_look = self._look()
            for path in self._settler.complete():
                known = self._done.get(str(path))
                if known is None or not _same(path, known):
                    self._due.setdefault(path, 0.0)
            if now >= next_health:
                self._say_health("health")
                next_health = now + self.settings.health_s
            if batch := self._batch():
                self._work(batch)
                self._drain(0.0)
            elif self.settings.once and not len(self._settler) and not self._due:
                return
            else:
                due = [next_look, next_health, *self._due.values(), self._settler.next_look()]
                self._drain(max(0.0, min(due) - time.monotonic()))

    def _drain(self, wait_s: float) -> None:
        """Take in what was heard; wait for the first word so long."""
        with contextlib.suppress(queue.Empty):
            path = self._heard.get(timeout=wait_s) if wait_s > 0 else self._heard.get_nowait()
            while True:
                if path is not None:
                    self._saw(path)
                path = self._heard.get_nowait()

    def _saw(self, path: Path) -> None:
        if path.suffix.lower() == ".toml":
            self._unblock()
        if not self._mine(path):
            return
        if path.is_dir():
            self._look(path)
        elif not passed_over(path.name) and not self._unusable(path, regular(path)):
            self._settler.saw(path)

    def _unusable(self, path: Path, found: os.stat_result | None) -> bool:
        """Is it a file whose name or time cannot be kept? Said once; the others are read."""
        why = unusable(path, found)
        if why and str(path) not in self._skipped:
            self._skipped.add(str(path))
            self.health.skipped = len(self._skipped)
            say("skipped", level=logging.WARNING, path=plain(str(path)), reason=why)
        return bool(why)

    def _mine(self, path: Path) -> bool:
        """Is it in the inbox, not hidden, and none of the service's own files?"""
        if not path.is_relative_to(self.inbox) or any(map(path.is_relative_to, self._leave_out)):
            return False
        return not any(part.startswith(".") for part in path.relative_to(self.inbox).parts)

    def _look(self, folder: Path | None = None) -> float:
        """Look through the inbox for what is new; when to look again."""
        start = time.monotonic()
        for path, found in look_through(folder or self.inbox, leave_out=self._leave_out):
            known = self._done.get(str(path)) == (found.st_size, found.st_mtime_ns)
            in_hand = path in self._due or path in self._blocked or path in self._settler
            if not (known or self._unusable(path, found) or in_hand):
                self._settler.saw(path)
        self._unblock()
        took = time.monotonic() - start
        return time.monotonic() + max(self._look_every_s, took / SHARE_OF_TIME)

    def _unblock(self) -> None:
        self._due |= dict.fromkeys(self._blocked, 0.0)
        self._blocked.clear()

    def _ready(self) -> list[Path]:
        now = time.monotonic()
        return [path for path, at in self._due.items() if at <= now]

    def _batch(self) -> list[Path]:
        """The oldest file and all others of its folder, then of the next: a night is judged once,
        not once a log.
        """
        ready = self._ready()
        order = {folder: i for i, folder in enumerate(dict.fromkeys(p.parent for p in ready))}
        batch: list[Path] = []
        size = 0
        for path in sorted(ready, key=lambda path: order[path.parent]):
            batch.append(path)
            with contextlib.suppress(OSError):
                size += path.stat().st_size
            if len(batch) >= BATCH_FILES * self.settings.workers or size >= BATCH_BYTES:
                break
        for path in batch:
            del self._due[path]
        return batch

    def _work(self, batch: list[Path]) -> None:
        try:
            self._take_in(self._desk.work(batch))
        except ArchiveError as error:
            self._trouble(str(error))
            self._again(batch)
        except Exception as error:  # one file must not end the service; next time it is read alone
            logging.getLogger("audit").debug("traceback", exc_info=True)
            self._trouble(f"reading {len(batch)} files failed ({type(error).__name__}: {error})")
            self._again(batch)
        else:
            if not self._ready():
                self._crew.rest()  # idle processes would only hold memory
                self._write_health()  # so that --status is never a minute behind

    def _take_in(self, worked: Worked) -> None:
        for file in worked.done:
            self._done[str(file.path)] = (file.size, file.stamp)
            self._failed.pop(file.path, None)
        for path in worked.changed:
            self._settler.saw(path)
        self._again([path for path, _ in worked.failed])
        self._due |= dict.fromkeys(worked.elsewhere, time.monotonic() + ELSEWHERE_S)
        self._blocked |= dict(worked.blocked)
        reasons = [*self._blocked.values(), *(reason for _, reason in worked.failed)]
        self._trouble(reasons[0] if reasons else "")

    def _again(self, paths: Sequence[Path]) -> None:
        """Try these later: the disk, a share or somebody's rights are in the way."""
        for path in paths:
            tries = self._failed.get(path, 0)
            self._failed[path] = tries + 1
            self._due[path] = time.monotonic() + RETRY_S[min(tries, len(RETRY_S) - 1)]

    def _trouble(self, sentence: str) -> None:
        if sentence and sentence != self.health.trouble:
            say("trouble", level=logging.ERROR, error=sentence)
        self.health.trouble = sentence

    def _say_health(self, event: str) -> None:
        self._write_health()
        h = self.health
        say(event, **{k: v for k, v in h.line().items() if k not in ("inbox", "started", "at")})
        figures = f"{h.read} read, {h.set_aside} set aside, {h.backlog + h.waiting} waiting"
        tell_manager(f"WATCHDOG=1\nSTATUS={figures}")

    def _write_health(self) -> None:
        h = self.health
        h.waiting, h.backlog, h.blocked = len(self._settler), len(self._ready()), len(self._blocked)
        h.untold = self._teller.untold
        with contextlib.suppress(PullauditError):
            write_health(self.places.health, h)

    # --- setting up -------------------------------------------------------------------------------

    def _open_eyes(self) -> Eyes | None:
        settings, here = self.settings, has_events(self.inbox)
        wanted = settings.poll_s is None and not settings.once and here
        eyes = Eyes(self.inbox, self._heard.put) if wanted else None
        if eyes is not None and not eyes.open():
            eyes = None
        quick = settings.poll_s or POLL_S
        kind = file_system(self.inbox) or "unknown file system"
        self._look_every_s = LOOK_AGAIN_S if eyes else quick
        self.health.mode = "file events" if eyes else f"a look every {quick:g} s ({kind})"
        stable = settings.stable_s if here else max(settings.stable_s, POLL_STABLE_S)
        self._settler = Settler(stable_s=stable, trust=here)
        return eyes

    def _audit_each(self, paths: Sequence[Path], car: Car) -> Iterator[tuple[int, list[LogAudit]]]:
        """Audit many files: here, or by worker processes once there are enough of them."""
        if self.settings.workers > 1 and len(paths) >= SPREAD_FROM:
            return self._crew.each(paths, car)
        return audit_each(paths, car=car, workers=1, keep_frames=True)


def _checked_inbox(settings: Settings) -> Path:
    given, archive = settings.inbox, settings.archive
    checked_archive(archive)
    if not given.is_dir():
        raise UsageError(f"{given}: no such folder. Make it, or give the folder your logs land in.")
    inbox = given.resolve()
    if is_server(archive):
        if settings.state is None:
            raise UsageError(
                "--state: with an archive on a server, say in which folder the service keeps its "
                "reports."
            )
    elif inbox.is_relative_to(Path(archive).resolve()):
        raise UsageError(
            f"{given}: the inbox lies in the archive {archive}. Give two folders apart."
        )
    return inbox


@contextlib.contextmanager
def _alone_in(inbox: Path) -> Iterator[None]:
    """Hold the inbox against a second service, without writing into it; the system lets go when
    this one ends.
    """
    try:
        import fcntl
    except ImportError:  # no such locks on this system
        yield
        return
    handle = os.open(inbox, os.O_RDONLY)
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise UsageError(
                f"{inbox}: another watch works on this inbox already. End it, or give another."
            ) from None
        except OSError:  # a share without locks
            pass
        yield
    finally:
        os.close(handle)


@contextlib.contextmanager
def _only_one(places: Places) -> Iterator[None]:
    from filelock import FileLock, Timeout

    lock = FileLock(places.lock)
    try:
        places.root.mkdir(parents=True, exist_ok=True)
        lock.acquire(timeout=0)
    except Timeout:
        raise UsageError(
            f"{places.root}: another watch works here already. End it, or give another --state "
            "folder."
        ) from None
    except OSError as error:
        raise ArchiveError(
            f"{places.root}: cannot be written ({error.strerror or error}). Mend its rights."
        ) from None
    try:
        yield
    finally:
        lock.release()


@contextlib.contextmanager
def _signals(stop: Callable[[], None]) -> Iterator[None]:
    """SIGTERM and SIGINT end the service cleanly; the second one at once."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    asked: list[int] = []

    def handle(number: int, _frame: object) -> None:
        if asked:
            os._exit(128 + number)
        asked.append(number)
        stop()

    before = {number: signal.signal(number, handle) for number in (signal.SIGTERM, signal.SIGINT)}
    try:
        yield
    finally:
        for number, old in before.items():
            signal.signal(number, old)


def _warm_up() -> None:
    """Load what the first verdict needs, by a dry run of the walk on a few made-up rows: loading
    takes longer than a log.
    """
    import tempfile

    rows = "\n".join(f"{i / 10:.1f},{1500 + i},{20 + i / 10:.1f},{100 + i % 3}" for i in range(100))
    with contextlib.suppress(Exception), tempfile.TemporaryDirectory() as folder:
        for name in ("archive.step.decide", "intake.parquet", "report.document", "report.html"):
            importlib.import_module(f"audit.{name}")
        from audit.night.screen import assemble, screen_log

        file = Path(folder) / "dry.csv"
        file.write_text(f"time_s,rpm,throttle_pct,map_kpa\n{rows}\n", encoding="ascii")
        assemble(screen_log(file, car=Car()), car=Car())


def _same(path: Path, known: tuple[int, int]) -> bool:
    try:
        found = path.lstat()
    except OSError:
        return True  # gone: nothing to do
    return (found.st_size, found.st_mtime_ns) == known
