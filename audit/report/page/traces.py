"""Traces of a pull, and of pulls over each other: small packets that the page's script draws."""

from __future__ import annotations

import base64
import math
from collections.abc import Callable, Iterable, Sequence
from itertools import chain
from typing import Any, NamedTuple

import numpy as np

from audit.model import NOT_EVALUATED, Array, Channel, Limit, Pull, PullAudit, base_of
from audit.report.display import apart, figure, linear, number, shown, unit_for
from audit.report.page.marks import (
    LEAD_S,
    LEAN_LIMIT,
    PANELS,
    TAIL_S,
    Numbered,
    channel_name,
    level,
    marks_of,
    row_shown,
    source_of,
)
from audit.report.words import Doc
from audit.tables import limits_for

Thin = Callable[[Array, dict[str, Array], int], tuple[Array, dict[str, Array]]]
MISSING = -32768  # a sample that is not there
STEPS = 65534  # usable levels of 16 bits, -32767 to 32767
# packed samples in a page, 2.7 bytes each: a page of an ordinary night stays below 700 kB
BUDGET = 90_000
LEAST_ROWS, MOST_ROWS = 100, 2400  # of one pull
MOST_REJECTED = 200  # crosses drawn for samples that are not believed, a channel
GAP_INTERVALS = 3.5  # a line breaks where a sample is missing for this many intervals
# Of pulls over each other: rows of one pull and of all together, the panels, and how many lines may
# be told apart by their dash; more are thin and whole.
MOST_LAID, LEAST_LAID, ALL_LAID = 160, 40, 2400
LAID_PANELS = ("boost", "mixture", "heat")
MANY = 10


def packed(values: Array) -> dict[str, Any]:
    """N values as 16-bit steps over their range, base64, little-endian; NaN as MISSING.

    value = low + step * (code + 32767); the error is about half a step, 1/131068 of the range.
    """
    finite = values[np.isfinite(values)]
    low, high = (float(finite.min()), float(finite.max())) if len(finite) else (0.0, 0.0)
    step = float(f"{(high - low) / STEPS * 1.000001:.7g}") if high > low else 1.0
    step = step or 1.0  # a range of next to nothing
    low = round(low, max(0, 3 - math.floor(math.log10(step))))
    code = np.where(np.isfinite(values), np.rint((values - low) / step) - 32767, MISSING)
    return {"low": low, "step": step, "data": _base64(code, "<i2")}


def _base64(values: Array, kind: str) -> str:
    return base64.b64encode(values.astype(kind).tobytes()).decode("ascii")


