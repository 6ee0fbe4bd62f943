"""The table's bytes to columns of numbers; what is no data is counted and told."""

from __future__ import annotations

from audit.intake.bytes.encoding import Bytes
from audit.intake.said import refused
from audit.intake.text.layout import find_layout
from audit.intake.text.lines import find_lines, single_to_double_quotes, without_blank_end
from audit.intake.text.rows import read_rows
from audit.intake.text.table import Table, finish

MOST_COLUMNS = 1500


def parse_table(data: Bytes) -> Table:
    """Read the first table in the text (UTF-8 bytes). Raises NotALog or UnreadableLog."""
    lines = find_lines(single_to_double_quotes(without_blank_end(data)))
    layout = find_layout(lines)
    if layout.width > MOST_COLUMNS:
        raise refused("many_columns", line=layout.first + 1, width=layout.width, most=MOST_COLUMNS)
    rows = read_rows(layout)
    if rows.frame.height == 0:
        raise refused("no_rows")
    return finish(layout, rows)


__all__ = ["Table", "parse_table"]
