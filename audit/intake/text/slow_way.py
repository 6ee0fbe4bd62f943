"""The slow way: every cell as text first, then to numbers by its column's rule."""

from __future__ import annotations

import numpy as np
import polars as pl

from audit.intake.text.body import (
    SAMPLE_ROWS,
    Plan,
    Schema,
    all_finite,
    masked,
    plain_columns,
    read_csv,
    texts_schema,
)
from audit.intake.text.cells import Rule, learn, no_numbers, to_numbers
from audit.intake.text.keep import Kept
from audit.intake.text.layout import Layout

MOST_TRIES = 400  # parses of one block while looking for its torn lines
SLOW_BLOCK = 1 << 23  # the same, where every cell becomes text first


def slow_table(
    layout: Layout, kept: Kept, names: list[str], plan: Plan
) -> tuple[pl.DataFrame, dict[str, Rule | None], pl.Series]:
    """Every column as text, then to numbers by its rule; and the rows (by position) that hold no
    numbers.
    """
    rules = {n: plan.rules.get(n) for n in names}
    frames, strays, at = [], [], 0
    plain = (
        plain_columns(layout)
        if len(layout.lines.data) > SLOW_BLOCK and kept.width == layout.width
        else None
    )
    for a, b in layout.lines.blocks(layout.first, SLOW_BLOCK):
        body = masked(layout, a, b, kept.mask[a - layout.first : b - layout.first])
        sound = _sound_block(layout, body, names, plain, rules)
        if sound is not None:
            frames.append(sound)
            at += sound.height
            continue
        text = _read_text(
            body, names, layout, quoted=layout.dialect.quotes and kept.quotes, tries=[MOST_TRIES]
        )
        for name in names:
            if rules[name] is None:
                rules[name] = learn(text[name].drop_nulls().head(SAMPLE_ROWS), plan.decimal)
        frame, stray = _convert(text, rules)  # most files need this for a few blocks only
        strays.append(stray.cast(pl.UInt32) + at)
        at += frame.height
        frames.append(
            frame.filter(~pl.Series(np.isin(np.arange(frame.height), stray.to_numpy())))
            if len(stray)
            else frame
        )
    if not frames:
        return pl.DataFrame(schema=texts_schema(names)), rules, pl.Series([], dtype=pl.UInt32)
    whole = (
        pl.concat(frames, how="vertical_relaxed", rechunk=False) if len(frames) > 1 else frames[0]
    )
    return whole, rules, pl.concat(strays)


def _read_text(
    body: bytes, names: list[str], layout: Layout, *, quoted: bool, tries: list[int]
) -> pl.DataFrame:
    """A block as text, one row a line; a line that the parser refuses (torn quotes) becomes a row
    of nulls.
    """
    rows = body.count(b"\n") + (not body.endswith(b"\n")) if body else 0
    tries[0] -= 1
    try:
        frame = read_csv(body, texts_schema(names), layout, ragged=True, quoted=quoted)
        if frame.height == rows:
            return frame
    except pl.exceptions.PolarsError:
        pass
    if rows <= 1 or tries[0] <= 0:
        return pl.DataFrame({n: pl.Series([None] * rows, dtype=pl.String) for n in names})
    middle = (
        body.index(b"\n", len(body) // 2) + 1
        if b"\n" in body[len(body) // 2 : -1]
        else body.rindex(b"\n", 0, len(body) - 1) + 1
    )
    halves = (body[:middle], body[middle:])
    return pl.concat(
        [_read_text(half, names, layout, quoted=quoted, tries=tries) for half in halves]
    )


def _sound_block(
    layout: Layout,
    body: bytes,
    names: list[str],
    plain: list[bool] | None,
    rules: dict[str, Rule | None],
) -> pl.DataFrame | None:
    """A block of a large file in which nothing is amiss, by the quick way; else None."""
    if plain is None or (layout.dialect.decimal == "," and b"." in body):
        return None
    for name, p in zip(names, plain, strict=True):
        rule = rules[name]
        fits = (
            rule is not None
            and rule.numeric == p
            and (not p or (rule.decimal == layout.dialect.decimal and not rule.unit))
        )
        if not fits:
            return None
    schema: Schema = {
        n: (pl.Float64() if p else pl.String()) for n, p in zip(names, plain, strict=True)
    }
    try:
        frame = read_csv(body, schema, layout, ragged=False, quoted=layout.dialect.quotes)
    except pl.exceptions.PolarsError:
        return None
    if frame.height and frame.select(pl.all_horizontal(pl.all().is_null()).any()).item():
        return None
    return all_finite(
        frame.with_columns(pl.col(pl.String).str.strip_chars()) if not all(plain) else frame
    )


def _convert(text: pl.DataFrame, rules: dict[str, Rule | None]) -> tuple[pl.DataFrame, pl.Series]:
    """Numbers where a rule says so; and the positions of rows that are words where numbers should
    be.
    """
    cells = text.select(pl.all().str.strip_chars(' \t\r"').replace("", None))
    plain = [n for n, rule in rules.items() if rule is not None and rule.numeric and not rule.unit]
    as_is = {
        n: pl.col(n).str.replace(",", ".", literal=True)
        if _rule(rules, n).decimal == ","
        else pl.col(n)
        for n in plain
    }
    direct = cells.select(e.cast(pl.Float64, strict=False) for e in as_is.values())
    dots = [
        pl.col(n).str.contains(".", literal=True).any()
        for n in plain
        if _rule(rules, n).decimal == ","
    ]
    dotted = cells.select(dots).row(0, named=True) if dots else {}
    nulls_before, nulls_after = (
        cells.null_count().row(0, named=True),
        direct.null_count().row(0, named=True),
    )
    columns, lost = [], {}
    for name, rule in rules.items():
        if name in nulls_after and nulls_after[name] == nulls_before[name] and not dotted.get(name):
            columns.append(direct[name])
        elif rule is None and nulls_before[name] == cells.height:
            columns.append(pl.Series(name, [None] * cells.height, dtype=pl.Float64))
        elif rule is not None and rule.numeric:
            values = to_numbers(cells[name], rule).alias(name)
            columns.append(values)
            lost[name] = no_numbers(cells[name], values)
        else:
            columns.append(cells[name])
    numeric = [n for n, rule in rules.items() if rule is not None and rule.numeric]
    if not numeric:
        return pl.DataFrame(columns), pl.Series([], dtype=pl.UInt32)
    others = [n for n in rules if n not in set(numeric) and nulls_before[n] > 0.5 * cells.height]
    stamped = [n for n in rules if n not in set(numeric) and n not in set(others)]
    full = cells.select(pl.sum_horizontal(pl.col(numeric).is_not_null())).to_series().to_numpy()
    words = (
        cells.select(pl.sum_horizontal(pl.col(others).is_not_null())).to_series().to_numpy()
        if others
        else np.zeros(cells.height)
    )
    bad = pl.DataFrame(lost).sum_horizontal().to_numpy() if lost else np.zeros(cells.height)
    if stamped:
        words = (
            words
            + 2
            * cells.select(pl.sum_horizontal(pl.col(stamped).is_not_null())).to_series().to_numpy()
        )
    stray = ((bad > 0) & (bad >= np.maximum(1, 0.5 * full))) | ((full == 0) & (words <= 1))
    return all_finite(pl.DataFrame(columns)), pl.Series(np.flatnonzero(stray).astype(np.uint32))


def _rule(rules: dict[str, Rule | None], name: str) -> Rule:
    return rules[name] or Rule(numeric=False)


# --- names, notes, order
# ----------------------------------------------------------------------------
