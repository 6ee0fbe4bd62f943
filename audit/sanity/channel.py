"""All single-channel tests on one channel's own samples."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from audit.engine import State
from audit.model import FAIL, GOOD, NOT_EVALUATED, SUSPECT, Array, Bools, FlagArray
from audit.sanity.aggregate import bad, of_test, passed, worst_of
from audit.sanity.reading import Reading
from audit.sanity.tests.dropouts import BRIEF_S, blanks, dropout
from audit.sanity.tests.frozen import DRIVERS, frozen_runs
from audit.sanity.tests.mixture import pinned_mixture
from audit.sanity.tests.noise import noise_and_step
from audit.sanity.tests.ranges import gross_range, pinned, rail
from audit.sanity.tests.spikes import rate_of_change, spike
from audit.sanity.trouble import Trouble, trouble_of
from audit.signal.arrays import IntArray
from audit.tables import ChannelRow

# The driver moves these at once (or a moment later): what they may do depends on the throttle
# standing still.
DRIVEN = {"engine_speed": 0.7, "manifold_pressure": 0.6, "lambda": 1.5, "mass_air_flow": 0.6}
# A leap of these that another of them shares is the engine's doing, not the sensor's.
OPERATING = {*DRIVEN, "vehicle_speed", "oil_pressure", "fuel_pressure"}
TEMPERATURE_PIN = 0.6  # °C: a rail that came through a whole degree Fahrenheit
EXCURSION_S = 10.0  # a slow quantity that leaps away and back within this was not there in between
BLAMED = ("dropout", "spike", "rail", "gross_range", "flat_line", "rate_of_change")  # in this order
ALONE = ("dropout", "spike", "flat_line")  # a sample blamed on one of these is blamed on no other

Left = slice | IntArray  # the samples that no test has taken out yet


class Examined(NamedTuple):
    """flags: one a sample; tests: one a test; noise: sigma or None."""

    flags: FlagArray
    tests: dict[str, int]
    noise: float | None
    troubles: list[Trouble]


def examine_channel(
    channel: str,
    row: ChannelRow,
    t: Array,
    value: Array,
    state: State,
    *,
    source_zero: float,
    until_s: float,
    top: float | None = None,
) -> Examined:
    """Every test that the channel's table row asks for.

    channel: its name, lambda_2; row: of its quantity; t: s, n samples, increasing; value: n,
    canonical unit; source_zero: what a zero in the source's unit is in the canonical one; until_s:
    end of the log, s; top: the sensor's own upper end if the car file tells."""
    sigma, step = noise_and_step(t, value)
    r = Reading(channel, row, t, value, state, step, sigma or 0.0)
    flags = {"gross_range": _range(r)}
    if row.spike is not None:
        flags["dropout"] = _dropout(r, source_zero)
    if row.name == "lambda":
        flags["rail"] = pinned_mixture(r)
    elif row.rails:
        flags["rail"] = _rail(r)
    if row.flat_s is not None or row.stirs or row.name in DRIVERS:
        flags["flat_line"] = _flat(r)
    if row.spike is not None:
        flags["spike"] = _spike(r.slewing, _left(flags))
    if row.slew is not None:
        flags["rate_of_change"] = _rate(r.slewing, _left(flags))
    tests = {name: of_test(found) for name, found in flags.items()}
    found = {name: found for name, found in flags.items() if _any_bad(found)}
    troubles = _troubles(r, found)
    missing = [] if row.slow or t is state.t else _missing(r, until_s)
    if missing:
        tests["dropout"] = max(tests.get("dropout", GOOD), SUSPECT)
        troubles.append(_blank_trouble(r, missing))
    if top is not None and pinned(t, value, at=top, within=max(1, 0.6 * step), least_s=0.15).any():
        tests["rail"] = SUSPECT  # the samples stay believed: "at least this", the boost check says
    return Examined(worst_of([flags["gross_range"], *found.values()]), tests, sigma, troubles)


def _any_bad(flags: FlagArray) -> bool:
    return int(flags.max(initial=0)) >= SUSPECT


def _left(per_test: dict[str, FlagArray]) -> Left:
    found = [bad(flags) for flags in per_test.values() if _any_bad(flags)]
    return np.flatnonzero(~np.logical_or.reduce(found)) if found else slice(None)


