"""The run sheet: the evening on one page, to be ticked off by hand."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from audit.report.display import figure, localise, number, unit_for
from audit.report.response_table import many, wrapped
from audit.report.words import CAUTIONS

BOX = "[ ] "
Doc = Mapping[str, Any]


def render(document: Doc, *, us: bool) -> list[str]:
    """The sheet's lines from the document 'pullaudit.plan', narrow enough for a phone, under 60 in all."""
    where = ", ".join(filter(None, (document["setting"], f"gear {document['gear']}" if document["gear"] else "")))
    lines = [f"EVENING: {document['car']}{f' ({where})' if where else ''}", "", "1 Look first, before the key"]
    lines += _boxes(document["inspect"], us=us)
    warm = document["warm_up"]
    lines += ["2 Warm up, driving gently"]
    lines += _boxes([f"Coolant {figure(warm['coolant_c'], '°C', us=us, digits=0)}, oil {figure(warm['oil_c'], '°C', us=us, digits=0)} or more"], us=us)
    lines += ["3 Pulls, in this order", *wrapped(localise(document["lead"], us=us))]
    lines += [line for leg in document["legs"] for line in _leg(leg, us=us)]
    if document["legs"]:
        lines += wrapped(f"Between pulls {_time(document['cool_down_s'])} of gentle driving ({document['cool_down_from']}).")
    lines += ["4 This ends the evening", *_boxes(document["ends"], us=us, mark="- ")]
    lines += ["5 After it", *wrapped(document["after"] or "Mend first, then plan again.")]
    lines += [line for note in document["notes"] for line in wrapped(localise(note, us=us), "- ")]
    return [*lines, *wrapped(CAUTIONS)]


def _boxes(items: Sequence[str], *, us: bool, mark: str = BOX) -> list[str]:
    return [line for item in items for line in wrapped(localise(item, us=us), mark)]


def _leg(leg: Doc, *, us: bool) -> list[str]:
    head = f"{BOX * leg['pulls']}{leg['duty_pct']:.1f} % duty, {many(leg['pulls'], 'pull')}"
    lines = [head]
    if leg["expected_kpa"] is not None:
        low, middle, high = (number(leg[key], "kPa", us=us) for key in ("low_kpa", "expected_kpa", "high_kpa"))
        lines.append(f"    expect {middle} {unit_for('kPa', us=us)} ({low} to {high})")
    return [*lines, *wrapped(localise(leg["why"], us=us), "    ")]


def _time(seconds: float) -> str:
    minutes = seconds / 60.0
    return f"{minutes:g} min"
