"""Judging kept nights anew with today's checks; the old verdicts stay as earlier revisions."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from audit.archive.store.rows import Row, car_from_json, finding_of, log_id, rows_of, said_of
from audit.archive.store.store import Archive
from audit.errors import PullauditError
from audit.model import VERDICTS, Car, Log, LogAudit, Night

Progress = Callable[[int, int], None]
Decide = Callable[[Night, Archive], Night]  # the night with its decision
LOST = "A kept log of this night is lost: "  # until it is put back and judged again
CHANGED = "Rows of this night were changed: "  # until its logs are screened again


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

    due = [
        row
        for row in archive.nights(car).iter_rows(named=True)
        if every or row["tool"] != __version__ or any(r.startswith(LOST) for r in row["reasons"])
    ]
    done = []
    for i, row in enumerate(due, 1):
        done.append(_one(archive, row, decide, by))
        if progress:
            progress(i, len(due))
    return done


def judge(
    night: Mapping[str, Any],
    logs: Iterable[Row],
    read: Callable[[Row], Log],
    by: Car | None = None,
) -> tuple[Night, dict[str, str]]:
    """A kept night judged again from rows of its logs, and why some could not be read, by their id.

    read: a kept log by its row; raises PullauditError. by: the car, else as the night has it.
    """
    from audit.night.screen import assemble, audit_log

    car, audits, lost = by or car_from_json(night["car_file"]), [], {}
    for row in logs:
        if row["status"] == "rejected":
            audits.append(LogAudit(row["path"], row["log_id"], "rejected", error=row.get("error")))
        elif row["status"] == "read":
            try:
                audits.append(audit_log(read(row), car))
            except PullauditError as error:
                lost[row["log_id"]] = f"{LOST}{error}"
    judged = assemble(audits, car=car, setting=night.get("setting") or "")
    return dataclasses.replace(judged, us_units=bool(night.get("us_units"))), lost


def hold_lost(archive: Archive, name: str, why: Sequence[str]) -> None:
    """Hold a night, something of which is lost, with all that was found in it.

    why: begins with LOST or CHANGED.
    """
    row = archive.nights(night=name).row(0, named=True)
    found = archive.findings(night=name)["severity"].to_list()
    verdict, reasons = _held(row, max([row["verdict"], *found], key=_badness), row["reasons"], why)
    if (verdict, reasons) != (row["verdict"], row["reasons"]):
        with archive.writing(row["car"]):
            archive.restate(name, verdict, reasons)


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


def _one(archive: Archive, night: Row, decide: Decide | None, by: Car | None) -> Rescreened:
    from audit.night.screen import with_findings

    name, before = night["night_id"], archive.revision(night["night_id"])
    judged, lost = judge(night, before["log"], lambda r: archive.read_log(r.get("file", "")), by)
    changed = {r: r for r in night["reasons"] if r.startswith(CHANGED)}
    if not archive.is_sound(name):
        changed[""] = f"{CHANGED}its last verdict's are not those that were written."
    lost = changed | lost
    history = [finding_of(row) for row in before["finding"] if row["level"] == "history"]
    said = with_findings(judged, history) if history else judged
    why = tuple(dict.fromkeys(lost.values()))
    if lost:
        verdict, reasons = _held(night, said.verdict, said.reasons if judged.logs else (), why)
        said = dataclasses.replace(said, verdict=verdict, reasons=tuple(reasons))
    read = {log_id(a): a for a in judged.logs if a.status == "read"}
    files = {r["log_id"]: r["file"] for r in before["log"] if r.get("file")}
    rows = rows_of(judged, [*read.values()], files)
    rows["revision"][0] |= said_of(said)
    # As they were: rows of what is lost or was never read, and what the history said.
    rows["log"] += [r for r in before["log"] if r["log_id"] not in read]
    rows["pull"] += [r for r in before["pull"] if r["log_id"] in lost]
    for row in before["finding"]:
        whole = row["level"] == "history" or (lost and row["level"] == "night")
        rows["finding"] += [row] if whole or row.get("log_id") in lost else []
    if not lost or (said.verdict, list(said.reasons)) != (night["verdict"], night["reasons"]):
        archive.add_columns([*read.values()])
        with archive.writing(night["car"]):
            archive.put(name, rows, said, decide and (lambda there, made, _: decide(made, there)))
    return Rescreened(name, night["car"], night["date"], night["verdict"], said.verdict, why)