def _range(r: Reading) -> FlagArray:
    usual = r.row.usual
    if r.name != "lambda" or usual is None:
        return gross_range(r.value, fail_span=r.row.range, suspect_span=usual)
    # a fuel cut or a stopped engine shows air, which is as lean as it gets
    usual = (usual[0], r.row.range[1])
    flags = gross_range(r.value, fail_span=r.row.range, suspect_span=usual)
    flags[~r.state.running[r.at] & (flags == FAIL)] = SUSPECT
    return flags


def _dropout(r: Reading, source_zero: float) -> FlagArray:
    """To zero, a value out of range, or the source's own zero unless the driver did it."""
    within, least = max(1e-6, 0.01 * r.step), max(r.row.spike or 0.0, 6 * r.sigma)
    # A slow quantity cannot leap: out of one and back is a broken wire, however long it lasted.
    longest = np.inf if r.row.slow else BRIEF_S

    def falls(to: tuple[float, ...]) -> FlagArray:
        return dropout(r.t, r.value, to=to, within=within, least=least, longest_s=longest)

    flags = falls((0.0, *_beyond(r)))
    if source_zero != 0.0:
        hits = np.flatnonzero(falls((source_zero,)) == FAIL)
        if hits.size and r.name in DRIVEN:
            hits = hits[r.state.steady(r.t[hits], before_s=DRIVEN[r.name])]
        flags[hits] = FAIL
    return flags


def _beyond(r: Reading) -> list[float]:
    """The extremes, where not believable: what a broken wire reads, turned to kPa or °C."""
    (low, high), (least, most) = r.row.usual or r.row.range, r.ends
    return [end for end, out in ((least, least < low), (most, most > high)) if out]


def _rail(r: Reading) -> FlagArray:
    within = TEMPERATURE_PIN if r.row.quantity == "temperature" else max(1e-3, 0.01 * r.step)
    rails = [end for end in r.row.rails if end != 0.0 or r.name != "exhaust_gas_temp"]
    if r.name == "manifold_pressure":  # the upper end is the boost check's business
        rails = [end for end in rails if end <= r.row.range[0]]
    return rail(r.t, r.value, rails=rails, within=within)


def _flat(r: Reading) -> FlagArray:
    flags = passed(len(r.t), 5)
    for a, b in frozen_runs(r) if len(r.t) >= 5 else ():
        flags[a:b] = FAIL
    return flags


def _spike(r: Reading, left: Left) -> FlagArray:
    """Spikes among what nothing else has taken out; higher ones while the driver moves."""
    flags = passed(len(r.t))
    if r.name == "lambda" and r.interval_s > 0.12:
        flags[:] = NOT_EVALUATED  # too slow to tell a glitch from a true lean spike
        return flags
    least = r.row.spike or 0.0
    reach = (r.row.slew or np.inf) * r.interval_s
    low = max(least, 8 * r.sigma, min(reach, least * (1 + r.interval_s / 0.15)))
    t, value = r.t[left], r.value[left]
    wide = 0.0 if r.name == "lambda" else 0.12
    found = spike(t, value, least=low, two_wide_s=wide)
    hits = np.flatnonzero(found == SUSPECT)
    if hits.size and r.name in DRIVEN and reach > low:
        moving = hits[~r.state.steady(t[hits], before_s=DRIVEN[r.name])]
        if moving.size:
            high = spike(t, value, least=reach, two_wide_s=wide)
            found[moving] = np.where(high[moving] == SUSPECT, SUSPECT, GOOD)
    flags[left] = found
    return flags


def _rate(r: Reading, left: Left) -> FlagArray:
    flags = passed(len(r.t))
    t, value = r.t[left], r.value[left]
    if len(t) < 2:
        flags[:] = NOT_EVALUATED
        return flags
    slack = 6 * r.sigma + 2 * r.step
    found = rate_of_change(t, value, per_s=r.row.slew or np.inf, slack=slack)
    hits = np.flatnonzero(found == SUSPECT)
    if r.name == "lambda" and hits.size:  # a fuel cut is air in one leap, and so is the way back
        cut = r.state.shut[r.at[left][hits]]
        found[hits[cut]] = GOOD
        hits = hits[~cut]
    if r.name in OPERATING and hits.size:
        about, within = t[hits] - 0.5 * r.interval_s, max(0.06, 1.5 * r.interval_s)
        found[hits[r.state.confirmed(r.name, about, within_s=within)]] = GOOD
    if r.row.slow and hits.size:
        _flag_excursions(t, value, found)
    flags[left] = found
    return flags


