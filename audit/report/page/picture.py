"""One finding on the first screen, boost against duty: layers for the page's script."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np

from audit.model import Array, Night, PullAudit, base_of
from audit.report import words
from audit.report.display import figure, linear, unit_for
from audit.report.page import marks
from audit.report.page.measures import DutyCurve, History
from audit.report.page.traces import broken, doubted, thinned
from audit.tables import channel_row

Layer = dict[str, Any]
AROUND_S = 1.5  # drawn before and after a finding
MOST_ROWS = 160
NEXT_WIDTH_PCT = 1.2  # of the mark of the next duty
LEAST_KPA = 10.0  # from the lowest to the highest boost shown: pulls alike look alike


def of_finding(item: marks.Numbered, audit: PullAudit, *, us: bool) -> dict[str, Any] | None:
    """What one finding saw, with its limit: the channel that it is marked in, around its moment.
    None for no place.

    Samples that are not believed are crosses, as in the traces, and no line runs through them.
    """
    f, pull = item.finding, audit.pull
    panel = marks.panel_of(f)
    if panel is None or f.start_s is None:
        return None
    known = f.channel is not None and channel_row(f.channel) is not None and panel != "boost"
    channel = f.channel if known and f.channel else marks.PANELS[panel]["channels"][0]
    begin, close = max(f.start_s, pull.start_s), min(marks.end_of(f), pull.end_s)
    first, last = min(begin, close), max(begin, close)
    # Boost and mixture off the throttle would flatten the plot: none but what is marked.
    low = max(first - AROUND_S, min(first, pull.start_s))
    high = min(last + AROUND_S, max(last, pull.end_s))
    series = pull.believed(channel, lead_s=3.0, tail_s=1.5).within(low, high)
    crosses = [p for p in doubted(channel, pull, us=us) if low <= p[0] <= high]
    if len(series.t) + len(crosses) < 3:
        return None
    row = marks.row_shown(channel)
    scale, offset = linear(row.unit, us=us)
    layers: list[Layer] = [
        {"kind": "mark", "left": round(begin, 3), "right": round(max(close, begin), 3), "text": ""}
    ]
    if len(series.t):
        t, columns = thinned(series.t, {"v": series.value}, MOST_ROWS)
        x, y = broken(t, scale * columns["v"] + offset, pull.log.by_name.get(row.name))
        layers.append({"kind": "line", "x": x, "y": y, "style": 0})
    if crosses:
        at, value = ([p[i] for p in crosses] for i in (0, 1))
        layers.append({"kind": "points", "x": at, "y": value, "shape": "cross", "role": "doubted"})
    limits = marks.limits_of(f, audit, us=us)[:2]
    layers += [{"kind": "level", "role": "limit", **line} for line in limits]
    name, about = marks.channel_name(channel), marks.said(f, audit.measures, us=us)
    return {
        "id": "worst",
        "title": name,
        "unit": unit_for(row.unit, us=us),
        "about": about + ("; grey crosses are not believed" if crosses else ""),
        "layers": layers,
        "ticks": {},
        "tall": False,
        "across": "time in the log, s",
        "told": f"{name}: {about}, {words.when(f, 'at ', ' to ')}.",
    }


# Of a log's findings without a moment: what its pulls show of it, by channel.
_BOOST = (("boost_settled_kpa", "settled"), ("boost_peak_kpa", "peak"))
SHAPES = (("square", 1), ("diamond", 0))
BY_PULL = {
    "intake_air_temp": (("intake_start_c", "at the start"), ("intake_peak_c", "highest")),
    "manifold_pressure": _BOOST,
    "boost": _BOOST,
}


def by_pull(item: marks.Numbered, *, us: bool) -> dict[str, Any] | None:
    """What a log's finding without a moment stands on, pull by pull; None for fewer than two."""
    channel = base_of(item.finding.channel or "")
    if channel not in BY_PULL:
        return None
    unit = marks.row_shown(channel).unit
    scale, offset = linear(unit, us=us)
    layers: list[Layer] = []
    about, told = [], []
    for (name, word), (shape, style) in zip(BY_PULL[channel], SHAPES, strict=True):
        seen = [
            (i, v) for i, p in enumerate(item.own, 1) if (v := p.measures.get(name)) is not None
        ]
        if len(seen) < 2:
            return None
        x, y = [i for i, _ in seen], _rounded(scale * np.array([v for _, v in seen]) + offset)
        look = {"x": x, "y": y, "style": style}
        layers += [{"kind": "line", **look}, {"kind": "points", **look, "shape": shape, "size": 4}]
        about.append(f"{shape}s: {word}")
        told.append(f"{word} {', '.join(figure(v, unit, us=us, digits=0) for _, v in seen)}")
    title, many = marks.channel_name(channel), len(item.own)
    return {
        "id": "worst",
        "title": f"{title}, pull by pull",
        "unit": unit_for(unit, us=us),
        "about": "; ".join(about),
        "layers": layers,
        "ticks": {str(i): str(i) for i in range(1, many + 1)} if many < 20 else {},
        "tall": False,
        "across": "pull of the log",
        "told": f"{title} pull by pull: {'; '.join(told)}.",
    }


class Step(NamedTuple):
    """The next duty in %, and the boost expected there, kPa gauge: low, middle, high."""

    duty: float
    expected: tuple[float, float, float] | None


