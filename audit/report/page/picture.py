"""Pictures that are no traces: one finding on the first screen, boost against duty, as layers for the page's script."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from audit.model import Array, Night, PullAudit
from audit.report.display import figure, unit_for
from audit.report.page.limit_lines import limit_levels
from audit.report.page.marks import Numbered, said, when
from audit.report.page.panels import PANELS, channel_name, panel_of
from audit.report.page.quantities import linear, shown, thinned
from audit.tables import row_of

Layer = dict[str, Any]
BEFORE_S, AFTER_S = 1.5, 1.5  # drawn around a finding
MOST_ROWS = 160


def of_finding(item: Numbered, audit: PullAudit, *, us: bool) -> dict[str, Any] | None:
    """What one finding saw, with its limit: the channel that it is marked in, around its moment. None for no place."""
    f = item.finding
    panel = next((p for p in PANELS if p.id == panel_of(f.code, f.channel)), None)
    if panel is None or f.start_s is None:
        return None
    channel = f.channel if f.channel is not None and row_known(f.channel) else panel.channels[0]
    if panel.id == "boost":
        channel = "boost"
    end = f.end_s if f.end_s is not None else f.start_s
    series = audit.pull.believed(channel, lead_s=3.0, tail_s=1.5)
    around = series.within(f.start_s - BEFORE_S, end + AFTER_S)
    if len(around.t) < 3:
        return None
    row = row_of("manifold_pressure" if channel == "boost" else channel)
    scale, offset = linear(row.unit, us=us)
    t, columns = thinned(around.t, {"v": around.value}, MOST_ROWS)
    name, unit = channel_name(channel), unit_for("" if row.unit == "1" else row.unit, us=us)
    layers: list[Layer] = [
        {"kind": "mark", "left": round(f.start_s, 3), "right": round(end, 3), "text": ""},
        {
            "kind": "line",
            "x": _rounded(t),
            "y": _rounded(scale * columns["v"] + offset),
            "style": 0,
        },
    ]
    layers += [
        {
            "kind": "level",
            "y": shown(level, row.unit, us=us),
            "text": f"{f.severity} limit {figure(level, '' if row.unit == '1' else row.unit, us=us, digits=2 if row.unit == '1' else 1).strip()}",
            "role": "limit",
        }
        for level in limit_levels(f, audit.measures, audit.pull)[:2]
    ]
    return {
        "id": "worst",
        "title": name,
        "unit": unit,
        "about": said(f, us=us),
        "layers": layers,
        "ticks": {},
        "tall": False,
        "across": "time in the log, s",
        "told": f"{name}: {said(f, us=us)}, {when(f)}.",
    }


def row_known(channel: str) -> bool:
    """Is it a channel of the table?"""
    try:
        row_of(channel)
    except KeyError:
        return False
    return True


def duty_chart(night: Night, *, us: bool) -> dict[str, Any] | None:
    """Tonight's pulls, settled and peak boost against duty, with target, limit and the step of the decision.

    The step is drawn where the decision is one to a higher duty; None where no pull has a known duty.
    """
    scale, _ = linear("kPa", us=us)
    rows = [
        (at, settled, p.measures.get("boost_peak_kpa"), p.pull.gear)
        for a in night.logs
        for p in a.pulls
        if (at := p.measures.get("duty_mean_pct")) is not None
        and (settled := p.measures.get("boost_settled_kpa")) is not None
    ]
    if not rows:
        return None
    duty, boost = ([float(r[i] or 0.0) for r in rows] for i in (0, 1))
    peaks = [(r[0], float(r[2])) for r in rows if r[2] is not None]
    layers: list[Layer] = [
        _points(duty, [v * scale for v in boost], style=0, shape="square"),
        _points([d for d, _ in peaks], [v * scale for _, v in peaks], style=1, shape="diamond"),
        *_levels(night, us=us),
        *_step(night, max(duty), us=us),
    ]
    pairs = ", ".join(
        f"{figure(b, 'kPa', us=us)} at {d:.1f} %" for d, b in sorted(zip(duty, boost, strict=True))
    )
    x = [*duty, *(layer["x"] for layer in layers if layer["kind"] == "upright")]
    return {
        "id": "duty",
        "from": max(min(x) - 4.0, 0.0),
        "to": min(max(x) + 4.0, 100.0),
        "title": "Boost against duty tonight",
        "unit": unit_for("kPa", us=us),
        "about": "squares: settled boost of each pull; diamonds: its peak",
        "layers": layers,
        "ticks": {},
        "tall": True,
        "across": "solenoid duty, %",
        "told": f"Settled boost: {pairs}.",
    }


def _levels(night: Night, *, us: bool) -> list[Layer]:
    gears = [p.pull.gear for a in night.logs for p in a.pulls]
    target = night.car.target_for(max(set(gears), key=gears.count)) if gears else None
    named = (("target", target, "target"), ("car's limit", night.car.boost_limit_kpa, "limit"))
    return [
        {
            "kind": "level",
            "y": shown(level, "kPa", us=us),
            "text": f"{word} {figure(level, 'kPa', us=us)}",
            "role": role,
        }
        for word, level, role in named
        if level is not None
    ]


def _step(night: Night, highest: float, *, us: bool) -> list[Layer]:
    """The next duty with the boost that nine pulls in ten should settle in; nothing at or below what was pulled."""
    decision = night.decision
    if decision is None or decision.state != "step" or decision.duty_next_pct is None:
        return []
    following = decision.duty_next_pct
    if following <= max(highest, decision.duty_now_pct or 0.0):
        return []
    out: list[Layer] = [{"kind": "upright", "x": following, "text": f"next {following:.1f} %"}]
    if decision.expected_kpa is not None:
        low, mid, high = (shown(v, "kPa", us=us) for v in decision.expected_kpa)
        wide = [following - 0.6, following + 0.6]
        out.append({"kind": "area", "x": wide, "low": [low, low], "high": [high, high]})
        out.append(_points([following], [mid], style=2, shape="circle"))
    return out


def _points(x: Sequence[float], y: Sequence[float], *, style: int, shape: str) -> Layer:
    return {
        "kind": "points",
        "x": _rounded(np.asarray(x)),
        "y": _rounded(np.asarray(y)),
        "style": style,
        "shape": shape,
        "size": 4,
    }


def _rounded(values: Array) -> list[float]:
    return [round(float(v), 3) for v in values]
