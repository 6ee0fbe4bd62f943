"""The rest by physics: engine speed, road speed, percentages, angles, times, flows, voltages.

Windows: common practice, no published source. Does not see: km/h against mile/h without a gearing,
a second speed column or a unit; that is said as a doubt.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from audit.intake.names.unit_text import Unit, units
from audit.intake.units.decide import STATED, Candidate, Decision, Scored, decide, plain, window
from audit.intake.units.scene import Scene, quantile
from audit.model import Array
from audit.signal.arrays import median

CLOSED = 0.35  # a throttle column that never exceeds this is closed, not a fraction


def _sorted(values: Array) -> Array:
    finite = np.sort(values[np.isfinite(values)])
    return finite if len(finite) else np.zeros(1)


def scored_units(keys: Sequence[str], stated: Unit | None, usual: dict[str, float]) -> list[Scored]:
    """The units by key as candidates, with what is usual or stated as their prior."""
    table = units()
    rows = [table[k] for k in keys]
    if stated is not None and stated not in rows:
        rows.append(stated)
    return [
        Scored(
            plain(u),
            (0.0 if stated is u else -STATED) if stated is not None else usual.get(u.key, 0.0),
        )
        for u in rows
    ]


def engine_speed(values: Array, *, stated: Unit | None, stated_from: str) -> Decision:
    """rpm, thousands, rad/s or rev/s: an engine idles at 600 to 1100 rpm and stays under 9500."""
    finite = _sorted(values)
    turning = finite[finite > 0.02 * max(quantile(finite, 0.998), 1e-9)]
    low, high = (quantile(turning, 0.05), quantile(turning, 0.998)) if len(turning) else (0.0, 0.0)
    if stated is not None and stated.key == "rpm" and 0 < high < 25.0:
        stated = None  # 'Engine RPM' is a name as much as a unit; none tops out at 25 a minute
    scored = scored_units(
        ("rpm", "krpm", "rads", "hz"), stated, {"krpm": -0.5, "rads": -2.5, "hz": -3.0}
    )
    mid = median(turning) if len(turning) else 0.0
    for one in scored:
        if high > 0:
            one.add(
                window(one.candidate.turned(mid), 550.0, 6500.0, 150.0, 6.0),
                "no engine runs at that speed half of the time",
            )
            one.add(
                window(one.candidate.turned(high), 550.0, 9800.0, 150.0, 12.0),
                "its highest value is no engine speed",
            )
            one.add(
                window(one.candidate.turned(low), 380.0, 7000.0, 60.0, 6.0),
                "its lowest running value is no engine speed",
            )
    return decide(scored, stated=stated, stated_from=stated_from, typical=high)


def percentage(channel: str, values: Array, *, stated: Unit | None, stated_from: str) -> Decision:
    """Percent, fraction, 0 to 255, and for a throttle volts or degrees."""
    finite = _sorted(values)
    low, high = quantile(finite, 0.002), quantile(finite, 0.998)
    if channel.endswith("fuel_trim"):
        return _trim(finite, stated, stated_from)
    stretch = channel in ("throttle_position", "pedal_position")
    scored = scored_units(
        ("pct", "fraction", *(("byte",) if stretch else ())),
        stated,
        {"fraction": -0.5, "byte": -2.0},
    )
    moving = high - low > 1e-9
    for one in scored:
        top = one.candidate.turned(high)
        one.add(
            window(top, -1.0, 106.0 if channel != "injector_duty" else 150.0, 2.0, 14.0),
            "it goes beyond 100 %",
        )
        if stretch and high <= CLOSED:  # an idling engine's, in percent
            one.add(-2.0 if one.candidate.unit.key == "fraction" else 0.0)
        elif moving and stretch:
            one.add(window(top, 12.0, 106.0, 3.0, 5.0), "it would hardly open")
        elif moving:
            one.add(window(top, 3.0, 150.0, 1.0, 4.0), "it would hardly move")
    if stretch and (stated is None or stated.key == "throttle_v"):
        _volts(scored, finite, stated)
    return decide(scored, stated=stated, stated_from=stated_from, typical=high or 1.0, safest=True)


def _volts(scored: list[Scored], finite: Array, stated: Unit | None) -> None:
    """A throttle in volts, 0.3 to 1.2 V closed and 3.5 to 5 V open, stretched to its own ends."""
    low, high = quantile(finite, 0.01), quantile(finite, 0.998)
    scored[:] = [s for s in scored if s.candidate.unit.key != "throttle_v"]
    unit = units()["throttle_v"]
    if 0.2 <= low <= 1.3 and 3.2 <= high <= 5.1:
        scale = 100.0 / (high - low)
        one = Scored(
            Candidate(unit, "V (closed to open taken as 0 to 100 %)", scale, -scale * low),
            0.0 if stated else -1.0,
        )
        one.add(
            3.0 if stated is None else 0.0,
            "it lies between the ends of a throttle sensor's voltage",
        )
        scored.append(one)
    elif stated is not None:
        scored.append(
            Scored(Candidate(unit, "V (0.5 to 4.5 V taken as 0 to 100 %)", 25.0, -12.5), 0.0)
        )


def _trim(finite: Array, stated: Unit | None, stated_from: str) -> Decision:
    mid, low, high = (quantile(finite, share) for share in (0.5, 0.002, 0.998))
    scored = scored_units(
        ("pct", "fraction", "multiplier", "centred"),
        stated,
        {"fraction": -2.5, "multiplier": -2.5, "centred": -2.5},
    )
    reach = max(abs(low), abs(high))
    for one in scored:
        one.add(window(one.candidate.turned(mid), -22.0, 22.0, 6.0, 12.0), "it is far from zero")
        one.add(
            window(one.candidate.turned(low), -45.0, 1e9, 6.0, 8.0)
            + window(one.candidate.turned(high), -1e9, 45.0, 6.0, 8.0)
        )
        if one.candidate.unit.key == "fraction":
            one.add(window(reach, 0.02, 0.35, 0.08, 8.0))
        if (
            one.candidate.unit.key == "pct"
            and 0 < reach < 0.4
            and len(set(finite[:200].tolist())) > 3
        ):
            one.add(-2.5, "it would never move a percent")
        if one.candidate.unit.key == "pct" and low > 0.6 and high < 1.4 and high > low:
            one.add(-4.0, "it would be a multiplier about 1")
    return decide(scored, stated=stated, stated_from=stated_from, typical=high or 1.0, matters=True)


def road_speed(
    values: Array,
    scene: Scene,
    *,
    stated: Unit | None,
    stated_from: str,
    us_hint: float,
    ratios_rpm_per_kmh: Sequence[float],
    reference_kmh: Array | None,
) -> Decision:
    """km/h, mph, m/s or kn: by the car's gearing, by another speed column, else by what the file
    says.
    """
    high = quantile(_sorted(values), 0.998)
    scored = scored_units(
        ("kmh", "mph", "mps", "kn"), stated, {"mph": us_hint, "mps": -3.0, "kn": -5.0}
    )
    for one in scored:
        one.add(
            window(one.candidate.turned(high), 0.0, 300.0, 20.0, 10.0),
            "it would be faster than cars go",
        )
    if ratios_rpm_per_kmh and scene.rpm is not None:
        _weigh_gears(scored, values, scene.rpm, np.log(np.asarray(ratios_rpm_per_kmh)))
    elif scene.rpm is not None and stated is None:
        _weigh_top_gear(scored, values, scene.rpm)
    if reference_kmh is not None:
        both = np.isfinite(values) & np.isfinite(reference_kmh) & (reference_kmh > 20.0)
        if both.sum() >= 10:
            ratio = median(reference_kmh[both] / np.maximum(values[both], 1e-9))
            for one in scored:
                one.add(
                    -min(0.5 * (float(np.log(ratio / one.candidate.scale)) / 0.06) ** 2, 8.0),
                    "the other speed column disagrees",
                )
    return decide(scored, stated=stated, stated_from=stated_from, typical=high)


def _weigh_gears(scored: list[Scored], values: Array, rpm: Array, known: Array) -> None:
    """Share of driven samples that lie within 4 % of one of the car's gears."""
    moving = (
        np.isfinite(values)
        & np.isfinite(rpm)
        & (rpm > 1500.0)
        & (values > 0.15 * max(np.nanmax(values), 1e-9))
    )
    if moving.sum() < 10:
        return
    ratio = np.log(rpm[moving] / values[moving])
    for one in scored:
        away = np.abs((ratio - np.log(one.candidate.scale))[:, None] - known[None, :]).min(axis=1)
        share = float((away < 0.04).mean())
        one.add(
            10.0 * (share - 1.0) if share < 1 else 0.0,
            f"{share:.0%} of its samples fit the car's gears",
        )


