"""What is measured of a column for the rows of schemas/evidence.toml, in its own unit."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np

from audit.intake.units.evidence import Measured, Source, part_of
from audit.intake.units.scene import Scene, in_order, quantile
from audit.model import Array, Bools, base_of
from audit.signal.arrays import both_finite, finite, median, median_of_finite
from audit.tables import row_of

# density of air at 1 kPa and 25 °C (ideal gas), g/l, cylinders filled to 85 %
GRAMS_PER_LITRE_KPA = 0.85 / (0.28705 * 298.0)
OFF_IDLE_RPM = 2000.0  # an engine that never turns faster was not driven
STILL_SHARE = 0.3  # of its highest value: a pressure that moves less was not driven either
ZERO = 1e-9
LEAST_ROWS = 10
BOOSTED_KPA = 25.0  # boost held, from where a target tells its unit
TOO_COLD_TO_WAIT_S = 15.0  # a log shorter than this shows no coolant warming up

Seen = dict[str, float | None]


def known_ambient(kpa: float = 88.0, spread: float = 17.0) -> dict[str, float]:
    """Bounds of ambient pressure, kPa; where it is hardly known, the lower half is likelier."""
    low, high = kpa - spread, kpa + spread
    likely = kpa if spread < 8 else 0.5 * (low + kpa)
    return {"ambient_low": low, "ambient": likely, "ambient_high": high}


def measure(channel: str, source: Source, scene: Scene) -> Measured:
    """What a column shows by itself and beside what the engine did."""
    seen, words, rpm = _levels(channel, source.values, scene), _flags(), scene.rpm
    if row_of(channel).quantity == "percent" and seen:
        ordered = in_order(source.values)
        seen["reach"] = max(abs(seen["low"] or 0.0), abs(seen["high"] or 0.0))
        words = _flags(
            moving=_reach(ordered, 0.002) > ZERO,
            varied=len(set(ordered[:200].tolist())) > 3,
            unstated=source.stated is None,
            idling=rpm is not None and 0.0 <= np.nanmax(rpm, initial=-1.0) < OFF_IDLE_RPM,
        )
    words |= _flags(rail="rail" in source.hints)
    look = LOOKS.get(base_of(channel)) or LOOKS.get(row_of(channel).quantity)
    typical = look(channel, seen, source, scene) if look else None
    return Measured(seen, words, typical=typical)


def _levels(channel: str, values: Array, scene: Scene | None = None) -> Seen:
    """The levels that the table names for a channel; none for a column without a value."""
    part, ordered = part_of(channel), in_order(values)
    if part.sizes:
        ordered = np.sort(np.abs(ordered))
    if not len(ordered):
        return {}
    seen: Seen = {name: quantile(ordered, share) for name, share in part.levels.items()}
    if scene is not None:
        for name, (state, share) in part.states.items():
            seen[name] = scene.level(values, state, share=share)
    return {n: v for n, v in seen.items() if v or not part.sizes}  # no size tells no unit


def _flags(**words: bool | np.bool_) -> frozenset[str]:
    """The words that hold."""
    return frozenset(name for name, holds in words.items() if holds)


def _reach(ordered: Array, share: float) -> float:
    """How far a sorted column moves, its ends left out."""
    ends = [quantile(ordered, end) for end in (share, 1.0 - share) if len(ordered)]
    return ends[1] - ends[0] if ends else 0.0


def _engine_speed(channel: str, seen: Seen, source: Source, _: Scene) -> float | None:
    """Of the samples in which it turns."""
    ordered = in_order(source.values)
    top = quantile(ordered, 0.998) if len(ordered) else 0.0
    seen.clear()
    if top <= 0:
        return 0.0
    seen |= _levels(channel, ordered[ordered > 0.02 * max(top, ZERO)])
    return None


def _road_speed(_: str, seen: Seen, source: Source, scene: Scene) -> float:
    """Engine speed over it in the longest gear used, and a second speed column over it."""
    values, rpm, other = source.values, scene.rpm, scene.second_kmh
    if rpm is not None and source.stated is None and not scene.geared:
        fast = driven(values, rpm, 0.5) & (values > 3.0)
        if fast.sum() >= LEAST_ROWS:
            seen["longest_gear"] = quantile(np.sort(rpm[fast] / values[fast]), 0.1)
    if other is not None:
        both = np.isfinite(values) & np.isfinite(other) & (other > 20.0)
        if both.sum() >= LEAST_ROWS:
            seen["second_column"] = median(other[both] / np.maximum(values[both], ZERO))
    return seen.get("high") or 0.0


def driven(speed: Array, rpm: Array, share: float) -> Bools:
    """Rows at speed: over that share of the fastest."""
    fastest = max(np.nanmax(speed, initial=0.0), ZERO)
    ok = np.isfinite(speed) & np.isfinite(rpm) & (rpm > 1500.0) & (speed > share * fastest)
    return np.asarray(ok)


def _mass_flow(_: str, seen: Seen, source: Source, scene: Scene) -> None:
    """The swept litres that would breathe it, were it in g/s: litres * rpm / 120 * density."""
    values, rpm, pressure = source.values, scene.rpm, scene.manifold_kpa
    if rpm is not None and pressure is not None:
        ok = np.isfinite(values) & (rpm > 1200.0) & (pressure > 40.0) & (values > 0)
        if ok.sum() >= LEAST_ROWS:
            density = pressure[ok] * GRAMS_PER_LITRE_KPA
            seen["swept_litres"] = median(values[ok] * 120.0 / (rpm[ok] * density))


def _acceleration(_: str, seen: Seen, source: Source, scene: Scene) -> None:
    """The column over the change of road speed, m/s², where they go together."""
    values, speed, time = source.values, scene.speed_kmh, scene.time
    reach = max(1, round(1.0 / max(median(np.diff(time)), 1e-3))) if len(time) >= 30 else len(time)
    if speed is None or len(values) <= 4 * reach:  # about a second to either side
        return
    change = (speed[2 * reach :] - speed[: -2 * reach]) / 3.6
    change = change / (time[2 * reach :] - time[: -2 * reach])
    totals = np.cumsum(np.concatenate([[0.0], np.nan_to_num(values)]))
    felt = (totals[2 * reach + 1 :] - totals[: -2 * reach - 1]) / (2 * reach + 1)
    ok = np.isfinite(change) & np.isfinite(felt) & (np.abs(change) > 0.4)
    if ok.sum() >= LEAST_ROWS and float(np.corrcoef(change[ok], felt[ok])[0, 1]) >= 0.6:
        slope = np.dot(change[ok], felt[ok]) / np.dot(change[ok], change[ok])
        seen["over_speed_change"] = abs(float(slope))


def _mixture(channel: str, seen: Seen, source: Source, _: Scene) -> float | None:
    """Levels of light and of full load; free-air readings allowed, zeros are none."""
    calm, wide = seen.get("steady"), seen.get("wide")
    calm = seen.get("idle") if calm is None else calm
    values = source.values[source.values > 0]
    seen |= _levels(channel, values if np.isfinite(values).any() else np.ones(1))
    seen["calm"] = calm if calm and calm > 0 else None
    seen["wide"] = wide if wide and wide > 0 else None
    return wide or seen["mid"]


def _temperature(channel: str, seen: Seen, source: Source, scene: Scene) -> None:
    """The middle of a temperature; of coolant also how it changes while the engine runs."""
    there = finite(source.values)
    seen["middle"] = median(there) if len(there) else None
    running = scene.rpm is None or bool(median_of_finite(scene.rpm) > 400.0)
    if base_of(channel) == "coolant_temp" and len(there) and len(scene.time) and running:
        late = median(there[-max(len(there) // 4, 1) :])
        change = late - median(there[: max(len(there) // 10, 1)])
        seen |= {"late": late, "change": change}
        lasted = float(scene.time[-1] - scene.time[0])
        if lasted > TOO_COLD_TO_WAIT_S:  # middle of the first tenth to middle of the last quarter
            seen["change_a_second"] = change / (0.825 * lasted)


def _line(channel: str, seen: Seen, source: Source, scene: Scene) -> None:
    """A fuel or oil pressure with the engine running, else all through; a barometer's above 0."""
    barometer = base_of(channel) == "barometric_pressure"
    values = source.values[source.values > 0] if barometer else source.values
    running = finite(
        values[scene.rpm > 1500.0] if scene.rpm is not None and not barometer else values
    )
    there = running if len(running) else finite(values)
    seen["mid"] = median(there) if len(there) else 0.0


