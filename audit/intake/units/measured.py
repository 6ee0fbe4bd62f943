"""What is measured of a column for the rows of schemas/evidence.toml, in its own unit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from audit.intake.units.decide import Source
from audit.intake.units.evidence import Measured, part_of
from audit.intake.units.scene import Scene, quantile
from audit.model import Array, Bools
from audit.signal.arrays import median, median_of_finite

# density of air at 1 kPa and 25 °C (ideal gas), g/l, cylinders filled to 85 %
GRAMS_PER_LITRE_KPA = 0.85 / (0.28705 * 298.0)
OFF_IDLE_RPM = 2000.0  # an engine that never turns faster was not driven
STILL_SHARE = 0.3  # of its highest value: a pressure that moves less was not driven either
ZERO = 1e-9
LEAST_ROWS = 10
BOOSTED_KPA = 25.0  # boost held, from where a target tells its unit
TOO_COLD_TO_WAIT_S = 15.0  # a log shorter than this shows no coolant warming up


@dataclass(frozen=True, slots=True)
class Ambient:
    """What is known of ambient pressure before manifold pressure is read: kPa and its
    uncertainty.
    """

    kpa: float
    spread: float

    @property
    def known(self) -> dict[str, float]:
        """For the bounds of the table: where it is hardly known, the lower half is likelier."""
        low, high = self.kpa - self.spread, self.kpa + self.spread
        likely = self.kpa if self.spread < 8 else 0.5 * (low + self.kpa)
        return {"ambient_low": low, "ambient": likely, "ambient_high": high}


UNKNOWN_AMBIENT = Ambient(88.0, 17.0)


def levels_of(channel: str, values: Array) -> dict[str, float | None]:
    """The quantiles that the table names for a channel; none for a column without a value."""
    part = part_of(channel)
    finite = values[np.isfinite(values)]
    if part is None or not len(finite):
        return {}
    ordered = np.sort(np.abs(finite) if part.sizes else finite)
    found = {name: quantile(ordered, share) for name, share in part.levels.items()}
    return {n: v for n, v in found.items() if v or not part.sizes}  # no size tells no unit


def by_size(channel: str, source: Source) -> Measured:
    """The levels alone."""
    return Measured(levels_of(channel, source.values), _moving(source.values))


def _moving(values: Array, *more: str) -> frozenset[str]:
    ordered = np.sort(values[np.isfinite(values)])
    moves = len(ordered) and quantile(ordered, 0.998) - quantile(ordered, 0.002) > ZERO
    return frozenset((*more, "moving")) if moves else frozenset(more)


def engine_speed(source: Source) -> Measured:
    """Of the samples in which it turns."""
    finite = np.sort(source.values[np.isfinite(source.values)])
    top = quantile(finite, 0.998) if len(finite) else 0.0
    turning = finite[finite > 0.02 * max(top, ZERO)]
    if not len(turning) or top <= 0:
        return Measured(typical=0.0)
    shares = {"low": 0.05, "mid": 0.5, "high": 0.998}
    return Measured({name: quantile(turning, q) for name, q in shares.items()})


def percentage(channel: str, source: Source, rpm: Array | None = None) -> Measured:
    """A throttle's, a duty's or a trim's levels, and how it moves. rpm: engine speed beside it."""
    seen = levels_of(channel, source.values)
    flags = [] if source.stated is not None else ["unstated"]
    if rpm is not None and np.isfinite(rpm).any() and float(np.nanmax(rpm)) < OFF_IDLE_RPM:
        flags.append("idling")
    if seen:
        seen["reach"] = max(abs(seen["low"] or 0.0), abs(seen["high"] or 0.0))
        finite = np.sort(source.values[np.isfinite(source.values)])
        if len(set(finite[:200].tolist())) > 3:
            flags.append("varied")
    return Measured(seen, _moving(source.values, *flags))


def road_speed(source: Source, scene: Scene, *, geared: bool, other_kmh: Array | None) -> Measured:
    """Engine speed over it in the longest gear used, and a second speed column over it.

    geared: the car file's gearing tells better.
    """
    values = source.values
    seen = levels_of("vehicle_speed", values)
    if scene.rpm is not None and source.stated is None and not geared:
        fast = driven(values, scene.rpm, 0.5) & (values > 3.0)
        if fast.sum() >= LEAST_ROWS:
            seen["longest_gear"] = quantile(np.sort(scene.rpm[fast] / values[fast]), 0.1)
    if other_kmh is not None:
        both = np.isfinite(values) & np.isfinite(other_kmh) & (other_kmh > 20.0)
        if both.sum() >= LEAST_ROWS:
            seen["second_column"] = median(other_kmh[both] / np.maximum(values[both], ZERO))
    return Measured(seen, typical=seen.get("high") or 0.0)


