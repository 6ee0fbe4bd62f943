"""lean_under_load: was the mixture lean, far too rich, or getting leaner while the engine was under
boost?

Lambda is judged only where boost has stood above the load for the transport lag and the probe's
answer, and outside fuel cuts (see mixture_window). Does not see: a single lean cylinder, or
anything between slow samples.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from audit.checks.engine.pace import air_flow_excess_pct, rpm_rate
from audit.checks.kit.base import Judged, LimitTable, Measured, judge_rows
from audit.checks.mixture.mixture_window import Window, mixture_window
from audit.declared import declared
from audit.model import Array, Limit, Pull
from audit.signal.arrays import block_means, median_sorted
from audit.signal.held import Held, held_above, held_below, spread
from audit.signal.lines import Middle, median_line, theil_sen
from audit.signal.robust import MAD_TO_SIGMA
from audit.signal.smoothing import smooth
from audit.signal.spans import duration_above, runs

DECLARED = declared(__name__)
NAME, CODES = DECLARED.name, DECLARED.codes

FREE_AIR = 1.3  # an engine under boost does not burn this: the probe reads air
SLOW_HZ = 3.0  # below it one sample stands for longer than a lean moment must last
SPIKE_LAST_S = 1.0  # what stands out for longer is no spike
SPIKE_HZ = 5.0  # below it two samples are no spike any more
DRIFT_SPAN_KRPM = 1.0
DRIFT_POINTS = 40
DRIFT_LEAST = 8
DRIFT_SHORTEST_S = 1.5
TOP_SHARE = 0.25  # of the engine speeds under load: the top of the pull
TOP_LEAST = 3  # samples that make its level
TARGET_REACH_S = 0.3  # the target of the gas lies this far back at most


def measure(pull: Pull, limits: LimitTable) -> Measured:
    """Sustained lean and rich lambda, spikes, distance to target, drift with engine speed."""
    window = mixture_window(pull, limits)
    sheet = Measured({"rpm_rate_rpm_per_s": rpm_rate(pull)})
    sheet.put("air_flow_excess_pct", air_flow_excess_pct(pull))
    if (unable := _unbelievable(pull, window)) is not None:
        return sheet.of({}, unable=unable)
    book = _Book(window, limits, sheet)
    over_target = _over_target(window, pull)
    _levels(book)
    if not {"lean_lambda", "lean_low_boost_lambda"} & set(sheet.values):
        above = f"boost stayed above {window.load_kpa:.0f} kPa gauge"
        return sheet.of({}, unable=("too_short", f"{above} too short a time to judge the mixture"))
    _against_target(book, over_target)
    rpm = _rpm_of_gas(window, pull)
    _at_top(book, rpm)
    _drift(book, rpm / 1000, over_target)
    return sheet.of("lambda")


def judge(measured: Measured, limits: LimitTable) -> Judged:
    """By the table's rows."""
    return Judged(None) if measured.unable else judge_rows(CODES, measured, limits)


def _unbelievable(pull: Pull, window: Window) -> tuple[str, str] | None:
    """Why the lambda of this pull says nothing, if so."""
    value = window.lam.value
    if len(value) < (1 if 1.0 / window.interval_s < SLOW_HZ else 2):
        above = f"boost did not stay above {window.load_kpa:.0f} kPa gauge"
        return "too_short", f"{above} long enough for the lambda probe to answer"
    if np.count_nonzero(value >= FREE_AIR) >= 0.3 * len(value):
        return "not_believed", (
            f"lambda reads {median_sorted(value):.2f} under boost, as in free air: the probe or "
            "its wiring is at fault, or the engine is not burning"
        )
    around, boost = (
        pull.believed(name, lead_s=3.0, tail_s=1.0).value for name in ("lambda", "boost")
    )
    still = len(around) >= 8 and np.ptp(around) < 1e-6
    if still and len(boost) and boost.min() < -10 and np.ptp(boost) >= 60:
        return "not_believed", (
            f"lambda stands at {around[0]:.3f} from vacuum through boost: the probe is cold, "
            "unplugged or its value is frozen"
        )
    return None