def _weigh_top_gear(scored: list[Scored], values: Array, rpm: Array) -> None:
    """Weak: the longest gear used lies between 17 and 75 rpm a km/h."""
    moving = (
        np.isfinite(values)
        & np.isfinite(rpm)
        & (rpm > 1500.0)
        & (values > 0.5 * max(np.nanmax(values), 1e-9))
        & (values > 3.0)
    )
    if moving.sum() < 10:
        return
    longest = quantile(np.sort(rpm[moving] / values[moving]), 0.1)
    for one in scored:
        one.add(
            window(longest / one.candidate.scale, 20.0, 85.0, 4.0, 6.0),
            "no car is geared like that",
        )


def ignition(values: Array, *, stated: Unit | None, stated_from: str) -> Decision:
    """Degrees before top dead centre, or after it when most are negative."""
    finite = _sorted(values)
    mid, high = quantile(finite, 0.5), quantile(finite, 0.95)
    scored = scored_units(("deg", "deg_after"), stated, {"deg_after": -2.0})
    for one in scored:
        one.add(
            window(one.candidate.turned(mid), -4.0, 50.0, 5.0, 8.0),
            "most of it would be after top dead centre",
        )
        one.add(window(one.candidate.turned(high), -25.0, 62.0, 5.0, 6.0))
    return decide(scored, stated=stated, stated_from=stated_from, typical=high or 1.0)