def _flag_excursions(t: Array, value: Array, flags: FlagArray) -> None:
    """Between a leap and the leap back, a quantity that moves slowly was not read at all."""
    edges = np.flatnonzero(flags == SUSPECT)
    leap = value[edges] - value[edges - 1]
    for a, b, there, back in zip(edges[:-1], edges[1:], leap[:-1], leap[1:], strict=True):
        if there * back < 0 and abs(there + back) < 0.4 * abs(there) and t[b] - t[a] <= EXCURSION_S:
            flags[a:b] = SUSPECT


def _troubles(r: Reading, per_test: dict[str, FlagArray]) -> list[Trouble]:
    """Each sample blamed once: on its dropout, then its spike, then the rest."""
    taken = np.zeros(len(r.t), dtype=np.bool_)
    out: list[Trouble | None] = []
    for test in (test for test in BLAMED if test in per_test):
        mask = bad(per_test[test]) & ~taken
        if r.name == "lambda" and test == "gross_range":
            free_air = r.state.shut[r.at] & (r.value > r.row.range[1])
            mask &= r.state.running[r.at] & ~free_air
        if r.name == "lambda" and test == "rail":
            mask &= per_test[test] == FAIL  # a heater that is not warm yet is no fault
        if not mask.any():
            continue
        code = "sensor.range" if test == "gross_range" else f"sensor.{test}"
        value, limit = _telling(r, test, mask)
        out.append(trouble_of(code, r.channel, r.t, mask, r.state, value=value, limit=limit))
        if test in ALONE:
            taken |= mask
    return [trouble for trouble in out if trouble is not None]


def _telling(r: Reading, test: str, mask: Bools) -> tuple[float | None, float | None]:
    """The figure that tells most, and the limit it broke."""
    values = r.value[mask]
    if test == "gross_range":
        low, high = r.row.usual or r.row.range
        worst = float(values[np.argmax(np.maximum(values - high, low - values))])
        return worst, high if worst > high else low
    if test == "rate_of_change":
        rows = np.flatnonzero(mask)
        rows = rows[rows > 0]
        dt = np.maximum(r.t[rows] - r.t[rows - 1], 0.5 * r.interval_s)
        pace = np.abs(r.slewing.value[rows] - r.slewing.value[rows - 1]) / dt
        return (float(pace.max()) if rows.size else None), r.row.slew
    return float(values[0]), r.row.spike if test == "spike" else None


def _missing(r: Reading, until_s: float) -> list[tuple[float, float]]:
    """Spans in which the log wrote rows but not this channel; else the gap is the rows'."""
    spans = []
    for span in blanks(r.t, until_s=until_s, least_s=max(0.5, 2.5 * r.interval_s)):
        low, high = np.searchsorted(r.state.t, (span[0] - 1e-9, span[1] + 1e-9))
        inside = np.diff(r.state.t[low:high])
        if len(inside) >= 2 and float(inside.max()) < 0.5 * (span[1] - span[0]):
            spans.append(span)
    return spans


def _blank_trouble(r: Reading, spans: list[tuple[float, float]]) -> Trouble:
    seconds = sum(b - a for a, b in spans)
    windows = r.state.windows
    common = [max((min(b, e) - max(a, s) for s, e in windows), default=0.0) for a, b in spans]
    many = f"{len(spans)} stretch{'es' if len(spans) > 1 else ''} without a sample"
    return Trouble(
        "sensor.dropout",
        r.channel,
        len(spans),
        seconds,
        spans[0][0],
        spans[-1][1],
        times=tuple(a for a, _ in spans[:200]),
        loaded=sum(c > 0 for c in common),
        loaded_s=sum(c for c in common if c > 0),
        text=f"{many}, {seconds:.1f} s in all",
    )
