"""`channels` as a table at 80 columns and as JSON."""

from __future__ import annotations

import sys
import textwrap
from typing import TYPE_CHECKING, Any, TextIO

from audit.report.display import number, unit_for
from audit.report.document import finite
from audit.tables import row_of

if TYPE_CHECKING:
    from audit.channels import ColumnStory, Explained, LogStory

WIDTH = 80
FLAGS = {1: "pass", 2: "not tested", 3: "suspect", 4: "fail", 9: "missing"}


def print_channels(explained: Explained, out: TextIO | None = None) -> None:
    """Write the table to a text stream (standard output by default)."""
    (out or sys.stdout).write("\n".join(render(explained)) + "\n")


def render(explained: Explained) -> list[str]:
    """The lines of the table."""
    lines: list[str] = []
    for story in explained.logs:
        lines += [*_head(story), *_table(story, us=explained.us_units), *_tail(story), ""]
    return lines[:-1] if lines else ["No log could be read."]


def _wrap(text: str, first: str, rest: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=first, subsequent_indent=rest) or [first]


def _head(story: LogStory) -> list[str]:
    log = story.log
    about = (
        f"{log.rows} rows, {log.duration_s:.1f} s, {log.rate_hz:.3g} rows a second; clock: "
        f"{log.clock or 'unknown'}"
    )
    air = f"ambient pressure: {log.barometric.kpa:.1f} kPa, from {log.barometric.source}"
    return [log.path, *_wrap(about, "  ", "  "), *_wrap(air, "  ", "  "), ""]


def _table(story: LogStory, *, us: bool) -> list[str]:
    lines = [
        f"{'source column':<22} {'channel':<19} {'rate':>6} {'low':>7} {'high':>7} {'unit':<6} flag"
    ]
    for column in sorted(story.columns, key=lambda c: not c.channel.known):
        lines += _column(column, us=us)
    return lines


def _column(column: ColumnStory, *, us: bool) -> list[str]:
    c = column.channel
    low, high = (column.five[0], column.five[-1]) if column.five else (None, None)
    unit, digits = (c.unit, row_of(c.name).digits) if c.known else ("", 1)
    name = c.name if c.known else "(kept as it is)"
    rate = f"{c.rate_hz:.3g}/s" if c.rate_hz else "–"
    ends = [number(end, unit, us=us, digits=digits) for end in (low, high)]
    head = (
        f"{c.source[:22]:<22} {name[:19]:<19} {rate:>6} {ends[0]:>7} {ends[1]:>7} "
        f"{unit_for(unit, us=us)[:6]:<6} {FLAGS[column.flag] if c.known else ''}"
    ).rstrip()
    lines = [head]
    if not c.known:
        near = f"nearest channel: {c.nearest}" if c.nearest else ""
        why = "; ".join(part for part in (c.name_why, near) if part)
        return lines + (_wrap(why, "    ", "    ") if why else [])
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
    return lines + _wrap("; ".join(w for w in words if w), "    ", "    ")


def _tail(story: LogStory) -> list[str]:
    lines: list[str] = []
    if story.switched_off:
        lines += ["", "Checks that this log cannot feed"]
        for off in story.switched_off:
            must = " (required for clear)" if off.required else ""
            lines += _wrap(
                f"{off.check.replace('_', ' ')}{must}: wants {off.wants}", "  - ", "    "
            )
    if story.findings:
        lines += ["", "Said of this log"]
        for text in story.findings:
            lines += _wrap(text, "  - ", "    ")
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
            {"check": o.check, "required": o.required, "wants": o.wants} for o in story.switched_off
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
