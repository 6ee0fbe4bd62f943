"""The inbox service: whatever lands in a folder is screened, kept and told of, each thing once.

One loop: events and looks say what changed; the settler says what is complete; the desk does the
work in batches, oldest first, and says what state each file has come to. All that must survive
stands in the ledger and the archive, so that a kill at any moment loses nothing.
"""

from __future__ import annotations

import contextlib
import importlib
import logging
import math
import os
import queue
import signal
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from audit.archive.store.store import Archive
from audit.database import is_server, plain, shown
from audit.errors import ArchiveError, PullauditError, UsageError
from audit.model import Car, LogAudit, Night
from audit.night.days import now as utc_now
from audit.night.pool import Crew, audit_each
from audit.request import checked_archive
from audit.service.watch.desk import Desk, Settings
from audit.service.watch.eyes import Eyes, file_system, has_events, look_through
from audit.service.watch.health import Health, say, tell_manager, write_health
from audit.service.watch.hooks import Teller, checked
from audit.service.watch.ledger import AGAIN_S, CHANGED, FAILED, READ, SET_ASIDE, File, Ledger
from audit.service.watch.settle import Settler, passed_over, regular, unusable

BATCH_FILES, BATCH_BYTES = 32, 48 << 20
SPREAD_FROM = 8  # complete files from which worker processes are worth their start
LOOK_AGAIN_S = 300.0  # with events: a look for what an overrun queue of events has lost
POLL_S, POLL_STABLE_S = 1.0, 2.0
SHARE_OF_TIME = 0.005  # the most that looking through the inbox may take


@dataclass(slots=True)
class _InHand:
    """A complete file. at: when it is to be read, on the monotonic clock; tries: so far."""

    at: float = 0.0
    tries: int = 0
    why: str = ""


class Service:
    """`run()` until a signal or `stop()`."""

    def __init__(
        self,
        settings: Settings,
        *,
        on_verdict: Callable[[str, Night], None] = lambda _name, _night: None,
    ) -> None:
        self.settings, self._on_verdict = settings, on_verdict
        self.inbox = _checked_inbox(settings)
        checked(settings.ways)
        self.server, self.folder = is_server(settings.archive), settings.folder
        own = () if self.server else (Path(settings.archive).resolve(),)
        self._leave_out = (self.folder, *own)
        self._skipped: set[str] = set()
        self._heard: queue.SimpleQueue[Path | None] = queue.SimpleQueue()
        self._stop = threading.Event()
        self._hand: dict[Path, _InHand] = {}  # complete files, oldest first
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
        settings = self.settings
        at = str(settings.archive) if self.server else self.folder / "ledger.sqlite"
        # Services that share a server share their inboxes too: there each car is claimed instead.
        with alone(self.folder, None if self.server else self.inbox), _signals(self.stop):
            book = Ledger(at)
            self._done = book.places()
            self.health.read, self.health.set_aside = book.counts()
            self._teller = Teller(at, settings.ways)
            eyes = self._open_eyes()
            try:
                kept, tell = Archive(settings.archive, logs=settings.logs), self._teller.kick
                whom = self._audit_each, self.health, tell, self._on_verdict
                self._desk = Desk(settings, self.inbox, kept, book, *whom)
                _warm_up()
                self._teller.start()
                self._loop(eyes)
            finally:
                self._crew.rest()
                tell_manager("STOPPING=1")
                if eyes is not None:
                    eyes.close()
                self._teller.stop(within_s=20.0)
                self.health.ended = not settings.once
                self._say_health("stopped")
                book.close()

    # --- the loop ---------------------------------------------------------------------------------

    def _loop(self, eyes: Eyes | None) -> None:
        archive, mode = shown(self.settings.archive), self.health.mode
        say("started", inbox=str(self.inbox), archive=archive, mode=mode, known=len(self._done))
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
                found = regular(path)  # None: gone, nothing to do
                if found is not None and not self._is_done(path, found):
                    self._hand.setdefault(path, _InHand())
            if now >= next_health:
                self._say_health("health")
                next_health = now + self.settings.health_s
            next_work = min((each.at for each in self._hand.values()), default=math.inf)
            if batch := self._batch():
                self._work(batch)
                self._drain(0.0)
            elif self.settings.once and not len(self._settler) and next_work == math.inf:
                return
            else:
                then = min(next_look, next_health, next_work, self._settler.next_look())
                self._drain(max(0.0, then - time.monotonic()))

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
        below = path.relative_to(self.inbox).parts if path.is_relative_to(self.inbox) else (".",)
        if any(part.startswith(".") for part in below) or any(
            map(path.is_relative_to, self._leave_out)
        ):
            return  # outside the inbox, hidden, or one of the service's own
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

    def _is_done(self, path: Path, found: os.stat_result) -> bool:
        return self._done.get(str(path)) == (found.st_size, found.st_mtime_ns)

    def _look(self, folder: Path | None = None) -> float:
        """Look through the inbox for what is new; when to look again."""
        start = time.monotonic()
        for path, found in look_through(folder or self.inbox, leave_out=self._leave_out):
            known = self._is_done(path, found) or self._unusable(path, found)
            if not (known or path in self._hand or path in self._settler):
                self._settler.saw(path)
        self._unblock()
        end = time.monotonic()
        return end + max(self._look_every_s, (end - start) / SHARE_OF_TIME)

    def _unblock(self) -> None:
        for each in self._hand.values():
            if each.at == math.inf:
                each.at = 0.0

    def _ready(self) -> list[Path]:
        now = time.monotonic()
        return [path for path, each in self._hand.items() if each.at <= now]

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
        return batch

    def _work(self, batch: Sequence[Path]) -> None:
        try:
            files = self._desk.work(batch)
        except Exception as error:  # one file must not end the service; next time it is read alone
            logging.getLogger("audit").debug("traceback", exc_info=True)
            why = f"reading {len(batch)} files failed ({type(error).__name__}: {error})"
            if isinstance(error, ArchiveError):
                why = str(error)
            files = [File(path, state=FAILED, reason=why) for path in batch]
        now, before = time.monotonic(), {path: self._hand.pop(path) for path in batch}
        for file in files:
            if file.state in (READ, SET_ASIDE):
                self._done[str(file.path)] = (file.size, file.stamp)
            elif file.state == CHANGED:
                self._settler.saw(file.path)
            else:
                tries, waits = before[file.path].tries, AGAIN_S[file.state]
                at = now + waits[min(tries, len(waits) - 1)]
                self._hand[file.path] = _InHand(at, tries + 1, file.reason)
        self._trouble(next((each.why for each in self._hand.values() if each.why), ""))
        if not self._ready():
            self._crew.rest()  # idle processes would only hold memory
            self._write_health()  # so that --status is never a minute behind

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
        h.waiting, h.backlog = len(self._settler), len(self._ready())
        h.blocked = sum(each.at == math.inf for each in self._hand.values())
        h.untold = self._teller.untold
        with contextlib.suppress(PullauditError):
            write_health(self.folder, h)

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
    if is_server(archive) and settings.state is None:
        raise UsageError(
            "--state: with an archive on a server, say in which folder the service keeps its "
            "reports."
        )
    if not is_server(archive) and inbox.is_relative_to(Path(archive).resolve()):
        raise UsageError(
            f"{given}: the inbox lies in the archive {archive}. Give two folders apart."
        )
    return inbox


