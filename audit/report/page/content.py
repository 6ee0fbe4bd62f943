"""A night as what stands on its page: sentences, figures and tables, in the reader's units, nothing escaped yet."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from audit.model import CheckResult, Night, PullAudit
from audit.report.display import localise, number, unit_for
from audit.report.page.marks import Numbered, numbered, pull_ids
from audit.report.page.measures import groups
from audit.report.page.names import clipped, clipped_in, without_folders
from audit.report.page.panels import panel_of
from audit.report.page.sources import assumed, logs, not_judged, sensors
from audit.report.words import CAUTIONS, VERDICT_SAYS, plain_check

STATUS_SAYS = {"pass": "pass", "watch": "watch", "fail": "fail", "not_evaluated": "not judged"}
ENDED_BY = {
    "lift": "ended by lifting off",
    "shift": "ended by a shift",
    "limiter": "ended at the limiter",
    "log end": "the log ends in it",
    "gap": "ended by a gap in the log",
}
ORDINAL = {1: "1st", 2: "2nd", 3: "3rd"}


@dataclass(frozen=True)
class FoundRow:
    """One finding for people. mark: whether a mark of that number is drawn; anchor: where its text stands."""

    n: int
    code: str
    severity: str
    where: str
    message: str
    likely: Sequence[str]
    look_at: Sequence[str]
    pull: str
    mark: bool = False


@dataclass(frozen=True)
class CheckRow:
    """One check of a pull or the night."""

    name: str
    status: str
    says: str
    score: float | None
    why: str


@dataclass(frozen=True)
class PullCard:
    """One pull of the night. traces: the packet for the script; source: where it is fetched from instead."""

    id: str
    title: str
    subtitle: str
    score: str
    worst: str
    checks: list[CheckRow]
    findings: list[FoundRow]
    measures: list[tuple[str, list[tuple[str, str]]]]
    row: dict[str, str]
    traces: dict[str, Any] | None = None
    source: str = ""


@dataclass(frozen=True)
class Page:
    """Everything on a night's page."""

    title: str
    verdict: str
    says: str
    counts: str
    reasons: list[dict[str, Any]]
    checks: list[CheckRow]
    findings: list[FoundRow]
    cards: list[PullCard]
    sensors: list[dict[str, Any]]
    not_judged: list[dict[str, str]]
    rejected: list[str]
    logs: list[dict[str, str]]
    assumed: list[str]
    units: dict[str, str]
    cautions: str = CAUTIONS
    evidence: str = ""  # where the script fetches sensors and gaps from instead of their being here


def page_of(night: Night, *, late: Mapping[str, str] | None = None) -> Page:
    """The page of a night. late: pull id -> where the script fetches its traces from; None puts them into the page."""
    us = night.us_units
    found = numbered(night)
    pulls = pull_ids(night)
    cards = _cards(night, pulls, found, late)
    marked = {m["n"] for card in cards if card.traces for m in card.traces["marks"]}
    marked |= {i.n for i in found if late and _can_be_marked(i)}
    rows = {item.n: _found(item, mark=item.n in marked, us=us) for item in found}
    return Page(
        title=night.car.name,
        verdict=night.verdict,
        says=VERDICT_SAYS[night.verdict],
        counts=_counts(night),
        reasons=[_reason(text, found, night) for text in night.reasons],
        checks=_checks(night, us=us),
        findings=[rows[i.n] for i in found if i.owner == "night"],
        cards=cards,
        sensors=sensors(night),
        not_judged=not_judged(night),
        rejected=[
            without_folders(a.error or a.path, night) for a in night.logs if a.status == "rejected"
        ],
        logs=logs(night),
        assumed=assumed(night),
        units={"pressure": unit_for("kPa", us=us), "degrees": unit_for("°C", us=us)},
    )


def _many(count: int, noun: str) -> str:
    return f"{count} {noun}{'' if count == 1 else 's'}"


def _counts(night: Night) -> str:
    read = [a for a in night.logs if a.status == "read"]
    day = min(
        (a.log.wall_start[:10] for a in read if a.log is not None and a.log.wall_start), default=""
    )
    said = [
        day,
        night.setting,
        f"{_many(len(read), 'log')} read",
        _many(sum(len(a.pulls) for a in read), "pull"),
    ]
    return ", ".join(part for part in said if part)


def sentence(text: str) -> str:
    """With a capital at its start."""
    return text[:1].upper() + text[1:]


def _reason(text: str, found: Sequence[Numbered], night: Night) -> dict[str, Any]:
    """A reason with the number of the finding it tells of, None for none."""
    hit = next(
        (i for i in found if i.finding.message in text and (i.owner == "night" or i.where in text)),
        None,
    )
    said = without_folders(localise(text, us=night.us_units), night)
    return {"text": clipped_in(said, night), "n": hit.n if hit else None}