def duty_chart(
    name: str,
    title: str,
    settled: Sequence[tuple[float, float]],
    *,
    us: bool,
    peaks: Sequence[tuple[float, float]] = (),
    curve: DutyCurve | None = None,
    target: float | None = None,
    limit: float | None = None,
    step: Step | None = None,
    near: float = 15.0,
) -> dict[str, Any]:
    """Boost against duty. settled, peaks: (%, kPa gauge) a pull; near: % drawn beyond them."""
    scale, unit = linear("kPa", us=us)[0], unit_for("kPa", us=us)

    def points(rows: Sequence[tuple[float, float]], shape: str, style: int) -> Layer:
        x, y = ([row[i] for row in rows] for i in (0, 1))
        where = {"x": _rounded(np.array(x)), "y": _rounded(np.array(y) * scale)}
        return {"kind": "points", **where, "style": style, "shape": shape, "size": 4}

    duties = [d for d, _ in settled] + ([step.duty] if step is not None else [])
    low = max(min(duties) - near, 0.0) if duties else 0.0
    high = min(max(duties) + near, 100.0) if duties else 100.0
    layers: list[Layer] = []
    told = ", ".join(f"{figure(b, 'kPa', us=us)} at {d:.1f} %" for d, b in sorted(settled))
    said = [f"Settled boost: {told}."] if told else []
    about = ["squares: settled boost of each pull", *(["diamonds: its peak"] if peaks else [])]
    if curve is not None:
        every = np.asarray(curve.duty)
        at = (every >= low) & (every <= high)
        x = _rounded(every[at])
        below, middle, above = (
            _rounded(np.asarray(v)[at] * scale) for v in (curve.low, curve.middle, curve.high)
        )
        layers += [
            {"kind": "area", "x": x, "low": below, "high": above},
            {"kind": "line", "x": x, "y": middle, "style": 0},
        ]
        about.append("line: most likely; shaded: where nine pulls in ten should settle")
        some = sorted({round(i * (len(x) - 1) / 4) for i in range(5)}) if x else []
        rows = [f"at {x[i]:.0f} % {middle[i]:.1f}, {below[i]:.1f} to {above[i]:.1f}" for i in some]
        if rows:
            said.append(f"The curve in {unit}, most likely and nine in ten: {'; '.join(rows)}.")
    layers.append(points(settled, "square", 1))
    layers += [points(peaks, "diamond", 3)] if peaks else []
    for word, pressure, role in (("target", target, "target"), ("car's limit", limit, "limit")):
        if pressure is not None:
            line = marks.level(word, pressure, "kPa", us=us, role=role)
            layers.append({"kind": "level", **line})
    if step is not None:
        layers.append({"kind": "upright", "x": step.duty, "text": f"next {step.duty:.1f} %"})
        said.append(f"Next: {step.duty:.1f} %.")
    if step is not None and step.expected is not None:
        ends = [round(v * scale, 3) for v in step.expected]
        wide = [step.duty - NEXT_WIDTH_PCT / 2, step.duty + NEXT_WIDTH_PCT / 2]
        around = {"x": wide, "low": ends[:1] * 2, "high": ends[2:] * 2}
        layers += [
            {"kind": "area", **around, "role": "next"},
            points([(step.duty, step.expected[1])], "circle", 2),
        ]
        said.append("Boost expected there: {}, {}.".format(*words.expected(step.expected, us=us)))
    return {
        "id": name,
        "from": low,
        "to": high,
        "least": round(LEAST_KPA * scale, 3),
        "title": title,
        "unit": unit,
        "about": "; ".join(about),
        "layers": layers,
        "ticks": {},
        "tall": True,
        "across": "solenoid duty, %",
        "told": " ".join(said),
    }


def duty_tonight(night: Night, history: History, *, us: bool) -> dict[str, Any] | None:
    """Tonight's pulls on the curve, with target, limit, the step of the decision and what the
    targets of the other gears take; None without a known duty.

    The step is drawn where the decision is one to a duty higher than any that was pulled tonight.
    """
    pulls = [p for a in night.logs for p in a.pulls]
    rows = [
        (duty, settled, p.measures.get("boost_peak_kpa"))
        for p in pulls
        if (duty := p.measures.get("duty_mean_pct")) is not None
        and (settled := p.measures.get("boost_settled_kpa")) is not None
    ]
    if not rows:
        return None
    gears, decision = [p.pull.gear for p in pulls], night.decision
    step = None
    if decision is not None and decision.state == "step" and decision.duty_next_pct is not None:
        highest = max(decision.duty_now_pct or 0.0, *(row[0] for row in rows))
        if decision.duty_next_pct > highest:
            step = Step(decision.duty_next_pct, decision.expected_kpa)
    made = duty_chart(
        "duty",
        "Boost against duty tonight",
        [row[:2] for row in rows],
        peaks=[(d, peak) for d, _, peak in rows if peak is not None],
        curve=history.curve,
        target=night.car.target_for(max(set(gears), key=gears.count)),
        limit=night.car.boost_limit_kpa,
        step=step,
        near=5.0,
        us=us,
    )
    others = "; ".join(
        f"gear {gear}: target {figure(target, 'kPa', us=us)}, needs {duty:.1f} %"
        for gear, target, duty in history.needs
    )
    return {**made, "also": f"The other gears, {others}." if others else ""}


def _rounded(values: Array) -> list[float]:
    return [round(float(v), 3) for v in values]
