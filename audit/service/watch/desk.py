"""The work on files that are complete: read, keep, judge their night, tell of it. Each once."""

from __future__ import annotations

import dataclasses
import hashlib
from collections import OrderedDict, defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from audit.errors import CarFileError
from audit.model import VERDICTS, Car, LogAudit, Night
from audit.night.days import now as utc_now
from audit.service.watch import papers
from audit.service.watch.cars import Cars
from audit.service.watch.health import Health, say
from audit.service.watch.ledger import READ, SET_ASIDE, Done, Ledger
from audit.service.watch.nights import Entry, beside, entry_of, grouped, named
from audit.service.watch.settle import regular

if TYPE_CHECKING:
    from audit.archive.store.store import Archive

# Reading a file was begun so often and the service died each time: it is the file.
MOST_ATTEMPTS = 3
MOST_CARRIED = 60  # logs of one night that are judged together
MOST_KEPT_ROWS = 400_000  # rows of earlier logs kept in memory, around their pulls
AuditEach = Callable[[Sequence[Path], Car], Iterable[tuple[int, list[LogAudit]]]]


@dataclass(frozen=True, slots=True)
class File:
    """A complete file with its content's hash and its car."""

    path: Path
    size: int
    stamp: int
    sha256: str
    car: Car

    def done(self, outcome: str, reason: str = "") -> Done:
        return Done(self.path, self.size, self.stamp, self.car.name, self.sha256, outcome, reason)

    @property
    def key(self) -> tuple[str, str]:
        return self.car.name, self.sha256


@dataclass(frozen=True, slots=True)
class New:
    """A log that no night has yet: its file, its place in time, its audit."""

    file: File
    entry: Entry
    audit: LogAudit


@dataclass(slots=True)
class Worked:
    """What is still to be done about the files of a batch, and those that are done.

    changed: grew while it was read; blocked: its car file must be mended; failed: could not be
    opened; elsewhere: another service has files of that car in hand.
    """

    done: list[File] = field(default_factory=list)
    changed: list[Path] = field(default_factory=list)
    blocked: list[tuple[Path, str]] = field(default_factory=list)
    failed: list[tuple[Path, str]] = field(default_factory=list)
    elsewhere: list[Path] = field(default_factory=list)


