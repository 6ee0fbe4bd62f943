"""Pictures that are no traces: one finding on the first screen, boost against duty, as layers for
the page's script.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from audit.model import Array, Decision, Night, PullAudit, base_of
from audit.report.display import figure, unit_for
from audit.report.page.history import DutyCurve, History
from audit.report.page.marks import Numbered, limits_of, said, when
from audit.report.page.panels import PANEL, channel_name, panel_of
from audit.report.page.quantities import linear, thinned
from audit.report.page.traces import broken, doubted, row_shown
from audit.tables import row_of

Layer = dict[str, Any]
AROUND_S = 1.5  # drawn before and after a finding
MOST_ROWS = 160
NEXT_WIDTH_PCT = 1.2  # of the mark of the next duty


def of_finding(item: Numbered, audit: PullAudit, *, us: bool) -> dict[str, Any] | None:
    """What one finding saw, with its limit: the channel that it is marked in, around its moment.
    None for no place.

    Samples that are not believed are crosses, as in the traces, and no line runs through them.
    """
    f, pull = item.finding, audit.pull
    panel = PANEL.get(panel_of(f.code, f.channel) or "")
    if panel is None or f.start_s is None:
        return None
    channel = f.channel if f.channel is not None and row_known(f.channel) else panel.channels[0]
    if panel.id == "boost":
        channel = "boost"
    end = f.end_s if f.end_s is not None else f.start_s
    begin, close = max(f.start_s, pull.start_s), min(end, pull.end_s)
    first, last = min(begin, close), max(begin, close)
    # Boost and mixture off the throttle would flatten the plot: none but what is marked.
    window = (
        max(first - AROUND_S, min(first, pull.start_s)),
        min(last + AROUND_S, max(last, pull.end_s)),
    )
    series = pull.believed(channel, lead_s=3.0, tail_s=1.5).within(*window)
    crosses = [p for p in doubted(channel, pull, us=us) if window[0] <= p[0] <= window[1]]
    if len(series.t) + len(crosses) < 3:
        return None
    row = row_shown(channel)
    scale, offset = linear(row.unit, us=us)
    unit = unit_for("" if row.unit == "1" else row.unit, us=us)
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
    layers += [
        {"kind": "level", "role": "limit", **line} for line in limits_of(f, audit, panel, us=us)[:2]
    ]
    name = channel_name(channel)
    about = said(f, audit.measures, us=us)
    return {
        "id": "worst",
        "title": name,
        "unit": unit,
        "about": about + ("; grey crosses are not believed" if crosses else ""),
        "layers": layers,
        "ticks": {},
        "tall": False,
        "across": "time in the log, s",
        "told": f"{name}: {about}, {when(f)}.",
    }


# Of a log's findings without a moment: what its pulls show of it, by channel.
_BOOST = (("boost_settled_kpa", "settled"), ("boost_peak_kpa", "peak"))
BY_PULL = {
    "intake_air_temp": (("intake_start_c", "at the start"), ("intake_peak_c", "highest")),
    "manifold_pressure": _BOOST,
    "boost": _BOOST,
}


def by_pull(item: Numbered, pulls: Sequence[PullAudit], *, us: bool) -> dict[str, Any] | None:
    """What a log's finding that has no moment stands on: two measures, pull by pull. None for no
    such channel, or fewer than two pulls that have them.
    """
    channel = base_of(item.finding.channel or "")
    if channel not in BY_PULL:
        return None
    title, unit = channel_name(channel), row_shown(channel).unit
    scale, offset = linear(unit, us=us)
    shapes = (("square", 1), ("diamond", 0))
    layers: list[Layer] = []
    about, told = [], []
    for (name, word), (shape, style) in zip(BY_PULL[channel], shapes, strict=True):
        seen = [(i, v) for i, p in enumerate(pulls, 1) if (v := p.measures.get(name)) is not None]
        if len(seen) < 2:
            return None
        x, y = [i for i, _ in seen], _rounded(scale * np.array([v for _, v in seen]) + offset)
        look = {"x": x, "y": y, "style": style}
        layers += [{"kind": "line", **look}, {"kind": "points", **look, "shape": shape, "size": 4}]
        about.append(f"{shape}s: {word}")
        told.append(f"{word} {', '.join(figure(v, unit, us=us, digits=0) for _, v in seen)}")
    return {
        "id": "worst",
        "title": f"{title}, pull by pull",
        "unit": unit_for(unit, us=us),
        "about": "; ".join(about),
        "layers": layers,
        "ticks": {str(i): str(i) for i in range(1, len(pulls) + 1)} if len(pulls) < 20 else {},
        "tall": False,
        "across": "pull of the log",
        "told": f"{title} pull by pull: {'; '.join(told)}.",
    }


def row_known(channel: str) -> bool:
    """Is it a channel of the table?"""
    try:
        row_of(channel)
    except KeyError:
        return False
    return True


@dataclass(frozen=True)
class Step:
    """The next duty in %, and the boost that nine pulls in ten should settle in there, kPa gauge:
    low, middle, high.
    """

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
    """Boost against duty. settled, peaks: (duty %, kPa gauge) of each pull; near: how far beyond
    them it reaches, in %.
    """
    scale, unit = linear("kPa", us=us)[0], unit_for("kPa", us=us)
    duties = [d for d, _ in settled] + ([step.duty] if step is not None else [])
    low, high = 0.0, 100.0
    if duties:
        low, high = max(min(duties) - near, 0.0), min(max(duties) + near, 100.0)
    layers: list[Layer] = []
    told = [f"{figure(b, 'kPa', us=us)} at {d:.1f} %" for d, b in sorted(settled)]
    said = [f"Settled boost: {', '.join(told)}."] if told else []
    about = ["squares: settled boost of each pull"]
    if curve is not None:
        every = np.asarray(curve.duty)
        at = (every >= low) & (every <= high)
        ends = [_rounded(np.asarray(v)[at] * scale) for v in (curve.low, curve.middle, curve.high)]
        x = _rounded(every[at])
        layers += [
            {"kind": "area", "x": x, "low": ends[0], "high": ends[2]},
            {"kind": "line", "x": x, "y": ends[1], "style": 0},
        ]
        about.append("line: most likely; shaded: where nine pulls in ten should settle")
        if x:
            some = sorted({round(i * (len(x) - 1) / 4) for i in range(5)})
            rows = [
                f"at {x[i]:.0f} % {ends[1][i]:.1f}, {ends[0][i]:.1f} to {ends[2][i]:.1f}"
                for i in some
            ]
            said.append(f"The curve in {unit}, most likely and nine in ten: {'; '.join(rows)}.")
    layers.append(_points(settled, scale, style=1, shape="square"))
    if peaks:
        layers.append(_points(peaks, scale, style=3, shape="diamond"))
        about.insert(1, "diamonds: its peak")
    for word, level, role in (("target", target, "target"), ("car's limit", limit, "limit")):
        if level is not None:
            text = f"{word} {figure(level, 'kPa', us=us)}"
            layers.append({"kind": "level", "y": level * scale, "text": text, "role": role})
    if step is not None:
        layers.append({"kind": "upright", "x": step.duty, "text": f"next {step.duty:.1f} %"})
        said.append(f"Next: {step.duty:.1f} %.")
    if step is not None and step.expected is not None:
        low_kpa, mid, high_kpa = (round(v * scale, 3) for v in step.expected)
        wide = [step.duty - NEXT_WIDTH_PCT / 2, step.duty + NEXT_WIDTH_PCT / 2]
        layers += [
            {
                "kind": "area",
                "x": wide,
                "low": [low_kpa] * 2,
                "high": [high_kpa] * 2,
                "role": "next",
            },
            _points([(step.duty, step.expected[1])], scale, style=2, shape="circle"),
        ]
        said.append(f"Boost expected there: {mid:.1f} {unit}, {low_kpa:.1f} to {high_kpa:.1f}.")
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


LEAST_KPA = 10.0  # from the lowest to the highest boost shown: pulls alike look alike


def duty_tonight(night: Night, history: History, *, us: bool) -> dict[str, Any] | None:
    """Tonight's pulls on the curve, with target, limit, the step of the decision and what the
    targets of the other gears take; None without a known duty.

    The step is drawn where the decision is one to a duty higher than any that was pulled tonight.
    """
    rows = [
        (at, settled, p.measures.get("boost_peak_kpa"))
        for a in night.logs
        for p in a.pulls
        if (at := p.measures.get("duty_mean_pct")) is not None
        and (settled := p.measures.get("boost_settled_kpa")) is not None
    ]
    if not rows:
        return None
    gears = [p.pull.gear for a in night.logs for p in a.pulls]
    highest = max(duty for duty, _, _ in rows)
    step = _step(night.decision, highest)
    made = duty_chart(
        "duty",
        "Boost against duty tonight",
        [(duty, settled) for duty, settled, _ in rows],
        peaks=[(duty, peak) for duty, _, peak in rows if peak is not None],
        curve=history.curve,
        target=night.car.target_for(max(set(gears), key=gears.count)),
        limit=night.car.boost_limit_kpa,
        step=step,
        near=5.0,
        us=us,
    )
    others = [
        f"gear {gear}: target {figure(target, 'kPa', us=us)}, needs {duty:.1f} %"
        for gear, target, duty in history.needs
    ]
    return {**made, "also": f"The other gears, {'; '.join(others)}." if others else ""}


def _step(decision: Decision | None, highest: float) -> Step | None:
    """The step of a decision to go up, None where it is none or not beyond the highest duty
    pulled.
    """
    if decision is None or decision.state != "step" or decision.duty_next_pct is None:
        return None
    if decision.duty_next_pct <= max(highest, decision.duty_now_pct or 0.0):
        return None
    return Step(decision.duty_next_pct, decision.expected_kpa)


def _points(
    points: Sequence[tuple[float, float]], scale: float, *, style: int, shape: str
) -> Layer:
    x, y = (np.array([p[i] for p in points], dtype=float) for i in (0, 1))
    made: Layer = {"kind": "points", "x": _rounded(x), "y": _rounded(y * scale)}
    return {**made, "style": style, "shape": shape, "size": 4}


def _rounded(values: Array) -> list[float]:
    return [round(float(v), 3) for v in values]
