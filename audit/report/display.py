"""Figures in the reader's units: psi, °F and mph, or metric as they are."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping

from audit.units import fahrenheit, mph, psi

_FIGURE = re.compile(r"(?<![\w.])(-?\d+(?:\.\d+)?) (kPa|°C|K|km/h)(?![\w/])")

# canonical unit -> (US unit, conversion, digits)
_US = {
    "kPa": ("psi", psi, 1),
    "°C": ("°F", fahrenheit, 0),
    "K": ("°F", lambda kelvin: kelvin * 1.8, 0),
    "km/h": ("mph", mph, 0),
}
MOST_MORE = 3  # decimals added to tell a figure from another
# "… of LOW kPa gauge by BETWEEN kPa (… %), to HIGH kPa": one is the difference of two
_SUM = re.compile(r"([\d.]+) kPa( gauge)? by [\d.]+ kPa( \(\d+ %\))?, to ([\d.]+) kPa")


def localise(message: str, *, us: bool) -> str:
    """A canonical message with its figures in US or metric units (a difference in K reads °C)."""

    def summed(m: re.Match[str]) -> str:
        ends = {k: figure(float(m[k]), "kPa", us=us) for k in (1, 4)}
        by = between(float(m[4]), float(m[1]), us=us)
        return f"{ends[1]}{m[2] or ''} by {by} {unit_for('kPa', us=us)}{m[3] or ''}, to {ends[4]}"

    message = _SUM.sub(summed, message)
    return _FIGURE.sub(lambda m: _shown(m[1], m[2], message, us=us), message)


def _shown(text: str, unit: str, message: str, *, us: bool) -> str:
    """A canonical figure of a message in the reader's unit, with as many decimals as tell it from
    the others there: 118.3 kPa over a limit of 118 kPa is 17.16 psi over 17.11 psi.
    """

    def told(one: str, more: int) -> str:
        return figure(float(one), unit, us=us, digits=_digits(one), more=more)

    others = {m[1] for m in _FIGURE.finditer(message) if m[2] == unit}
    others = {one for one in others if float(one) != float(text)}
    apart = (k for k in range(MOST_MORE) if all(told(o, k) != told(text, k) for o in others))
    return told(text, next(apart, MOST_MORE))


def _digits(text: str) -> int:
    return len(text.partition(".")[2])


def figure(value: float | None, unit: str, *, us: bool, digits: int = 1, more: int = 0) -> str:
    """'12.8 psi', '65 °C'; a dash for None. A ratio names no unit; its slope is a small number."""
    least = 2 if unit == "1" else 3 if unit.startswith("per ") else 0
    text = number(value, unit, us=us, digits=max(digits, least), more=more)
    return text if text == "–" else f"{text} {unit_for(unit, us=us)}".rstrip()


def as_written(value: float, unit: str, message: str, *, us: bool) -> str:
    """A canonical figure as a canonical message writes it, in the reader's unit; "" where it does
    not. unit: "" for a ratio, which is written with two decimals or more.
    """
    shape = rf"(-?\d+(?:\.\d+)?) {re.escape(unit)}(?![\w/])" if unit else r"(-?\d+\.\d\d+)(?!\w)"
    for text in re.findall(rf"(?<![\w.]){shape}", message):
        if f"{value:.{_digits(text)}f}" == text:
            return _shown(text, unit, message, us=us)
    return ""


def number(value: float | None, unit: str, *, us: bool, digits: int = 1, more: int = 0) -> str:
    """The number alone, in the reader's unit; a dash for None or what is not finite.

    more: decimals beyond the usual ones of that unit.
    """
    if value is None or not math.isfinite(value):
        return "–"
    unit = unit.partition(" per ")[0]  # of a slope, what goes up
    if us and unit in _US:
        _, convert, us_digits = _US[unit]
        value, digits = convert(value), max(us_digits, digits if unit == "kPa" else 0)
    return _written(value, digits + more)


def between(high: float | None, low: float | None, *, us: bool) -> str:
    """A pressure less another, as the difference of the two figures that are shown."""
    if high is None or low is None:
        return "–"
    ends = [round(float(number(end, "kPa", us=us)), 1) for end in (high, low)]
    return _written(ends[0] - ends[1], 1)


def apart(a: str, b: str) -> str:
    """b less a as both are shown, so that they add up: '+0.1', '-3', and '0.0' for none."""
    digits = _digits(b)
    change = _written(round(float(b) - float(a), digits), digits)
    return change if change.startswith("-") or not change.strip("0.") else f"+{change}"


def overshoot(measures: Mapping[str, float | None], *, us: bool) -> str:
    """A pull's overshoot: its peak less its settled level as both are shown."""
    peak, settled = (measures.get(k) for k in ("boost_peak_kpa", "boost_settled_kpa"))
    if peak is None or settled is None:
        return number(measures.get("boost_overshoot_kpa"), "kPa", us=us)
    return between(peak, settled, us=us)


def overshoot_share(measures: Mapping[str, float | None], *, us: bool) -> str:
    """Overshoot in % of the settled level, "" where it is not known or none."""
    share = number(measures.get("boost_overshoot_pct"), "%", us=us, digits=0)
    return "" if share in ("–", "0") or not overshoot(measures, us=us).strip("-0.") else share


def _written(value: float, digits: int) -> str:
    text = f"{value:.{digits}f}"
    return text.removeprefix("-") if not text.strip("-0.") else text  # no minus before nought


def unit_for(unit: str, *, us: bool) -> str:
    """The unit a canonical unit is shown in, "" for a ratio's "1"; K are shown as degrees."""
    first, per, rest = unit.partition(" per ")
    if us and first in _US:
        return _US[first][0] + per + rest
    return {"K": "°C", "1": ""}.get(unit, unit)


def linear(unit: str, *, us: bool) -> tuple[float, float]:
    """(scale, offset) from a canonical unit to the reader's: shown = scale * value + offset."""
    if not us or unit not in _US:
        return 1.0, 0.0
    convert = _US[unit][1]
    offset = convert(0.0)
    return convert(1.0) - offset, offset


def shown(value: float, unit: str, *, us: bool) -> float:
    """One figure in the reader's unit."""
    scale, offset = linear(unit, us=us)
    return scale * value + offset
