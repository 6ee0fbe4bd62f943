"""Two sensors that contradict each other. Figures: common practice, no published source."""

from __future__ import annotations

import numpy as np

from audit.engine import OPEN_AIR_KPA, State, since, until
from audit.model import Array, Bools, Car, Log, base_of
from audit.sanity.trouble import Trouble
from audit.signal.arrays import finite, median, median_of_finite, quantile
from audit.signal.spans import lasting
from audit.tables import channel_row
from audit.units import standard_pressure_kpa

REST_KPA = 4.0  # two pressure sensors in the same air: 1 % of 300 kPa, and of 115 kPa
WEATHER_KPA = 4.0  # how far the weather moves true pressure from the standard atmosphere's
THROTTLE_S = 1.2  # longer than any manifold takes to follow its throttle
COLD_START_C = 50.0
CRUISE_S = 15.0  # after load a charge cooler has come back to the air that goes through it
MOVING_KMH = 20.0
SIDE_BY_SIDE, SIDE_BY_SIDE_S = 5, 1.5  # samples of both within this many s of each other


def contradictions(log: Log, car: Car, state: State) -> list[Trouble]:
    """Every pair of sensors that cannot both be right."""
    return [
        *_at_rest(log, car, state),
        *_throttle(log, state),
        *_cold_start(log, state),
        *_ambient(log, state),
        *_gearing(log, car, state),
        *_second_sensors(log, state),
    ]


def _at_rest(log: Log, car: Car, state: State) -> list[Trouble]:
    """Manifold against barometric pressure with the engine stopped."""
    if not log.has("manifold_pressure"):
        return []
    value = log.values("manifold_pressure")
    rest = state.stopped & np.isfinite(value) & (value > 8.0)
    if rest.sum() < 3 or float(np.ptp(state.t[rest])) < 0.4:
        return []
    reading = median(value[rest])
    if quantile(np.abs(value[rest] - reading), 0.8) > 3.0:
        return []  # not at rest
    other, name, room = _ambient_pressure(log, car, rest)
    gap = None if other is None else abs(reading - other)
    reads = f"reads {reading:.1f} kPa absolute"
    if not OPEN_AIR_KPA[0] <= reading <= OPEN_AIR_KPA[1]:
        text = f"manifold pressure {reads} with the engine stopped, which no open air has"
    elif gap is not None and gap > room:
        text = (
            f"with the engine stopped manifold pressure {reads} and {name} {other:.1f} kPa: "
            f"{gap:.1f} kPa apart, more than the {room:.1f} kPa two sensors in the same air may "
            "differ"
        )
    else:
        return []
    return [_apart("manifold_pressure", state.t[rest], text, value=gap, limit=room)]


def _ambient_pressure(log: Log, car: Car, rest: Bools) -> tuple[float | None, str, float]:
    """(kPa, what it is, how far it may differ)."""
    if log.has("barometric_pressure"):
        baro = log.values("barometric_pressure")
        near = finite(baro[rest])
        near = near if len(near) else finite(baro)
        if len(near):
            return median(near), "barometric pressure", REST_KPA
    if car.altitude_m is None:
        return None, "", 0.0
    given = standard_pressure_kpa(car.altitude_m)
    return given, "the car file's altitude gives", REST_KPA + WEATHER_KPA


def _throttle(log: Log, state: State) -> list[Trouble]:
    """Throttle against manifold pressure: shut under boost, or wide open under deep vacuum."""
    if not log.has("throttle_position") or state.throttle is None or state.manifold is None:
        return []
    turning = state.running if state.engine_speed is None else state.engine_speed > 1500.0
    closed = state.closed & (state.manifold > state.baro_kpa + 20.0)
    wide = (state.throttle >= 85.0) & (state.manifold < 0.7 * state.baro_kpa)
    told = (
        (closed, "the throttle reads shut while manifold pressure is over ambient"),
        (wide, "the throttle reads wide open while the manifold is under deep vacuum"),
    )
    out = []
    for mask, text in told:
        starts, stops = lasting(state.t, mask & turning, for_s=THROTTLE_S, least=3)
        if starts.size:
            seconds = float(np.sum(state.t[stops - 1] - state.t[starts]))
            span = state.t[starts[0] : stops[-1]]
            said = f"{text}, for {seconds:.1f} s in all"
            out.append(_apart("throttle_position", span, said, value=seconds, limit=THROTTLE_S))
    return out