@contextlib.contextmanager
def alone(folder: Path, inbox: Path | None) -> Iterator[None]:
    """Hold a service's own folder, and its inbox without writing into it, against a second one; the
    system lets go when this one ends. inbox: None where services share it.

    Raises UsageError where another holds them, ArchiveError where the folder cannot be written.
    """
    from filelock import FileLock, Timeout

    with contextlib.ExitStack() as held:
        try:
            folder.mkdir(parents=True, exist_ok=True)
            held.enter_context(FileLock(folder / "watch.lock", timeout=0))
        except Timeout:
            other = "another watch works here already. End it, or give another --state folder."
            raise UsageError(f"{folder}: {other}") from None
        except OSError as error:
            why = f"cannot be written ({error.strerror or error}). Mend its rights."
            raise ArchiveError(f"{folder}: {why}") from None
        # A share, or a system, may have no such locks.
        with contextlib.suppress(ImportError, OSError):
            import fcntl

            if inbox is not None:
                handle = os.open(inbox, os.O_RDONLY)
                held.callback(os.close, handle)
                try:
                    fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
                except BlockingIOError:
                    other = "another watch works on this inbox already. End it, or give another."
                    raise UsageError(f"{inbox}: {other}") from None
        yield


@contextlib.contextmanager
def _signals(stop: Callable[[], None]) -> Iterator[None]:
    """SIGTERM and SIGINT end the service cleanly; the second one at once."""
    asked: list[int] = []

    def handle(number: int, _frame: object) -> None:
        if asked:
            os._exit(128 + number)
        asked.append(number)
        stop()

    main = threading.current_thread() is threading.main_thread()
    wanted = (signal.SIGTERM, signal.SIGINT) if main else ()
    before = {number: signal.signal(number, handle) for number in wanted}
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
