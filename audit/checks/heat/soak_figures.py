"""What the minutes round a pull say of its heat: taken from its log, compared over the night."""

from __future__ import annotations

import numpy as np

from audit.checks.kit.base import Measured
from audit.model import Array, Pull, Series, believed_series
from audit.signal.arrays import median_sorted
from audit.signal.cooling import cooling_time
from audit.signal.spans import duration_above

CATCH_UP_S = 15.0  # a slow sensor has caught up with the pull after this
BEFORE_S = 180.0
AFTER_S = 300.0
LOAD_KPA = 20.0  # more boost than this is another pull, or as good as one
STANDS_KMH = 5.0


def put_soak_figures(pull: Pull, sheet: Measured, start_c: float, peak_c: float) -> None:
    """Write down intake temperatures round the pull, the stand before, and the recovery after it.

    intake_late_peak_c: highest until CATCH_UP_S after the pull. intake_between_peak_c: highest
    since the last load (or in BEFORE_S), the catching-up left out, held by two samples.
    stood_before_s: longest standstill since then. intake_recovery_s: time constant of the cooling
    after the pull. intake_log_start_c, intake_log_end_c: the file's ends."""
    since, until = _unloaded_since(pull), _unloaded_until(pull)
    before = _read(pull, "intake_air_temp", since, pull.start_s)
    after = _read(pull, "intake_air_temp", pull.end_s, until)
    late = after.within(pull.end_s, pull.end_s + CATCH_UP_S)
    sheet.put("intake_late_peak_c", float(late.value.max(initial=peak_c)))
    if len(before.t) >= 3:
        sheet.put("intake_between_peak_c", float(np.partition(before.value, -2)[-2]))
    speed = _read(pull, "vehicle_speed", since, pull.start_s)
    if len(speed.t) > 2:
        sheet.put("stood_before_s", duration_above(speed.t, speed.value < STANDS_KMH)[1])
    sheet.put("intake_recovery_s", _recovery(pull, after, start_c))
    end = pull.log.duration_s
    if first := _read(pull, "intake_air_temp", 0.0, min(20.0, pull.start_s)):
        sheet.put("intake_log_start_c", float(first.value[0]))
    if last := _read(pull, "intake_air_temp", max(pull.end_s, end - 20.0), end):
        sheet.put("intake_log_end_c", float(last.value[-1]))


def _read(pull: Pull, name: str, start_s: float, end_s: float) -> Series:
    return believed_series(pull.log, pull.sanity, name, start_s, end_s)


def _unloaded_since(pull: Pull) -> float:
    """End of the last load before the pull and its catching-up, s; BEFORE_S ago at the most."""
    earliest = max(0.0, pull.start_s - BEFORE_S)
    loaded = _loaded_at(pull, earliest, pull.start_s - 2.0)
    return min(float(loaded[-1]) + CATCH_UP_S, pull.start_s) if loaded.size else earliest


def _unloaded_until(pull: Pull) -> float:
    """Begin of the next load after the pull, s; not later than AFTER_S."""
    latest = min(pull.log.duration_s, pull.end_s + AFTER_S)
    loaded = _loaded_at(pull, pull.end_s + 3.0, latest)
    return float(loaded[0]) if loaded.size else latest


def _loaded_at(pull: Pull, start_s: float, end_s: float) -> Array:
    pressure = _read(pull, "manifold_pressure", start_s, end_s)
    if len(pressure.t):
        return pressure.t[pressure.value - pull.log.barometric.kpa > LOAD_KPA]
    throttle = _read(pull, "throttle_position", start_s, end_s)
    return throttle.t[throttle.value > 80.0]


def _recovery(pull: Pull, after: Series, start_c: float) -> float | None:
    """Time constant of the cooling after the pull, s, towards outside air, else under the start."""
    if len(after.t) < 5:
        return None
    top = int(after.value.argmax())
    outside = pull.believed("ambient_air_temp", lead_s=30.0)
    lowest = min(start_c, float(after.value.min())) - 1.0
    towards = median_sorted(outside.value) if outside else lowest
    tau = cooling_time(after.t[top:], after.value[top:], towards)
    return tau if tau is not None and tau < 3600 else None
