"""Where the limit of a finding lies on the axis of its panel, in canonical units."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from audit.model import Finding, Measures, Pull

Levels = Callable[[Finding, Measures, Pull], list[float | None]]


def limit_levels(finding: Finding, measures: Measures, pull: Pull) -> list[float]:
    """Levels to draw a line at, in the panel's canonical unit; [] where the limit is none of an axis.

    A limit on a difference is laid on what it is a difference to: the settled boost, the target, the start.
    """
    find = _BY_CODE.get(finding.code)
    if find is None or finding.limit is None:
        return []
    return [level for level in find(finding, measures, pull) if level is not None]


def _plain(f: Finding, _m: Measures, _p: Pull) -> list[float | None]:
    return [f.limit]


def _overshoot(f: Finding, m: Measures, _p: Pull) -> list[float | None]:
    peak, over = m.get("boost_peak_kpa"), m.get("boost_overshoot_kpa")
    if peak is None or over is None or f.limit is None:
        return []
    base = (
        peak - over
    )  # what the overshoot was measured from, which may lie beside the settled level of the whole pull
    return [base * (1 + f.limit / 100) if f.unit == "%" else base + f.limit]


def _over_limit(f: Finding, _m: Measures, p: Pull) -> list[float | None]:
    limit = p.car.boost_limit_kpa
    return [limit * (1 + (f.limit or 0.0) / 100)] if limit is not None else []


def _under_target(f: Finding, m: Measures, _p: Pull) -> list[float | None]:
    target = m.get("boost_target_kpa")
    return [target - f.limit] if target is not None and f.limit is not None else []


def _swing(f: Finding, m: Measures, _p: Pull) -> list[float | None]:
    settled = m.get("boost_settled_kpa")
    return (
        [settled - f.limit / 2, settled + f.limit / 2]
        if settled is not None and f.limit is not None
        else []
    )


def _fade(f: Finding, m: Measures, _p: Pull) -> list[float | None]:
    peak = m.get("boost_peak_kpa")
    return [peak * (1 - f.limit / 100)] if peak is not None and f.limit is not None else []


OVER_TARGET_BELOW = 0.5  # no lambda limit is lower, no distance to the target higher


def _lean(f: Finding, _m: Measures, p: Pull) -> list[float | None]:
    if f.limit is None or f.limit >= OVER_TARGET_BELOW:
        return [f.limit]
    target = p.believed("lambda_target")
    if f.start_s is not None:
        target = target.within(f.start_s - 0.3, (f.end_s or f.start_s) + 0.3)
    return [float(target.value.mean()) + f.limit] if target else []


def _heat(f: Finding, _m: Measures, _p: Pull) -> list[float | None]:
    if f.unit == "°C":
        return [f.limit]
    return []


def _rise_from(start: str, peak: str, rise: str) -> Levels:
    def find(f: Finding, m: Measures, _p: Pull) -> list[float | None]:
        begin, top, grown = m.get(start), m.get(peak), m.get(rise)
        if f.unit != "K" or f.limit is None:
            return _heat(f, m, _p)
        if begin is None and top is not None and grown is not None:
            begin = top - grown
        return [begin + f.limit] if begin is not None else []

    return find


_BY_CODE: Mapping[str, Levels] = {
    "boost.overshoot": _overshoot,
    "boost.over_limit": _over_limit,
    "boost.under_target": _under_target,
    "boost.oscillation": _swing,
    "boost.fade": _fade,
    "mixture.lean": _lean,
    "mixture.lean_spike": _lean,
    "mixture.rich": _plain,
    "heat.intake": _rise_from("intake_start_c", "intake_peak_c", "intake_rise_c"),
    "heat.coolant": _rise_from("coolant_start_c", "coolant_peak_c", "coolant_rise_c"),
    "heat.cold": _heat,
    "heat.exhaust": _plain,
    "knock.retard": _plain,
    "fuel.injector_limit": _plain,
    "electrical.voltage": _plain,
}
