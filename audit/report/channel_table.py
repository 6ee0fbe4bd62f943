"""`channels` as a table as wide as the terminal, 80 columns at most, and as JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from audit.report.display import number, unit_for
from audit.report.document import finite, picked
from audit.report.words import FLAG_SAYS, aligned, plain_check, wrapped
from audit.tables import row_of

if TYPE_CHECKING:
    from audit.channels import ColumnStory, Explained, LogStory

WIDTH = 80
HEADS = ("channel", "rate", "low", "high", "unit", "flag")
WIDE, NARROW = (-19, 6, 7, 7, -6, -1), (-15, 4, 5, 5, -5, -1)  # columns of each


def render(explained: Explained, *, width: int = WIDTH) -> list[str]:
    """The lines of the table; on a screen narrower than it a channel's row takes two."""
    lines: list[str] = []
    for story in explained.logs:
        log = story.log
        rate = f"{log.rows} rows, {log.duration_s:.1f} s, {log.rate_hz:.3g} rows a second"
        told = [
            f"  {rate}; clock: {log.clock or 'unknown'}",
            f"  ambient pressure: {log.barometric.kpa:.1f} kPa, from {log.barometric.source}",
            "",
            *_row("source column", *HEADS, narrow=width < WIDTH),
        ]
        for column in sorted(story.columns, key=lambda c: not c.channel.known):
            told += _column(column, us=explained.us_units, narrow=width < WIDTH)
        lines += [log.path]
        lines += [row for line in [*told, *_tail(story), ""] for row in _fitted(line, width)]
    return lines[:-1] if lines else ["No log could be read."]


def _fitted(line: str, width: int) -> list[str]:
    """A line as it is, or in several, each set in as its first word."""
    return wrapped(line, "", " " * (len(line) - len(line.lstrip(" -"))), width) or [line]


def _row(source: str, *cells: str, narrow: bool) -> list[str]:
    """A row; on a narrow screen what the source column became stands on a line of its own."""
    widths = NARROW if narrow else WIDE
    cut = (text[:-width] if width < -1 else text for text, width in zip(cells, widths, strict=True))
    row = aligned(widths, *cut).rstrip()
    return [source, f"  {row}"] if narrow else [f"{source[:22]:<22} {row}"]


def _column(column: ColumnStory, *, us: bool, narrow: bool) -> list[str]:
    c = column.channel
    unit, digits = (c.unit, row_of(c.name).digits) if c.known else ("", 1)
    five = column.five or (None,)
    ends = [number(end, unit, us=us, digits=digits) for end in (five[0], five[-1])]
    name, flag = (c.name, FLAG_SAYS[column.flag]) if c.known else ("(kept as it is)", "")
    rate = f"{c.rate_hz:.3g}/s" if c.rate_hz else "–"
    lines = _row(c.source, name, rate, *ends, unit_for(unit, us=us), flag, narrow=narrow)
    words = [c.name_why]
    if not c.known:
        words += [f"nearest channel: {c.nearest}"] if c.nearest else []
    else:
        if c.source_unit:
            doubt = f", doubtful: could be {c.runner_up}" if c.doubtful else ""
            sure = f"(confidence {c.confidence:.2f}{doubt})"
            words.append(f"read as {c.source_unit} by {c.unit_from or 'default'} {sure}")
        bad = [f"{test} {FLAG_SAYS[flag]}" for test, flag in column.tests.items() if flag in (3, 4)]
        words += [c.unit_why, "value held between samples" if c.held else ""]
        words += [f"tests: {', '.join(bad)}"] if bad else []
    said = "; ".join(word for word in words if word)
    return [*lines, *([f"    {said}"] if said or c.known else [])]


def _tail(story: LogStory) -> list[str]:
    lines: list[str] = []
    for part, title, verb in (
        (False, "Checks that this log cannot feed", "wants"),
        (True, "What would see more", "with"),
    ):
        off = [o for o in story.switched_off if o.part == part]
        lines += ["", title] if off else []
        for one in off:
            must = " (required for clear)" if one.required else ""
            lines.append(f"  - {plain_check(one.check)}{must}: {verb} {one.wants}")
    if story.findings:
        lines += ["", "Said of this log", *(f"  - {text}" for text in story.findings)]
    return lines


def document(explained: Explained) -> dict[str, Any]:
    """The table as a tree of plain values, for JSON."""
    return {
        "document": "pullaudit.channels",
        "version": 1,
        **picked(explained, "car_file rejected"),
        "logs": [_log(story) for story in explained.logs],
    }


def _log(story: LogStory) -> dict[str, Any]:
    return {
        **picked(story.log, "path sha256 rows duration_s rate_hz clock"),
        "barometric": picked(story.log.barometric, "kpa source"),
        "channels": [_channel(c) for c in story.columns],
        "switched_off": [picked(o, "check required wants part") for o in story.switched_off],
        "said": list(story.findings),
    }


def _channel(column: ColumnStory) -> dict[str, Any]:
    c = column.channel
    return {
        **picked(c, "name source known source_unit unit unit_from confidence runner_up doubtful"),
        **picked(c, "name_why unit_why nearest"),
        "rate_hz": finite(c.rate_hz) or 0.0,
        "held": c.held,
        "samples": column.samples,
        "five_numbers": None if column.five is None else [finite(v) for v in column.five],
        "flag": column.flag,
        "flag_says": FLAG_SAYS[column.flag],
        "tests": dict(column.tests),
    }
