"""A night as what stands on its page: a tree of sentences, figures and tables that the templates
read, in the reader's units, nothing escaped yet. The decision is made elsewhere and only shown.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from itertools import groupby
from typing import Any

from audit.declared import all_declared
from audit.errors import PullauditError
from audit.model import (
    Channel,
    CheckResult,
    Decision,
    Finding,
    Night,
    PullAudit,
    Sanity,
    worst_of,
    worst_severity,
)
from audit.report import words
from audit.report.display import figure, localise, unit_for
from audit.report.message import message
from audit.report.names import clipped, isolated, short_name, without_folders, without_positions
from audit.report.page import marks
from audit.report.page.measures import History, Usual, sheet
from audit.report.page.picture import by_pull, duty_tonight, of_finding
from audit.report.page.traces import Laid, differences, overlaid, packet, rows_for

Tree = dict[str, Any]
Pulls = Sequence[tuple[str, str, PullAudit]]
Found = Sequence[marks.Numbered]
Told = dict[str, list[Tree]]  # owner -> its findings
WithLog = Callable[[PullAudit], PullAudit]

HEADS = {"step": "Step up", "stay": "Stay", "no_step": "No step up"}
ENDED_BY = {
    "lift": ", ended by lifting off",
    "shift": ", ended by a shift",
    "limiter": ", ended at the limiter",
    "log end": ", the log ends in it",
    "gap": ", ended by a gap in the log",
}
ORDINAL = {1: "1st", 2: "2nd", 3: "3rd"}
UNIT_FROM = {name: f"from the {name}" for name in ("header", "units row", "cells", "car file")}
UNIT_FROM |= {"physics": "from its values", "format": "from the file's format"}
FLAG_STATE = {3: "watch", 4: "fail", 9: "fail"}
# Which columns of the pulls table a code is read off.
COLUMNS = {
    "boost": ("peak", "settled", "over", "duty"),
    "control": ("peak", "settled", "duty"),
    "mixture": ("lambda",),
    "heat": ("intake",),
}
MOST_KEPT = 4  # with more columns than these a phone has no room for those of every night
# Of more pulls than MANY the table folds the lines of those that passed, but for the first few, and
# of pulls with the same finding the worst alone stays unfolded.
MANY, PASSED_SHOWN = 16, 12


def page_of(
    night: Night,
    *,
    late: Mapping[str, str] | None = None,
    date: str = "",
    history: History | None = None,
    with_log: WithLog | None = None,
) -> Tree:
    """The page of a night. late: pull id -> where the script fetches its traces from; None puts
    them into the page.

    date: the night's ISO day, "" for what the logs tell; history: what this car's other nights were
    like; with_log: brings the log of a pull whose night has none, for the picture of the first
    screen.

    Of the tree: caused, columns of the pulls table that the verdict comes from; rest, cards whose
    line of that table is folded; several, pulls of more than one log, which number them anew;
    usual, the sheets have a column of what is usual; …_source and evidence, where the script
    fetches from what is not here; newer, where the car's newest night is, of an earlier one.
    """
    us, history = night.us_units, history or History()
    starts = (a.log.wall_start[:10] for a in night.logs if a.log is not None and a.log.wall_start)
    day = date or min(starts, default="")
    found, pulls = marks.numbered(night), marks.pull_ids(night)
    if late is None:
        rows = rows_for([p.pull for _, _, p in pulls])
        traces = {name: packet(name, p, found, rows=rows, us=us) for name, _, p in pulls}
        marked = {m["n"] for one in traces.values() for m in one["marks"]}
        with_log = _itself
    else:
        traces, marked = {}, {i.n for i in found if i.marked}
    told_in = _found(night, found, marked)
    cards = _cards(night, found, told_in, history)
    for card in cards:
        card |= {"traces": traces.get(card["id"]), "source": (late or {}).get(card["id"], "")}
    passed = [c for c in cards if c["quiet"] and c["row"]["says"] == "pass"]
    shut = groupby(cards, key=lambda c: c["shut"])
    judged = {n: c for n, c in night.checks.items() if pulls or c.status != "not_evaluated"}
    laid = laid_of(pulls)
    return {
        "title": night.car.name,
        "verdict": night.verdict,
        "says": words.headline(night)[len(night.verdict) :].lstrip(",: "),
        "day": day,
        "counts": ", ".join(filter(None, (night.setting, words.counted(night)))),
        "first": _first(night, found, day, with_log),
        "reasons": [_reason(text, found, night) for text in night.reasons],
        "checks": _checks(judged, [i.finding for i in found], us=us),
        "findings": told_in.get("night", []),
        "cards": cards,
        "runs": [(folded, list(run)) for folded, run in shut],
        "sensors": _sensors(night),
        "not_judged": words.not_judged(night, _pulls_said),
        "rejected": [isolated(without_folders(t, night), night) for t in words.unread(night)],
        "logs": night.logs,
        "assumed": _assumed(night),
        "afr": words.afr_factor(night) is not None,
        "units": {"pressure": unit_for("kPa", us=us), "degrees": unit_for("°C", us=us)},
        "caused": _caused(found),
        "rest": passed[PASSED_SHOWN:] if len(cards) > MANY else [],
        "several": sum(bool(a.pulls) for a in night.logs) > 1,
        "usual": bool(history.by_gear),
        "last_night": history.last_night,
        "duty": duty_tonight(night, history, us=us),
        "overlay": overlaid(laid, us=us) if late is None and len(laid) > 1 else None,
        "differences": differences(laid, us=us),
        "cautions": words.CAUTIONS,
        **dict.fromkeys(("duty_source", "overlay_source", "newer", "evidence"), ""),
    }


def _itself(audit: PullAudit) -> PullAudit:
    return audit


def laid_of(pulls: Pulls) -> list[Laid]:
    """The pulls by the name that the overlay's key gives them."""
    return [Laid(f"pull {name.rpartition('-')[2]}", audit) for name, _, audit in pulls]