@dataclass
class Desk:
    """Reads batches of files into the archive.

    audit_each: (paths, car) to (index, audits) as they come. health: what it counts in. to_tell:
    called when there is a new event.
    """

    inbox: Path
    places: papers.Places
    archive: Archive
    ledger: Ledger
    audit_each: AuditEach
    health: Health
    to_tell: Callable[[], None]
    setting: str = ""
    units: str | None = None
    on_verdict: Callable[[str, Night], None] | None = None

    def __post_init__(self) -> None:
        self.cars = Cars(self.inbox)
        self._kept: OrderedDict[tuple[str, str], tuple[Car, LogAudit]] = OrderedDict()

    def work(self, paths: Sequence[Path]) -> Worked:
        """Deal with files that are complete.

        Raises ArchiveError when nothing can be kept: try again later.
        """
        out = Worked()
        fresh: dict[tuple[str, str], File] = {}
        copies: list[File] = []
        for path in paths:
            file = self._opened(path, out)
            if file is not None and file.key in fresh:
                copies.append(file)
            elif file is not None and not self._is_known(file, out):
                fresh[file.key] = file
        for batch in self._batches(list(fresh.values()), out):
            by_car: dict[str, list[File]] = defaultdict(list)
            for file in batch:
                by_car[file.car.name].append(file)
            for car, group in by_car.items():
                with self.ledger.claimed(car) as mine:
                    if mine:
                        self._group([f for f in group if not self._is_known(f, out)], out)
                    else:
                        out.elsewhere += [file.path for file in group]
        out.changed += [file.path for file in copies if not self._is_known(file, out)]
        return out

    def _opened(self, path: Path, out: Worked) -> File | None:
        found = regular(path)
        if found is None:
            return None
        try:
            car = self.cars.of(path)
            with path.open("rb") as file:
                digest = hashlib.file_digest(file, "sha256").hexdigest()
        except CarFileError as error:
            out.blocked.append((path, str(error)))
            return None
        except (OSError, ValueError) as error:
            why = getattr(error, "strerror", None) or error
            out.failed.append((path, f"{path}: cannot be opened ({why})."))
            return None
        return File(path, found.st_size, found.st_mtime_ns, digest, car)

    def _is_known(self, file: File, out: Worked) -> bool:
        before = self.ledger.outcome(file.car.name, file.sha256)
        if before is None:
            return False
        outcome, reason, path = before
        self.ledger.also_at(file.done(outcome))
        self.health.known += 1
        out.done.append(file)
        if path != str(file.path):
            say("known", path=str(file.path), same_as=path, outcome=outcome, reason=reason)
        return True

    def _batches(self, files: list[File], out: Worked) -> Iterator[list[File]]:
        """All together, but one alone whose reading was begun before and never ended."""
        tried = {file.key: self.ledger.attempts(*file.key) for file in files}
        yield [file for file in files if tried[file.key] == 0]
        for file in files:
            if tried[file.key] >= MOST_ATTEMPTS:
                self._set_aside(
                    file,
                    f"{file.path}: the service ended {tried[file.key]} times while it read this "
                    "file. Report it; the file is untouched.",
                    out,
                )
            elif tried[file.key] > 0:
                yield [file]

    def _group(self, group: list[File], out: Worked) -> None:
        """Read files of one car, which is claimed."""
        if not group:
            return
        car = group[0].car
        self.ledger.begin([file.key for file in group])
        found = dict(self.audit_each([file.path for file in group], car))
        read: list[tuple[File, list[LogAudit]]] = []
        for i, file in enumerate(group):
            now = regular(file.path)
            if now is not None and (now.st_size, now.st_mtime_ns) != (file.size, file.stamp):
                out.changed.append(file.path)
            elif now is not None or any(a.status == "read" for a in found[i]):
                read.append((file, [_at_the_door(audit) for audit in found[i]]))
            # else it went away before it could be read, as when it was given another name
        known = {e.log_id: e for e in self.ledger.entries(car.name)}
        new = self._new(read, known)
        for file, audits in read:
            mine = any(n.file is file for n in new.values())
            if not mine and any(a.status == "read" for a in audits):
                self._same_log(file, out)  # as when a log lies there packed and unpacked
        self._nights(car, known, new, [file for file, _ in read], out)
        # Last: should the service die before this, their night is judged with them again.
        for file, audits in read:
            if not any(a.status == "read" for a in audits):
                told = next((a.error for a in audits if a.error), None)
                torn = [n.entry for n in new.values() if n.file is file and n.entry.error]
                self._set_aside(file, told or f"{file.path}: no log in it.", out, entries=torn)

    def _new(
        self, read: Sequence[tuple[File, list[LogAudit]]], known: dict[str, Entry]
    ) -> dict[str, New]:
        """The logs of these files that were not kept before, by their id; torn ones among them."""
        new: dict[str, New] = {}
        for file, audits in read:
            for audit in sorted(audits, key=lambda a: a.status != "read"):
                if audit.status != "read" and audit.not_a_log:
                    continue
                log_id = audit.sha256 or file.sha256
                if log_id not in known or known[log_id].error:
                    entry = entry_of(
                        audit,
                        car=file.car.name,
                        log_id=log_id,
                        path=file.path,
                        below=self.inbox,
                        modified=file.stamp / 1e9,
                    )
                    new.setdefault(log_id, New(file, entry, audit))
        return new

    def _nights(
        self,
        car: Car,
        known: dict[str, Entry],
        new: dict[str, New],
        files: Sequence[File],
        out: Worked,
    ) -> None:
        """Judge every night that has new logs. A torn log alone is no night, but it holds one."""
        entries = {**known, **{log_id: n.entry for log_id, n in new.items()}}
        stamps = self.ledger.stamps(car.name)
        stamps |= {str(file.path): file.stamp / 1e9 for file in files}
        every = beside(entries.values(), below=self.inbox, stamps=stamps)
        nights = {
            name: (night, [new[e.log_id] for e in night if e.log_id in new])
            for name, night in named(grouped(every)).items()
            if any(not e.error for e in night)
        }
        # A zip may hold logs of several nights: it is done with the last of them.
        last = {n.file.key: name for name, (_, fresh) in nights.items() for n in fresh}
        good = {n.file.key for n in new.values() if n.audit.status == "read"}
        for name, (night, fresh) in nights.items():
            if fresh:
                ends = {n.file.key: n.file for n in fresh if last[n.file.key] == name}
                done = [file for key, file in ends.items() if key in good]
                self._night(car, name, night, fresh=fresh, done=done, out=out)

    def _night(
        self,
        car: Car,
        name: str,
        night: tuple[Entry, ...],
        *,
        fresh: Sequence[New],
        done: Sequence[File],
        out: Worked,
    ) -> None:
        """Judge a night with its new logs and those it had, keep it, write its papers, commit.

        done: files of which no log is left for another night.
        """
        from audit.archive.step.decide import in_history

        gone = _replaced(night, [n.entry for n in fresh])
        night = tuple(e for e in night if e not in gone)
        audits = [
            n.audit
            if n.audit.status == "read"
            else dataclasses.replace(n.audit, sha256=n.entry.log_id)
            for n in fresh
        ]
        added = self.archive.add(
            self._whole(car, name, night, audits),
            date=night[0].day,
            setting=self.setting,
            instead_of=[e.log_id for e in gone],
            history=in_history,
        )
        for sentence in added.said:
            say("kept already", night=name, car=car.name, about=sentence)
        whole = added.night
        self._keep_in_mind(car, audits)
        if self.ledger.finish(
            [file.done(READ) for file in done],
            entries=[n.entry for n in fresh],
            night=(car.name, name, whole.verdict),
            event=papers.write(self.places, name, whole),
            gone=gone,
        ):
            self.to_tell()
        out.done += done
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
        if self.on_verdict is not None:
            self.on_verdict(name, whole)

    def _same_log(self, file: File, out: Worked) -> None:
        self.ledger.finish([file.done(READ)])
        self.health.known += 1
        out.done.append(file)
        say("known", path=str(file.path), outcome=READ, reason="every log in it is kept already")

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
        whole = assemble([*earlier, *audits], car=car, setting=self.setting)
        if self.units is not None:
            whole = dataclasses.replace(whole, us_units=self.units == "us")
        stood = self.ledger.night(car.name, name) if len(near) < len(before) else None
        if stood is not None and VERDICTS.index(stood) > VERDICTS.index(whole.verdict):
            reason = (
                f"Earlier logs of this night were judged {stood}; it has {len(night)}, more than "
                "are judged together."
            )
            whole = dataclasses.replace(whole, verdict=stood, reasons=(reason, *whole.reasons))
        return whole

    def _earlier(self, car: Car, entries: Sequence[Entry]) -> list[LogAudit]:
        """The audits of logs that are kept, from memory or from the archive."""
        from audit.night.screen import audit_log, slim

        out, wanted = [], {}
        for e in entries:
            kept = self._kept.get((car.name, e.log_id))
            if e.error:
                out.append(LogAudit(e.path, e.log_id, "rejected", error=e.error))
            elif kept is not None and kept[0] == car:
                out.append(kept[1])
            else:
                wanted[e.log_id] = e
        if wanted:
            rows = self.archive.logs(car.name, columns=["log_id", "file"])
            for log_id, file in dict(rows.select("log_id", "file").iter_rows()).items():
                if log_id in wanted and file:
                    audit = slim(audit_log(self.archive.kept.read(file), car))
                    out.append(dataclasses.replace(audit, path=wanted[log_id].path))
                    self._keep_in_mind(car, [audit])
        return out

    def _keep_in_mind(self, car: Car, audits: Iterable[LogAudit]) -> None:
        from audit.night.screen import slim

        for audit in audits:
            if audit.status == "read":
                self._kept[car.name, audit.sha256] = (car, slim(audit))
        while self._kept and sum(_rows(a) for _, a in self._kept.values()) > MOST_KEPT_ROWS:
            self._kept.popitem(last=False)

    def _set_aside(
        self, file: File, reason: str, out: Worked, *, entries: Sequence[Entry] = ()
    ) -> None:
        papers.set_aside(
            self.places, file.path, sha256=file.sha256, car=file.car.name, reason=reason
        )
        self.ledger.finish([file.done(SET_ASIDE, reason)], entries=entries)
        self.health.set_aside += 1
        out.done.append(file)
        say("set aside", level=30, path=str(file.path), reason=reason)


def _at_the_door(audit: LogAudit) -> LogAudit:
    """The audit, rejected where the archive would not keep its log: it holds its night."""
    from audit.archive.store.store import refused

    why = refused(audit)
    return LogAudit(audit.path, audit.sha256, "rejected", error=why) if why else audit


def _replaced(night: Sequence[Entry], fresh: Sequence[Entry]) -> list[Entry]:
    """Logs of a night that could not be read, and lay where one that could be lies now: copied
    again, and whole.
    """
    now = {e.path for e in fresh if not e.error}
    new = {e.log_id for e in fresh}
    return [e for e in night if e.error and e.path in now and e.log_id not in new]


def _rows(audit: LogAudit) -> int:
    return sum(p.pull.log.rows for p in audit.pulls) + 1
