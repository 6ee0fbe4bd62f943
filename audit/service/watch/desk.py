"""The work on files that are complete: read, keep, judge their night, tell of it. Each once."""

from __future__ import annotations

import hashlib
import logging
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from audit.errors import CarFileError
from audit.model import VERDICTS, Car, LogAudit, Night
from audit.night.days import now as utc_now
from audit.service.watch import papers
from audit.service.watch.cars import car_of
from audit.service.watch.health import Health, say
from audit.service.watch.hooks import Ways
from audit.service.watch.ledger import (
    BLOCKED,
    CHANGED,
    ELSEWHERE,
    FAILED,
    READ,
    SET_ASIDE,
    Entry,
    File,
    Ledger,
)
from audit.service.watch.nights import beside, entry_of, grouped, named
from audit.service.watch.settle import regular

if TYPE_CHECKING:
    from audit.archive.store.store import Archive

STATE = "inbox"  # the service's folder in the archive's
# Reading a file was begun so often and the service died each time: it is the file.
MOST_ATTEMPTS = 3
MOST_CARRIED = 60  # logs of one night that are judged together
MOST_KEPT_ROWS = 400_000  # rows of earlier logs kept in memory, around their pulls
AuditEach = Callable[[Sequence[Path], Car], Iterable[tuple[int, list[LogAudit]]]]


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
    def folder(self) -> Path:
        """Where the service's own files lie."""
        return (self.state or Path(self.archive) / STATE).resolve()


class New(NamedTuple):
    """A log that no night has yet: its file, its place in time, its audit."""

    file: File
    entry: Entry
    audit: LogAudit


