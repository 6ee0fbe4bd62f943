"""Pulls over each other: one packet of traces out of several, and what differs between them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from audit.model import Car, PullAudit, base_of
from audit.report.display import apart, figure, number, unit_for
from audit.report.page.panels import PANELS
from audit.report.page.quantities import averaged, shown, thinned
from audit.report.page.traces import LEAN_LIMIT, packet
from audit.tables import limits_for

SHOWN = ("boost", "mixture", "heat")  # panels laid over each other
OF_HEAT = ("intake_air_temp",)
MOST_ROWS, LEAST_ROWS, ALL_ROWS = 160, 40, 2400  # of one pull; of all together
MANY = 10  # more lines than this are thin and whole: no dash tells that many apart


@dataclass(frozen=True)
class Laid:
    """A pull by its name. look: the line style that a whole side shares, "" for one of its own."""

    name: str
    audit: PullAudit
    look: str = ""

    @property
    def said(self) -> str:
        """'pull 2, gear 3, 66.3 %': as the key tells it from the others, as far as it is known."""
        duty = self.audit.measures.get("duty_mean_pct")
        return with_gear(self.name, self.audit) + ("" if duty is None else f", {duty:.1f} %")


def with_gear(name: str, audit: PullAudit) -> str:
    """'pull 2, gear 3'."""
    return name if audit.pull.gear is None else f"{name}, gear {audit.pull.gear}"


def overlaid(pulls: Sequence[Laid], *, us: bool, every: bool = False) -> dict[str, Any]:
    """A packet with all pulls' series on one axis: engine speed at first, or time from each pull's
    start.

    every: all panels that any of them has, else boost, mixture and intake air.
    """
    rows = 1200 if every else max(LEAST_ROWS, min(MOST_ROWS, ALL_ROWS // len(pulls)))
    thin = averaged if len(pulls) > MANY else thinned
    only = PANELS if every else tuple(p for p in PANELS if p.id in SHOWN)
    each = [
        packet(f"p{i}", laid.audit, (), rows=rows, us=us, only=only, thin=thin)
        for i, laid in enumerate(pulls)
    ]
    series: dict[str, Any] = {}
    grids = []
    for i, (laid, one) in enumerate(zip(pulls, each, strict=True)):
        grids.append({**one["grids"][0], "shift": one["grids"][0]["start"]})
        names = [c for p in one["panels"] for c in _of(p, every=every)]
        series |= {
            f"p{i}_{key}": {
                **one["series"][key],
                "role": laid.look or (f"many s{i % 5}" if len(pulls) > MANY else ""),
                "grid": i,
                "label": _label(key, one, laid),
            }
            for key in names
        }
    panels = _panels(each, every=every)
    for panel in panels:
        if panel["id"] == "mixture":
            series |= (limit := _lean_limit(pulls, each))
            panel["series"] += limit
        elif panel["id"] == "heat" and not every:
            panel["lines"] = _heat_limit(pulls[0].audit.pull.car, us=us)
    return {
        "id": "overlay",
        "label": "the pulls over each other",
        "grids": grids,
        "series": series,
        "panels": panels,
        "across": "time from the start of the pull, s",
        "begin": "rpm",
        "marks": [],
        "load": None,
        "thinned": None,
    }


def _lean_limit(pulls: Sequence[Laid], each: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """The hold limit of lambda in the pull with most boost, where it is lowest; {} for none."""
    there = [i for i, one in enumerate(each) if LEAN_LIMIT in one["series"]]
    if not there:
        return {}
    i = max(there, key=lambda i: pulls[i].audit.measures.get("boost_settled_kpa") or 0.0)
    limit = each[i]["series"][LEAN_LIMIT]
    return {
        f"p{i}_{LEAN_LIMIT}": {
            **limit,
            "grid": i,
            "label": f"Hold limit at the most boost, {pulls[i].name}",
        }
    }


def _heat_limit(car: Car, *, us: bool) -> list[dict[str, Any]]:
    """The hold limit of the intake air."""
    hold = limits_for(car).row("heat.intake", "intake_peak_c").hold
    if hold is None:
        return []
    text = f"hold limit {figure(hold, '°C', us=us, digits=0)}"
    return [{"y": shown(hold, "°C", us=us), "text": text, "role": "limit"}]


def _of(panel: Mapping[str, Any], *, every: bool) -> list[str]:
    """A panel's channels as far as they are laid over each other: no limits, no targets but of two
    pulls.
    """
    names = [c for c in panel["series"] if c != LEAN_LIMIT]
    if every:
        return names
    names = [c for c in names if "target" not in c]
    return [c for c in names if base_of(c) in OF_HEAT] if panel["id"] == "heat" else names


def _label(key: str, one: Mapping[str, Any], laid: Laid) -> str:
    return f"{one['series'][key]['label']}, {laid.said}"


def _panels(each: Sequence[Mapping[str, Any]], *, every: bool) -> list[dict[str, Any]]:
    """Panels that any of them has, in reading order, with every pull's lines of a channel side by
    side.
    """
    by_id = [{p["id"]: p for p in one["panels"]} for one in each]
    out = []
    for name in dict.fromkeys(key for panels in by_id for key in panels):
        here = [panels.get(name) for panels in by_id]
        model = next(p for p in here if p is not None)
        channels = dict.fromkeys(c for p in here if p is not None for c in _of(p, every=every))
        keys = [
            f"p{i}_{c}"
            for c in channels
            for i, p in enumerate(here)
            if p is not None and c in p["series"]
        ]
        if not keys:
            continue
        out.append(
            {
                **model,
                "title": "Intake air" if name == "heat" and not every else model["title"],
                "series": keys,
                "always": True if not every else model["always"],
                "lines": [line for line in model["lines"] if line["role"] == "limit"],
                "bands": [],
            }
        )
    return out


DIFFERENCES = (
    ("duty_mean_pct", "duty", "%", 1),
    ("boost_settled_kpa", "settled", "kPa", 1),
    ("boost_peak_kpa", "peak", "kPa", 1),
    ("spool_rpm", "90 % reached at", "rpm", 0),
    ("lambda_mean", "mean lambda", "1", 2),
    ("intake_start_c", "intake at the start", "K", 0),
    ("intake_rise_c", "intake rise", "K", 0),
)


def differences(pulls: Sequence[Laid], *, us: bool) -> dict[str, Any] | None:
    """Each pull less the first of its gear: heads with units, and rows of (name, figures). None for
    one pull alone.
    """
    if len(pulls) < 2:
        return None
    there = [
        row for row in DIFFERENCES if any(p.audit.measures.get(row[0]) is not None for p in pulls)
    ]
    first: dict[int | None, Laid] = {}
    rows = []
    for laid in pulls:
        base = first.setdefault(laid.audit.pull.gear, laid)
        rows.append(
            (with_gear(laid.name, laid.audit), [_less(laid, base, row, us=us) for row in there])
        )
    heads = [(label, unit_for("" if unit == "1" else unit, us=us)) for _, label, unit, _ in there]
    return {"heads": heads, "rows": rows} if there else None


def _less(laid: Laid, base: Laid, row: tuple[str, str, str, int], *, us: bool) -> str:
    name, _, unit, digits = row
    value, other = (p.audit.measures.get(name) for p in (laid, base))
    if value is None or other is None:
        return "–"
    shown_unit = "°C" if unit == "K" and name.endswith("start_c") else unit
    if laid is base:
        return figure(value, shown_unit, us=us, digits=digits).strip()
    return apart(*(number(v, shown_unit, us=us, digits=digits) for v in (other, value)))
