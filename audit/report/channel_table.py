"""`channels` as a table as wide as the terminal, 80 columns at most, and as JSON."""

from __future__ import annotations

import sys
import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, TextIO

from audit.report.display import number, unit_for
from audit.report.document import finite
from audit.tables import row_of

if TYPE_CHECKING:
    from audit.channels import ColumnStory, Explained, LogStory

WIDTH = 80
HEADS = ("channel", "rate", "low", "high", "unit", "flag")
FLAGS = {1: "pass", 2: "not tested", 3: "suspect", 4: "fail", 9: "missing"}


def print_channels(explained: Explained, out: TextIO | None = None, *, width: int = WIDTH) -> None:
    """Write the table to a text stream (standard output by default)."""
    (out or sys.stdout).write("\n".join(render(explained, width=width)) + "\n")


def render(explained: Explained, *, width: int = WIDTH) -> list[str]:
    """The lines of the table; on a screen narrower than it a channel's row takes two."""
    lines: list[str] = []
    for story in explained.logs:
        told = [*_about(story), ""]
        told += _table(story, us=explained.us_units, narrow=width < WIDTH) + _tail(story) + [""]
        lines += [story.log.path, *(row for line in told for row in _fitted(line, width))]
    return lines[:-1] if lines else ["No log could be read."]


def _fitted(line: str, width: int) -> list[str]:
    """A line as it is, or in several, each set in as its first word."""
    if len(line) <= width:
        return [line]
    inset = " " * (len(line) - len(line.lstrip(" -")))
    return textwrap.wrap(line, width, subsequent_indent=inset, break_long_words=False)


def _about(story: LogStory) -> list[str]:
    log = story.log
    rate = f"{log.rows} rows, {log.duration_s:.1f} s, {log.rate_hz:.3g} rows a second"
    return [
        f"  {rate}; clock: {log.clock or 'unknown'}",
        f"  ambient pressure: {log.barometric.kpa:.1f} kPa, from {log.barometric.source}",
    ]


def _table(story: LogStory, *, us: bool, narrow: bool) -> list[str]:
    lines = _row("source column", HEADS, narrow=narrow)
    for column in sorted(story.columns, key=lambda c: not c.channel.known):
        lines += _column(column, us=us, narrow=narrow)
    return lines


def _row(source: str, cells: Sequence[str], *, narrow: bool) -> list[str]:
    """A row: source column, then channel, rate, low, high, unit and flag, on a narrow screen on a
    line of their own.
    """
    name, rate, low, high, unit, flag = cells
    if narrow:
        row = f"  {name[:15]:<15} {rate:>4} {low:>5} {high:>5} {unit[:5]:<5} {flag}"
        return [source, row.rstrip()]
    row = f"{source[:22]:<22} {name[:19]:<19} {rate:>6} {low:>7} {high:>7} {unit[:6]:<6} {flag}"
    return [row.rstrip()]


def _column(column: ColumnStory, *, us: bool, narrow: bool) -> list[str]:
    c = column.channel
    low, high = (column.five[0], column.five[-1]) if column.five else (None, None)
    unit, digits = (c.unit, row_of(c.name).digits) if c.known else ("", 1)
    name = c.name if c.known else "(kept as it is)"
    rate = f"{c.rate_hz:.3g}/s" if c.rate_hz else "–"
    ends = [number(end, unit, us=us, digits=digits) for end in (low, high)]
    shown = "" if unit == "1" else unit_for(unit, us=us)  # a ratio or a count has none to name
    flag = FLAGS[column.flag] if c.known else ""
    lines = _row(c.source, (name, rate, *ends, shown, flag), narrow=narrow)
    if not c.known:
        near = f"nearest channel: {c.nearest}" if c.nearest else ""
        why = "; ".join(part for part in (c.name_why, near) if part)
        return lines + ([f"    {why}"] if why else [])
    words = [c.name_why]
    if c.source_unit:
        doubt = f", doubtful: could be {c.runner_up}" if c.doubtful else ""
        words.append(
            f"read as {c.source_unit} by {c.unit_from or 'default'} (confidence "
            f"{c.confidence:.2f}{doubt})"
        )
    if c.unit_why:
        words.append(c.unit_why)
    if c.held:
        words.append("value held between samples")
    bad = [f"{test} {FLAGS[flag]}" for test, flag in column.tests.items() if flag in (3, 4)]
    words += [f"tests: {', '.join(bad)}"] if bad else []
    return [*lines, "    " + "; ".join(w for w in words if w)]


def _tail(story: LogStory) -> list[str]:
    lines: list[str] = []
    for part, title in ((False, "Checks that this log cannot feed"), (True, "What would see more")):
        off = [o for o in story.switched_off if o.part == part]
        lines += ["", title] if off else []
        for one in off:
            must = " (required for clear)" if one.required else ""
            verb = "with" if part else "wants"
            lines.append(f"  - {one.check.replace('_', ' ')}{must}: {verb} {one.wants}")
    if story.findings:
        lines += ["", "Said of this log", *(f"  - {text}" for text in story.findings)]
    return lines


def document(explained: Explained) -> dict[str, Any]:
    """The table as a tree of plain values, for JSON."""
    return {
        "document": "pullaudit.channels",
        "version": 1,
        "car_file": explained.car_file,
        "rejected": list(explained.rejected),
        "logs": [_log(story) for story in explained.logs],
    }


def _log(story: LogStory) -> dict[str, Any]:
    log = story.log
    return {
        "path": log.path,
        "sha256": log.sha256,
        "rows": log.rows,
        "duration_s": finite(log.duration_s),
        "rate_hz": finite(log.rate_hz),
        "clock": log.clock,
        "barometric": {"kpa": finite(log.barometric.kpa), "source": log.barometric.source},
        "channels": [_channel(c) for c in story.columns],
        "switched_off": [
            {"check": o.check, "required": o.required, "wants": o.wants, "part": o.part}
            for o in story.switched_off
        ],
        "said": list(story.findings),
    }


def _channel(column: ColumnStory) -> dict[str, Any]:
    c = column.channel
    return {
        "name": c.name,
        "source": c.source,
        "known": c.known,
        "source_unit": c.source_unit,
        "unit": c.unit,
        "unit_from": c.unit_from,
        "confidence": finite(c.confidence),
        "runner_up": c.runner_up,
        "doubtful": c.doubtful,
        "name_why": c.name_why,
        "unit_why": c.unit_why,
        "nearest": c.nearest,
        "rate_hz": finite(c.rate_hz) or 0.0,
        "held": c.held,
        "samples": column.samples,
        "five_numbers": None if column.five is None else [finite(v) for v in column.five],
        "flag": column.flag,
        "flag_says": FLAGS[column.flag],
        "tests": dict(column.tests),
    }