@dataclass
class Desk:
    """Reads batches of files into the archive.

    inbox: whole, as the paths below it. audit_each: (paths, car) to (index, audits) as they come.
    health: what it counts in. to_tell: called when there is a new event.
    """

    settings: Settings
    inbox: Path
    archive: Archive
    ledger: Ledger
    audit_each: AuditEach
    health: Health
    to_tell: Callable[[], None]
    on_verdict: Callable[[str, Night], None]

    def __post_init__(self) -> None:
        self._cars: dict[str, Car] = {}
        self._kept: dict[tuple[str, str], tuple[Car, LogAudit]] = {}

    def work(self, paths: Sequence[Path]) -> list[File]:
        """Deal with files that are complete; each with the state it has come to. Those that went
        away are not among them.

        Raises ArchiveError when nothing can be kept: try again later.
        """
        out: list[File] = []
        fresh: dict[tuple[str, str], File] = {}
        copies: list[File] = []
        for file in filter(None, map(self._opened, paths)):
            if now := file if file.state else self._known(file):
                out.append(now)
            elif fresh.setdefault((file.car, file.sha256), file) is not file:
                copies.append(file)
        for batch in self._batches(list(fresh.values()), out):
            by_car: dict[str, list[File]] = defaultdict(list)
            for file in batch:
                by_car[file.car].append(file)
            for car, group in by_car.items():
                with self.ledger.claimed(car) as mine:
                    if mine:
                        known = [self._known(file) for file in group]
                        out += filter(None, known)
                        self._group([f for f, k in zip(group, known, strict=True) if not k], out)
                    else:
                        out += [replace(file, state=ELSEWHERE) for file in group]
        return [*out, *(self._known(file) or replace(file, state=CHANGED) for file in copies)]

    def _opened(self, path: Path) -> File | None:
        """The file with its content's hash and its car; None where it is none any more."""
        found = regular(path)
        if found is None:
            return None
        try:
            car = car_of(self.inbox, path)
            with path.open("rb") as opened:
                digest = hashlib.file_digest(opened, "sha256").hexdigest()
        except CarFileError as error:
            return File(path, state=BLOCKED, reason=str(error))
        except (OSError, ValueError) as error:
            why = getattr(error, "strerror", None) or error
            return File(path, state=FAILED, reason=f"{path}: cannot be opened ({why}).")
        self._cars[car.name] = car
        return File(path, found.st_size, found.st_mtime_ns, car.name, digest)

    def _known(self, file: File) -> File | None:
        """The file as its content was dealt with before; None for a new one."""
        before = self.ledger.outcome(file)
        if before is None:
            return None
        state, reason, path = before
        file = replace(file, state=state, reason=reason)
        self.ledger.finish([file])
        self.health.known += 1
        if path != str(file.path):
            say("known", path=str(file.path), same_as=path, outcome=state, reason=reason)
        return file

    def _batches(self, files: Sequence[File], out: list[File]) -> Iterator[list[File]]:
        """All together, but one alone whose reading was begun before and never ended."""
        tried = [(file, self.ledger.attempts(file)) for file in files]
        yield [file for file, times in tried if times == 0]
        for file, times in tried:
            if times >= MOST_ATTEMPTS:
                why = f"{file.path}: the service ended {times} times while it read this file. "
                out.append(self._set_aside(file, f"{why}Report it; the file is untouched."))
            elif times > 0:
                yield [file]

    def _group(self, group: Sequence[File], out: list[File]) -> None:
        """Read files of one car, which is claimed."""
        if not group:
            return
        car = self._cars[group[0].car]
        self.ledger.begin(group)
        found = dict(self.audit_each([file.path for file in group], car))
        read: dict[File, list[LogAudit]] = {}
        for i, file in enumerate(group):
            now = regular(file.path)
            if now is not None and (now.st_size, now.st_mtime_ns) != (file.size, file.stamp):
                out.append(replace(file, state=CHANGED))
            elif now is not None or any(a.status == "read" for a in found[i]):
                read[file] = [_at_the_door(audit) for audit in found[i]]
            # else it went away before it could be read, as when it was given another name
        good = {file for file, audits in read.items() if any(a.status == "read" for a in audits)}
        known = {e.log_id: e for e in self.ledger.entries(car.name)}
        new = self._new(read, known)
        with_new = {n.file for n in new.values()}
        for file in (f for f in read if f in good and f not in with_new):
            # as when a log lies there packed and unpacked
            out.append(replace(file, state=READ))
            self.ledger.finish(out[-1:])
            self.health.known += 1
            every = "every log in it is kept already"
            say("known", path=str(file.path), outcome=READ, reason=every)
        self._nights(car, known, new, good, out)
        # Last: should the service die before this, their night is judged with them again.
        for file in (f for f in read if f not in good):
            told = next((a.error for a in read[file] if a.error), None)
            torn = [n.entry for n in new.values() if n.file is file and n.entry.error]
            out.append(self._set_aside(file, told or f"{file.path}: no log in it.", torn))

    def _new(self, read: dict[File, list[LogAudit]], known: dict[str, Entry]) -> dict[str, New]:
        """The logs of these files that were not kept before, by their id; torn ones among them."""
        new: dict[str, New] = {}
        for file, audits in read.items():
            for audit in sorted(audits, key=lambda a: a.status != "read"):
                log_id = audit.sha256 or file.sha256
                if audit.status != "read" and audit.not_a_log:
                    continue
                if log_id not in known or known[log_id].error:
                    entry = entry_of(audit, file, below=self.inbox)
                    new.setdefault(log_id, New(file, entry, audit))
        return new

    def _nights(
        self,
        car: Car,
        known: dict[str, Entry],
        new: dict[str, New],
        good: set[File],
        out: list[File],
    ) -> None:
        """Judge every night that has new logs. A torn log alone is no night, but it holds one."""
        entries = {**known, **{log_id: n.entry for log_id, n in new.items()}}
        every = beside(entries.values(), below=self.inbox, stamps=self.ledger.stamps(car.name))
        nights = {
            name: (night, [new[e.log_id] for e in night if e.log_id in new])
            for name, night in named(grouped(every)).items()
            if any(not e.error for e in night)
        }
        # A zip may hold logs of several nights: it is done with the last of them.
        last = {n.file: name for name, (_, fresh) in nights.items() for n in fresh}
        for name, (night, fresh) in nights.items():
            if fresh:
                ends = dict.fromkeys(n.file for n in fresh if last[n.file] == name)
                done = [replace(file, state=READ) for file in ends if file in good]
                self._night(car, name, night, fresh=fresh, done=done)
                out += done

    def _night(
        self,
        car: Car,
        name: str,
        night: tuple[Entry, ...],
        *,
        fresh: Sequence[New],
        done: Sequence[File],
    ) -> None:
        """Judge a night with its new logs and those it had, keep it, write its papers, commit.

        done: files of which no log is left for another night.
        """
        from audit.archive.step.decide import in_history

        # Logs that could not be read, and lay where one that could be lies now: copied again, and
        # whole.
        whole_now = {n.entry.path for n in fresh if not n.entry.error}
        new = {n.entry.log_id for n in fresh}
        gone = [e for e in night if e.error and e.path in whole_now and e.log_id not in new]
        night = tuple(e for e in night if e not in gone)
        audits = [
            n.audit if n.audit.status == "read" else replace(n.audit, sha256=n.entry.log_id)
            for n in fresh
        ]
        added = self.archive.add(
            self._whole(car, name, night, audits),
            date=night[0].day,
            setting=self.settings.setting or "",
            instead_of=[e.log_id for e in gone],
            history=in_history,
        )
        for sentence in added.said:
            say("kept already", night=name, car=car.name, about=sentence)
        whole = added.night
        self._keep_in_mind(car, audits)
        if self.ledger.finish(
            done,
            entries=[n.entry for n in fresh],
            night=(car.name, name, whole.verdict),
            event=papers.write(self.settings.folder, name, whole),
            gone=gone,
        ):
            self.to_tell()
        self.health.read += len(done)
        self.health.nights += 1
        self.health.last_verdict, self.health.last_at = f"{car.name} {whole.verdict}", utc_now()
        say(
            "verdict",
            car=car.name,
            night=name,
            verdict=whole.verdict,
            logs=len(whole.logs),
            new=len(done),
            reason=next(iter(whole.reasons), ""),
        )
        self.on_verdict(name, whole)

    def _whole(
        self, car: Car, name: str, night: tuple[Entry, ...], audits: list[LogAudit]
    ) -> Night:
        """The night with the logs it had before; of a very long night the nearest, and the verdict
        it had.
        """
        from audit.night.screen import assemble

        new = {a.sha256 for a in audits}
        before = [e for e in night if e.log_id not in new]
        middle = sum(e.start for e in night if e.log_id in new) / max(1, len(new))
        nearest = sorted(before, key=lambda e: abs(e.start - middle))
        near = nearest[: max(0, MOST_CARRIED - len(audits))]
        earlier = self._earlier(car, [e for e in before if e in near])
        whole = assemble([*earlier, *audits], car=car, setting=self.settings.setting or "")
        if self.settings.units is not None:
            whole = replace(whole, us_units=self.settings.units == "us")
        stood = self.ledger.night(car.name, name) if len(near) < len(before) else None
        if stood is not None and VERDICTS.index(stood) > VERDICTS.index(whole.verdict):
            reason = (
                f"Earlier logs of this night were judged {stood}; it has {len(night)}, more than "
                "are judged together."
            )
            whole = replace(whole, verdict=stood, reasons=(reason, *whole.reasons))
        return whole

    def _earlier(self, car: Car, entries: Sequence[Entry]) -> list[LogAudit]:
        """The audits of logs that are kept, from memory or from the archive."""
        from audit.night.screen import audit_log

        out: list[LogAudit] = []
        wanted = {}
        for e in entries:
            kept = self._kept.get((car.name, e.log_id))
            if e.error:
                out.append(LogAudit(e.path, e.log_id, "rejected", error=e.error))
            elif kept is not None and kept[0] == car:
                out.append(kept[1])
            else:
                wanted[e.log_id] = e.path
        if wanted:
            rows = self.archive.logs(car.name, columns=["log_id", "file"])
            for log_id, file in dict(rows.select("log_id", "file").iter_rows()).items():
                if log_id in wanted and file:
                    audits = [audit_log(self.archive.kept.read(file), car)]
                    cut = self._keep_in_mind(car, audits)
                    out += [replace(audit, path=wanted[log_id]) for audit in cut]
        return out

    def _keep_in_mind(self, car: Car, audits: Iterable[LogAudit]) -> list[LogAudit]:
        """Those that were read, cut down to their pulls; the oldest make room."""
        from audit.night.screen import slim

        cut = [slim(audit) for audit in audits if audit.status == "read"]
        self._kept |= {(car.name, audit.sha256): (car, audit) for audit in cut}
        while sum(_rows(a) for _, a in self._kept.values()) > MOST_KEPT_ROWS:
            del self._kept[next(iter(self._kept))]
        return cut

    def _set_aside(self, file: File, reason: str, entries: Sequence[Entry] = ()) -> File:
        file = replace(file, state=SET_ASIDE, reason=reason)
        papers.set_aside(self.settings.folder, file)
        self.ledger.finish([file], entries=entries)
        self.health.set_aside += 1
        say("set aside", level=logging.WARNING, path=str(file.path), reason=reason)
        return file


def _at_the_door(audit: LogAudit) -> LogAudit:
    """The audit, rejected where the archive would not keep its log: it holds its night."""
    from audit.archive.store.store import refused

    why = refused(audit)
    return LogAudit(audit.path, audit.sha256, "rejected", error=why) if why else audit


def _rows(audit: LogAudit) -> int:
    return sum(p.pull.log.rows for p in audit.pulls) + 1