OFF_ZERO = 0.3  # °: nearer to nought a reading tells no sign
STRAYS, STRAY_SHARE, FEW = 3, 0.02, 0.25  # most readings of the other sign, also by their share


def retard(
    values: Array, every: Sequence[Array], *, stated: Unit | None, stated_from: str
) -> Decision:
    """Timing taken out, positive; a column that goes negative, but for strays, is turned over.

    Told by how many readings stand to either side of nought, never by how far the furthest goes.
    every: the columns of all knock sensors, which tell for one that has nothing to tell itself.
    """
    below, above = _either_side([values])
    if not below and not above:
        below, above = _either_side(every)
    negative, less, more = below > above, min(below, above), max(below, above)
    mixed = less > max(STRAYS, STRAY_SHARE * more) or (less > 0 and less >= FEW * more)
    unit = units()["deg_negative"] if negative else stated or units()["deg"]
    count = f"{below:.0f} readings below nought, {above:.0f} above"
    why = f"negative means taken out: {count}" if negative else ""
    if mixed:
        why = f"it goes to both sides of nought: {count}"
    elif above and not negative:
        why = f"positive means taken out: {count}"
    said = "° (both signs, the commoner taken as taken out)" if mixed else unit.said
    return Decision(
        Candidate(unit, said, -1.0 if negative else 1.0),
        "physics" if negative else stated_from or "assumed",
        why,
        0.6 if mixed else 1.0,
        "the other sign" if mixed else "",
        mixed,
    )


def _either_side(columns: Sequence[Array]) -> tuple[int, int]:
    """How many readings stand below nought and how many above."""
    with np.errstate(invalid="ignore"):
        return (
            sum(int((column < -OFF_ZERO).sum()) for column in columns),
            sum(int((column > OFF_ZERO).sum()) for column in columns),
        )


def by_size(
    values: Array,
    keys: Sequence[str],
    low_high: tuple[float, float],
    *,
    width: float = 0.25,
    stated: Unit | None,
    stated_from: str,
    usual: dict[str, float],
    share: float = 0.9,
) -> Decision:
    """The unit under which a high quantile falls in a window: pulse width, air flow, voltage,
    acceleration.

    width: how softly the window ends, in natural logarithms.
    """
    finite = _sorted(np.abs(values))
    top = quantile(finite, share)
    scored = scored_units(keys, stated, usual)
    if top > 0:
        for one in scored:
            size = math.log(max(one.candidate.turned(top), 1e-12))
            one.add(
                window(size, math.log(low_high[0]), math.log(low_high[1]), width, 12.0),
                "its values do not fit",
            )
    return decide(scored, stated=stated, stated_from=stated_from, typical=top or 1.0)
