"""The run sheet: the evening on one page, to be ticked off by hand."""

from __future__ import annotations

from collections.abc import Sequence

from audit.report.display import figure, localise, number, unit_for
from audit.report.words import CAUTION, Doc, decision_line, many, wrapped

BOX = "[ ] "


def render(document: Doc, *, us: bool) -> list[str]:
    """The sheet's lines from the document 'pullaudit.plan', narrow enough for a phone, one page
    when printed.
    """
    gear = f"gear {document['gear']}" if document["gear"] else ""
    where = ", ".join(filter(None, (document["setting"], gear)))
    lines = [f"EVENING: {document['car']}{f' ({where})' if where else ''}"]
    if document["decision"] is not None:
        lines += wrapped(decision_line(document["decision"], us=us), "", "  ")
    lines += _evening(document, us=us) if document["legs"] else _nothing(document, us=us)
    notes = _boxes(document["notes"], us=us, mark="- ")
    return [*lines, *(["", *notes] if notes else []), "", *wrapped(CAUTION)]


def _evening(document: Doc, *, us: bool) -> list[str]:
    warm = document["warm_up"]
    coolant, oil = (figure(warm[key], "°C", us=us, digits=0) for key in ("coolant_c", "oil_c"))
    before = _boxes(document["before"], us=us)
    between = f"{document['cool_down_s'] / 60.0:g} minutes ({document['cool_down_from']})"
    after = (document["after"] or "Screen it, then plan again.").split("\n")
    return [
        "",
        "1 Look first, before the key",
        *_boxes(document["inspect"], us=us),
        "",
        "2 Warm up, driving gently",
        *_boxes([f"Coolant {coolant}, oil {oil} or more"], us=us),
        *(["  Set and try, before any pull", *before] if before else []),
        "",
        "3 Pulls, in this order",
        *wrapped(localise(document["lead"], us=us)),
        *(line for leg in document["legs"] for line in _leg(leg, us=us)),
        *wrapped(f"Between pulls drive gently for about {between}."),
        "",
        "4 This ends the evening",
        *_boxes(document["ends"], us=us, mark="- "),
        "",
        "5 After it",
        *(row for line in after for row in wrapped(line)),
    ]


def _nothing(document: Doc, *, us: bool) -> list[str]:
    """Where nothing may be logged yet: why, and what to look at meanwhile."""
    return [
        "",
        "NO HIGHER DUTY TONIGHT" if document["history"] else "NO PULLS YET",
        *wrapped(localise(document["lead"], us=us)),
        "Plan again once that is done.",
        "",
        "Look at, meanwhile",
        *_boxes(document["inspect"], us=us),
    ]


def _boxes(items: Sequence[str], *, us: bool, mark: str = BOX) -> list[str]:
    return [line for item in items for line in wrapped(localise(item, us=us), mark)]


def boosts(leg: Doc, *, us: bool) -> dict[str, str]:
    """What a leg expects, its boost to lift at and why, in words; "" for what is not known."""
    expect = ""
    if leg["expected_kpa"] is not None:
        low, middle, high = (  # rounded as the decision has it, so that both read the same
            number(round(leg[key], 1), "kPa", us=us)
            for key in ("low_kpa", "expected_kpa", "high_kpa")
        )
        expect = f"{middle} {unit_for('kPa', us=us)} ({low} to {high})"
    lift = figure(leg["lift_kpa"], "kPa", us=us)
    return {"expect": expect, "lift": lift, "why": localise(leg["why"], us=us)}


def _leg(leg: Doc, *, us: bool) -> list[str]:
    duty = f"{leg['duty_pct']:.1f} % duty" if leg["duty_pct"] else "unplugged"
    told = boosts(leg, us=us)
    lines = [f"{BOX * leg['pulls']}{duty}, {many(leg['pulls'], 'pull')}"]
    lines += [f"    expect {told['expect']}"] if told["expect"] else []
    return [*lines, f"    lift at {told['lift']}", *wrapped(told["why"], "    ")]
