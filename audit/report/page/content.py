"""A night as what stands on its page: sentences, figures and tables, in the reader's units,
nothing escaped yet.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any

from audit.declared import all_declared
from audit.model import CheckResult, Finding, Night, PullAudit, worst_of, worst_severity
from audit.report.display import localise, number, overshoot, overshoot_share, unit_for
from audit.report.names import clipped, isolated, visible, without_folders, without_positions
from audit.report.page.first import First, first_of
from audit.report.page.history import History
from audit.report.page.marks import Numbered, code_said, numbered, pull_ids
from audit.report.page.measures import SheetRow, sheet
from audit.report.page.overlay import Laid, differences, overlaid
from audit.report.page.panels import panel_of
from audit.report.page.picture import duty_tonight
from audit.report.page.sources import assumed, logs, not_judged, sensors
from audit.report.words import (
    CAUTIONS,
    afr_factor,
    every_finding,
    headline,
    plain_check,
    sentence,
    told,
)

STATUS_SAYS = {"not_evaluated": "not judged"}
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
    """One finding for people. mark: whether a mark of that number is drawn."""

    n: int
    code: str
    severity: str
    where: str
    message: Any
    likely: Sequence[str]
    look_at: Sequence[str]
    pull: str
    mark: bool = False
    advised: int = 0  # the finding whose advice says the same, 0 where this one tells it


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
    """One pull of the night. traces: the packet for the script; source: where it is fetched from
    instead.

    quiet: nothing was found in it, so that it is folded; again: of many pulls one whose findings
    another pull has worse, folded too: what they are.
    """

    id: str
    n: str
    title: str
    subtitle: str
    checks: list[CheckRow]
    findings: list[FoundRow]
    measures: list[tuple[str, list[SheetRow]]]
    row: dict[str, Any]
    traces: dict[str, Any] | None = None
    source: str = ""
    quiet: bool = False
    again: str = ""

    @property
    def shut(self) -> bool:
        """Is it folded at first?"""
        return self.quiet or bool(self.again)


@dataclass(frozen=True)
class Page:
    """Everything on a night's page. day: ISO, "" for not known; caused: columns of the pulls table
    that the verdict comes from; rest: cards whose line of that table is folded; usual: the sheets
    have a column of what is usual; last_night: its day; overlay: pulls over each other.
    """

    title: str
    verdict: str
    says: str
    day: str
    counts: str
    first: First
    reasons: list[dict[str, Any]]
    checks: list[CheckRow]
    findings: list[FoundRow]
    cards: list[PullCard]
    sensors: list[dict[str, Any]]
    not_judged: list[dict[str, str]]
    rejected: list[str]
    logs: list[dict[str, str]]
    assumed: list[str]
    afr: bool  # the pulls table tells air-fuel ratios beside lambda
    units: dict[str, str]
    caused: frozenset[str] = frozenset()
    rest: tuple[PullCard, ...] = ()
    several: bool = False  # pulls of more than one log, which number them anew
    usual: bool = False
    last_night: str = ""
    duty: dict[str, Any] | None = None
    duty_source: str = ""  # where the script fetches that chart from instead
    overlay: dict[str, Any] | None = None
    overlay_source: str = ""  # where the script fetches the overlay from instead
    differences: dict[str, Any] | None = None
    newer: str = ""  # where the car's newest night is shown, if this is an earlier one
    cautions: str = CAUTIONS
    evidence: str = ""  # where the script fetches sensors and gaps from instead of their being here

    @property
    def runs(self) -> list[tuple[bool, list[PullCard]]]:
        """The cards in order, those that follow each other and are folded at first together."""
        return [(shut, list(run)) for shut, run in groupby(self.cards, key=lambda c: c.shut)]


def page_of(
    night: Night,
    *,
    late: Mapping[str, str] | None = None,
    date: str = "",
    history: History | None = None,
    with_log: Callable[[PullAudit], PullAudit] | None = None,
) -> Page:
    """The page of a night. late: pull id -> where the script fetches its traces from; None puts
    them into the page.

    date: the night's ISO day, "" for what the logs tell; history: what this car's other nights were
    like; with_log: brings the log of a pull whose night has none, for the picture of the first
    screen.
    """
    us = night.us_units
    day = date or _day(night)
    found = numbered(night)
    pulls = pull_ids(night)
    advice = _advice(found)
    cards = _cards(night, pulls, found, advice, late=late, history=history)
    laid = [] if late is not None else laid_of(pulls)
    marked = {m["n"] for card in cards if card.traces for m in card.traces["marks"]}
    marked |= {i.n for i in found if late and _can_be_marked(i)}
    return Page(
        title=night.car.name,
        verdict=night.verdict,
        says=headline(night)[len(night.verdict) :].lstrip(",: "),
        day=day,
        counts=_counts(night),
        first=first_of(night, found, date=day, with_log=with_log if late is not None else _itself),
        reasons=[_reason(text, found, night) for text in night.reasons],
        checks=_checks(night, [i.finding for i in found], us=us),
        findings=[
            _found(i, night, mark=i.n in marked, advice=advice) for i in found if i.owner == "night"
        ],
        cards=cards,
        sensors=sensors(night),
        not_judged=not_judged(night),
        rejected=[
            isolated(without_folders(a.error or a.path, night), night)
            for a in night.logs
            if a.status == "rejected"
        ],
        logs=logs(night),
        assumed=assumed(night),
        afr=afr_factor(night) is not None,
        units={"pressure": unit_for("kPa", us=us), "degrees": unit_for("°C", us=us)},
        caused=_caused(found),
        rest=_rest(cards),
        several=sum(bool(a.pulls) for a in night.logs) > 1,
        usual=history is not None and bool(history.by_gear),
        last_night="" if history is None else history.last_night,
        duty=duty_tonight(night, history or History(), us=us),
        overlay=overlaid(laid, us=us) if len(laid) > 1 else None,
        differences=differences(laid_of(pulls), us=us),
    )


# Of more pulls than MANY the table folds the lines of those that passed, but for the first few, and
# of pulls with the same finding the worst alone stays unfolded.
MANY, PASSED_SHOWN = 16, 12


def _rest(cards: Sequence[PullCard]) -> tuple[PullCard, ...]:
    passed = [c for c in cards if c.quiet and c.row["says"] == "pass"]
    return tuple(passed[PASSED_SHOWN:]) if len(cards) > MANY else ()


def _worst_of_each(found: Sequence[Numbered]) -> dict[str, str]:
    """Code -> the pull that has its worst finding."""
    by_code: dict[str, list[Numbered]] = {}
    for item in found:
        if item.owner != "night" and item.finding.severity != "note":
            by_code.setdefault(item.finding.code, []).append(item)
    return {
        code: items[worst_of([i.finding for i in items])].owner for code, items in by_code.items()
    }


# Which columns of the pulls table a code is read off.
COLUMNS = {
    "boost": ("peak", "settled", "over", "duty"),
    "control": ("peak", "settled", "duty"),
    "mixture": ("lambda",),
    "heat": ("intake",),
}


MOST_KEPT = 4  # with more columns than these a phone has no room for those of every night


def _caused(found: Sequence[Numbered]) -> frozenset[str]:
    """Columns that the worst findings are read off, and the duty and boost of every night as far as
    there is room: a phone keeps them, whatever else it folds.
    """
    worst = worst_severity([i.finding.severity for i in found])
    codes = {i.finding.code for i in found if i.finding.severity == worst and worst != "note"}
    kept = {c for code in codes for c in COLUMNS.get(code.partition(".")[0], ())}
    kept |= {"duty"} if len(kept) < MOST_KEPT else set()
    return frozenset(kept | {"peak"} if len(kept) < 3 else kept)


def laid_of(pulls: Sequence[tuple[str, str, PullAudit]]) -> list[Laid]:
    """The pulls by the name that the overlay's key gives them."""
    return [Laid(f"pull {name.rpartition('-')[2]}", audit) for name, _, audit in pulls]