# What is to be measured of a channel or a quantity beside its levels; the level to compare units
# at, where it is not the table's.
LOOKS: Mapping[str, Callable[[str, Seen, Source, Scene], float | None]] = {
    "engine_speed": _engine_speed,
    "vehicle_speed": _road_speed,
    "mass_air_flow": _mass_flow,
    "acceleration_longitudinal": _acceleration,
    "mixture": _mixture,
    "temperature": _temperature,
    "barometric_pressure": _line,
    "fuel_pressure": _line,
    "oil_pressure": _line,
}


def manifold(
    source: Source, scene: Scene, known: Mapping[str, float], pair: Array | None
) -> Measured:
    """Levels of a manifold pressure by what the engine was doing.

    known: of ambient pressure; pair: a second column for the same pressure (boost beside MAP).
    """
    seen, ordered = _levels("manifold_pressure", source.values, scene), in_order(source.values)
    if not seen:
        return Measured()
    low, high = seen["low"] or 0.0, seen["high"] or 0.0
    idle, stopped, wide_high = (seen[state] for state in ("idle", "stopped", "wide_high"))
    seen |= {
        "idle_to_wide": None if idle is None or wide_high is None else wide_high - idle,
        "stopped_share": abs(stopped) / max(abs(high), ZERO) if stopped is not None else None,
        "other_at_zero": None if pair is None else _at_zero(source.values, pair),
    }
    if scene.rpm is not None:  # else by how far the pressure moves
        loaded = bool(np.nanmax(scene.rpm, initial=0.0) > OFF_IDLE_RPM)
    else:
        furthest = max(abs(quantile(ordered, 0.02)), abs(quantile(ordered, 0.98)))
        loaded = _reach(ordered, 0.02) > STILL_SHARE * furthest
    cut = abs(low) < ZERO < high
    words = _flags(
        only_wide=scene.opening is not None and not scene.states["closed"].any(),
        loaded=loaded,
        cut_at_zero=cut,
        idles_at_zero=cut and idle is not None and abs(idle) < ZERO,
    )
    # elsewhere than under load the likeliest will do
    return Measured(seen, words, known, high, safest=loaded)


