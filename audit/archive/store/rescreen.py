"""Judging kept nights anew with today's checks; the old verdicts stay as earlier revisions."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from audit.archive.store.rows import Row, Rows, car_from_json, log_id, made, rows_of, words, worse
from audit.archive.store.store import Archive
from audit.errors import PullauditError
from audit.model import VERDICTS, Car, Finding, Log, LogAudit, Night

Progress = Callable[[int, int], None]
Decide = Callable[[Night, Archive], Night]  # the night with its decision
LOST = words("lost")  # a reason to hold begins so: until it is put back and judged again
CHANGED = words("changed")  # or so: until its logs are screened again


@dataclass(frozen=True, slots=True)
class Rescreened:
    """One night judged anew: its verdict before and now. lost: why kept logs could not be read."""

    night_id: str
    car: str
    date: str
    before: str
    after: str
    lost: tuple[str, ...] = ()


def rescreen(
    archive: Archive,
    *,
    car: str | None = None,
    every: bool = False,
    by: Car | None = None,
    decide: Decide | None = None,
    progress: Progress | None = None,
) -> list[Rescreened]:
    """Judge the nights that an earlier version judged, or that hold for a log that was lost.

    every: all nights. by: what is known of the car by now (gearing, a limit), in place of what
    each night was judged by. A kept log that cannot be read keeps its rows and holds its night: no
    verdict becomes better by it. Raises ArchiveError when the archive cannot be written. Nights
    done before it stopped stay done.
    """
    from audit import __version__

    def history(there: Archive, night: Night, _day: str) -> Night:
        return decide(night, there) if decide else night

    due = [
        row
        for row in archive.nights(car).iter_rows(named=True)
        if every or row["tool"] != __version__ or any(r.startswith(LOST) for r in row["reasons"])
    ]
    done = []
    for i, night in enumerate(due, 1):
        name, before = night["night_id"], night["verdict"]
        why = [r for r in night["reasons"] if r.startswith(CHANGED)]
        rows = archive.revision(name)
        why += [] if archive.is_sound(name, rows) else [CHANGED + words("unlike")]
        said = judged(night, rows, lambda row: archive.kept.read(row["file"] or ""), why, by)
        if not why or (said.verdict, [*said.reasons]) != (before, night["reasons"]):
            archive.add_columns(rows)
            with archive.writing(night["car"]):
                archive.put(name, rows, said, history)
        lost = tuple(dict.fromkeys(why))
        done.append(Rescreened(name, night["car"], night["date"], before, said.verdict, lost))
        if progress:
            progress(i, len(due))
    return done


def judged(
    night: Row, rows: Rows, read: Callable[[Row], Log], why: list[str], by: Car | None = None
) -> Night:
    """A kept night as today's checks judge its logs; its rows become theirs.

    Rows of what is lost or was never read, and what the history said, stay as they are. read: a
    kept log by its row; raises PullauditError. why: what is lost of the night, what could not be
    read is added; it is held for that. by: the car, else as the night has it.
    """
    from audit.night.screen import assemble, audit_log, with_findings

    car, audits = by or car_from_json(night["car_file"]), []
    for row in rows["log"]:
        if row["status"] == "rejected":
            audits.append(LogAudit(row["path"], row["log_id"], "rejected", error=row["error"]))
        elif row["status"] == "read":
            try:
                audits.append(audit_log(read(row), car))
            except PullauditError as error:
                why.append(f"{LOST}{error}")
    alone = assemble(audits, car=car, setting=night["setting"] or "")
    alone = replace(alone, us_units=bool(night["us_units"]))
    history = [made(Finding, row) for row in rows["finding"] if row["level"] == "history"]
    said = with_findings(alone, history) if history else alone
    if why:
        verdict, reasons = _held(night, said.verdict, said.reasons if alone.logs else (), why)
        said = replace(said, verdict=verdict, reasons=tuple(reasons))
    here = {log_id(a): a for a in alone.logs if a.status == "read"}
    files = {row["log_id"]: row["file"] for row in rows["log"] if row["file"]}
    anew = rows_of(replace(said, findings=alone.findings), here.values(), files)
    for kind in {*rows} - {"revision"}:
        stay = [row for row in rows[kind] if row["log_id"] not in here]
        anew[kind] += [r for r in stay if why or kind != "finding" or r["level"] == "history"]
    rows |= anew
    return said


def hold_lost(archive: Archive, name: str, why: Sequence[str]) -> None:
    """Hold a night, something of which is lost, with all that was found in it.

    why: begins with LOST or CHANGED.
    """
    row = archive.nights(night=name).row(0, named=True)
    found = archive.findings(night=name)["severity"]
    verdict, reasons = _held(row, max([row["verdict"], *found], key=_badness), row["reasons"], why)
    if (verdict, reasons) != (row["verdict"], row["reasons"]):
        with archive.writing(row["car"]):
            archive.put(name, worse(archive.revision(name), verdict, reasons))


def _badness(word: str) -> int:
    return VERDICTS.index(word) if word in VERDICTS else -1


def _held(
    before: Row, verdict: str, reasons: Sequence[str], why: Sequence[str]
) -> tuple[str, list[str]]:
    """At least hold, and no better than before; what was said before stays said."""
    verdict = max(verdict, before["verdict"], "hold", key=_badness)
    old = [r for r in before["reasons"] if not r.startswith(LOST)]
    old = old if before["verdict"] != "clear" else []
    first = old if before["verdict"] == "stop" else []
    return verdict, list(dict.fromkeys([*first, *why, *reasons, *old]))
