"""Ambient pressure for boost: all the evidence of a log ranked in one place, and what speaks
against it.

Intake turns gauge readings with a first estimate; here, with the sensor tests' word at hand, it is
decided. Best first: the barometric channel where it is believed; manifold pressure with the engine
stopped; absolute and gauge pressure both logged; the altitude given; wide-open running before the
turbo builds; sea level. The last two are guesses. What wide-open running shows bounds all of the
others: the manifold cannot stand far under the ambient pressure then, nor far over it in the moment
when the throttle opens.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from audit.engine import OPEN_AIR_KPA, state_of
from audit.model import FAIL, SUSPECT, Barometric, Car, Finding, LimitTable, Log, Sanity
from audit.pulls.rows import believed
from audit.signal.arrays import median
from audit.units import STANDARD_PRESSURE_KPA, standard_pressure_kpa

WIDE_PCT = 85.0
FILLED_S = 0.25  # a manifold has filled this long after its throttle opened
LOW_RPM = 3500.0  # the loss before the turbo grows with the square of the flow: looked for below
# Two standard deviations of the weather's pressure at one place, middle latitudes: common practice,
# no published source
ALTITUDE_KPA = 2.0
ALTITUDES = frozenset({"altitude", "altitude tonight"})
MEND = (
    "log barometric pressure, begin the log before the engine starts, or give the altitude "
    "(altitude_m in the car file, or --altitude)"
)


def ambient_pressure(log: Log, sanity: Sanity, car: Car, limits: LimitTable) -> Barometric:
    """The ambient pressure that boost is counted from, its uncertainty and what contradicts it.

    A log whose pressure sensor reads gauge keeps what its readings were turned with: its boost
    hangs on none.

    Example: the car file's altitude says 100.9 kPa, but wide open at 2,500 rpm the manifold stands
    at 77 kPa. Even 6 kPa lost in filter and pipes make that 83 kPa of ambient pressure at most, the
    weather takes 4 kPa off the car file's figure at most: contradicted, and boost is counted from
    the wide-open running instead."""
    if log.reads_gauge:
        return log.barometric
    found = _evidence(log, sanity, car)
    highest = _highest(log, sanity, limits)
    return _weighed(found, highest, limits) if found else _guess(log, highest, limits)


def ambient_doubt(log: Log) -> Finding | None:
    """The finding that boost hangs on a guess of ambient pressure, or a contradicted one; or None.

    Where an absolute and a gauge reading of manifold pressure lie as far apart as no air there is
    heavy, one of the two sensors is off, and that is said."""
    ambient = log.barometric
    if not log.has("manifold_pressure") or log.reads_gauge:
        return None
    if ambient.contradicted:
        doubt = f"Ambient pressure is in doubt: {ambient.contradicted}"
        text = f"{doubt}. Boost may be off by as much; {MEND}."
    elif ambient.assumed:
        guess = f"only a guess of {ambient.kpa:.1f} kPa ({ambient.source})"
        by = f"boost may be off by {ambient.uncertainty_kpa:.0f} kPa or more"
        text = f"Ambient pressure is {guess}, so {by}: {MEND}."
    else:
        return None
    sensors = bool(ambient.contradicted) and ambient.kind == "measured"
    return Finding(
        "sensor.disagree" if sensors else "sensor.ambient_doubt",
        "hold",
        text,
        channel="manifold_pressure",
        start_s=0.0,
        end_s=log.duration_s,
        value=ambient.kpa,
        unit="kPa",
    )


def _evidence(log: Log, sanity: Sanity, car: Car) -> list[Barometric]:
    """What was measured or given, best first."""
    found = [_channel(log, sanity), _stopped(log, sanity)]
    if log.barometric.kind == "measured":
        found.append(log.barometric)
    if car.altitude_m is not None:
        given = standard_pressure_kpa(car.altitude_m)
        what = f"the altitude given, {car.altitude_m:g} m, in the standard atmosphere"
        kind = "altitude tonight" if car.altitude_tonight else "altitude"
        found.append(Barometric(given, what, ALTITUDE_KPA, kind=kind))
    return [one for one in found if one is not None]


def _channel(log: Log, sanity: Sanity) -> Barometric | None:
    """The barometric channel, unless it is flagged through and through or reads no air's."""
    flags = sanity.samples.get("barometric_pressure")
    if not log.has("barometric_pressure") or flags is None:
        return None
    there = flags[flags <= FAIL]
    value = believed(log, sanity, "barometric_pressure").value
    failed = sanity.flags.get("barometric_pressure") == FAIL
    if failed or not there.size or not value.size or float(np.mean(there >= SUSPECT)) > 0.2:
        return None
    level = median(value)
    inside = OPEN_AIR_KPA[0] <= level <= OPEN_AIR_KPA[1]
    return Barometric(level, "barometric channel", 1.0, kind="channel") if inside else None