def _said(night: Night, text: str, found: list[Finding], *, capital: bool = False) -> Any:
    """A canonical sentence as a page that is sent on may tell it; found: those it may tell of."""
    said = words.told(night, without_positions(text, found))
    return isolated(without_folders(words.sentence(said) if capital else said, night), night)


def _first(night: Night, found: Found, date: str, with_log: WithLog | None) -> Tree:
    """What the first screen says of a night: the decision ("" where none was made) with what it
    stands on, the worst finding, and the text for a tuner. with_log: a pull with its log, to draw
    the worst finding; None draws none.
    """
    decision = night.decision
    worst = _worst(night, found, with_log)
    made: Tree = {"state": "", "why": "", "look": "", "worst": worst}
    if decision is not None:
        findings = words.every_finding(night)
        told_already = worst is not None and night.reasons and decision.why == night.reasons[0]
        made |= {
            "state": decision.state,
            "head": HEADS[decision.state],
            "rows": facts(decision, us=night.us_units),
            # may begin with a file's name
            "why": "" if told_already else _said(night, decision.why, findings),
            "look": _said(night, decision.first, findings, capital=True),
        }
    return {**made, "text": "\n".join(message(night, date=date))}


def facts(decision: Decision, *, us: bool) -> list[tuple[str, str, str]]:
    """(label, figure, more) of a decision, as every page shows it."""
    now, following = decision.duty_now_pct, decision.duty_next_pct
    gear = "" if decision.gear is None else f"gear {decision.gear}"
    tonight = "not known" if now is None else f"set to {words.duty_set(now)}"
    rows = [("duty tonight", tonight, gear)]
    if decision.state == "no_step":
        rows.append(("next duty", "no step up", ""))
    elif words.duty_moves(decision.plain()):
        rows.append(("next duty", f"{following:.1f} %", ""))
    elif decision.state == "stay":
        rows.append(("next duty", "stay" if now is None else f"stay at {now:.1f} %", ""))
    else:
        rows.append(("next duty", "a small step", "how large is not known"))
    if decision.expected_kpa is not None:
        mid, ends = words.expected(decision.expected_kpa, us=us)
        rows.append(("boost expected", mid, f"{ends}, nine in ten"))
    elif decision.state == "step":
        rows.append(("boost expected", "not known", ""))
    return rows