def _found(item: Numbered, *, mark: bool, us: bool) -> FoundRow:
    f = item.finding
    file, comma, pull = item.where.rpartition(", pull ")
    where = f"{clipped(file)}{comma}{pull}" if comma else clipped(item.where)
    return FoundRow(
        item.n,
        f.code,
        f.severity,
        where,
        sentence(localise(f.message, us=us)),
        f.likely,
        f.look_at,
        item.pull,
        mark,
    )


def _checks(night: Night, *, us: bool) -> list[CheckRow]:
    """Worst first; without a pull only what was judged all the same, for the rest is told together."""
    pulls = any(a.pulls for a in night.logs)
    shown = {n: c for n, c in night.checks.items() if pulls or c.status != "not_evaluated"}
    return [_check(name, result, us=us) for name, result in sorted(shown.items(), key=_by_score)]


def _check(name: str, result: CheckResult, *, us: bool) -> CheckRow:
    score = None if result.score is None else round(min(max(result.score, 0.0), 100.0), 1)
    return CheckRow(
        plain_check(name),
        result.status,
        STATUS_SAYS[result.status],
        score,
        localise(result.why, us=us),
    )


def _cards(
    night: Night,
    pulls: Sequence[tuple[str, str, PullAudit]],
    found: Sequence[Numbered],
    late: Mapping[str, str] | None,
) -> list[PullCard]:
    from audit.report.page.traces import packet, rows_for

    us = night.us_units
    rows = rows_for([p.pull for _, _, p in pulls]) if late is None else 0
    cards = []
    for name, file, audit in pulls:
        mine = [i for i in found if i.owner == name]
        traces = packet(name, audit, found, rows=rows, us=us) if late is None else None
        marked = (
            {m["n"] for m in traces["marks"]}
            if traces
            else {i.n for i in mine if _can_be_marked(i)}
        )
        cards.append(
            PullCard(
                id=name,
                title=_title(name, audit),
                subtitle=_subtitle(file, audit),
                score="–" if audit.score is None else f"{audit.score:.0f}",
                worst=_worst(audit),
                checks=[
                    _check(n, c, us=us) for n, c in sorted(audit.checks.items(), key=_by_score)
                ],
                findings=[_found(i, mark=i.n in marked, us=us) for i in mine],
                measures=groups(audit.measures, us=us),
                row=_row(file, audit, us=us),
                traces=traces,
                source=(late or {}).get(name, ""),
            )
        )
    return cards


def _can_be_marked(item: Numbered) -> bool:
    f = item.finding
    return bool(item.pull) and f.start_s is not None and panel_of(f.code, f.channel) is not None


def _by_score(pair: tuple[str, CheckResult]) -> tuple[float, str]:
    return (101.0 if pair[1].score is None else pair[1].score, pair[0])


def _title(name: str, audit: PullAudit) -> str:
    gear = audit.pull.gear
    said = f", {ORDINAL.get(gear, f'{gear}th')} gear" if gear is not None else ""
    return f"Pull {name.rpartition('-')[2]}{said}"


def _subtitle(file: str, audit: PullAudit) -> str:
    span = audit.pull.span
    ended = ENDED_BY.get(span.ended_by, "")
    return (
        f"{span.rpm_start:.0f} to {span.rpm_end:.0f} rpm. {clipped(file)}, pull {audit.pull.index}: {span.start_s:.1f} to "
        f"{span.end_s:.1f} s{', ' + ended if ended else ''}."
    )


def _worst(audit: PullAudit) -> str:
    judged = {n: c for n, c in audit.checks.items() if c.score is not None}
    if not judged:
        return "nothing in this pull could be judged"
    name, result = min(judged.items(), key=_by_score)
    if result.score is not None and result.score >= 99.5:
        return "nothing to see"
    return f"worst: {plain_check(name)}"


def _row(file: str, audit: PullAudit, *, us: bool) -> dict[str, str]:
    """The pull as a line of the overview, figures without units (they stand in its head)."""
    m, span = audit.measures, audit.pull.span
    over, pct = m.get("boost_overshoot_kpa"), m.get("boost_overshoot_pct")
    states = {c.status for c in audit.checks.values()}
    return {
        "file": file,
        "gear": "–" if audit.pull.gear is None else str(audit.pull.gear),
        "rpm": f"{span.rpm_start:.0f}–{span.rpm_end:.0f}",
        "peak": number(m.get("boost_peak_kpa"), "kPa", us=us),
        "settled": number(m.get("boost_settled_kpa"), "kPa", us=us),
        "over": "–"
        if over is None
        else f"{number(over, 'kPa', us=us)} ({number(pct, '%', us=us, digits=0)} %)",
        "lambda": number(m.get("lambda_max"), "1", us=us, digits=2),
        "start": number(m.get("intake_start_c"), "°C", us=us, digits=0),
        "intake": number(m.get("intake_peak_c"), "°C", us=us, digits=0),
        "says": "fail" if "fail" in states else "watch" if "watch" in states else "pass",
    }