def driven(speed: Array, rpm: Array, share: float) -> Bools:
    """Rows at speed: over that share of the fastest."""
    fastest = max(np.nanmax(speed, initial=0.0), ZERO)
    ok = np.isfinite(speed) & np.isfinite(rpm) & (rpm > 1500.0) & (speed > share * fastest)
    return np.asarray(ok)


def mass_flow(source: Source, scene: Scene, manifold_kpa: Array | None) -> Measured:
    """The swept volume, litres, that would breathe this flow, were it in g/s: flow = litres * rpm /
    120 * density.
    """
    values = source.values
    seen = levels_of("mass_air_flow", values)
    if scene.rpm is not None and manifold_kpa is not None:
        ok = np.isfinite(values) & (scene.rpm > 1200.0) & (manifold_kpa > 40.0) & (values > 0)
        if ok.sum() >= LEAST_ROWS:
            density = manifold_kpa[ok] * GRAMS_PER_LITRE_KPA
            seen["swept_litres"] = median(values[ok] * 120.0 / (scene.rpm[ok] * density))
    return Measured(seen)


def acceleration(source: Source, scene: Scene, speed_kmh: Array | None) -> Measured:
    """The column over the change of road speed, m/s², where they go together."""
    values = source.values
    seen = levels_of("acceleration_longitudinal", values)
    if speed_kmh is None or len(scene.time) < 30:
        return Measured(seen)
    step = max(median(np.diff(scene.time)), 1e-3)
    reach = max(1, round(1.0 / step))  # about a second to either side
    if len(values) <= 4 * reach:
        return Measured(seen)
    took = scene.time[2 * reach :] - scene.time[: -2 * reach]
    change = (speed_kmh[2 * reach :] - speed_kmh[: -2 * reach]) / 3.6 / took
    totals = np.cumsum(np.concatenate([[0.0], np.nan_to_num(values)]))
    felt = (totals[2 * reach + 1 :] - totals[: -2 * reach - 1]) / (2 * reach + 1)
    ok = np.isfinite(change) & np.isfinite(felt) & (np.abs(change) > 0.4)
    if ok.sum() >= LEAST_ROWS and float(np.corrcoef(change[ok], felt[ok])[0, 1]) >= 0.6:
        slope = np.dot(change[ok], felt[ok]) / np.dot(change[ok], change[ok])
        seen["over_speed_change"] = abs(float(slope))
    return Measured(seen)


def mixture(source: Source, scene: Scene) -> Measured:
    """Levels of light and of full load; free-air readings allowed, zeros are none."""
    values = source.values
    there = values[np.isfinite(values) & (values > 0)]
    seen = levels_of("lambda", there if len(there) else np.ones(1))
    steady = scene.level(values, scene.steady)
    calm = steady if steady is not None else scene.level(values, scene.idle)
    wide = scene.level(values, scene.wide)
    seen["calm"] = calm if calm and calm > 0 else None
    seen["wide"] = wide if wide and wide > 0 else None
    return Measured(seen, typical=wide or seen["mid"])


