"""The quick way: a table in one go, when every line is a row and every cell a plain number or plain
words.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from audit.intake.text.body import SAMPLE_ROWS, Schema, all_finite, masked, plain_columns, read_csv
from audit.intake.text.cells import Rule, learn
from audit.intake.text.keep import Kept, last_cell_is_short
from audit.intake.text.layout import Layout
from audit.intake.text.lines import without_padding

BLOCK = 1 << 26  # bytes parsed at once


def quick_table(
    layout: Layout, names: list[str], rules: dict[str, Rule | None], kept: Kept | None
) -> pl.DataFrame | None:
    """The table read in one go, when every line is a row and every cell a plain number or plain
    words; else None.
    """
    dialect = layout.dialect
    plain = plain_columns(layout)
    if plain is None:
        return None
    schema: Schema = {
        n: (pl.Float64() if p else pl.String()) for n, p in zip(names, plain, strict=True)
    }
    frames = []
    for a, b in layout.lines.blocks(layout.first, BLOCK):
        block = layout.lines.slice(a, b)
        rows = b - a
        if kept is not None:
            mask = kept.mask[a - layout.first : b - layout.first]
            rows = int(mask.sum())
        elif dialect.quotes:
            if not (
                layout.lines.delimiters(a, b, layout.delimiter, quotes=True) == layout.width - 1
            ).all():
                return None
        elif int(np.count_nonzero(block == layout.delimiter)) != (b - a) * (layout.width - 1):
            return None
        if dialect.decimal == "," and bool((block == 46).any()):
            return None
        try:
            body = (
                without_padding(block.tobytes(), layout.delimiter)
                if kept is None
                else masked(layout, a, b, mask)
            )
            frame = read_csv(body, schema, layout, ragged=False, quoted=dialect.quotes)
        except pl.exceptions.PolarsError:
            return None
        if frame.height != rows:
            return None
        frames.append(frame)
    if (
        kept is None
        and layout.lines.ends_open
        and last_cell_is_short(layout, len(layout.lines) - 1 - layout.first)
    ):
        return None
    whole = pl.concat(frames, rechunk=False) if len(frames) > 1 else frames[0]
    if (
        min(whole.null_count().row(0)) > 0
        and whole.select(pl.all_horizontal(pl.all().is_null()).any()).item()
    ):
        return None
    if not all(plain):
        whole = whole.with_columns(pl.col(pl.String).str.strip_chars())
    for name, p in zip(names, plain, strict=True):
        rule = (
            Rule(True) if p else learn(whole[name].drop_nulls().head(SAMPLE_ROWS), dialect.decimal)
        )
        if not p and (rule is None or rule.numeric):
            return None
        rules[name] = rule
    return all_finite(whole)
