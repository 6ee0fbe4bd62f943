"""When was it wide open? By throttle, else by pedal, else by load."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from audit.model import FAIL, SUSPECT, Array, Bools, LimitTable, Log, Sanity
from audit.pulls.rows import believed, hysteresis, on_rows
from audit.signal.arrays import finite, quantile
from audit.signal.spans import runs

# %: a throttle that never gets here was never wide open. Sensors whose ends were never taught read
# 80 to 89 % at their stop (common practice, no published source).
LEAST_TOP = 78.0
TOP_BAND = 2.0  # %: samples this near to the top are at it
TOP_S = 1.0  # and so long they must be for it to be a stop rather than a moment
OPEN_KPA = 6.0  # a wide-open engine draws its manifold this near to ambient, or over it
SHARE_OF_TOP = 0.6  # of the log's own highest boost: less is part load
BRIDGE_S = 0.25  # a shorter shut moment is a glitch of the sensor, if engine speed does not fall


@dataclass(frozen=True, eq=False)
class Opened:
    """wide: is it wide open, row by row; setting: throttle, pedal or load."""

    wide: Bools
    setting: str


def wide_open(log: Log, sanity: Sanity, limits: LimitTable) -> Opened | None:
    """Wide-open rows; None where nothing in the log can tell.

    A throttle or pedal that tops out below settings.pull_throttle_on is taken relative to its own
    top, if it stands at that top with the manifold at or over ambient pressure."""
    manifold = on_rows(log, believed(log, sanity, "manifold_pressure"))
    shut = None
    for name, setting in (("throttle_position", "throttle"), ("pedal_position", "pedal")):
        if not log.has(name) or _broken(sanity, name):
            continue
        value = on_rows(log, believed(log, sanity, name))
        if np.isnan(value).all():
            continue
        levels = _levels(log, value, manifold, limits)
        if levels is None:
            shut = Opened(np.zeros(log.rows, dtype=np.bool_), setting)
            continue  # the pedal may have been down all the same
        wide = _bridged(log, hysteresis(value, on=levels[0], off=levels[1]), value, levels[0])
        if setting == "throttle":
            wide = _as_long_as_the_pedal(log, sanity, wide, limits)
        return Opened(wide, setting)
    if shut is not None:
        return shut
    if np.isfinite(manifold).any():
        return Opened(_by_load(log, manifold, limits.setting("load_kpa")), "load")
    return None


def _as_long_as_the_pedal(log: Log, sanity: Sanity, wide: Bools, limits: LimitTable) -> Bools:
    """Wide open goes on while the pedal is down: it was the engine computer that closed it."""
    if not log.has("pedal_position") or _broken(sanity, "pedal_position"):
        return wide
    pedal = on_rows(log, believed(log, sanity, "pedal_position"))
    on, off = limits.setting("pull_throttle_on"), limits.setting("pull_throttle_off")
    down = hysteresis(pedal, on=on, off=off) & (pedal >= on)
    out = wide.copy()
    _, ends = runs(wide)
    starts, stops = runs(down)
    for end in ends:
        at = int(starts.searchsorted(end, side="right")) - 1
        if at >= 0 and end < stops[at]:
            out[end : stops[at]] = True
    return out


def _broken(sanity: Sanity, name: str) -> bool:
    tests = sanity.tests.get(name, {})
    return sanity.flags.get(name) == FAIL or tests.get("disagree", 0) >= SUSPECT


def _levels(
    log: Log, value: Array, manifold: Array, limits: LimitTable
) -> tuple[float, float] | None:
    """The on and off level for this log's throttle, %."""
    on, off = limits.setting("pull_throttle_on"), limits.setting("pull_throttle_off")
    good = finite(value)
    dt = log.duration_s / max(log.rows - 1, 1)
    count = max(1, min(len(good), round(0.5 * TOP_S / max(dt, 1e-6))))
    top = float(np.partition(good, -count)[-count])  # reached for half a second in all
    if top >= on + TOP_BAND:
        return on, off
    if top < LEAST_TOP:
        return None
    at_top = value >= top - TOP_BAND
    if np.count_nonzero(at_top) * dt < TOP_S:
        return on, off
    pressure = manifold[at_top & np.isfinite(manifold)]
    if len(pressure) and quantile(pressure, 0.75) < log.barometric.kpa - OPEN_KPA:
        return on, off  # a cruising log: its highest throttle was part throttle
    if not len(pressure) and top < on - 20.0:
        return on, off
    return on * top / 100.0, off * top / 100.0


def _bridged(log: Log, wide: Bools, value: Array, on: float) -> Bools:
    """Shut moments under BRIDGE_S closed up; each stretch ends at its last full throttle."""
    out = wide.copy()
    starts, stops = runs(wide)
    t = log.time
    for stop, start in zip(stops[:-1], starts[1:], strict=True):
        most = 3 * BRIDGE_S if start - stop <= 1 else BRIDGE_S + 1e-9
        if t[start] - t[stop - 1] <= most:
            out[stop:start] = True
    starts, stops = runs(out)
    for start, stop in zip(starts, stops, strict=True):
        full = np.flatnonzero(value[start:stop] >= on)
        if full.size:
            out[start + full[-1] + 1 : stop] = False
    return out


def _by_load(log: Log, manifold: Array, load_kpa: float) -> Bools:
    """By load: manifold at or over ambient, with boost above load_kpa in the same stretch."""
    baro = log.barometric.kpa
    open_rows = hysteresis(manifold, on=baro - 3.0, off=baro - 8.0)
    out = np.zeros(log.rows, dtype=np.bool_)
    t = log.time
    top = quantile(finite(manifold), 0.998)
    for start, stop in zip(*runs(open_rows), strict=True):
        if finite(manifold[start:stop]).max(initial=-np.inf) >= baro + max(
            load_kpa, SHARE_OF_TOP * (top - baro)
        ):
            out[start : _before_fall(t, manifold, start, stop)] = True
    return out


def _before_fall(t: Array, manifold: Array, start: int, stop: int) -> int:
    """One past the last row before pressure falls away at the lift."""
    late = slice(max(start, int(np.searchsorted(t, t[stop - 1] - 1.5))), stop)
    level = quantile(finite(manifold[late]), 0.7)
    high = np.flatnonzero(manifold[late] >= 0.93 * level)
    return late.start + int(high[-1]) + 1 if high.size else stop
