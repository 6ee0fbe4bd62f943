"""The work on files that are complete: read them, keep them, judge their night, tell of it. Each once."""

from __future__ import annotations

import dataclasses
import hashlib
from collections import OrderedDict, defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from audit.errors import CarFileError
from audit.model import VERDICTS, Car, LogAudit, Night
from audit.service.watch import papers
from audit.service.watch.cars import Cars
from audit.service.watch.health import say
from audit.service.watch.ledger import READ, SET_ASIDE, Done, Ledger
from audit.service.watch.nights import Entry, beside, entry_of, grouped, named
from audit.service.watch.settle import regular

if TYPE_CHECKING:
    from audit.archive.store.store import Archive

MOST_ATTEMPTS = (
    3  # reading a file was begun so often and the service died each time: it is the file
)
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


@dataclass(slots=True)
class Worked:
    """What became of a batch. changed: grew while it was read; blocked: its car file must be mended; failed: could
    not be opened; elsewhere: another service has files of that car in hand.
    """

    read: int = 0
    set_aside: int = 0
    known: int = 0
    verdicts: list[Night] = field(default_factory=list)
    done: list[File] = field(default_factory=list)
    changed: list[Path] = field(default_factory=list)
    blocked: list[tuple[Path, str]] = field(default_factory=list)
    failed: list[tuple[Path, str]] = field(default_factory=list)
    elsewhere: list[Path] = field(default_factory=list)
    told: bool = False


