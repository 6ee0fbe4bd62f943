"""The table's bytes to columns of numbers, by polars' own CSV parser; what is no data is counted and told."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from audit.errors import UnreadableLog
from audit.intake.cells import Rule, decimal_of_table, learn, no_numbers, to_numbers
from audit.intake.encoding import Bytes
from audit.intake.header import describe_columns
from audit.intake.keep import Kept, choose_lines, last_cell_is_short, looks_like_header, stray_notes
from audit.intake.layout import Layout, find_layout
from audit.intake.lines import QUOTE, Ints, find_lines, single_to_double_quotes, without_padding
from audit.intake.raw import RawColumn
from audit.model import Note

SAMPLE_ROWS = 400
BLOCK = 1 << 26  # bytes parsed at once
MOST_TRIES = 400  # parses of one block while looking for its torn lines
SLOW_BLOCK = 1 << 23  # the same, where every cell becomes text first

Schema = dict[str, pl.DataType]


@dataclass(frozen=True, eq=False)
class Table:
    """A table as read, before its clock is understood. lines: 1-based source line of each row."""

    frame: pl.DataFrame
    columns: tuple[RawColumn, ...]
    lines: Ints
    restarts: tuple[int, ...]  # rows that follow a repeated header
    notes: tuple[Note, ...]
    preamble: tuple[str, ...]
    words: str
    decimal: str = "."
    made_up_header: bool = False
    next_line: int | None = None  # where another table with other columns begins, 0-based


def parse_table(data: Bytes) -> Table:
    """Read the first table in the text (UTF-8 bytes). Raises NotALog or UnreadableLog."""
    layout = find_layout(find_lines(single_to_double_quotes(data)))
    names = [f"c{i}" for i in range(layout.width)]
    rules: dict[str, Rule | None] = {}
    quick = _quick(layout, names, rules, None)
    if quick is not None:
        kept = Kept(lines=np.arange(layout.first, len(layout.lines)), width=layout.width)
    else:
        kept = choose_lines(layout)
        quick = _quick(layout, names, rules, kept) if kept.width == layout.width and not kept.short and kept.quotes else None
    if quick is not None:
        frame, dropped = quick, pl.Series([], dtype=pl.UInt32)
    else:
        names = [f"c{i}" for i in range(kept.width)]
        frame, rules, dropped = _slow(layout, kept, names, _plan(layout, names))
    if frame.height == 0:
        raise UnreadableLog("a header but no row of data below it. Copy the log from the logger again")
    return _finish(layout, kept, frame, rules, dropped)


# --- the plan: what each column seems to be, from a sample ------------------------------------------

@dataclass(frozen=True, slots=True)
class _Plan:
    rules: dict[str, Rule | None]
    decimal: str


def _plan(layout: Layout, names: list[str]) -> _Plan:
    sample = _sample_frame(layout, names)
    texts = sample.select(pl.all().str.strip_chars(' \t\r"'))
    decimal = layout.dialect.decimal
    all_texts = pl.all().str.replace(",", ".", literal=True) if decimal == "," else pl.all()
    lost = texts.select(all_texts.cast(pl.Float64, strict=False).is_null() & pl.all().is_not_null())
    dotted = texts.select(pl.all().str.contains(".", literal=True)) if decimal == "," else lost
    clean = {n: not (lost[n].any() or (decimal == "," and dotted[n].any())) for n in names}
    columns = [texts[n] for n in names]
    decimal, sure = decimal_of_table(columns, decimal)
    rules = {n: (Rule(True, decimal) if clean[n] and decimal == "." and sure else learn(c, decimal, sure=sure))
             for n, c in zip(names, columns, strict=True)}
    return _Plan(rules, decimal)


def _sample_frame(layout: Layout, names: list[str]) -> pl.DataFrame:
    """Up to SAMPLE_ROWS rows as text: the head, and blocks spread over the rest."""
    lines, total = layout.lines, len(layout.lines) - layout.first
    if total <= SAMPLE_ROWS:
        spans = [(layout.first, len(lines))]
    else:
        at = np.linspace(layout.first + SAMPLE_ROWS // 2, len(lines) - 50, 4).astype(int).tolist()
        spans = [(layout.first, layout.first + SAMPLE_ROWS // 2)] + [(a, a + 50) for a in at]
    parts = []
    for a, b in spans:
        counts = lines.delimiters(a, b, layout.delimiter, quotes=layout.dialect.quotes)
        likely = np.abs(counts - (layout.width - 1)) <= max(1, layout.width // 3)
        if layout.dialect.quotes:  # a torn quote would swallow what follows
            likely &= lines.delimiters(a, b, QUOTE, quotes=False) % 2 == 0
        parts.append(_masked(layout, a, b, likely))
    body = b"".join(p if p.endswith(b"\n") else p + b"\n" for p in parts if p)
    schema = _texts(names)
    try:
        return _read_csv(body, schema, layout, ragged=True, quoted=layout.dialect.quotes)
    except pl.exceptions.PolarsError:
        return _read_csv(body, schema, layout, ragged=True, quoted=False)


def _masked(layout: Layout, first: int, to: int, keep: np.ndarray) -> bytes:
    block = layout.lines.slice(first, to)
    if keep.all():
        return block.tobytes()
    begin = int(layout.lines.starts[first])
    lengths = np.diff(np.minimum(layout.lines.stops[first:to] + 1 - begin, len(block)), prepend=0)
    out: bytes = block[np.repeat(keep, lengths)].tobytes()
    return out


def _texts(names: list[str]) -> Schema:
    return dict.fromkeys(names, pl.String())


def _read_csv(body: bytes, schema: Schema, layout: Layout, *, ragged: bool, quoted: bool) -> pl.DataFrame:
    if not body[:200].strip(b"\r\n") and not body.strip(b"\r\n"):
        return pl.DataFrame(schema=schema)
    return pl.read_csv(
        body, has_header=False, schema=schema, separator=chr(layout.delimiter), quote_char='"' if quoted else None,
        decimal_comma=layout.dialect.decimal == "," and layout.delimiter != ord(","),
        extra_columns="ignore" if ragged else "raise", missing_columns="insert" if ragged else "raise",
    )


# --- the whole file ---------------------------------------------------------------------------------

def _quick(layout: Layout, names: list[str], rules: dict[str, Rule | None], kept: Kept | None) -> pl.DataFrame | None:
    """The table read in one go, when every line is a row and every cell a plain number or plain words; else None."""
    dialect = layout.dialect
    plain = _plain_columns(layout)
    if plain is None:
        return None
    schema: Schema = {n: (pl.Float64() if p else pl.String()) for n, p in zip(names, plain, strict=True)}
    frames = []
    for a, b in layout.lines.blocks(layout.first, BLOCK):
        block = layout.lines.slice(a, b)
        rows = b - a
        if kept is not None:
            mask = kept.mask[a - layout.first : b - layout.first]
            rows = int(mask.sum())
        elif dialect.quotes:
            if not (layout.lines.delimiters(a, b, layout.delimiter, quotes=True) == layout.width - 1).all():
                return None
        elif int(np.count_nonzero(block == layout.delimiter)) != (b - a) * (layout.width - 1):
            return None
        if dialect.decimal == "," and bool((block == 46).any()):
            return None
        try:
            body = without_padding(block.tobytes(), layout.delimiter) if kept is None else _masked(layout, a, b, mask)
            frame = _read_csv(body, schema, layout, ragged=False, quoted=dialect.quotes)
        except pl.exceptions.PolarsError:
            return None
        if frame.height != rows:
            return None
        frames.append(frame)
    if kept is None and layout.lines.ends_open and last_cell_is_short(layout, len(layout.lines) - 1 - layout.first):
        return None
    whole = pl.concat(frames, rechunk=False) if len(frames) > 1 else frames[0]
    if min(whole.null_count().row(0)) > 0 and whole.select(pl.all_horizontal(pl.all().is_null()).any()).item():
        return None
    if not all(plain):
        whole = whole.with_columns(pl.col(pl.String).str.strip_chars())
    for name, p in zip(names, plain, strict=True):
        rule = Rule(True) if p else learn(whole[name].drop_nulls().head(SAMPLE_ROWS), dialect.decimal)
        if not p and (rule is None or rule.numeric):
            return None
        rules[name] = rule
    return _all_finite(whole)


def _plain_columns(layout: Layout) -> list[bool] | None:
    """Column by column, whether all sampled cells are numbers as they stand; None to look closer."""
    decimal = layout.dialect.decimal
    if decimal == "," and layout.delimiter == ord(","):
        return None
    number = re.compile(rf"[-+]?(?:\d+\{decimal}?\d*|\{decimal}\d+)(?:[eE][-+]?\d+)?|")
    grouped = re.compile(rf"[-+]?[1-9]\d{{0,2}}\{decimal}\d{{3}}")
    rows = [row for row in layout.rows if len(row) == layout.width]
    if len(rows) < min(5, len(layout.rows)):
        return None
    out = []
    for cells in zip(*rows, strict=True):
        out.append(all(number.fullmatch(cell) for cell in cells))
        if out[-1]:
            marked = [cell for cell in cells if decimal in cell]
            if marked and len(marked) < len(cells) and all(grouped.fullmatch(cell) for cell in marked):
                return None  # thousands, perhaps
    return out


def _all_finite(frame: pl.DataFrame) -> pl.DataFrame:
    numbers = pl.col(pl.Float64)
    if not any(kind == pl.Float64 for kind in frame.dtypes) or all(frame.select(numbers.is_finite().all()).row(0)):
        return frame
    return frame.with_columns(pl.when(numbers.is_finite()).then(numbers).name.keep())


def _slow(
    layout: Layout, kept: Kept, names: list[str], plan: _Plan
) -> tuple[pl.DataFrame, dict[str, Rule | None], pl.Series]:
    """Every column as text, then to numbers by its rule; and the rows (by position) that hold no numbers."""
    rules = {n: plan.rules.get(n) for n in names}
    frames, strays, at = [], [], 0
    plain = _plain_columns(layout) if len(layout.lines.data) > SLOW_BLOCK and kept.width == layout.width else None
    for a, b in layout.lines.blocks(layout.first, SLOW_BLOCK):
        body = _masked(layout, a, b, kept.mask[a - layout.first : b - layout.first])
        sound = _sound_block(layout, body, names, plain, rules)
        if sound is not None:
            frames.append(sound)
            at += sound.height
            continue
        text = _read_text(body, names, layout, quoted=layout.dialect.quotes and kept.quotes, tries=[MOST_TRIES])
        for name in names:
            if rules[name] is None:
                rules[name] = learn(text[name].drop_nulls().head(SAMPLE_ROWS), plan.decimal)
        frame, stray = _convert(text, rules)  # most files need this for a few blocks only
        strays.append(stray.cast(pl.UInt32) + at)
        at += frame.height
        frames.append(frame.filter(~pl.Series(np.isin(np.arange(frame.height), stray.to_numpy()))) if len(stray) else frame)
    if not frames:
        return pl.DataFrame(schema=_texts(names)), rules, pl.Series([], dtype=pl.UInt32)
    whole = pl.concat(frames, how="vertical_relaxed", rechunk=False) if len(frames) > 1 else frames[0]
    return whole, rules, pl.concat(strays)


def _read_text(body: bytes, names: list[str], layout: Layout, *, quoted: bool, tries: list[int]) -> pl.DataFrame:
    """A block as text, one row a line; a line that the parser refuses (torn quotes) becomes a row of nulls."""
    rows = body.count(b"\n") + (not body.endswith(b"\n")) if body else 0
    tries[0] -= 1
    try:
        frame = _read_csv(body, _texts(names), layout, ragged=True, quoted=quoted)
        if frame.height == rows:
            return frame
    except pl.exceptions.PolarsError:
        pass
    if rows <= 1 or tries[0] <= 0:
        return pl.DataFrame({n: pl.Series([None] * rows, dtype=pl.String) for n in names})
    middle = body.index(b"\n", len(body) // 2) + 1 if b"\n" in body[len(body) // 2 : -1] else body.rindex(b"\n", 0, len(body) - 1) + 1
    halves = (body[:middle], body[middle:])
    return pl.concat([_read_text(half, names, layout, quoted=quoted, tries=tries) for half in halves])


def _sound_block(
    layout: Layout, body: bytes, names: list[str], plain: list[bool] | None, rules: dict[str, Rule | None]
) -> pl.DataFrame | None:
    """A block of a large file in which nothing is amiss, by the quick way; else None."""
    if plain is None or (layout.dialect.decimal == "," and b"." in body):
        return None
    for name, p in zip(names, plain, strict=True):
        rule = rules[name]
        fits = rule is not None and rule.numeric == p and (not p or (rule.decimal == layout.dialect.decimal and not rule.unit))
        if not fits:
            return None
    schema: Schema = {n: (pl.Float64() if p else pl.String()) for n, p in zip(names, plain, strict=True)}
    try:
        frame = _read_csv(body, schema, layout, ragged=False, quoted=layout.dialect.quotes)
    except pl.exceptions.PolarsError:
        return None
    if frame.height and frame.select(pl.all_horizontal(pl.all().is_null()).any()).item():
        return None
    return _all_finite(frame.with_columns(pl.col(pl.String).str.strip_chars()) if not all(plain) else frame)


def _convert(text: pl.DataFrame, rules: dict[str, Rule | None]) -> tuple[pl.DataFrame, pl.Series]:
    """Numbers where a rule says so; and the positions of rows that are words where numbers should be."""
    cells = text.select(pl.all().str.strip_chars(' \t\r"').replace("", None))
    plain = [n for n, rule in rules.items() if rule is not None and rule.numeric and not rule.unit]
    as_is = {n: pl.col(n).str.replace(",", ".", literal=True) if _rule(rules, n).decimal == "," else pl.col(n) for n in plain}
    direct = cells.select(e.cast(pl.Float64, strict=False) for e in as_is.values())
    dots = [pl.col(n).str.contains(".", literal=True).any() for n in plain if _rule(rules, n).decimal == ","]
    dotted = cells.select(dots).row(0, named=True) if dots else {}
    nulls_before, nulls_after = cells.null_count().row(0, named=True), direct.null_count().row(0, named=True)
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
    words = cells.select(pl.sum_horizontal(pl.col(others).is_not_null())).to_series().to_numpy() if others else np.zeros(cells.height)
    bad = pl.DataFrame(lost).sum_horizontal().to_numpy() if lost else np.zeros(cells.height)
    if stamped:
        words = words + 2 * cells.select(pl.sum_horizontal(pl.col(stamped).is_not_null())).to_series().to_numpy()
    stray = ((bad > 0) & (bad >= np.maximum(1, 0.5 * full))) | ((full == 0) & (words <= 1))
    return _all_finite(pl.DataFrame(columns)), pl.Series(np.flatnonzero(stray).astype(np.uint32))


def _rule(rules: dict[str, Rule | None], name: str) -> Rule:
    return rules[name] or Rule(numeric=False)


# --- names, notes, order ----------------------------------------------------------------------------

def _finish(layout: Layout, kept: Kept, frame: pl.DataFrame, rules: dict[str, Rule | None], stray: pl.Series) -> Table:
    lines, next_table = kept.lines, kept.next_table
    notes, restarts = list(kept.notes), list(kept.restarts)
    if len(stray):
        odd = lines[stray.to_numpy()]
        for i in odd[:2000].tolist():
            rows_after = int((lines > i).sum()) - int((odd > i).sum())
            if rows_after >= 3 and looks_like_header(layout, i):
                next_table = i  # other columns under the same number of names: a table of its own
                frame = frame.head(frame.height - rows_after)
                stray, odd, lines = stray.filter(pl.Series(odd < i)), odd[odd < i], lines[lines < i]
                break
        lines = np.delete(lines, stray.to_numpy())
        again = [int(i) for i in odd[:5000] if layout.lines.text(int(i)).strip() in layout.header_lines]
        restarts = sorted(restarts + again)
        known = set(again)
        notes += stray_notes(layout, [int(i) for i in odd if int(i) not in known])
    if restarts:
        notes.append(Note(
            f"the header comes again at line {restarts[0] + 1}"
            + (f" and {len(restarts) - 1} more times" if len(restarts) > 1 else "") + ": the logger was started anew in the same file.",
            line=restarts[0] + 1, count=len(restarts)))
    columns = describe_columns(layout.header, kept.width)
    frame, columns = _named(frame, columns, rules)
    notes += _column_notes(layout, frame, columns)
    rows = sorted({int(r) for r in np.searchsorted(lines, restarts) if 0 < r < len(lines)})
    return Table(frame, tuple(columns), lines + 1, tuple(rows), tuple(notes), layout.preamble, layout.dialect.words,
                 layout.dialect.decimal, layout.header.made_up, next_table)


def _named(
    frame: pl.DataFrame, columns: list[RawColumn], rules: dict[str, Rule | None]
) -> tuple[pl.DataFrame, list[RawColumn]]:
    """Unique column names; a column without a header and without a value goes."""
    seen: dict[str, int] = {}
    series, kept = [], []
    for i, (values, column) in enumerate(zip(frame.get_columns(), columns, strict=True)):
        empty = values.null_count() == len(values)
        if empty and not column.header.strip():
            continue
        header = column.header.strip() or f"column {i + 1}"
        name = header
        while name in seen:
            seen[header] += 1
            name = f"{header} ({seen[header]})"
        seen[name] = 1
        rule = rules.get(values.name)
        unit = rule.unit if rule is not None and rule.numeric else ""
        told = replace(column, unit=unit, unit_from="cells") if unit and not column.unit else column
        numeric = values.dtype == pl.Float64
        kept.append(replace(told, header=header, name=told.name.strip() or header, numeric=numeric))
        series.append(values.alias(name))
    return pl.DataFrame(series), kept


def _column_notes(layout: Layout, frame: pl.DataFrame, columns: list[RawColumn]) -> list[Note]:
    notes = []
    if layout.header.made_up:
        notes.append(Note(f"no header above line {layout.first + 1}: the columns are called 'column 1' to 'column {frame.width}'."))
    empty = [n for n, count in zip(frame.columns, frame.null_count().row(0), strict=True) if count == frame.height]
    if empty:
        notes.append(Note(f"{len(empty)} columns hold no value: {', '.join(empty[:6])}{' ...' if len(empty) > 6 else ''}.", count=len(empty)))
    twice = [c.header for c, n in zip(columns, frame.columns, strict=True) if n != c.header]
    if twice:
        notes.append(Note(f"{len(twice)} columns have a name that stands twice: {', '.join(twice[:6])}.", count=len(twice)))
    return notes