def _at_zero(values: Array, pair: Array) -> float | None:
    """What this column reads where the other one reads nought; None unless one follows the other.

    In the right units that is one constant: ambient pressure, or nothing.
    """
    x, y = both_finite(values, pair)
    if len(x) < 20 or float(np.ptp(x)) <= 0 or float(np.ptp(y)) <= 0:
        return None
    slope, cut = np.polyfit(y, x, 1).tolist()
    return None if slope <= 0 or np.corrcoef(x, y)[0, 1] < 0.97 else float(cut)


def boost_target(
    source: Source, scene: Scene, *, ambient_kpa: float, said_kpa: Sequence[float]
) -> Measured:
    """What is asked for at rest, at most and wide open, beside the boost that was reached.

    said_kpa: the car file's targets.
    """
    seen, ordered = _levels("boost_target", source.values, scene), in_order(source.values)
    if not seen:
        return Measured()
    wanted, pressure = seen["asked_wide"], scene.manifold_kpa
    seen["asked"] = wanted if wanted is not None else seen["high"]
    known = {"said_low": min(said_kpa), "said_high": max(said_kpa)} if said_kpa else {}
    reached = None if pressure is None else scene.level(pressure, "wide", share=0.75)
    if reached is not None:
        known |= {"reached": reached - ambient_kpa, "reached_absolute": reached}
    words = _flags(
        moving=ordered[-1] > ordered[0],
        from_zero=ordered[0] == 0.0,
        boosted=known.get("reached", 0.0) > BOOSTED_KPA,
    )
    return Measured(seen, words, known)