def _stopped(log: Log, sanity: Sanity) -> Barometric | None:
    """Manifold pressure with the engine stopped: the sensor's own offset falls out of boost."""
    if not log.has("manifold_pressure"):
        return None
    value = log.values("manifold_pressure")
    flags = sanity.samples.get("manifold_pressure")
    rest = state_of(log).stopped & np.isfinite(value)
    if flags is not None:
        rest &= flags < SUSPECT
    if rest.sum() < 3:
        return None
    level = median(value[rest])
    if not OPEN_AIR_KPA[0] <= level <= OPEN_AIR_KPA[1]:
        return None
    return Barometric(level, "manifold pressure with the engine stopped", 0.5, kind="stopped")


def _highest(log: Log, sanity: Sanity, limits: LimitTable) -> float:
    """The most that ambient pressure can be by wide-open running low down, kPa; or infinite."""
    name = "throttle_position" if log.has("throttle_position") else "pedal_position"
    if not (log.has("manifold_pressure") and log.has("engine_speed") and log.has(name)):
        return np.inf
    pressure = believed(log, sanity, "manifold_pressure")
    throttle = believed(log, sanity, name)
    if len(throttle.t) < 4 or len(pressure.t) < 4:
        return np.inf
    t = pressure.t
    shut = np.concatenate(([-np.inf], throttle.t[throttle.value < WIDE_PCT]))
    filled = t - shut[shut.searchsorted(t, side="right") - 1] >= FILLED_S
    wide = filled & (throttle.at(t, max_gap_s=1.0) >= WIDE_PCT)
    rpm = believed(log, sanity, "engine_speed").at(t, max_gap_s=1.0)
    low = pressure.value[wide & (rpm > 900.0) & (rpm < LOW_RPM)]
    if low.size < 3:
        return np.inf
    return float(np.partition(low, 2)[2]) + limits.setting("ambient_loss_kpa")  # no stray sample


def _guess(log: Log, highest: float, limits: LimitTable) -> Barometric:
    """Intake's reading of wide-open running, else sea level, within the bounds."""
    what = "assumed: standard pressure at sea level"
    sea_level = Barometric(STANDARD_PRESSURE_KPA, what, 8.0, kind="assumed")
    return _under(log.barometric if log.barometric.assumed else sea_level, highest, limits)


def _under(best: Barometric, highest: float, limits: LimitTable) -> Barometric:
    """The estimate, or the one from wide-open running where that lies lower."""
    if best.kpa <= highest:
        return best
    loss = limits.setting("ambient_loss_kpa")
    what = "manifold pressure wide open before the turbo builds"
    return Barometric(highest - 0.5 * loss, what, loss, kind="wide_open")


def _weighed(found: Sequence[Barometric], highest: float, limits: LimitTable) -> Barometric:
    """The best of the evidence, and the sentence that contradicts it.

    A car file's altitude that two readings of this log speak against is an old one: it is left out.
    One said for tonight is not: somebody or something is wrong."""
    best, others = found[0], found[1:]
    apart = [other for other in others if abs(other.kpa - best.kpa) > _room(best, other, limits)]
    agree = [other for other in others if other not in apart]
    if agree and all(other.kind == "altitude" for other in apart):
        apart = []
    if apart:
        other = apart[0]
        why = f"{best.source} gives {best.kpa:.1f} kPa and {other.source} {other.kpa:.1f} kPa"
        return best._replace(contradicted=why)
    weather = limits.setting("ambient_weather_kpa")
    slack = weather if best.kind in ALTITUDES else best.uncertainty_kpa
    if best.kpa - slack > highest:
        why = (
            f"{best.source} gives {best.kpa:.1f} kPa, but wide open before the turbo builds the "
            f"manifold shows that it cannot be over {highest:.0f} kPa"
        )
        return _under(best, highest, limits)._replace(contradicted=why)
    return best


def _room(a: Barometric, b: Barometric, limits: LimitTable) -> float:
    """How far two readings of the same air may differ, kPa."""
    weather = limits.setting("ambient_weather_kpa") if ALTITUDES & {a.kind, b.kind} else 0.0
    return limits.setting("ambient_apart_kpa") + weather
