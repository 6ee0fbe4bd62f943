"""All single-channel tests on one channel's own samples."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from audit.engine import State
from audit.model import FAIL, GOOD, MISSING, NOT_EVALUATED, SUSPECT, Array, Bools, FlagArray
from audit.sanity.aggregate import of_test, worst_of
from audit.sanity.tests.dropouts import BRIEF_S, blanks, dropout
from audit.sanity.tests.frozen import DRIVERS, Reading, frozen_runs
from audit.sanity.tests.mixture import pinned_mixture
from audit.sanity.tests.noise import noise_and_step
from audit.sanity.tests.ranges import gross_range, pinned, rail
from audit.sanity.tests.spikes import median_of_some, rate_of_change, spike
from audit.sanity.trouble import Trouble, trouble_of
from audit.tables import ChannelRow

# The driver moves these at once (or a moment later): what they may do depends on the throttle
# standing still.
DRIVEN = {"engine_speed": 0.7, "manifold_pressure": 0.6, "lambda": 1.5, "mass_air_flow": 0.6}
# A leap of these that another of them shares is the engine's doing, not the sensor's.
OPERATING = frozenset(
    {
        "engine_speed",
        "manifold_pressure",
        "vehicle_speed",
        "mass_air_flow",
        "lambda",
        "oil_pressure",
        "fuel_pressure",
    }
)
LEAST_LAMBDA = 0.1  # nothing burns there: a zero has no 1/lambda
TEMPERATURE_PIN = 0.6  # °C: a rail that came through a whole degree Fahrenheit
EXCURSION_S = 10.0  # a slow quantity that leaps away and back within this was not there in between


@dataclass(frozen=True, eq=False)
class Samples:
    """A channel's own samples: name, table row, times s, values, resolution and noise in its
    unit.
    """

    channel: str
    row: ChannelRow
    t: Array
    value: Array
    step: float
    sigma: float
    interval_s: float

    @property
    def name(self) -> str:
        """The quantity, whichever of its sensors this is."""
        return self.row.name

    @cached_property
    def slewing(self) -> Samples:
        """As the sensor answers: the same, but 1/lambda for lambda, whose own slope has no bound
        towards air.
        """
        if self.name != "lambda":
            return self
        value = 1.0 / np.maximum(self.value, LEAST_LAMBDA)
        sigma, step = noise_and_step(self.t, value)
        return replace(self, value=value, sigma=sigma or 0.0, step=step)


@dataclass(frozen=True, eq=False)
class Examined:
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
    end of the log, s; top: the sensor's own upper end if the car file tells.
    """
    sigma, step = noise_and_step(t, value)
    interval = median_of_some(np.diff(t)) if len(t) > 1 else 0.0
    s = Samples(channel, row, t, value, step, sigma or 0.0, interval)
    per_test = {"gross_range": _range(s, state)}
    if row.spike is not None:
        per_test["dropout"] = _dropout(s, state, source_zero)
    if row.rails and row.name != "lambda":
        per_test["rail"] = _rail(s)
    if row.name == "lambda":
        per_test["rail"] = pinned_mixture(t, value, state, step=step)
    if row.flat_s is not None or row.stirs or row.name in DRIVERS:
        per_test["flat_line"] = _flat(s, state)
    gone = _bad(len(t), per_test)
    if row.spike is not None:
        per_test["spike"] = _spike(s, state, gone)
    if row.slew is not None:
        per_test["rate_of_change"] = _rate(s, _bad(len(t), per_test), state)
    tests = {name: of_test(flags) for name, flags in per_test.items()}
    troubles = _troubles(
        s, {name: flags for name, flags in per_test.items() if _worst(flags) >= SUSPECT}, state
    )
    missing = (
        []
        if t is state.t
        else [
            span
            for span in blanks(t, until_s=until_s, least_s=max(0.5, 2.5 * interval))
            if _rows_went_on(state.t, span)
        ]
    )
    if missing and not row.slow:
        tests["dropout"] = max(tests.get("dropout", GOOD), SUSPECT)
        troubles.append(_blank_trouble(channel, missing, t, state))
    if (
        top is not None
        and pinned(t, value, at=top, within=max(1.0, 0.6 * step), least_s=0.15).any()
    ):
        tests["rail"] = (
            SUSPECT  # the samples stay believed: "at least this much", which the boost check says
        )
    seen = [per_test["gross_range"], *(f for f in per_test.values() if _worst(f) >= SUSPECT)]
    return Examined(worst_of(seen), tests, sigma, troubles)


def _worst(flags: FlagArray) -> int:
    return int(flags.max()) if len(flags) else MISSING


def _bad(n: int, per_test: dict[str, FlagArray]) -> Bools | None:
    """Samples that a test has taken out; None when there are none."""
    found = [flags for flags in per_test.values() if _worst(flags) >= SUSPECT]
    if not found:
        return None
    mask = np.zeros(n, dtype=np.bool_)
    for flags in found:
        mask |= (flags == SUSPECT) | (flags == FAIL)
    return mask