def thinned(t: Array, columns: dict[str, Array], most: int) -> tuple[Array, dict[str, Array]]:
    """At most about `most` rows: each bucket keeps the lowest and the highest value of every
    column.

    t: n times; columns: n values each, NaN where there is none. Peaks keep their height; their time
    moves by less than a bucket. Columns without gaps keep the order in which the two extremes came.
    """
    n = len(t)
    if n <= most:
        return t, columns
    width = 2 * -(-n // most)
    pad = -n % width
    rows = np.arange((n + pad) // width)

    def extremes(values: Array) -> Array:
        grid = np.append(values, np.full(pad, np.nan)).reshape(-1, width)
        none = np.isnan(grid)
        low = np.where(none, np.inf, grid).argmin(axis=1)
        high = np.where(none, -np.inf, grid).argmax(axis=1)
        first, second = np.minimum(low, high), np.maximum(low, high)
        return np.stack((grid[rows, first], grid[rows, second]), axis=1).ravel()

    grid = np.append(t, np.full(pad, t[-1])).reshape(-1, width)
    times = np.stack((grid[:, 0], grid[:, width // 2]), axis=1).ravel()
    keep = np.append(True, np.diff(times) > 0)  # the last, part-filled bucket may repeat a time
    return times[keep], {name: extremes(v)[keep] for name, v in columns.items()}


def averaged(t: Array, columns: dict[str, Array], most: int) -> tuple[Array, dict[str, Array]]:
    """As thinned, but each row the mean of its bucket: of many lines extremes would draw noise."""
    n = len(t)
    if n <= most:
        return t, columns
    width = -(-n // most)

    def mean(values: Array) -> Array:
        rows = values[: n // width * width].reshape(-1, width)
        there = np.isfinite(rows)
        count = there.sum(axis=1)
        total = np.where(there, rows, 0.0).sum(axis=1)
        return np.where(count > 0, total / np.maximum(count, 1), np.nan)

    return mean(t), {name: mean(values) for name, values in columns.items()}


def rows_for(pulls: Sequence[Pull]) -> int:
    """How many rows a pull may have so that all pulls together stay within the page's budget."""
    columns = sum(len(_of_panel(panel, pull)) for pull in pulls for panel in PANELS)
    return int(np.clip(BUDGET // max(columns + len(pulls), 1), LEAST_ROWS, MOST_ROWS))


def _of_panel(panel: str, pull: Pull) -> list[str]:
    """The panel's channels that the log has, every sensor of each."""
    boost = ["boost"] if pull.log.has("manifold_pressure") else []
    found = (boost if c == "boost" else pull.log.sensors(c) for c in PANELS[panel]["channels"])
    return list(chain.from_iterable(found))


def packet(
    name: str,
    audit: PullAudit,
    found: Sequence[Numbered],
    *,
    rows: int,
    us: bool,
    only: Iterable[str] = PANELS,
    thin: Thin = thinned,
) -> dict[str, Any]:
    """Grid, series, panels and marks of one pull, from LEAD_S before it to TAIL_S after it, in
    display units.

    rows: at most this many are kept, by `thin`; only: the panels wanted. Times are s from the log's
    first row.
    """
    drawing, pull = Drawing(audit, us=us), audit.pull
    own = {panel: _of_panel(panel, pull) for panel in only}
    t, columns = drawing.columns(list(chain.from_iterable(own.values())))
    kept_t, kept = thin(t, columns, rows)
    there = [c for c in kept if c != "rpm" and np.isfinite(kept[c]).any()]
    seen = {panel: [c for c in channels if c in there] for panel, channels in own.items()}
    panels = [drawing.panel(panel, drawn, there) for panel, drawn in seen.items() if drawn]
    drawn = [c for panel in panels for c in panel["series"]]
    gap = 2.5 * float(np.median(np.diff(kept_t))) if len(kept_t) > 2 else 0.0  # once thinned
    t0 = float(kept_t[0]) if len(kept_t) else 0.0
    grid = {
        "t0": round(t0, 4),
        "time": _base64(kept_t - t0, "<f4"),
        "rpm": packed(kept["rpm"]),
        "start": round(pull.start_s, 3),
        "end": round(pull.end_s, 3),
    }
    gear = "" if pull.gear is None else f", gear {pull.gear}"
    times = f"{pull.start_s:.1f} to {pull.end_s:.1f} s"
    return {
        "id": name,
        "label": f"Pull {name.rpartition('-')[2]}{gear}, {times}",
        "across": "time in the log, s",
        "grids": [grid],
        "series": {c: drawing.series(c, kept[c], gap) for c in there if c in drawn},
        "panels": panels,
        "begin": "time",
        "marks": marks_of(name, audit, found, [p["id"] for p in panels], us=us),
        "load": drawing.load() if only is PANELS else None,
        "thinned": [len(kept_t), len(t)] if len(kept_t) < len(t) else None,
    }


def _levels(row: Limit, boost: Array) -> dict[str, Array]:
    """Watch, hold and stop at each boost, kPa gauge; levels that the row has not are left out."""
    flat = {"watch": row.watch, "hold": row.hold, "stop": row.stop}
    by_boost = {name: np.interp(boost, row.at, at) for name, at in row.along.items() if row.at}
    there = {name: at for name, at in flat.items() if at is not None}
    return {name: by_boost.get(name, np.full(len(boost), at)) for name, at in there.items()}


class Drawing:
    """What is drawn of one pull, in display units, by the limits of its car."""

    def __init__(self, audit: PullAudit, *, us: bool) -> None:
        self.measures, self.pull, self.us = audit.measures, audit.pull, us
        self.limits = limits_for(audit.pull.car)
        # of the sustained lean limit, and the boost from which it holds, kPa gauge
        self.lean = self.limits.row("mixture.lean", "lean_lambda")
        self.load_kpa = self.limits.setting("load_kpa")
        self.lag_s = audit.measures.get("lambda_lag_s") or 0.0

    def columns(self, names: Sequence[str]) -> tuple[Array, dict[str, Array]]:
        """Rows around the pull: every channel's believed samples (NaN where there is none), the
        lean limit, and 'rpm': engine speed inside the pull, made to climb, to stand in for time.
        """
        pull, t = self.pull, self.pull.log.time
        low, high = np.searchsorted(t, (pull.start_s - LEAD_S - 1e-9, pull.end_s + TAIL_S + 1e-9))
        window = t[low:high]
        columns = {name: np.full(len(window), np.nan) for name in (*names, "rpm")}
        for name in names:
            series = pull.believed(name, lead_s=LEAD_S, tail_s=TAIL_S)
            if series:
                columns[name][np.searchsorted(window, series.t - 1e-9)] = series.value
        if "lambda" in columns and (limit := self.lean_limit(window)) is not None:
            columns[LEAN_LIMIT] = limit
        speed = pull.believed("engine_speed")
        if len(speed.t) > 1:
            inside = (window >= speed.t[0]) & (window <= speed.t[-1])
            columns["rpm"][inside] = np.maximum.accumulate(speed.at(window[inside]))
        return window, columns

    def lean_limit(self, t: Array) -> Array | None:
        """The hold limit of lambda at each row inside the pull, NaN where it does not hold."""
        boost = self.pull.believed("boost", lead_s=1.5)
        if self.lean.hold is None or len(boost.t) < 2:
            return None
        at = boost.at(t - self.lag_s, max_gap_s=1.2)
        held = np.isfinite(at) & (at >= self.load_kpa)
        held &= (t >= self.pull.start_s) & (t <= self.pull.end_s)
        return np.where(held, _levels(self.lean, at)["hold"], np.nan) if held.any() else None

    def series(self, name: str, values: Array, least_gap: float) -> dict[str, Any]:
        """One line of samples; no gap shorter than least_gap, s, breaks it."""
        row, limit = row_shown(name), name == LEAN_LIMIT
        scale, offset = linear(row.unit, us=self.us)
        digits = 1 if (self.us and row.unit == "kPa") or name == "boost" else row.digits
        return {
            "grid": 0,
            "label": "Hold limit at this boost" if limit else channel_name(name),
            "role": "lean hold" if limit else "wanted" if "target" in name else "",
            "unit": unit_for(row.unit, us=self.us),
            "digits": 2 if limit or name.startswith("lambda") else digits,
            "gap": round(max(_gap(self.pull.log.by_name[source_of(name)]), least_gap), 3),
            "rejected": [] if limit else doubted(name, self.pull, us=self.us),
            **packed(scale * values + offset),
        }

    def panel(self, panel: str, series: list[str], there: Sequence[str]) -> dict[str, Any]:
        """series: the panel's channels that are there; the lean limit is one of mixture."""
        made = {key: value for key, value in PANELS[panel].items() if key != "channels"}
        lean = [LEAN_LIMIT] if panel == "mixture" and LEAN_LIMIT in there else []
        made |= {"unit": unit_for(made["unit"], us=self.us), "series": series + lean}
        if "boost" not in series:
            return {**made, "lines": [], "bands": []}
        lines = self.boost_lines(target="boost_target" not in series)
        return {**made, "lines": lines, "bands": self.settled_band()}

    def boost_lines(self, *, target: bool) -> list[Doc]:
        """The car's own limit, and its target where that is wanted."""
        car, us = self.pull.car, self.us
        wanted = car.target_for(self.pull.gear) if target else None
        own = (("target", wanted, "target"), ("car's limit", car.boost_limit_kpa, "limit"))
        return [
            level(word, at, "kPa", us=us, role=role) for word, at, role in own if at is not None
        ]

    def settled_band(self) -> list[dict[str, Any]]:
        """The settled level with the room that overshoot has before its watch limit."""
        settled, boost = self.measures.get("boost_settled_kpa"), self.pull.believed("boost")
        room = self.limits.row("boost.overshoot", "boost_overshoot_kpa").watch
        if settled is None or room is None or not boost:
            return []
        reached = boost.t[boost.value >= settled - room]
        said, scale = level("settled", settled, "kPa", us=self.us), linear("kPa", us=self.us)[0]
        around = f"±\N{NO-BREAK SPACE}{figure(room, 'kPa', us=self.us)}"
        return [
            {
                "start": round(float(reached[0]) if len(reached) else self.pull.start_s, 3),
                "end": round(self.pull.end_s, 3),
                "level": said["text"],
                "text": f"{said['text']}, {around}",
                "low": said["y"] - scale * room,
                "high": said["y"] + scale * room,
            }
        ]

    def load(self) -> dict[str, Any] | None:
        """What the script lays lambda against boost by: the lag in s that it is moved back, and the
        levels of the sustained lean limit over boost.
        """
        lam, seen = self.pull.believed("lambda"), self.pull.believed("boost", lead_s=1.5)
        if len(lam.t) < 3 or len(seen.t) < 3:
            return None
        row, start, highest = self.lean, self.load_kpa, float(seen.value.max())
        if highest < start:
            row, start = self.limits.row("mixture.lean", "lean_low_boost_lambda"), 0.0
        top = max(highest, start)
        boost = np.unique([start, *(b for b in row.at if start < b < top), top])
        x = [round(shown(float(b), "kPa", us=self.us), 2) for b in boost]
        limits = []
        for name, levels in _levels(row, boost).items():
            y = [round(float(v), 4) for v in levels]
            limits.append({"name": name, "x": x, "y": y, "text": f"{name} {levels[-1]:.2f}"})
        return {"unit": unit_for("kPa", us=self.us), "lag": round(self.lag_s, 3), "limits": limits}


def doubted(name: str, pull: Pull, *, us: bool) -> list[list[float]]:
    """[t, value] of samples not believed, in display units, at most MOST_REJECTED spread evenly."""
    flags = pull.sanity.samples.get(source_of(name))
    if flags is None:
        return []
    t = pull.log.time
    low, high = np.searchsorted(t, (pull.start_s - LEAD_S, pull.end_s + TAIL_S))
    value = pull.log.values(source_of(name))[low:high]
    bad = np.flatnonzero(np.isfinite(value) & (flags[low:high] > NOT_EVALUATED))
    bad = bad[:: max(1, -(-len(bad) // MOST_REJECTED))]
    scale, offset = linear(row_shown(name).unit, us=us)
    over = pull.log.barometric.kpa if name == "boost" else 0.0
    value = scale * (value[bad] - over) + offset
    seen = zip(t[low + bad].tolist(), value.tolist(), strict=True)
    return [[round(at, 3), round(v, 3)] for at, v in seen]


def _gap(channel: Channel | None) -> float:
    """How long a sample may be missing before its line breaks, s."""
    rate = channel.rate_hz if channel is not None and channel.rate_hz > 0 else 10.0
    return round(max(GAP_INTERVALS / rate, 0.25), 3)


def broken(t: Array, values: Array, channel: Channel | None) -> list[list[float | None]]:
    """A line's times and values, a None where samples are missing: no line runs through those."""
    gaps = np.flatnonzero(np.diff(t) > _gap(channel)) + 1
    lines = (np.insert(line, gaps, np.nan).tolist() for line in (t, values))
    return [[None if math.isnan(v) else round(v, 3) for v in line] for line in lines]


class Laid(NamedTuple):
    """A pull by its name. look: the line style that a whole side shares, "" for one of its own."""

    name: str
    audit: PullAudit
    look: str = ""

    @property
    def geared(self) -> str:
        """'pull 2, gear 3'."""
        gear = self.audit.pull.gear
        return self.name if gear is None else f"{self.name}, gear {gear}"

    @property
    def said(self) -> str:
        """'pull 2, gear 3, 66.3 %': as the key tells it from the others, as far as it is known."""
        duty = self.audit.measures.get("duty_mean_pct")
        return self.geared + ("" if duty is None else f", {duty:.1f} %")


def overlaid(pulls: Sequence[Laid], *, us: bool, every: bool = False) -> dict[str, Any]:
    """A packet with all pulls' series on one axis: engine speed at first, or time from each pull's
    start.

    every: all panels that any of them has, else boost, mixture and intake air.
    """
    rows = 1200 if every else max(LEAST_LAID, min(MOST_LAID, ALL_LAID // len(pulls)))
    thin = averaged if len(pulls) > MANY else thinned
    only = [key for key in PANELS if every or key in LAID_PANELS]
    each = [
        packet(f"p{i}", laid.audit, (), rows=rows, us=us, only=only, thin=thin)
        for i, laid in enumerate(pulls)
    ]
    own = [{p["id"]: _laid_of(p, every=every) for p in one["panels"]} for one in each]
    series: dict[str, Any] = {}
    for i, (laid, one) in enumerate(zip(pulls, each, strict=True)):
        look = laid.look or (f"many s{i % 5}" if len(pulls) > MANY else "")
        for c in chain.from_iterable(own[i].values()):
            label = f"{one['series'][c]['label']}, {laid.said}"
            series[f"p{i}_{c}"] = {**one["series"][c], "role": look, "grid": i, "label": label}
    panels = []
    for name in dict.fromkeys(chain.from_iterable(own)):  # in reading order
        here = {i: channels[name] for i, channels in enumerate(own) if channels.get(name)}
        if not here:
            continue
        model = next(p for one in each for p in one["panels"] if p["id"] == name)
        channels = dict.fromkeys(chain.from_iterable(here.values()))
        panel = {
            **model,
            "title": "Intake air" if name == "heat" and not every else model["title"],
            "series": [f"p{i}_{c}" for c in channels for i, names in here.items() if c in names],
            "always": model["always"] or not every,
            "lines": [line for line in model["lines"] if line["role"] == "limit"],
            "bands": [],
        }
        panels.append(panel)
        if panel["id"] == "mixture":
            limit = _laid_limit(pulls, each)
            series |= limit
            panel["series"] += limit
        elif panel["id"] == "heat" and not every:
            hold = limits_for(pulls[0].audit.pull.car).row("heat.intake", "intake_peak_c").hold
            if hold is not None:
                panel["lines"] = [level("hold limit", hold, "°C", us=us, digits=0, role="limit")]
    return {
        "id": "overlay",
        "label": "the pulls over each other",
        "grids": [{**one["grids"][0], "shift": one["grids"][0]["start"]} for one in each],
        "series": series,
        "panels": panels,
        "across": "time from the start of the pull, s",
        "begin": "rpm",
        "marks": [],
        "load": None,
        "thinned": None,
    }


def _laid_limit(pulls: Sequence[Laid], each: Sequence[Doc]) -> dict[str, Any]:
    """The hold limit of lambda in the pull with most boost, where it is lowest; {} for none."""
    there = [i for i, one in enumerate(each) if LEAN_LIMIT in one["series"]]
    boost = [laid.audit.measures.get("boost_settled_kpa") or 0.0 for laid in pulls]
    i = max(there, key=boost.__getitem__, default=None)
    if i is None:
        return {}
    label = f"Hold limit at the most boost, {pulls[i].name}"
    return {f"p{i}_{LEAN_LIMIT}": {**each[i]["series"][LEAN_LIMIT], "grid": i, "label": label}}


def _laid_of(panel: Doc, *, every: bool) -> list[str]:
    """A panel's channels to be laid over others': no limits; targets of two pulls alone."""
    names = [c for c in panel["series"] if c != LEAN_LIMIT]
    if every:
        return names
    air = panel["id"] == "heat"
    return [c for c in names if "target" not in c and (not air or base_of(c) == "intake_air_temp")]


DIFFERENCES = (
    ("duty_mean_pct", "duty", "%", 1),
    ("boost_settled_kpa", "settled", "kPa", 1),
    ("boost_peak_kpa", "peak", "kPa", 1),
    ("spool_rpm", "90 % reached at", "rpm", 0),
    ("lambda_mean", "mean lambda", "1", 2),
    ("intake_start_c", "intake at the start", "°C", 0),
    ("intake_rise_c", "intake rise", "K", 0),
)


def differences(pulls: Sequence[Laid], *, us: bool) -> dict[str, Any] | None:
    """Each pull less the first of its gear: heads, rows of (name, figures); None for one pull."""
    there = [
        row for row in DIFFERENCES if any(p.audit.measures.get(row[0]) is not None for p in pulls)
    ]
    if len(pulls) < 2 or not there:
        return None
    first: dict[int | None, Laid] = {}

    def less(laid: Laid, base: Laid, name: str, unit: str, digits: int) -> str:
        value, other = (p.audit.measures.get(name) for p in (laid, base))
        if value is None or other is None:
            return "–"
        if laid is base:
            return figure(value, unit, us=us, digits=digits)
        return apart(*(number(v, unit, us=us, digits=digits) for v in (other, value)))

    rows = []
    for laid in pulls:
        base = first.setdefault(laid.audit.pull.gear, laid)
        told = [less(laid, base, name, unit, digits) for name, _, unit, digits in there]
        rows.append((laid.geared, told))
    return {"heads": [(label, unit_for(unit, us=us)) for _, label, unit, _ in there], "rows": rows}