def temperature(channel: str, source: Source, scene: Scene) -> Measured:
    """Levels of a temperature; of coolant also how it changes while the engine runs."""
    finite = source.values[np.isfinite(source.values)]
    seen = levels_of(channel, finite)
    if channel.startswith("coolant") and len(finite) and len(scene.time) and _running(scene):
        late = median(finite[-max(len(finite) // 4, 1) :])
        change = late - median(finite[: max(len(finite) // 10, 1)])
        seen |= {"late": late, "change": change}
        lasted = float(scene.time[-1] - scene.time[0])
        if lasted > TOO_COLD_TO_WAIT_S:  # middle of the first tenth to middle of the last quarter
            seen["change_a_second"] = change / (0.825 * lasted)
    return Measured(seen)


def _running(scene: Scene) -> bool:
    return scene.rpm is None or bool(median_of_finite(scene.rpm) > 400.0)


def manifold(source: Source, scene: Scene, ambient: Ambient, pair: Array | None) -> Measured:
    """Levels of a manifold pressure by what the engine was doing.

    pair: a second column for the same pressure (boost beside MAP), thinned.
    """
    values = source.values
    seen = levels_of("manifold_pressure", values)
    if not seen:
        return Measured()
    low, high = seen["low"] or 0.0, seen["high"] or 0.0
    idle, stopped = scene.level(values, scene.idle), scene.level(values, scene.stopped)
    wide_high = scene.level(values, scene.wide, share=0.95)
    seen |= {
        "idle": idle,
        "stopped": stopped,
        "overrun": scene.level(values, scene.overrun, share=0.3),
        "wide_low": scene.level(values, scene.wide, share=0.1),
        "wide_high": wide_high,
        "idle_to_wide": None if idle is None or wide_high is None else wide_high - idle,
        "stopped_share": abs(stopped) / max(abs(high), ZERO) if stopped is not None else None,
        "other_at_zero": None if pair is None else _at_zero(values, pair),
    }
    cut = abs(low) < ZERO < high
    flags = {
        "only_wide": scene.closed is not None and not bool(scene.closed.any()),
        "loaded": _loaded(values, scene),
        "cut_at_zero": cut,
        "idles_at_zero": cut and idle is not None and abs(idle) < ZERO,
    }
    return Measured(seen, frozenset(f for f, holds in flags.items() if holds), ambient.known, high)


def _loaded(values: Array, scene: Scene) -> bool:
    """Whether the log shows the engine under load: by engine speed, else by how far the pressure
    moves.
    """
    if scene.rpm is not None:
        return bool(np.nanmax(scene.rpm, initial=0.0) > OFF_IDLE_RPM)
    ordered = np.sort(values[np.isfinite(values)])
    low, high = quantile(ordered, 0.02), quantile(ordered, 0.98)
    return high - low > STILL_SHARE * max(abs(low), abs(high))


def _at_zero(values: Array, pair: Array) -> float | None:
    """What this column reads where the other one reads nought; None unless one follows the other.

    In the right units that is one constant: ambient pressure, or nothing.
    """
    both = np.isfinite(values) & np.isfinite(pair)
    x, y = values[both], pair[both]
    if len(x) < 20 or float(np.ptp(x)) <= 0 or float(np.ptp(y)) <= 0:
        return None
    slope, cut = np.polyfit(y, x, 1).tolist()
    return None if slope <= 0 or np.corrcoef(x, y)[0, 1] < 0.97 else float(cut)


def barometer(source: Source) -> Measured:
    """The middle of what a barometer reads."""
    finite = source.values[np.isfinite(source.values) & (source.values > 0)]
    return Measured({"mid": median(finite) if len(finite) else 0.0})


def boost_target(
    source: Source,
    scene: Scene,
    *,
    manifold_kpa: Array | None,
    ambient_kpa: float,
    said_kpa: Sequence[float],
) -> Measured:
    """What is asked for at rest, at most and wide open, beside the boost that was reached.

    manifold_kpa: thinned manifold pressure, absolute; said_kpa: the car file's targets.
    """
    finite = source.values[np.isfinite(source.values)]
    seen = levels_of("boost_target", finite)
    if not seen:
        return Measured()
    wanted = scene.level(source.values, scene.wide, share=0.75)
    seen |= {"asked": wanted if wanted is not None else seen["high"], "asked_wide": wanted}
    known = {"said_low": min(said_kpa), "said_high": max(said_kpa)} if said_kpa else {}
    flags = {"moving"} if float(np.ptp(finite)) > 0 else set()
    flags |= {"from_zero"} if float(finite.min()) == 0.0 else set()
    reached = None if manifold_kpa is None else scene.level(manifold_kpa, scene.wide, share=0.75)
    if reached is not None:
        known |= {"reached": reached - ambient_kpa, "reached_absolute": reached}
        flags |= {"boosted"} if reached - ambient_kpa > BOOSTED_KPA else set()
    return Measured(seen, frozenset(flags), known)


def line(source: Source, scene: Scene) -> Measured:
    """A fuel or oil pressure with the engine running, and stopped."""
    finite = source.values[np.isfinite(source.values)]
    running = source.values if scene.rpm is None else source.values[scene.rpm > 1500.0]
    running = running[np.isfinite(running)]
    seen = {
        "mid": median(running) if len(running) else median(finite) if len(finite) else 0.0,
        "stopped": scene.level(source.values, scene.stopped),
    }
    return Measured(seen, frozenset({"rail"}) if "rail" in source.hints else frozenset())