def _range(s: Samples, state: State) -> FlagArray:
    usual = s.row.usual
    if s.name == "lambda" and usual is not None:
        usual = (
            usual[0],
            s.row.range[1],
        )  # a fuel cut or a stopped engine shows air, which is as lean as it gets
        turning = state.running[np.minimum(np.searchsorted(state.t, s.t), len(state.t) - 1)]
        flags = gross_range(s.value, fail_span=s.row.range, suspect_span=usual)
        flags[~turning & (flags == FAIL)] = SUSPECT
        return flags
    return gross_range(s.value, fail_span=s.row.range, suspect_span=usual)


def _dropout(s: Samples, state: State, source_zero: float) -> FlagArray:
    """To zero, to one value out of range, and to the source's own zero where the driver was not
    what took it there.
    """
    within, least = max(1e-6, 0.01 * s.step), max(s.row.spike or 0.0, 6 * s.sigma)
    # A slow quantity cannot leap: out of one and back is a broken wire, however long it lasted.
    longest = np.inf if s.row.slow else BRIEF_S
    ends = (0.0, *_beyond(s))
    flags = dropout(s.t, s.value, to=ends, within=within, least=least, longest_s=longest)
    if source_zero != 0.0:
        zero = (source_zero,)
        more = dropout(s.t, s.value, to=zero, within=within, least=least, longest_s=longest)
        hits = np.flatnonzero(more == FAIL)
        if hits.size and s.name in DRIVEN:
            hits = hits[state.steady(s.t[hits], before_s=DRIVEN[s.name])]
        flags[hits] = FAIL
    return flags


def _beyond(s: Samples) -> list[float]:
    """The lowest and the highest value, where they are not believable: what a broken wire reads,
    turned to kPa or °C.
    """
    if not len(s.t):
        return []
    low, high = s.row.usual or s.row.range
    ends = float(s.value.min()), float(s.value.max())
    return [end for end, out in zip(ends, (ends[0] < low, ends[1] > high), strict=True) if out]


def _rail(s: Samples) -> FlagArray:
    within = TEMPERATURE_PIN if s.row.quantity == "temperature" else max(1e-3, 0.01 * s.step)
    rails = [r for r in s.row.rails if r != 0.0 or s.name != "exhaust_gas_temp"]
    if s.name == "manifold_pressure":
        rails = [
            r for r in rails if r <= s.row.range[0]
        ]  # the upper end is the boost check's business
    return rail(s.t, s.value, rails=rails, within=within)


def _flat(s: Samples, state: State) -> FlagArray:
    flags = np.full(len(s.t), GOOD, dtype=np.uint8)
    if len(s.t) < 5:
        flags[:] = NOT_EVALUATED
        return flags
    reading = Reading(
        s.name,
        s.t,
        s.value,
        state,
        sigma=s.sigma,
        step=s.step,
        for_s=s.row.flat_s,
        slow=s.row.slow,
        stirs=s.row.stirs,
        fine=s.row.fine,
    )
    for a, b in frozen_runs(reading):
        flags[a:b] = FAIL
    return flags


def _spike(s: Samples, state: State, gone: Bools | None) -> FlagArray:
    """Spikes among the samples that nothing else has taken out; higher ones needed while the driver
    moves.
    """
    s = s.slewing
    flags = np.full(len(s.t), GOOD, dtype=np.uint8)
    least = s.row.spike or 0.0
    if s.name == "lambda" and s.interval_s > 0.12:
        flags[:] = NOT_EVALUATED  # too slow to tell a glitch from a true lean spike
        return flags
    reach = (s.row.slew or np.inf) * s.interval_s
    low = max(least, 8 * s.sigma, min(reach, least * (1 + s.interval_s / 0.15)))
    kept = None if gone is None else np.flatnonzero(~gone)
    t, value = (s.t, s.value) if kept is None else (s.t[kept], s.value[kept])
    wide = 0.0 if s.name == "lambda" else 0.12
    found = spike(t, value, least=low, two_wide_s=wide)
    hits = np.flatnonzero(found == SUSPECT)
    if hits.size and s.name in DRIVEN and reach > low:
        moving = hits[~state.steady(t[hits], before_s=DRIVEN[s.name])]
        if moving.size:
            high = spike(t, value, least=max(low, reach), two_wide_s=wide)
            found[moving] = np.where(high[moving] == SUSPECT, SUSPECT, GOOD)
    if kept is None:
        return found
    flags[kept] = found
    return flags