def _worst(night: Night, found: Found, with_log: WithLog | None) -> Tree | None:
    """The worst finding: its figures, its number on the page, and its picture or None."""
    worst, us = words.worst_finding(night), night.us_units
    item = next((i for i in found if i.finding is worst), None)
    if item is None:
        return None
    f = item.finding
    audit = next((p for name, _, p in marks.pull_ids(night) if name == item.pull), None)
    chart = by_pull(item, us=us) if audit is None else None
    if audit is not None and with_log is not None:
        with suppress(PullauditError):  # a kept log that cannot be read: the page says all else
            chart = of_finding(item, with_log(audit), us=us)
    return {
        "n": item.n,
        "severity": f.severity,
        "value": marks.value_of(f, audit.measures if audit is not None else {}, us=us),
        "limit": marks.amount(f.limit, f, us=us),
        "message": _said(night, f.message, [f], capital=True),
        "chart": chart,
    }


def _reason(text: str, found: Found, night: Night) -> Tree:
    """A reason with the number of the finding it tells of, None for none."""
    n = None
    for item in reversed(found):
        if item.finding.message in text and (item.owner == "night" or item.where in text):
            n = item.n
    return {"text": _said(night, text, words.every_finding(night)), "n": n}


def _found(night: Night, found: Found, marked: set[int]) -> Told:
    """Owner -> its findings for people. marked: those of which a mark is drawn; advised: the
    finding whose advice says the same, 0 where this one tells it.
    """
    out: Told = {}
    first: dict[tuple[Any, ...], int] = {}
    for item in found:
        f = item.finding
        advice = f.code, f.likely, f.look_at
        teller = item.n if f.severity == "note" else first.setdefault(advice, item.n)
        own = teller == item.n
        file, comma, pull = item.where.rpartition(", pull ")
        out.setdefault(item.owner, []).append(
            {
                "n": item.n,
                "code": f.code,
                "severity": f.severity,
                "where": f"{clipped(file)}{comma}{pull}" if comma else clipped(pull),
                "message": _said(night, f.message, [f], capital=True),
                "likely": f.likely if own else (),
                "look_at": f.look_at if own else (),
                "mark": item.n in marked,
                "advised": 0 if own or not (f.likely or f.look_at) else teller,
            }
        )
    return out


def _checks(checks: Mapping[str, CheckResult], found: Sequence[Finding], *, us: bool) -> list[Tree]:
    """Worst first. found: what was found there; a failed check says how bad that is."""
    stopped = {f.code for f in found if f.severity == "stop"}
    stopped = {row.name for row in all_declared() if stopped.intersection(row.codes)}
    rows = []
    for c in sorted(checks.values(), key=lambda c: (c.score is None, c.score or 0.0, c.name)):
        status = c.status if c.status != "fail" else "stop" if c.name in stopped else "hold"
        score = None if c.score is None else round(min(max(c.score, 0.0), 100.0), 1)
        row = {"name": words.plain_check(c.name), "status": status, "score": score}
        rows.append({**row, "why": localise(c.why, us=us)})
    return rows


def _cards(night: Night, found: Found, told_in: Told, history: History) -> list[Tree]:
    """One card a pull. quiet: nothing was found in it, so that it is folded; again: of many pulls
    one whose findings another pull has worse, folded too: what they are.
    """
    us, pulls = night.us_units, marks.pull_ids(night)
    serious = [i for i in found if i.owner != "night" and i.finding.severity != "note"]
    by_code: dict[str, list[marks.Numbered]] = {}
    for item in serious:
        by_code.setdefault(item.finding.code, []).append(item)
    worst = {of[worst_of([i.finding for i in of])].owner for of in by_code.values()}
    cards = []
    for name, file, audit in pulls:
        n, gear, span = name.rpartition("-")[2], audit.pull.gear, audit.pull.span
        geared = "" if gear is None else f", {ORDINAL.get(gear, f'{gear}th')} gear"
        codes = dict.fromkeys(marks.code_said(i.finding) for i in serious if i.owner == name)
        again = bool(codes) and len(pulls) > MANY and name not in worst
        quiet = len(pulls) > 1 and not codes
        inlog = f"{clipped(file)}, pull {audit.pull.index}"
        times = f"{span.start_s:.1f} to {span.end_s:.1f} s{ENDED_BY.get(span.ended_by, '')}"
        states = {c.status for c in audit.checks.values()}
        says = next((state for state in ("fail", "watch") if state in states), "pass")
        if says == "fail":
            says = worst_severity([f.severity for f in audit.findings]) or "hold"
        cards.append(
            {
                "id": name,
                "n": n,
                "title": f"Pull {n}{geared}",
                "subtitle": f"{span.rpm_start:.0f} to {span.rpm_end:.0f} rpm. {inlog}: {times}.",
                "checks": _checks(audit.checks, audit.findings, us=us),
                "findings": told_in.get(name, []),
                "measures": sheet(audit, history.by_gear.get(gear, Usual()), us=us),
                "row": {  # its line of the overview, figures without units (they stand in its head)
                    **words.pull_figures(audit, words.afr_factor(night), us=us),
                    "inlog": inlog,
                    "rpm": f"{span.rpm_start:.0f}–{span.rpm_end:.0f}",
                    "says": says,
                },
                "quiet": quiet,
                "again": ", ".join(codes) if again else "",
                "shut": quiet or again,
            }
        )
    return cards


