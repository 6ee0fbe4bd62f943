"""Pressures by physics: which unit, and gauge or absolute.

The name and the unit's text are only a prior, because both lie ('MAP (psi)' is often gauge, 'Boost
(kPa)' often absolute). Evidence: manifold pressure with the engine stopped is ambient; at idle 20
to 70 kPa absolute, less up a mountain; on overrun lower still; wide open never far below ambient.
All windows: common practice, no published source. Does not see: a log with neither engine speed nor
throttle and no vacuum in it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from audit.intake.names.unit_text import Unit, units, units_of
from audit.intake.units.decide import STATED, Candidate, Decision, Scored, decide, plain, window
from audit.intake.units.railed import pressure_without_rails
from audit.intake.units.scene import Scene, quantile
from audit.model import Array
from audit.signal.arrays import median

# Points before a value is seen; the last two need to be named or to be all that fits
USUAL = {"kpa": 0.0, "psi": -0.3, "bar": -0.3, "mbar": -3.0, "inhg": -5.0}
ALIKE = 2.0  # the file's other pressures are in this unit
OFFSET = 40.0  # kPa: as much a sensor may be out and still be read in its own unit
# most that boost far under its target weighs against the target's unit: a broken car does that too
SHORT = 4.0
OFF_IDLE_RPM = 2000.0  # an engine that never turns faster was not driven
STILL = 0.3  # of its highest value: a pressure that moves less was not driven either
BASE_KEYS = ("kpa", "psi", "bar", "mbar", "inhg")


@dataclass(frozen=True, slots=True)
class Ambient:
    """What is known of ambient pressure before manifold pressure is read: kPa and its
    uncertainty.
    """

    kpa: float
    spread: float

    @property
    def low(self) -> float:
        return self.kpa - self.spread

    @property
    def high(self) -> float:
        return self.kpa + self.spread


UNKNOWN_AMBIENT = Ambient(88.0, 17.0)


@dataclass(frozen=True, slots=True)
class Levels:
    """Levels of a pressure column in its source unit; None where the log does not show that
    state.
    """

    low: float
    high: float
    stopped: float | None
    idle: float | None
    overrun: float | None
    wide_low: float | None
    wide_high: float | None
    only_wide: bool = False  # the throttle is known, and never closed
    loaded: bool = True  # it may be that the engine was under load: boost can be looked for


def levels(values: Array, scene: Scene) -> Levels | None:
    """The levels of a thinned column, or None when it has no sample."""
    ordered = np.sort(values[np.isfinite(values)])
    if len(ordered) == 0:
        return None
    return Levels(
        quantile(ordered, 0.01),
        quantile(ordered, 0.995),
        scene.level(values, scene.stopped),
        scene.level(values, scene.idle),
        scene.level(values, scene.overrun, share=0.3),
        scene.level(values, scene.wide, share=0.1),
        scene.level(values, scene.wide, share=0.95),
        scene.closed is not None and not bool(scene.closed.any()),
        _loaded(ordered, scene),
    )


def _loaded(ordered: Array, scene: Scene) -> bool:
    """Whether the log shows the engine under load: by engine speed, else by how far the pressure
    moves.
    """
    if scene.rpm is not None:
        return bool(np.nanmax(scene.rpm, initial=0.0) > OFF_IDLE_RPM)
    low, high = quantile(ordered, 0.02), quantile(ordered, 0.98)
    return high - low > STILL * max(abs(low), abs(high))


def pressure_candidates(stated: Unit | None, like: Unit | None = None) -> list[tuple[Unit, float]]:
    """(unit, prior) of the sizes a pressure may have. like: the unit of the file's other
    pressures.
    """
    table = units()
    usual = [(table[key], USUAL[key]) for key in BASE_KEYS]
    if like is not None and stated is None:
        usual = [(u, p + (ALIKE if abs(u.scale - like.scale) < 1e-9 else 0.0)) for u, p in usual]
    if stated is None:
        return usual
    same = [(u, p - STATED) for u, p in usual if abs(u.scale - stated.scale) > 1e-9]
    return [(stated, 0.0), *same]


def reference_prior(hints: frozenset[str], words: Sequence[str], stated: Unit | None) -> float:
    """Points for gauge (negative: for absolute) from name and unit text."""
    points = 0.0
    if stated is not None and stated.reference:
        points += 3.5 if stated.reference == "gauge" else -3.5
    says_gauge = "gauge" in hints or (stated is not None and stated.reference == "gauge")
    if "map" in words:
        points -= 0.0 if says_gauge else 1.5
    elif "absolute" in hints:
        points -= 3.0
    if hints & {"gauge", "vacuum"}:
        points += 2.5
    elif "boost" in hints:
        points += 1.2
    return points


def both_references(unit: Unit, prior: float, gauge: float, ambient_kpa: float) -> list[Scored]:
    """Absolute and gauge candidates of one unit, as kPa absolute."""
    base = unit.said.removesuffix(" gauge").removesuffix(" absolute")
    return [
        Scored(
            Candidate(unit, f"{base} absolute", unit.scale, 0.0, "", "absolute"),
            prior - max(gauge, 0.0),
        ),
        Scored(
            Candidate(unit, f"{base} gauge", unit.scale, ambient_kpa, "", "gauge"),
            prior + min(gauge, 0.0),
        ),
    ]


def manifold(
    values: Array,
    scene: Scene,
    *,
    stated: Unit | None,
    stated_from: str,
    hints: frozenset[str],
    words: Sequence[str],
    ambient: Ambient | None,
    gauge_offset_kpa: float,
    like: Unit | None = None,
    pair: Array | None = None,
) -> Decision:
    """How to read a manifold or boost pressure column as kPa absolute.

    values: thinned source values. gauge_offset_kpa: ambient pressure to add to a gauge reading.
    pair: a second column for the same pressure (boost beside MAP), thinned, as further evidence.
    """
    values = pressure_without_rails(values)
    seen = levels(values, scene)
    gauge = reference_prior(hints, words, stated)
    scored: list[Scored] = []
    for unit, prior in pressure_candidates(stated, like):
        if unit.special:
            scored.append(
                Scored(
                    Candidate(unit, unit.said, unit.scale, gauge_offset_kpa, unit.special, "gauge"),
                    prior,
                )
            )
        else:
            scored += both_references(unit, prior, gauge, gauge_offset_kpa)
    if (
        seen is not None
        and seen.low < 0
        and (stated is None or stated.key in ("psi", "psi_gauge", "inhg"))
    ):
        mixed = units()["inhg_psi"]
        scored.append(
            Scored(
                Candidate(mixed, mixed.said, mixed.scale, gauge_offset_kpa, "inhg_psi", "gauge"),
                (-3.3 if stated is not None else -5.5) + min(gauge, 0.0),
            )
        )
    if seen is not None and "vacuum" in hints and seen.low >= 0:  # vacuum counted upwards
        scored += [
            Scored(Candidate(u, f"{u.said} of vacuum", -u.scale, gauge_offset_kpa, "", "gauge"), p)
            for u, p in pressure_candidates(stated)
        ]
    if seen is not None:
        for one in scored:
            _add_evidence(one, seen, ambient or UNKNOWN_AMBIENT)
    if pair is not None:
        _weigh_pair(scored, values, pair)
    return decide(
        scored,
        stated=stated,
        stated_from=stated_from,
        typical=seen.high if seen else 1.0,
        safest=seen is None or seen.loaded,  # where nothing is judged, the likeliest
    )


def _add_evidence(one: Scored, seen: Levels, ambient: Ambient) -> None:
    """Put the evidence of the levels on a candidate."""
    is_gauge = one.candidate.reference == "gauge"
    offset = one.candidate.offset if is_gauge else 0.0

    def kpa(level: float | None) -> float | None:
        return None if level is None else one.candidate.turned(level)

    low, high = sorted((kpa(seen.low) or 0.0, kpa(seen.high) or 0.0))
    clipped = is_gauge and abs(seen.low) < 1e-9 and seen.high > 0
    if is_gauge:
        stopped = None if seen.stopped is None else (kpa(seen.stopped) or 0.0) - offset
        one.add(
            window(stopped, -3.0, 3.0, 2.5, 9.0 if abs(stopped or 0.0) < OFFSET else 14.0),
            "with the engine stopped it does not read zero",
        )
        if (
            stopped is not None
            and abs(stopped) < 3.0
            and abs(seen.stopped or 0.0) < 0.25 * abs(seen.high)
        ):
            one.add(2.0, "it reads zero with the engine stopped")
    else:
        stopped = kpa(seen.stopped)
        one.add(
            window(stopped, ambient.low - 1.0, ambient.high + 1.0, 3.0, 14.0),
            "with the engine stopped it is not ambient pressure",
        )
        if stopped is not None and ambient.low - 4 <= stopped <= ambient.high + 4:
            one.add(2.0, "it reads ambient pressure with the engine stopped")
    if clipped and seen.idle is not None and abs(seen.idle) < 1e-9:
        one.add(-1.0)
    else:
        one.add(
            window(kpa(seen.idle), 20.0, min(70.0, 0.72 * ambient.high), 7.0, 11.0),
            "idle vacuum does not fit",
        )
        if seen.idle is not None and 20 <= (kpa(seen.idle) or 0) <= 70:
            one.why.append("idle vacuum fits")
        one.add(
            window(kpa(seen.overrun), 8.0, min(62.0, 0.66 * ambient.high), 8.0, 8.0),
            "overrun vacuum does not fit",
        )
    if low < 7.0:
        one.add(
            window(low, 7.0, 104.0, 3.5, 30.0 if low < 0 else 14.0),
            "its lowest value is not a manifold pressure",
        )
    else:  # a log of nothing but a pull need not show vacuum
        one.add(
            window(
                low, 7.0, 104.0, 25.0 if seen.only_wide else 9.0, 4.0 if seen.only_wide else 6.0
            ),
            "it never comes down to ambient pressure",
        )
    if high < 107.0 and not is_gauge and seen.loaded:
        one.add(-1.5, "there would be no boost in it")
    one.add(
        window(high, 55.0 if seen.loaded else 15.0, 360.0, 12.0 if high < 55.0 else 45.0, 14.0),
        "its highest value is not a manifold pressure",
    )
    if (
        seen.idle is not None and seen.wide_high is not None and not clipped
    ):  # says the size, whatever the sensor's zero
        swing = abs(one.candidate.scale) * (seen.wide_high - seen.idle)
        one.add(
            window(swing, 40.0, 330.0, 7.0, 12.0), "from idle to wide open it would hardly move"
        )
    reference = ambient.kpa if ambient.spread < 8 else 0.5 * (ambient.low + ambient.kpa)
    one.add(
        window(
            kpa(seen.wide_low),
            0.78 * reference,
            1.45 * ambient.high,
            8.0 if (kpa(seen.wide_low) or 0) < reference else 45.0,
            10.0,
        ),
        "wide open it lies below ambient pressure"
        if (kpa(seen.wide_low) or 0) < reference
        else "it is high before the turbo can have spooled",
    )
    one.add(window(kpa(seen.wide_high), 0.9 * ambient.low, 360.0, 8.0, 8.0))


def _weigh_pair(scored: Sequence[Scored], values: Array, pair: Array) -> None:
    """Boost beside MAP: their difference, in the right units, is one constant, ambient pressure or
    nothing.
    """
    both = np.isfinite(values) & np.isfinite(pair)
    x, y = values[both], pair[both]
    if len(x) < 20 or float(np.ptp(x)) <= 0 or float(np.ptp(y)) <= 0:
        return
    slope, cut = np.polyfit(y, x, 1).tolist()
    if np.corrcoef(x, y)[0, 1] < 0.97 or slope <= 0:
        return
    for one in scored:
        zero = (
            one.candidate.scale * cut
        )  # what this column reads, kPa, where the other reads nought
        if one.candidate.reference == "absolute" and 62.0 < zero < 106.0:
            one.add(3.0, "the other pressure column is its gauge reading")
        if one.candidate.reference == "gauge" and -106.0 < zero < -62.0:
            one.add(3.0, "the other pressure column is its absolute reading")


def ambient_pressure(values: Array, *, stated: Unit | None, stated_from: str) -> Decision:
    """How to read a barometric column: kPa, psi, bar, hPa, inHg and mmHg lie wide apart."""
    finite = values[np.isfinite(values) & (values > 0)]
    mid = median(finite) if len(finite) else 0.0
    scored = []
    table = units()
    for unit in (
        [table[k] for k in (*BASE_KEYS, "mmhg", "pa")]
        if stated is None
        else [u for u, _ in pressure_candidates(stated)]
    ):
        base = unit.said.removesuffix(" absolute")
        one = Scored(
            Candidate(unit, f"{base} absolute", unit.scale, 0.0, "", "absolute"),
            0.0 if stated is None or unit is stated else -STATED,
        )
        one.add(
            window(unit.scale * mid, 58.0, 107.0, 2.5, 20.0), "its values are not ambient pressure"
        )
        scored.append(one)
    return decide(scored, stated=stated, stated_from=stated_from, typical=mid or 1.0)


def boost_target(
    values: Array,
    scene: Scene,
    manifold_kpa: Array | None,
    *,
    stated: Unit | None,
    stated_from: str,
    hints: frozenset[str],
    words: Sequence[str],
    like: Unit | None,
    ambient_kpa: float,
    said_kpa: Sequence[float] = (),
) -> Decision:
    """How to read a boost target as kPa gauge. manifold_kpa: thinned manifold pressure, absolute.

    like: the unit of the manifold column, very likely to be the target's as well; said_kpa: the car
    file's targets. A reference that header or unit say stands; values that contradict it make a
    doubt of it, no more. Boost near the target speaks for a size, hardly for a reference: a car
    that is short of its target, or steps up to it, may reach any level. The car file's target does
    tell the reference.
    """
    finite = np.sort(values[np.isfinite(values)])
    high = quantile(finite, 0.98) if len(finite) else 1.0
    gauge = reference_prior(hints, words, stated)
    wide = scene.wide if scene.wide is not None else None
    reached = None if manifold_kpa is None else scene.level(manifold_kpa, wide, share=0.75)
    wanted = scene.level(values, wide, share=0.75)
    scored: list[Scored] = []
    for unit, usual in pressure_candidates(stated, like):
        alike = (
            ALIKE + 1.0
            if stated is None and like is not None and abs(unit.scale - like.scale) < 1e-9
            else 0.0
        )
        both = both_references(unit, usual + alike, gauge, 0.0)
        for one in both:
            offset = 0.0 if one.candidate.reference == "gauge" else -ambient_kpa
            one.candidate = replace(one.candidate, offset=offset)
            one.add(
                window(one.candidate.turned(high), -15.0, 260.0, 12.0, 10.0),
                "its highest value is no boost",
            )
            if said_kpa:
                asks = one.candidate.turned(wanted if wanted is not None else high)
                one.add(
                    window(
                        asks, 0.75 * min(said_kpa), 1.2 * max(said_kpa), 0.08 * max(said_kpa), 6.0
                    ),
                    "it is far from the car file's target",
                )
            rest = one.candidate.turned(quantile(finite, 0.01)) if len(finite) else 0.0
            one.add(window(rest, -105.0, 260.0, 5.0, 12.0))
            if (
                len(finite)
                and finite[-1] > finite[0]
                and abs(rest) < 2.5
                and (one.candidate.reference == "absolute" or finite[0] == 0.0)
            ):
                one.add(2.0, "at rest it asks for no boost")
        if reached is not None and wanted is not None:
            _weigh_reached(both, wanted, reached - ambient_kpa)
        scored += both
    said = said_reference(hints, stated)
    kept = [s for s in scored if said in ("", s.candidate.reference)]
    found = decide(kept, stated=stated, stated_from=stated_from, typical=high or 1.0)
    own = max(s.evidence for s in kept if s.candidate == found.candidate)
    if max(s.evidence for s in scored) - own <= STATED or len(kept) == len(scored):
        return found
    why = f"it is called {said}, but the values fit that badly"
    return replace(found, doubtful=True, confidence=min(found.confidence, 0.6), why=why)


def said_reference(hints: frozenset[str], stated: Unit | None) -> str:
    """'gauge' or 'absolute' where the unit's text or the header says so, else ''."""
    if stated is not None and stated.reference:
        return stated.reference
    said = hints & {"gauge", "absolute"}
    return next(iter(said)) if len(said) == 1 else ""