class Desk:
    """Reads batches of files into the archive. audit_each: (paths, car) to (index, audits) as they come."""

    def __init__(
        self,
        *,
        inbox: Path,
        papers_to: papers.Places,
        archive: Archive,
        ledger: Ledger,
        audit_each: AuditEach,
        setting: str = "",
        units: str | None = None,
        on_verdict: Callable[[str, Night], None] | None = None,
    ) -> None:
        self.cars = Cars(inbox)
        self._inbox, self._papers, self._archive, self._ledger = inbox, papers_to, archive, ledger
        self._audit_each, self._setting, self._units, self._on_verdict = (
            audit_each,
            setting,
            units,
            on_verdict,
        )
        self._kept: OrderedDict[tuple[str, str], tuple[Car, LogAudit]] = OrderedDict()

    def work(self, paths: Sequence[Path]) -> Worked:
        """Deal with files that are complete. Raises ArchiveError when nothing can be kept: try again later."""
        out = Worked()
        fresh: dict[tuple[str, str], File] = {}
        copies: list[File] = []
        for path in paths:
            file = self._opened(path, out)
            if file is None:
                continue
            if file.key in fresh:
                copies.append(file)
            elif not self._is_known(file, out):
                fresh[file.key] = file
        for batch in self._batches(list(fresh.values()), out):
            self._batch(batch, out)
        for file in copies:
            if not self._is_known(file, out):
                out.changed.append(file.path)
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
        before = self._ledger.outcome(file.car.name, file.sha256)
        if before is None:
            return False
        outcome, reason, path = before
        self._ledger.also_at(file.done(outcome))
        out.known += 1
        out.done.append(file)
        if path != str(file.path):
            say("known", path=str(file.path), same_as=path, outcome=outcome, reason=reason)
        return True

    def _batches(self, files: list[File], out: Worked) -> Iterable[list[File]]:
        """All together, but one alone whose reading was begun before and never ended."""
        tried = {file.key: self._ledger.attempts(*file.key) for file in files}
        safe = [file for file in files if tried[file.key] == 0]
        if safe:
            yield safe
        for file in files:
            if tried[file.key] >= MOST_ATTEMPTS:
                reason = f"{file.path}: the service ended {tried[file.key]} times while it read this file. Report it; the file is untouched."
                self._set_aside(file, reason, out)
            elif tried[file.key] > 0:
                yield [file]

    def _batch(self, files: list[File], out: Worked) -> None:
        by_car: dict[str, list[File]] = defaultdict(list)
        for file in files:
            by_car[file.car.name].append(file)
        for car, group in by_car.items():
            with self._ledger.claimed(car) as mine:
                if not mine:
                    out.elsewhere += [file.path for file in group]
                    continue
                left = [file for file in group if not self._is_known(file, out)]
                if left:
                    self._group(left, out)

    def _group(self, group: list[File], out: Worked) -> None:
        """Read files of one car, which is claimed."""
        self._ledger.begin([file.key for file in group])
        found = dict(self._audit_each([file.path for file in group], group[0].car))
        sound = []
        for i, file in enumerate(group):
            now = regular(file.path)
            if now is not None and (now.st_size, now.st_mtime_ns) != (file.size, file.stamp):
                out.changed.append(file.path)
            elif now is None and not any(a.status == "read" for a in found[i]):
                continue  # it went away before it could be read, as when it was given another name
            else:
                sound.append((file, found[i]))
        self._car(sound, out)

    def _car(self, read: Sequence[tuple[File, list[LogAudit]]], out: Worked) -> None:
        """What was read of one car: set aside what was no log, the rest by nights."""
        if not read:
            return
        car = read[0][0].car
        known = {e.log_id: e for e in self._ledger.entries(car.name)}
        new: dict[str, tuple[File, Entry, LogAudit]] = {}
        aside: list[tuple[File, str]] = []
        for file, found in read:
            audits = [_at_the_door(audit) for audit in found]
            good = [a for a in audits if a.status == "read"]
            for audit in (*good, *(a for a in audits if a.status != "read" and not a.not_a_log)):
                log_id = audit.sha256 or file.sha256
                entry = entry_of(
                    audit,
                    car=file.car.name,
                    log_id=log_id,
                    path=file.path,
                    below=self._inbox,
                    modified=file.stamp / 1e9,
                )
                if log_id not in known or known[log_id].error:
                    new.setdefault(log_id, (file, entry, audit))
            if good and not any(f is file for f, _, _ in new.values()):
                self._same_log(file, out)  # as when a log lies there packed and unpacked
            if not good:
                reason = (
                    next((a.error for a in audits if a.error), None)
                    or f"{file.path}: no log in it."
                )
                aside.append((file, reason))
        self._nights(car, known, new, [file for file, _ in read], out)
        for (
            file,
            reason,
        ) in (
            aside
        ):  # last: should the service die before this, their night is judged with them again
            self._set_aside(
                file, reason, out, entries=[e for f, e, _ in new.values() if f is file and e.error]
            )

    def _nights(
        self,
        car: Car,
        known: dict[str, Entry],
        new: dict[str, tuple[File, Entry, LogAudit]],
        files: Sequence[File],
        out: Worked,
    ) -> None:
        """Judge every night that has new logs."""
        known |= {log_id: entry for log_id, (_, entry, _) in new.items()}
        stamps = self._ledger.stamps(car.name) | {
            str(file.path): file.stamp / 1e9 for file in files
        }
        every = beside(known.values(), below=self._inbox, stamps=stamps)
        left: dict[tuple[str, str], set[str]] = defaultdict(
            set
        )  # a zip may hold logs of several nights
        good_files = {file.key for file, _, audit in new.values() if audit.status == "read"}
        for log_id, (file, _, _) in new.items():
            if file.key in good_files:
                left[file.key].add(log_id)
        for name, night in named(grouped(every)).items():
            fresh = [new[e.log_id] for e in night if e.log_id in new]
            if fresh and any(
                not e.error for e in night
            ):  # a torn log alone is no night, but it holds one
                self._night(car, (name, night), fresh, left, out)

    def _night(
        self,
        car: Car,
        named_night: tuple[str, tuple[Entry, ...]],
        fresh: Sequence[tuple[File, Entry, LogAudit]],
        left: dict[tuple[str, str], set[str]],
        out: Worked,
    ) -> None:
        """Judge a night with its new logs and those it had, keep it, write its papers, commit."""
        from audit.archive.step.decide import in_history

        name, night = named_night
        gone = _replaced(night, [entry for _, entry, _ in fresh])
        night = tuple(e for e in night if e not in gone)
        audits = [
            audit if audit.status == "read" else dataclasses.replace(audit, sha256=entry.log_id)
            for _, entry, audit in fresh
        ]
        added = self._archive.add(
            self._whole(car, name, night, audits),
            date=night[0].day,
            setting=self._setting,
            instead_of=[e.log_id for e in gone],
            history=in_history,
        )
        for sentence in added.said:
            say("kept already", night=name, car=car.name, about=sentence)
        whole = added.night
        self._keep_in_mind(car, audits)
        for file, entry, _ in fresh:
            left[file.key].discard(entry.log_id)
        files = {
            file.key: file
            for file, _, audit in fresh
            if audit.status == "read" and not left[file.key]
        }
        event = papers.write(self._papers, name, whole)
        new_event = self._ledger.finish(
            [file.done(READ) for file in files.values()],
            entries=[entry for _, entry, _ in fresh],
            night=(car.name, name, whole.verdict),
            event=event,
            gone=gone,
        )
        out.read += len(files)
        out.done += files.values()
        out.told |= new_event
        out.verdicts.append(whole)
        say(
            "verdict",
            car=car.name,
            night=name,
            verdict=whole.verdict,
            logs=len(whole.logs),
            new=len(files),
            reason=whole.reasons[0] if whole.reasons else "",
        )
        if self._on_verdict is not None:
            self._on_verdict(name, whole)

    def _same_log(self, file: File, out: Worked) -> None:
        self._ledger.finish([file.done(READ)])
        out.known += 1
        out.done.append(file)
        say("known", path=str(file.path), outcome=READ, reason="every log in it is kept already")

    def _judged(self, car: Car, audits: Sequence[LogAudit]) -> Night:
        from audit.night.screen import assemble

        night = assemble(list(audits), car=car, setting=self._setting)
        return (
            night
            if self._units is None
            else dataclasses.replace(night, us_units=self._units == "us")
        )

    def _whole(
        self, car: Car, name: str, night: tuple[Entry, ...], audits: list[LogAudit]
    ) -> Night:
        """The night with the logs it had before; of a very long night the nearest, and the verdict it had."""
        new = {a.sha256 for a in audits}
        before = [e for e in night if e.log_id not in new]
        if not before:
            return self._judged(car, audits)
        middle = sum(e.start for e in night if e.log_id in new) / max(1, len(new))
        near = sorted(before, key=lambda e: abs(e.start - middle))[
            : max(0, MOST_CARRIED - len(audits))
        ]
        wanted = {e.log_id for e in near}
        earlier = self._earlier(car, [e for e in before if e.log_id in wanted])
        whole = self._judged(car, [*earlier, *audits])
        stood = self._ledger.night(car.name, name)
        if (
            len(near) < len(before)
            and stood is not None
            and VERDICTS.index(stood) > VERDICTS.index(whole.verdict)
        ):
            reason = f"Earlier logs of this night were judged {stood}; it has {len(night)}, more than are judged together."
            whole = dataclasses.replace(whole, verdict=stood, reasons=(reason, *whole.reasons))
        return whole

    def _earlier(self, car: Car, entries: Sequence[Entry]) -> list[LogAudit]:
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
            rows = self._archive.logs(car.name, columns=["log_id", "file"])
            for log_id, file in dict(rows.select("log_id", "file").iter_rows()).items():
                if log_id in wanted and file:
                    audit = slim(audit_log(self._archive.read_log(file), car))
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
            self._papers, file.path, sha256=file.sha256, car=file.car.name, reason=reason
        )
        self._ledger.finish([file.done(SET_ASIDE, reason)], entries=entries)
        out.set_aside += 1
        out.done.append(file)
        say("set aside", level=30, path=str(file.path), reason=reason)


def _at_the_door(audit: LogAudit) -> LogAudit:
    """The audit, rejected where the archive would not keep its log: it holds its night."""
    from audit.archive.store.store import refused

    why = refused(audit)
    return LogAudit(audit.path, audit.sha256, "rejected", error=why) if why else audit


def _replaced(night: Sequence[Entry], fresh: Sequence[Entry]) -> list[Entry]:
    """Logs of a night that could not be read, and lay where one that could be lies now: copied again, and whole."""
    now = {e.path for e in fresh if not e.error}
    new = {e.log_id for e in fresh}
    return [e for e in night if e.error and e.path in now and e.log_id not in new]


def _rows(audit: LogAudit) -> int:
    return sum(p.pull.log.rows for p in audit.pulls) + 1