def _cold_start(log: Log, state: State) -> list[Trouble]:
    """Intake against coolant before a cold start: both have the temperature of the night."""
    if not log.has("intake_air_temp") or not log.has("coolant_temp") or not state.stopped.any():
        return []
    never_ran = since(state.t, state.running) == np.inf
    before = state.stopped & never_ran & (until(state.t, state.running) < np.inf)
    intake, coolant = (
        median_of_finite(log.values(n)[before]) for n in ("intake_air_temp", "coolant_temp")
    )
    gap = intake - coolant
    if not (coolant <= COLD_START_C and (gap > 15.0 or (coolant < 30.0 and gap < -25.0))):
        return []
    text = (
        f"before a cold start intake air reads {intake:.0f} °C and coolant {coolant:.0f} °C; "
        "in an engine that has stood they differ by less"
    )
    limit = 15.0 if gap > 0 else 25.0
    return [_apart("intake_air_temp", state.t[before], text, value=abs(gap), limit=limit)]


def _ambient(log: Log, state: State) -> list[Trouble]:
    """Intake air that stays colder than the air outside."""
    names = ("intake_air_temp", "ambient_air_temp")
    if not all(map(log.has, names)) or state.t[-1] - state.t[0] < 20.0:
        return []
    intake, ambient = (median_of_finite(log.values(n)) for n in names)
    if not intake <= ambient - 10.0:
        return []
    text = (
        f"intake air reads {intake:.0f} °C over the log and the air outside {ambient:.0f} °C: it "
        "cannot be colder"
    )
    return [_apart("intake_air_temp", state.t, text, value=ambient - intake, limit=10.0)]


def _gearing(log: Log, car: Car, state: State) -> list[Trouble]:
    """Engine speed over road speed on a steady throttle, against the gears of the car file."""
    if not car.rpm_per_kmh or not log.has("vehicle_speed") or state.engine_speed is None:
        return []
    speed = log.values("vehicle_speed")
    quiet = np.isfinite(speed) & (speed > 30.0) & (state.engine_speed > 1300.0)
    if state.throttle is not None:
        quiet &= (state.throttle > 6.0) & (state.throttle < 70.0)
    if quiet.sum() < 10:
        return []
    ratio = np.log(state.engine_speed[quiet] / speed[quiet])
    calm = np.abs(np.gradient(ratio)) < 0.02
    ratio, t = ratio[calm], state.t[quiet][calm]
    if len(ratio) < 10 or float(np.sum(np.minimum(np.diff(t), 1.0))) < 8.0:
        return []
    off = np.min(np.abs(ratio[:, None] - np.log(car.rpm_per_kmh)), axis=1)
    if float(np.mean(off > 0.09)) < 0.7:
        return []
    worst = 100 * float(np.expm1(median(off)))
    text = (
        f"on a steady throttle engine speed over road speed is {float(np.exp(median(ratio))):.1f} "
        f"rpm per km/h, {worst:.0f} % from the nearest gear of the car file"
    )
    return [_apart("vehicle_speed", t, text, value=worst, limit=9.0)]


def _second_sensors(log: Log, state: State) -> list[Trouble]:
    """Second sensors of one quantity against the first, by the table's `agree`.

    Quick ones are compared in wide-open stretches; temperatures where the car stands warm or
    cruises long after load, since before and behind a cooler they rightly differ in a pull. Banks
    of lambda, cylinders of knock have no `agree`."""
    calm_s = since(state.t, state.load)
    cruises = (calm_s >= CRUISE_S) & (calm_s < np.inf) & state.running
    if state.road_speed is not None:
        cruises &= state.road_speed > MOVING_KMH
    out = []
    for name in log.by_name:
        row, first = channel_row(name), base_of(name)
        if row is None or row.agree is None or name == first or not log.has(first):
            continue
        places = [("in the pulls", state.inside(state.t, lead_s=0.0), row.agree)]
        if row.slow:
            places = [("standing warm", state.standing, row.agree)]
        if row.cooler:
            places.append(("long after load", cruises, row.agree + row.cooler))
        mine, other = log.believed(name, None), log.believed(first, None)
        apart = mine.value - other.at(mine.t, max_gap_s=SIDE_BY_SIDE_S)
        at = np.minimum(state.t.searchsorted(mine.t), log.rows - 1)
        known = np.isfinite(apart)
        gaps = [
            (abs(median(apart[there])), limit, where, mine.t[there])
            for where, rows, limit in places
            if (there := known & rows[at]).sum() >= SIDE_BY_SIDE
        ]
        worst = max(gaps, key=lambda g: g[0] - g[1], default=None)
        if worst is None or worst[0] <= worst[1]:
            continue
        gap, limit, where, t = worst
        text = (
            f"{name.replace('_', ' ')} and {first.replace('_', ' ')} are {gap:.1f} {row.unit} "
            f"apart {where}, more than the {limit:g} {row.unit} that two sensors of one quantity "
            "may differ: one of them is wrong"
        )
        out.append(_apart(name, t, text, value=gap, limit=limit))
    return out


def _apart(channel: str, t: Array, text: str, *, value: float | None, limit: float) -> Trouble:
    """One contradiction over the times t, s."""
    start, end = float(t[0]), float(t[-1])
    of = ("sensor.disagree", channel, 1, end - start, start, end)
    return Trouble(*of, value=value, limit=limit, text=text)