def _caused(found: Found) -> frozenset[str]:
    """Columns that the worst findings are read off, and the duty and boost of every night as far as
    there is room: a phone keeps them, whatever else it folds.
    """
    worst = worst_severity([i.finding.severity for i in found])
    codes = {i.finding.code for i in found if i.finding.severity == worst and worst != "note"}
    kept = {c for code in codes for c in COLUMNS.get(code.partition(".")[0], ())}
    kept |= {"duty"} if len(kept) < MOST_KEPT else set()
    return frozenset(kept | {"peak"} if len(kept) < 3 else kept)


def _sensors(night: Night) -> list[Tree]:
    """A table of channels, how each was read, its flag and the tests that it did not pass: one for
    logs that are alike.
    """
    out: list[Tree] = []
    for audit in night.logs:
        if audit.log is None:
            continue
        rows = [_sensor(c, audit.sanity) for c in audit.log.channels if c.name != "time"]
        rows.sort(key=lambda r: (not r["known"], {"fail": 0, "watch": 1}.get(r["state"], 2)))
        doubted = ", ".join(r["channel"] for r in rows if r["state"] in FLAG_STATE.values())
        believed = f"{sum(r['known'] for r in rows)} channels, all believed"
        baro = audit.log.barometric
        file = clipped(short_name(audit.path))
        mine = {
            "doubted": bool(doubted),
            "says": f"not all believed: {doubted}" if doubted else believed,
            "rows": rows,
            "barometric": f"{figure(baro.kpa, 'kPa', us=night.us_units)}, {baro.source}",
        }
        same = next((one for one in out if one == {**mine, "file": one["file"]}), None)
        if same is None:
            out.append({**mine, "file": file})
        else:
            same["file"] += f", {file}"
    return out


def _sensor(c: Channel, sanity: Sanity | None) -> Tree:
    flag = sanity.flags.get(c.name, 2) if sanity is not None and c.known else 2
    tests = sanity.tests.get(c.name, {}) if sanity is not None else {}
    told_why = c.unit_why not in ("", c.unit_from)
    return {
        "channel": marks.channel_name(c.name) if c.known else "not used",
        "source": c.source,
        "unit": c.source_unit,
        "why": c.unit_why if told_why else UNIT_FROM.get(c.unit_from, c.unit_from),
        "rate": f"{c.rate_hz:.3g}",
        "flag": words.FLAG_SAYS[flag],
        "state": FLAG_STATE.get(flag, "pass") if c.known else "none",
        "bad": ", ".join(
            f"{words.plain_check(t)} {words.FLAG_SAYS[f]}" for t, f in tests.items() if f in (3, 4)
        ),
        "known": c.known,
    }


def _pulls_said(where: Sequence[tuple[str, int, int]]) -> str:
    return f"pull{'s' if len(where) > 1 else ''} {', '.join(str(n) for _, _, n in where)}"


def _assumed(night: Night) -> list[str]:
    """What was taken for granted, a sentence each."""
    said = [f"The car file {short_name(night.car.path)} was used."] if night.car.path else []
    said += [f"Assumed: {'; '.join(night.assumed)}."] if night.assumed else []
    return [localise(text, us=night.us_units) for text in said]
