"""The table's bytes to columns of numbers; what is no data is counted and told."""

from __future__ import annotations

import numpy as np
import polars as pl

from audit.errors import UnreadableLog
from audit.intake.bytes.encoding import Bytes
from audit.intake.text.body import plan_columns
from audit.intake.text.cells import Rule
from audit.intake.text.keep import Kept, choose_lines
from audit.intake.text.layout import find_layout
from audit.intake.text.lines import find_lines, single_to_double_quotes, without_blank_end
from audit.intake.text.quick_way import quick_table
from audit.intake.text.slow_way import slow_table
from audit.intake.text.table import Table, finish

MOST_COLUMNS = 1500


def parse_table(data: Bytes) -> Table:
    """Read the first table in the text (UTF-8 bytes). Raises NotALog or UnreadableLog."""
    lines = find_lines(single_to_double_quotes(without_blank_end(data)))
    layout = find_layout(lines)
    if layout.width > MOST_COLUMNS:
        raise UnreadableLog(
            f"line {layout.first + 1}: {layout.width} columns, more than {MOST_COLUMNS}. "
            "Export it with one moment a row and one channel a column"
        )
    names = [f"c{i}" for i in range(layout.width)]
    rules: dict[str, Rule | None] = {}
    quick = quick_table(layout, names, rules, None)
    if quick is not None:
        kept = Kept(lines=np.arange(layout.first, len(layout.lines)), width=layout.width)
    else:
        kept = choose_lines(layout)
        quick = (
            quick_table(layout, names, rules, kept)
            if kept.width == layout.width and not kept.short and kept.quotes
            else None
        )
    if quick is not None:
        frame, dropped = quick, pl.Series([], dtype=pl.UInt32)
    else:
        names = [f"c{i}" for i in range(kept.width)]
        frame, rules, dropped = slow_table(layout, kept, names, plan_columns(layout, names))
    if frame.height == 0:
        raise UnreadableLog(
            "a header but no row of data below it. Copy the log from the logger again"
        )
    return finish(layout, kept, frame, rules, dropped)


__all__ = ["Table", "parse_table"]
