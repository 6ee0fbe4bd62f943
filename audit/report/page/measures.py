"""The sheet of a pull's measures, read from what the checks declare: a new check stands in it by
itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from audit.declared import Measure, all_declared
from audit.model import SEVERITIES, Limit, Measures, PullAudit, worst_severity
from audit.report.display import figure, number, overshoot, overshoot_share, unit_for
from audit.report.page.history import Usual
from audit.tables import Limits, limits_for


@dataclass(frozen=True, slots=True)
class SheetRow:
    """A line of the sheet: figure, flag and the limits of watch, hold and stop, "" for none; usual
    and last are "" where no archive is at hand.
    """

    label: str
    value: str
    flag: str
    limits: tuple[str, ...]
    usual: str
    last: str


MOST_MORE = 3  # decimals added to tell a figure from its limit
ORDER = ("Boost", "Mixture", "Heat", "Engine")  # headings that a check adds come after these


def measures_by_group() -> dict[str, list[Measure]]:
    """Heading -> measures, in the table's order."""
    out: dict[str, list[Measure]] = {title: [] for title in ORDER}
    for row in all_declared():
        for measure in row.measures:
            out.setdefault(measure.group, []).append(measure)
    return out


def sheet(audit: PullAudit, usual: Usual | None, *, us: bool) -> list[tuple[str, list[SheetRow]]]:
    """(group, rows) of a pull: what is always shown, and what was found and no shown figure tells;
    empty groups are left out.
    """
    table = limits_for(audit.pull.car)
    out = []
    for title, measures in measures_by_group().items():
        there = [m for m in measures if audit.measures.get(m.name) is not None]
        flags = {m.name: _flag(m, audit, table) for m in there}
        told = {c for m in there if m.shown and flags[m.name] for c in _codes(m, table)}
        rows = [
            _row(m, flags[m.name], audit, usual, table, us=us)
            for m in there
            if m.shown or (flags[m.name] and not told & _codes(m, table))
        ]
        out += [(title, rows)] if rows else []
    return out


def _codes(measure: Measure, table: Limits) -> set[str]:
    return {limit.code for limit in table.of_measure(measure.name)}


def _flag(measure: Measure, audit: PullAudit, table: Limits) -> str:
    """The severity that this figure reaches, no worse than what was found for it; "" for none."""
    value, boost = audit.measures.get(measure.name), audit.measures.get("boost_settled_kpa")
    limits = table.of_measure(measure.name)
    codes = _codes(measure, table)
    found = worst_severity([f.severity for f in audit.findings if f.code in codes])
    reached = [s for limit in limits if (s := limit.when(boost).severity(value)) is not None]
    own = worst_severity(reached)
    return min((found, own), key=SEVERITIES.index) if found and own else ""


def _row(
    measure: Measure, flag: str, audit: PullAudit, usual: Usual | None, table: Limits, *, us: bool
) -> SheetRow:
    levels = [
        limit.when(audit.measures.get("boost_settled_kpa"))
        for limit in table.of_measure(measure.name)
    ][:1]
    own_more, more = _more(measure, audit.measures, levels, us=us)
    own = usual.ranges.get(measure.name) if usual is not None else None
    last = usual.last.get(measure.name) if usual is not None else None
    return SheetRow(
        measure.label,
        _figure(measure, audit.measures, us=us, more=own_more),
        flag,
        _limits(measure, levels, us=us, more=more),
        "" if own is None else " to ".join(_number(measure, v, us=us) for v in own),
        "" if last is None else _number(measure, last, us=us),
    )


def _number(measure: Measure, value: float, *, us: bool, more: int = 0) -> str:
    return number(value, measure.unit, us=us, digits=measure.digits, more=more)


def _levels(at: Limit) -> list[tuple[str, float]]:
    levels = (("watch", at.watch), ("hold", at.hold), ("stop", at.stop))
    return [(word, value) for word, value in levels if value is not None]


def _more(
    measure: Measure, measures: Measures, limits: Sequence[Limit], *, us: bool
) -> tuple[int, int]:
    """Decimals beyond the usual ones, of the figure and of its limits, until it reads on the side
    of each that it is on.

    The limits get them first: the figure stands in other tables too.
    """
    value = measures[measure.name]
    assert value is not None
    for own, of_limits in (
        *((0, k) for k in range(MOST_MORE)),
        *((k, k) for k in range(MOST_MORE)),
    ):
        shown = float(_figure(measure, measures, us=us, more=own).split()[0])
        ends = [
            (at.below, level, float(_number(measure, level, us=us, more=of_limits)))
            for at in limits
            for _, level in _levels(at)
        ]
        if all(
            (shown <= told) == (value <= level) if below else (shown >= told) == (value >= level)
            for below, level, told in ends
        ):
            return own, of_limits
    return MOST_MORE, MOST_MORE


def _limits(measure: Measure, limits: Sequence[Limit], *, us: bool, more: int) -> tuple[str, ...]:
    """('≥ 7.0', '≥ 14.0', ''): watch, hold and stop of the measure's first row, at the boost that
    was held.
    """
    told = {
        word: f"{'≤' if at.below else '≥'} {_number(measure, level, us=us, more=more)}"
        for at in limits
        for word, level in _levels(at)
    }
    return tuple(told.get(word, "") for word in ("watch", "hold", "stop"))


def _figure(measure: Measure, measures: Measures, *, us: bool, more: int = 0) -> str:
    if measure.name == "boost_overshoot_kpa" and not more:
        share = overshoot_share(measures, us=us)
        text = f"{overshoot(measures, us=us)} {unit_for('kPa', us=us)}"
        return f"{text} ({share} %)" if share else text
    return figure(measures.get(measure.name), measure.unit, us=us, digits=measure.digits, more=more)