@dataclass
class _Book:
    """What measure collects on its way."""

    window: Window
    limits: LimitTable
    sheet: Measured

    @property
    def rate(self) -> float:
        return 1.0 / self.window.interval_s

    @property
    def sustained_s(self) -> float:
        return self.limits.setting("lean_sustained_s")

    def sustained(self, value: Array) -> Held | None:
        least = 1 if self.rate < SLOW_HZ or len(self.window.lam.t) < 2 else 2
        return held_above(self.window.lam.t, value, self.sustained_s, least=least)

    def calm(self, value: Array) -> Array:
        """Fast samples averaged over a third of the sustained time: noise hides no level then."""
        return smooth(self.window.lam.t, value, self.sustained_s / 3) if self.rate > 25 else value

    def boost_at(self, held: Held) -> float:
        inside = (self.window.lam.t >= held.start_s) & (self.window.lam.t <= held.end_s)
        return median_sorted(self.window.boost[inside])

    def by_boost(self, row: Limit, value: Array) -> Array:
        """The value on the row's scale under the boost of its moment, where it goes by boost."""
        return row.places(value, self.window.boost) if row.at else value

    def put(self, row: Limit, scaled: Array, held: Held, text: str) -> None:
        """Write the level held, with how long the limit that it reaches was passed.

        scaled: each sample on the row's scale (by_boost); held: on that scale. text: with {level},
        {boost}, {lasted}."""
        sign, boost = -1.0 if row.below else 1.0, self.boost_at(held)
        level = row.value_at(held.level, boost) if row.at else held.level
        passed = float(int(held.level)) if row.at else row.reached(held.level)
        edge = sign * held.level if passed is None else min(sign * passed, sign * held.level)
        whole = spread(self.window.lam.t, sign * scaled, edge, held)
        lasted = f"{whole.seconds + self.window.interval_s:.2f}"
        text = text.format(level=f"{level:.3f}", boost=f"{boost:.0f}", lasted=lasted)
        self.sheet.put(row.measure, level, text, at=whole, said=self.beside(), under=boost)

    def beside(self) -> str:
        """What must be said beside each figure of this window."""
        said = []
        if self.window.low:
            said.append(
                f"Boost never reached the usual {self.limits.setting('load_kpa'):.0f} kPa gauge, "
                f"so the mixture was judged above {self.window.load_kpa:.0f} kPa gauge, the "
                "highest load there was"
            )
        if self.rate < SLOW_HZ:
            every = f"One sample every {self.window.interval_s:.2g} s"
            said.append(f"{every}: what lies between them is unknown")
        return ". ".join(said)


def _levels(book: _Book) -> None:
    """Mean, highest, sustained lean and rich, spike, and the time spent lean."""
    (t, value), low = book.window.lam, book.window.low
    calm = book.calm(value)
    row = book.limits.row("mixture.lean", "lean_low_boost_lambda" if low else "lean_lambda")
    scaled = book.by_boost(row, calm)
    book.sheet.values |= {
        "lambda_mean": float(value.mean()),
        "lambda_max": float(value.max()),
        "lambda_lag_s": book.window.lag_s,
    }
    watch = 1.0 if row.at else row.watch
    if len(t) > 1 and watch is not None:
        lean = scaled >= watch
        last = book.window.interval_s if lean[-1] else 0.0
        book.sheet.values["lean_time_s"] = duration_above(t, lean)[0] + last
    high = book.sustained(scaled)
    if high is not None:
        text = "Lambda came to {level} at {boost} kPa boost and was lean for {lasted} s"
        book.put(row, scaled, high, text)
        _spike(book, "lean_spike_lambda", value)
    rich = held_below(t, calm, book.sustained_s, least=min(2, len(t)))
    if rich is not None and not low:
        text = "Lambda fell to {level} under boost and was rich for {lasted} s"
        book.put(book.limits.row("mixture.rich", "rich_lambda"), calm, rich, text)


def _spike(book: _Book, name: str, value: Array) -> None:
    """A short lean moment that stands out of the rest and is over within the window, or nothing.

    What lasts at the end of the window is a lean mixture if it is long, and may be the lift if it
    is short."""
    if book.rate < SPIKE_HZ or book.window.low:
        return
    t = book.window.lam.t
    row = book.limits.row("mixture.lean_spike", name)
    scaled = book.by_boost(row, value)
    found = held_above(t, scaled, book.limits.setting("lean_spike_s"), least=2)
    if found is None:
        return
    level = row.value_at(found.level, book.boost_at(found)) if row.at else found.level
    usual = median_sorted(value)
    scatter = median_sorted(np.abs(np.diff(value))) * 1.05 if len(value) > 2 else 0.0
    starts, stops = runs(value >= 0.5 * (level + usual))
    if level < usual + max(0.02, 3 * scatter) or not starts.size:
        return
    i = max(int(np.searchsorted(t[starts], found.start_s, side="right")) - 1, 0)
    if starts[i] == 0 or stops[i] >= len(t):
        return  # there when the window began: what is left of the tip-in or of a cut; or at its end
    if t[stops[i] - 1] - t[starts[i]] + book.window.interval_s < SPIKE_LAST_S:
        above = " above its target" if name.endswith("target") else ""
        text = "For {lasted} s under {boost} kPa boost lambda was {level}" + above
        book.put(row, scaled, found, text)