def _rate(s: Samples, gone: Bools | None, state: State) -> FlagArray:
    s = s.slewing
    slew, slack = s.row.slew or np.inf, 6 * s.sigma + 2 * s.step
    kept = None if gone is None else np.flatnonzero(~gone)
    flags = np.full(len(s.t), GOOD, dtype=np.uint8)
    if len(s.t) < 2 or (kept is not None and kept.size < 2):
        flags[:] = NOT_EVALUATED
        return flags
    t, value = (s.t, s.value) if kept is None else (s.t[kept], s.value[kept])
    found = rate_of_change(t, value, per_s=slew, slack=slack)
    if s.name == "lambda" and _worst(found) == SUSPECT:
        # a fuel cut is air in one leap, and so is the way back
        found[state.shut[np.minimum(np.searchsorted(state.t, t), len(state.t) - 1)]] = GOOD
    if s.name in OPERATING and _worst(found) == SUSPECT:
        hits = np.flatnonzero(found == SUSPECT)
        found[
            hits[
                state.confirmed(
                    s.name, t[hits] - 0.5 * s.interval_s, within_s=max(0.06, 1.5 * s.interval_s)
                )
            ]
        ] = GOOD
    if s.row.slow and _worst(found) == SUSPECT:
        _flag_excursions(t, value, found)
    if kept is None:
        return found
    flags[kept] = found
    return flags


def _flag_excursions(t: Array, value: Array, flags: FlagArray) -> None:
    """Between a leap and the leap back, a quantity that moves slowly was not read at all."""
    edges = np.flatnonzero(flags == SUSPECT)
    leap = value[edges] - value[edges - 1]
    for a, b, there, back in zip(edges[:-1], edges[1:], leap[:-1], leap[1:], strict=True):
        if there * back < 0 and abs(there + back) < 0.4 * abs(there) and t[b] - t[a] <= EXCURSION_S:
            flags[a:b] = SUSPECT


def _troubles(s: Samples, per_test: dict[str, FlagArray], state: State) -> list[Trouble]:
    """Each sample blamed once: on its dropout, then its spike, then the rest."""
    taken = np.zeros(len(s.t), dtype=np.bool_)
    out: list[Trouble | None] = []
    order = ("dropout", "spike", "rail", "gross_range", "flat_line", "rate_of_change")
    for test in order:
        if test not in per_test:
            continue
        mask = ((per_test[test] == SUSPECT) | (per_test[test] == FAIL)) & ~taken
        if s.name == "lambda" and test == "gross_range":
            row = np.minimum(np.searchsorted(state.t, s.t), len(state.t) - 1)
            mask &= state.running[row] & ~(state.shut[row] & (s.value > s.row.range[1]))  # free air
        if s.name == "lambda" and test == "rail":
            mask &= per_test[test] == FAIL  # a heater that is not warm yet is no fault
        if not mask.any():
            continue
        code = "sensor.range" if test == "gross_range" else f"sensor.{test}"
        value, limit = _telling(s, test, mask)
        out.append(trouble_of(code, s.channel, s.t, mask, state, value=value, limit=limit))
        if test in ("dropout", "spike", "flat_line"):
            taken |= mask
    return [trouble for trouble in out if trouble is not None]


def _telling(s: Samples, test: str, mask: Bools) -> tuple[float | None, float | None]:
    """The figure that tells most, and the limit it broke."""
    values = s.value[mask]
    if test == "gross_range":
        low, high = s.row.usual or s.row.range
        worst = float(values[np.argmax(np.maximum(values - high, low - values))])
        return worst, high if worst > high else low
    if test == "rate_of_change":
        rows = np.flatnonzero(mask)
        rows = rows[rows > 0]
        if not rows.size:
            return None, s.row.slew
        dt = np.maximum(s.t[rows] - s.t[rows - 1], 0.5 * s.interval_s)
        moved = np.abs(s.slewing.value[rows] - s.slewing.value[rows - 1])
        return float(np.max(moved / dt)), s.row.slew
    return float(values[0]), s.row.spike if test == "spike" else None


def _rows_went_on(rows: Array, span: tuple[float, float]) -> bool:
    """Did the log go on writing rows while this channel had none? Else it is the rows' gap, not the
    channel's.
    """
    low, high = np.searchsorted(rows, (span[0] - 1e-9, span[1] + 1e-9))
    inside = np.diff(rows[low:high])
    return len(inside) >= 2 and float(inside.max()) < 0.5 * (span[1] - span[0])


def _blank_trouble(name: str, spans: list[tuple[float, float]], t: Array, state: State) -> Trouble:
    seconds = sum(b - a for a, b in spans)
    whole = max(spans[-1][1] - float(t[0]), 1e-9)
    common = [max((min(b, e) - max(a, s) for s, e in state.windows), default=0.0) for a, b in spans]
    return Trouble(
        "sensor.dropout",
        name,
        len(spans),
        seconds / whole,
        seconds,
        spans[0][0],
        spans[-1][1],
        times=tuple(a for a, _ in spans[:200]),
        loaded=sum(c > 0 for c in common),
        loaded_s=sum(c for c in common if c > 0),
        text=(
            f"{len(spans)} stretch{'es' if len(spans) > 1 else ''} without a sample, "
            f"{seconds:.1f} s in all"
        ),
    )