def _itself(audit: PullAudit) -> PullAudit:
    return audit


def _day(night: Night) -> str:
    """The day that the logs tell, "" for none."""
    read = (a.log for a in night.logs if a.status == "read" and a.log is not None)
    return min((log.wall_start[:10] for log in read if log.wall_start), default="")


def _many(count: int, noun: str) -> str:
    return f"{count} {noun}{'' if count == 1 else 's'}"


def _counts(night: Night) -> str:
    read = [a for a in night.logs if a.status == "read"]
    said = [
        night.setting,
        f"{_many(len(read), 'log')} read",
        _many(sum(len(a.pulls) for a in read), "pull"),
    ]
    return ", ".join(part for part in said if part)


def _reason(text: str, found: Sequence[Numbered], night: Night) -> dict[str, Any]:
    """A reason with the number of the finding it tells of, None for none."""
    hit = next(
        (i for i in found if i.finding.message in text and (i.owner == "night" or i.where in text)),
        None,
    )
    plain = without_positions(text, every_finding(night))
    said = without_folders(told(night, plain), night)
    return {"text": isolated(said, night), "n": hit.n if hit else None}


def _advice(found: Sequence[Numbered]) -> dict[tuple[Any, ...], int]:
    """What each kind of finding advises -> the first that does, which alone tells it."""
    first: dict[tuple[Any, ...], int] = {}
    for item in found:
        if item.finding.severity != "note":
            first.setdefault(_said_by(item.finding), item.n)
    return first


def _said_by(f: Finding) -> tuple[Any, ...]:
    return f.code, tuple(f.likely), tuple(f.look_at)