def _weigh_reached(both: Sequence[Scored], wanted: float, reached_kpa: float) -> None:
    """Hold a target in one unit against boost reached, gauge: far under it tells unit and
    reference, far over it the unit alone.
    """
    away = [one.candidate.turned(wanted) - reached_kpa for one in both]
    short = max(window(a, -np.inf, 28.0, 16.0, SHORT) for a in away)
    for one, a in zip(both, away, strict=True):
        one.add(short + window(a, -22.0, np.inf, 16.0, 12.0), "it is far from the boost reached")
        if -12.0 <= a <= 15.0:
            one.add(1.5, "it lies near the boost reached")
        if reached_kpa > 25.0 and one.candidate.turned(wanted) < 0.5 * reached_kpa:
            one.add(-2.5, "it is less than half the boost reached")


def line_pressure(
    values: Array,
    scene: Scene,
    *,
    channel: str,
    stated: Unit | None,
    stated_from: str,
    hints: frozenset[str],
    ambient_kpa: float,
) -> Decision:
    """How to read a fuel or oil pressure as kPa gauge."""
    finite = np.sort(values[np.isfinite(values)])
    running = values if scene.rpm is None else values[scene.rpm > 1500.0]
    running = running[np.isfinite(running)]
    mid = median(running) if len(running) else median(finite) if len(finite) else 0.0
    stopped = scene.level(values, scene.stopped)
    # low-pressure or port injection; direct injection, less likely unless the name says rail
    spans = (
        ((180.0, 750.0, 0.0), (1500.0, 26000.0, 0.0 if "rail" in hints else -2.6))
        if channel == "fuel_pressure"
        else ((110.0, 750.0, 0.0),)
    )
    scored = []
    for unit, usual in [
        *pressure_candidates(stated),
        *([(units()["mpa"], -1.0)] if stated is None else []),
    ]:
        odd = unit.key == "mbar" and stated is None
        for one in both_references(
            unit,
            usual - (1.0 if odd else 0.0),
            2.5
            if "absolute" not in hints and (stated is None or stated.reference != "absolute")
            else -3.0,
            0.0,
        ):
            absolute = one.candidate.reference == "absolute"
            one.candidate = Candidate(
                unit,
                one.candidate.said,
                unit.scale,
                -ambient_kpa if absolute else 0.0,
                "",
                one.candidate.reference,
            )
            one.add(
                max(
                    window(one.candidate.turned(mid), low, high, 0.12 * low, 10.0) + less
                    for low, high, less in spans
                ),
                "its values are no such pressure",
            )
            if absolute:
                one.add(
                    window(
                        None if stopped is None else one.candidate.turned(stopped),
                        -6.0,
                        1e9,
                        4.0,
                        6.0,
                    )
                )
            scored.append(one)
    return decide(scored, stated=stated, stated_from=stated_from, typical=mid or 1.0)


__all__ = [
    "Ambient",
    "Levels",
    "ambient_pressure",
    "boost_target",
    "levels",
    "line_pressure",
    "manifold",
    "plain",
    "units_of",
]
