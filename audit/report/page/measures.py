"""The sheet of a pull's measures, as the checks declare them: a new check stands in it too."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import chain
from typing import Any, NamedTuple

from audit.declared import Measure, all_declared
from audit.model import SEVERITIES, Limit, Measures, PullAudit, worst_severity
from audit.report.display import MOST_MORE, figure, number, overshoot, overshoot_share, unit_for
from audit.tables import limits_for

ORDER = ("Boost", "Mixture", "Heat", "Engine")  # headings that a check adds come after these
LEVELS = ("watch", "hold", "stop")
Sheet = list[tuple[str, list[dict[str, Any]]]]


class Usual(NamedTuple):
    """One gear: (low, high) of each measure, nine earlier pulls in ten; last night's mean."""

    ranges: Mapping[str, tuple[float, float]] = {}
    last: Mapping[str, float] = {}


class DutyCurve(NamedTuple):
    """Settled boost against duty in one gear, kPa gauge in last night's air: most likely, and where
    nine pulls in ten lie. One figure a point, duty in % and rising.
    """

    duty: tuple[float, ...]
    low: tuple[float, ...]
    middle: tuple[float, ...]
    high: tuple[float, ...]


class History(NamedTuple):
    """last_night: ISO day of the night before, "" for none; by_gear: what was usual in each gear;
    curve: of tonight's gear, None where there is none. needs: (gear, target, duty) of every other
    gear that was pulled: the duty in % that its target, kPa gauge, takes.
    """

    last_night: str = ""
    by_gear: Mapping[int | None, Usual] = {}
    curve: DutyCurve | None = None
    needs: tuple[tuple[int, float, float], ...] = ()


def measures_by_group() -> dict[str, list[Measure]]:
    """Heading -> measures, in the table's order."""
    out: dict[str, list[Measure]] = {title: [] for title in ORDER}
    for measure in chain.from_iterable(row.measures for row in all_declared()):
        out.setdefault(measure.group, []).append(measure)
    return out


def sheet(audit: PullAudit, usual: Usual, *, us: bool) -> Sheet:
    """(group, rows) of a pull: what is always shown, and what was found and no shown figure tells;
    empty groups are left out.

    A row has label, value, flag ("" for none), the limits of watch, hold and stop, and the usual
    range and last night's value, "" where no archive is at hand.
    """
    table, boost = limits_for(audit.pull.car), audit.measures.get("boost_settled_kpa")
    out = []
    for title, measures in measures_by_group().items():
        there = [m for m in measures if audit.measures.get(m.name) is not None]
        limits = {m.name: [at.when(boost) for at in table.of_measure(m.name)] for m in there}
        codes = {name: {at.code for at in of} for name, of in limits.items()}
        flags = {m.name: _flag(m, audit, limits[m.name]) for m in there}
        told = {c for m in there if m.shown and flags[m.name] for c in codes[m.name]}
        rows = [
            {"flag": flags[m.name], **_row(m, audit.measures, usual, limits[m.name][:1], us=us)}
            for m in there
            if m.shown or (flags[m.name] and not told & codes[m.name])
        ]
        out += [(title, rows)] if rows else []
    return out


def _flag(measure: Measure, audit: PullAudit, limits: list[Limit]) -> str:
    """The severity that this figure reaches, no worse than what was found for it; "" for none."""
    value, codes = audit.measures.get(measure.name), {limit.code for limit in limits}
    found = worst_severity([f.severity for f in audit.findings if f.code in codes])
    own = worst_severity([s for limit in limits if (s := limit.severity(value)) is not None])
    return min((found, own), key=SEVERITIES.index) if found and own else ""


def _row(
    measure: Measure, measures: Measures, usual: Usual, limits: list[Limit], *, us: bool
) -> dict[str, Any]:
    """limits: the measure's first row at the boost that was held, or none."""

    def told(value: float, more: int = 0) -> str:
        return number(value, measure.unit, us=us, digits=measure.digits, more=more)

    levels = {
        word: (-1 if at.below else 1, value)
        for at in limits
        for word in LEVELS
        if (value := getattr(at, word)) is not None
    }
    value = measures[measure.name]
    assert value is not None

    def on_its_side(own: int, more: int) -> bool:
        """Does the figure read on the side of each limit that it is on?"""
        shown = float(_figure(measure, measures, us=us, more=own).split()[0])
        return all(
            (sign * shown >= sign * float(told(level, more))) == (sign * value >= sign * level)
            for sign, level in levels.values()
        )

    # The limits get more decimals first: the figure stands in other tables too.
    tried = chain(((0, k) for k in range(MOST_MORE)), ((k, k) for k in range(MOST_MORE)))
    own, more = next((pair for pair in tried if on_its_side(*pair)), (MOST_MORE, MOST_MORE))
    limit = {
        word: f"{'≥' if sign > 0 else '≤'} {told(at, more)}" for word, (sign, at) in levels.items()
    }
    ends, last = usual.ranges.get(measure.name), usual.last.get(measure.name)
    return {
        "label": measure.label,
        "value": _figure(measure, measures, us=us, more=own),
        "limits": tuple(limit.get(word, "") for word in LEVELS),
        "usual": "" if ends is None else " to ".join(told(v) for v in ends),
        "last": "" if last is None else told(last),
    }


def _figure(measure: Measure, measures: Measures, *, us: bool, more: int = 0) -> str:
    if measure.name == "boost_overshoot_kpa" and not more:
        share = overshoot_share(measures, us=us)
        text = f"{overshoot(measures, us=us)} {unit_for('kPa', us=us)}"
        return f"{text} ({share} %)" if share else text
    return figure(measures.get(measure.name), measure.unit, us=us, digits=measure.digits, more=more)