def _found(
    item: Numbered, night: Night, *, mark: bool, advice: Mapping[tuple[Any, ...], int]
) -> FoundRow:
    """advice: which finding tells what this one advises."""
    f = item.finding
    file, comma, pull = item.where.rpartition(", pull ")
    where = f"{clipped(file)}{comma}{pull}" if comma else clipped(item.where)
    first = advice[_said_by(f)] if f.severity != "note" else item.n
    message = sentence(told(night, without_positions(f.message, [f])))
    return FoundRow(
        item.n,
        f.code,
        f.severity,
        where,
        isolated(message, night),
        f.likely if first == item.n else (),
        f.look_at if first == item.n else (),
        item.pull,
        mark,
        advised=0 if first == item.n or not (f.likely or f.look_at) else first,
    )


def _checks(night: Night, found: Sequence[Finding], *, us: bool) -> list[CheckRow]:
    """Worst first; without a pull only what was judged all the same: the rest is told together."""
    pulls = any(a.pulls for a in night.logs)
    shown = {n: c for n, c in night.checks.items() if pulls or c.status != "not_evaluated"}
    return [
        _check(name, result, found, us=us) for name, result in sorted(shown.items(), key=_by_score)
    ]


def _check(name: str, result: CheckResult, found: Sequence[Finding], *, us: bool) -> CheckRow:
    """found: the findings of where it stands; a failed check says how bad they are."""
    codes = {code for row in all_declared() if row.name == name for code in row.codes}
    failed = "stop" if any(f.severity == "stop" and f.code in codes for f in found) else "hold"
    status = failed if result.status == "fail" else result.status
    score = None if result.score is None else round(min(max(result.score, 0.0), 100.0), 1)
    return CheckRow(
        plain_check(name),
        status,
        STATUS_SAYS.get(status, status),
        score,
        localise(result.why, us=us),
    )


def _cards(
    night: Night,
    pulls: Sequence[tuple[str, str, PullAudit]],
    found: Sequence[Numbered],
    advice: Mapping[tuple[Any, ...], int],
    *,
    late: Mapping[str, str] | None,
    history: History | None,
) -> list[PullCard]:
    from audit.report.page.traces import packet, rows_for

    us = night.us_units
    rows = rows_for([p.pull for _, _, p in pulls]) if late is None else 0
    shown = set(_worst_of_each(found).values()) if len(pulls) > MANY else {n for n, _, _ in pulls}
    cards = []
    for name, file, audit in pulls:
        mine = [i for i in found if i.owner == name]
        codes = dict.fromkeys(code_said(i.finding) for i in mine if i.finding.severity != "note")
        traces = packet(name, audit, found, rows=rows, us=us) if late is None else None
        marked = (
            {m["n"] for m in traces["marks"]}
            if traces
            else {i.n for i in mine if _can_be_marked(i)}
        )
        cards.append(
            PullCard(
                id=name,
                n=name.rpartition("-")[2],
                title=_title(name, audit),
                subtitle=_subtitle(file, audit),
                checks=[
                    _check(n, c, audit.findings, us=us)
                    for n, c in sorted(audit.checks.items(), key=_by_score)
                ],
                findings=[_found(i, night, mark=i.n in marked, advice=advice) for i in mine],
                measures=sheet(
                    audit,
                    history.by_gear.get(audit.pull.gear) if history is not None else None,
                    us=us,
                ),
                row=_row(file, audit, afr_factor(night), us=us),
                traces=traces,
                source=(late or {}).get(name, ""),
                quiet=len(pulls) > 1 and not codes,
                again="" if name in shown else ", ".join(codes),
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
        f"{span.rpm_start:.0f} to {span.rpm_end:.0f} rpm. {visible(clipped(file))}, pull "
        f"{audit.pull.index}: {span.start_s:.1f} to {span.end_s:.1f} s"
        f"{', ' + ended if ended else ''}."
    )


def _row(file: str, audit: PullAudit, afr: float | None, *, us: bool) -> dict[str, Any]:
    """The pull as a line of the overview, figures without units (they stand in its head).

    afr: air-fuel ratio for one of lambda, where it is told too.
    """
    m, span = audit.measures, audit.pull.span
    leanest, share = m.get("lambda_max"), overshoot_share(m, us=us)
    states = {c.status for c in audit.checks.values()}
    state = next((s for s in ("fail", "watch") if s in states), "pass")
    worst = worst_severity([f.severity for f in audit.findings])
    return {
        "inlog": f"{visible(clipped(file))}, pull {audit.pull.index}",
        "gear": "–" if audit.pull.gear is None else str(audit.pull.gear),
        "rpm": f"{span.rpm_start:.0f}–{span.rpm_end:.0f}",
        "duty": number(m.get("duty_mean_pct"), "%", us=us),
        "peak": number(m.get("boost_peak_kpa"), "kPa", us=us),
        "settled": number(m.get("boost_settled_kpa"), "kPa", us=us),
        "over": overshoot(m, us=us),
        "share": share and f"({share} %)",
        "lambda": number(leanest, "1", us=us, digits=2),
        "afr": "" if afr is None or leanest is None else f"({leanest * afr:.1f})",
        "start": number(m.get("intake_start_c"), "°C", us=us, digits=0),
        "intake": number(m.get("intake_peak_c"), "°C", us=us, digits=0),
        "says": (worst or "hold") if state == "fail" else state,
    }