def _against_target(book: _Book, difference: Array | None) -> None:
    """Distance to the logged target at the time of the gas."""
    if difference is None:
        return
    calm = book.calm(difference)
    held = book.sustained(calm)
    if held is not None:
        text = "Lambda was {level} or more above its target, and off it for {lasted} s under boost"
        book.put(book.limits.row("mixture.lean", "lean_over_target"), calm, held, text)
        _spike(book, "lean_spike_over_target", difference)


def _over_target(window: Window, pull: Pull) -> Array | None:
    """Lambda over the leanest target of the moments before; None where none is logged."""
    target = pull.believed("lambda_target", lead_s=2.0)
    if len(target.t) < 2 or target.t[-1] < window.gas[0]:
        return None
    low = np.maximum(np.searchsorted(target.t, window.gas - TARGET_REACH_S, side="right") - 1, 0)
    high = np.maximum(np.searchsorted(target.t, window.lam.t, side="right"), low + 1)
    padded = np.append(target.value, -np.inf)
    leanest = np.maximum.reduceat(padded, np.stack((low, high), axis=1).ravel())[::2]
    return window.lam.value - leanest


def _rpm_of_gas(window: Window, pull: Pull) -> Array:
    """Engine speed as the gas of each sample left the cylinder, rpm; NaN where not known."""
    gap = max(1.2, 3 * window.interval_s)
    return pull.believed("engine_speed", lead_s=1.0).at(window.gas, max_gap_s=gap)


def _at_top(book: _Book, rpm: Array) -> None:
    """Median lambda of the highest engine speeds under load: a tired pump falls short there first,
    and the mean of the pull hides it."""
    if not np.isfinite(rpm).any():
        return
    low, high = float(np.nanmin(rpm)), float(np.nanmax(rpm))
    top = book.window.lam.value[rpm >= high - TOP_SHARE * (high - low)]
    if top.size >= TOP_LEAST:
        book.sheet.values["lambda_top"] = median_sorted(top)


def _drift(book: _Book, krpm: Array, difference: Array | None) -> None:
    """Slope of lambda (over its target) on engine speed; judged if it ends lean, no chance."""
    y = book.window.lam.value if difference is None else difference
    good = np.isfinite(krpm)
    x, y, t = krpm[good], y[good], book.window.lam.t[good]
    long = len(x) >= DRIFT_LEAST and t[-1] - t[0] >= DRIFT_SHORTEST_S
    if not long or x.max() - x.min() < DRIFT_SPAN_KRPM:
        return
    # Neighbours averaged to 40 points: the slope loses nothing and its interval stays honest about
    # fast noise.
    points = block_means(x, y, DRIFT_POINTS)[:2]
    line = median_line(*points)
    if line is None:
        return
    book.sheet.values["lambda_slope_per_krpm"] = line.slope
    end = line.intercept + line.slope * float(x.max())
    least = "lean_drift_floor" if difference is None else "lean_drift_over_target"
    lean = _ends_lean(line, x, y, end=end, floor=book.limits.setting(least))
    bounds = theil_sen(*points) if lean else None
    if bounds is None or bounds.low <= 0:
        book.sheet.values["lambda_drift_per_krpm"] = line.slope if line.slope < 0 else None
        return
    over = " against its target" if difference is not None else ""
    text = f"Lambda{over} climbed by {line.slope:.3f} per 1000 rpm and ended near {end:.3f}"
    at = (float(t[0]), float(t[-1]))
    book.sheet.put("lambda_drift_per_krpm", line.slope, text, at=at, said=book.beside())


def _ends_lean(line: Middle, x: Array, y: Array, *, end: float, floor: float) -> bool:
    """Whether the drift climbs to a lean end, out of the noise.

    The fifths of the speed range must show it too: a lean moment on the way tilts the line but is
    over by the end. The mixture of the spooling turbo may still settle in the first."""
    if line.slope <= 0 or end < floor:
        return False
    grown = line.slope * float(x.max() - x.min())
    noise = 3 * MAD_TO_SIGMA * median_sorted(np.abs(y - (line.intercept + line.slope * x)))
    order = np.argsort(x, kind="stable")
    fifths = [median_sorted(y[part]) for part in np.array_split(order, 5)]
    climbed = fifths[-1] - min(fifths[:3])
    return fifths[-1] >= floor and climbed >= 0.5 * grown and grown >= noise / np.sqrt(len(x)) * 2
