"""Cells as text to numbers: marks, groups, units written into each cell, words for 'no value'."""

from __future__ import annotations

import math
import re
from collections import Counter
from typing import NamedTuple

import polars as pl

from audit.intake.names.unit_text import is_unit
from audit.intake.text.dialect import LONGEST_VALUE, NULLS

_NUMBER = (
    r"[-+]?(?:\d{1,3}(?:[.,'\u2019\u00a0\u202f ]\d{3})+(?:[.,]\d*)?|\d+(?:[.,]\d*)?|[.,]\d+)"
    r"(?:[eE][-+]?\d{1,3})?"
)
_CELL = re.compile(rf"({_NUMBER})\s*((?:[^\d\s.,;:+/\-][^\d]*\d?|1/(?:min|s)|(?<=\s)/min)?)")
_GROUPS = r"['\u2019\u00a0\u202f\s]"
_SURE = {
    m: re.compile(
        rf"[-+]?\d*\{m}(?:\d{{1,2}}|\d{{4,}})(?:[eE][-+]?\d+)?(?:\s*[^\d.,]*)?|[-+]?0\{m}\d+"
    )
    for m in ".,"
}
_ONE_GROUP = {m: re.compile(rf"[-+]?[1-9]\d{{0,2}}\{m}\d{{3}}") for m in ".,"}
LEAST_NUMBERS = 0.5  # share of the cells that are not blank which must be numbers


class Rule(NamedTuple):
    """How text becomes numbers. decimal: '.' or ','; unit: written into the cells, or ''."""

    numeric: bool
    decimal: str = "."
    unit: str = ""


def learn(cells: pl.Series, decimal: str, *, sure: bool = False) -> Rule | None:
    """The rule for a column from sampled cells; None when all of them are blank.

    decimal: the table's mark; sure: other columns leave no doubt about it.
    """
    texts = [t for t in (c.strip() for c in cells.drop_nulls().to_list()) if t.lower() not in NULLS]
    if not texts:
        return None
    matches = [_CELL.fullmatch(text) for text in texts if len(text) <= LONGEST_VALUE]
    found = [(m[1].strip(), m[2].strip()) for m in matches if m]
    units = Counter(unit for _, unit in found if unit)
    unit, times = units.most_common(1)[0] if units else ("", 0)
    if times < 0.5 * len(found) or not (is_unit(unit) or times > 0.8 * len(found)):
        unit, found = "", [one for one in found if not one[1]]  # 'A12', '3rd gear' are words
    if len(found) < LEAST_NUMBERS * len(texts):
        return Rule(numeric=False)
    return Rule(True, _decimal([number for number, _ in found], decimal, sure=sure), unit)


def _decimal(numbers: list[str], usual: str, *, sure: bool) -> str:
    """The decimal mark of one column; `usual` is the table's."""
    both = [n for n in numbers if "." in n and "," in n]
    if both:
        commas = sum(n.rfind(",") > n.rfind(".") for n in both)
        return "," if 2 * commas > len(both) else "."
    for mark, other in (",.", ".,"):
        marked = [n for n in numbers if mark in n]
        if not marked or any(other in n for n in numbers):
            continue
        if any(n.count(mark) > 1 for n in marked):
            return other  # 1,234,567: a mark that comes twice parts thousands
        if not all(map(_ONE_GROUP[mark].fullmatch, marked)):
            return mark
        if sure:
            return usual
        # 1,234 and 850 in one column part thousands; 1,234 and 0,987 do not reach this line
        plain = [n for n in numbers if mark not in n]
        return other if plain and all(len(n.lstrip("+-")) <= 3 for n in plain) else mark
    return usual


def decimal_of_table(columns: list[pl.Series], usual: str) -> tuple[str, bool]:
    """(the table's mark, True) by the columns that leave no doubt, else (usual, False)."""
    votes = dict.fromkeys(_SURE, 0)
    for cells in columns:
        texts = [t.strip()[:LONGEST_VALUE] for t in cells.drop_nulls().head(40).to_list()]
        for mark, sure in _SURE.items():
            votes[mark] += sum(map(bool, map(sure.fullmatch, texts))) > 0.2 * len(texts)
    if votes["."] == votes[","]:
        return usual, False
    return max(votes, key=votes.__getitem__), True


def to_numbers(cells: pl.Series, rule: Rule) -> pl.Series:
    """Float64 with null for blank cells and for text that is no number; not finite becomes null."""
    text = cells.str.strip_chars()
    plain = text.str.strip_suffix(rule.unit).str.strip_chars_end() if rule.unit else text
    if rule.decimal == ",":
        plain = plain.str.replace(",", ".", literal=True)
    first = plain.cast(pl.Float64, strict=False)
    doubtful = text.is_not_null() & first.is_null() & (text != "")
    if rule.decimal == ",":
        doubtful |= text.str.contains(".", literal=True).fill_null(value=False)
    if doubtful.any():
        at = doubtful.arg_true()
        first = first.scatter(at, _carefully(text.gather(at), rule).cast(pl.Float64, strict=False))
    return finite(first)


def _carefully(text: pl.Series, rule: Rule) -> pl.Series:
    other = "," if rule.decimal == "." else "."
    unit = r"\s*(?:1/min|1/s|/min|[^\d\s.,;:+/\-][^\d]*\d?)?"
    number = text.str.extract(f"^({_NUMBER}){unit}$", 1) if rule.unit else text
    number = number.str.replace_all(_GROUPS, "")
    grouped = number.str.contains(
        rf"^[-+]?\d{{1,3}}(?:\{other}\d{{3}})+(?:\{rule.decimal}\d*)?(?:[eE][-+]?\d+)?$"
    )
    ungrouped = number.str.replace_all(other, "", literal=True)
    lone = number.str.replace(other, rule.decimal, literal=True)  # one cell with the other mark
    chosen = ungrouped.zip_with(grouped.fill_null(value=False), lone)
    return chosen.str.replace(",", ".", literal=True)


def all_finite(frame: pl.DataFrame) -> pl.DataFrame:
    """NaN and infinities as null: neither is a sample."""
    # a sum is finite only where every number is, and several times quicker than a look at each
    sums = [values.sum() for values in frame.get_columns() if values.dtype == pl.Float64]
    if all(total is None or math.isfinite(total) for total in sums):
        return frame
    numbers = pl.col(pl.Float64)
    return frame.with_columns(pl.when(numbers.is_finite()).then(numbers).name.keep())


def finite(values: pl.Series) -> pl.Series:
    """The same of one column."""
    return all_finite(values.to_frame()).to_series()


def no_numbers(cells: pl.Series, values: pl.Series) -> pl.Series:
    """Mask of cells that hold text which is neither a number nor a word for 'no value'."""
    lost = cells.is_not_null() & values.is_null()
    at = lost.arg_true()
    words = cells.gather(at).str.strip_chars().str.to_lowercase().is_in(list(NULLS))
    return lost.scatter(at.filter(words), False)
