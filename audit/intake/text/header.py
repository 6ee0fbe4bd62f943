"""Where the header stands, over how many rows, and what it says: names and units."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from typing import NamedTuple

from audit.intake.names.unit_text import NEUTRAL, is_strong_unit, is_unit
from audit.intake.raw import RawColumn
from audit.intake.text.dialect import Dialect, is_blank, split_line, value_share
from audit.tables import toml_table

LOOK_BACK = 12  # lines above the first data line that may belong to the header
_RULE = re.compile(r"[\s\-=_+*#|:;,.]*")
_COMMENT = re.compile(r"^\s*(#+|//+|%+|!+|'+|\*+)\s*")
_CLOCK = re.compile(r"(?i)(time|zeit|temps|tiempo|date|datum|uhrzeit|timestamp)\b")
_TYPES = frozenset(toml_table("words.toml")["types"])
_TAIL_WORDS = frozenset(toml_table("words.toml")["unit_after_underscore"])
_BRACKETS = re.compile(
    r"(?P<name>.*?)\s*(?:\((?P<round>[^()]*)\)|\[([^\[\]]*)\]|\{([^{}]*)\}|<([^<>]*)>)"
)
_AFTER = re.compile(
    r"(?i)(?P<name>.+?)\s*(?:,\s*|\s+-\s+|\s+in\s+|\s*/\s+|:\s+)(?P<unit>[^,]{1,14})"
)
_TAIL = re.compile(
    r"(?i)(?P<name>.+?)[_.\s]+"
    r"(?P<unit>(?P<bare>[^\s_.]+|deg[_ ]?[CF]|deg[_ ]?btdc|km_h|m_s)"
    r"(?: (?:abs|absolute|gauge|rel|relative))?)"
)
_NO_UNIT = re.compile(r"\s|bank|cyl|\d{2,}|^[A-Za-z]+\d*$")  # in square brackets
_REFERENCE = frozenset(("a", "g", "abs", "gauge", "rel", "absolute"))


class Header(NamedTuple):
    """names, units: one a column, '' where none; first: its first line, None for no header."""

    names: tuple[str, ...]
    units: tuple[str, ...]
    first: int | None
    made_up: bool = False


def read_header(
    line: Callable[[int], str], first_data: int, width: int, dialect: Dialect
) -> Header:
    """The header above line `first_data` (0-based); line(i) gives the text of line i."""
    names: list[list[str]] = []
    units: list[str] | None = None
    top: int | None = None
    i, blanks, remark = first_data - 1, 0, False
    while i >= 0 and first_data - i <= LOOK_BACK and len(names) < 3:
        text, at = _joined(line, i)
        i = at - 1
        if _RULE.fullmatch(text):
            blanks += 1
            if blanks > 3 or (names and not text.strip()):
                break
            continue
        cells = header_cells(text, width, dialect)
        if cells is None:
            if names or units:
                break
            continue  # a stray line between header and data
        kind, remarked = _kind(cells, width, dialect, have_names=bool(names)), _COMMENT.match(text)
        if kind == "names" and names:
            if remark and not remarked:  # what stood there was a remark under the header
                names, top, remark = [cells], at, False
                continue
            if remarked or (dialect.delimiter == " " and len(cells) != width):
                break  # a remark above the header
        elif kind == "names" and units is not None and not _names_for(cells, units, dialect):
            break  # a preamble line above a header that only looked like units
        if kind == "units" and units is None:
            units = cells
        elif kind == "names" or (kind == "units" and not names):  # 'lambda', 'rpm' are names too
            remark = not names and remarked is not None
            names.insert(0, cells)
        elif kind != "types":
            break
        top = at
    if not names and units is not None:
        names, units = [units], None  # a header of bare symbols that read like units
    none = ("",) * width
    if not names:
        return Header(none, none, None, made_up=True)
    return Header(_merged(names, width), tuple(_fit(units, width)) if units else none, top)


def _joined(line: Callable[[int], str], i: int) -> tuple[str, int]:
    """Line i with the lines above it that a quoted line break tied to it, and its first line."""
    text = line(i)
    for at in range(i, max(-1, i - 7), -1):
        text = text if at == i else line(at) + " " + text
        if text.count('"') % 2 == 0:
            return text, at
    return line(i), i


def header_cells(text: str, width: int, dialect: Dialect) -> list[str] | None:
    """The cells of a header line, when it has about as many as the data; else None."""
    stripped = text if text.lstrip()[:2] == "%," else _COMMENT.sub("", text)
    mark = dialect.delimiter
    if mark == " ":
        words, columns = stripped.split(), re.split(r"\s{2,}|\t+", stripped.strip())
        ways = [glued := _glued_units(words), columns, words]
        ways += [[c.strip() for c in stripped.split(d)] for d in ",;\t" if d in stripped]
        near = columns if len(glued) > width <= len(columns) else glued
        fallback = near if near is columns or abs(len(glued) - width) <= 1 else []
    else:
        fallback = split_line(text, mark)
        if len(fallback) == width:  # a remark's mark in the first cell; a lone % there is a unit
            fallback[0] = _COMMENT.sub("", fallback[0]) or fallback[0]
        else:
            fallback = split_line(stripped, mark)
        few = len(fallback) < max(2, width // 2)
        ways = [split_line(stripped, d) for d in "\t;,|" if d != mark] if few else []
    best = next((cells for cells in ways if len(cells) == width), fallback)
    return best if len(best) >= max(2, 0.5 * width) else None


def _glued_units(words: list[str]) -> list[str]:
    """Words of a header set apart by blanks, a bracketed unit kept with the word before it."""
    out: list[str] = []
    for word in words:
        open_still = out and any(out[-1].count(a) > out[-1].count(b) for a, b in ("()", "[]"))
        if out and (word[:1] in "([{" or open_still):
            out[-1] += " " + word
        else:
            out.append(word)
    return out


def _kind(cells: Sequence[str], width: int, dialect: Dialect, *, have_names: bool) -> str:
    full = [cell for cell in cells if cell]
    if len(full) > 1 and all(cell.lower() in _TYPES for cell in full):
        return "types"
    if not full or value_share([c for c in full if c not in ("1", "-")], dialect.decimal) > 0.5:
        return "other"
    units = [bare for cell in full if is_unit(bare := cell.strip("()[]{}<> "))]
    real = any(bare.lower() not in NEUTRAL for bare in units)
    most = real and len(units) >= 0.6 * len(full) and (len(full) > 1 or width <= 2)
    if most and not any(map(_CLOCK.match, full)):
        return "units"
    if have_names:
        enough = len(cells) >= width - 1 and len(full) >= max(2, 0.5 * width)
        pair = any(cell.endswith(":") or "=" in cell for cell in full)
        named = enough and not pair and not _has_value(full, dialect)
    else:
        named = len(full) >= max(1, 0.4 * min(width, len(cells)))
    return "names" if named else "other"


def _has_value(cells: Sequence[str], dialect: Dialect) -> bool:
    return any(cell and value_share([cell], dialect.decimal) == 1 for cell in cells)


def _names_for(cells: Sequence[str], units: Sequence[str], dialect: Dialect) -> bool:
    """Whether a row above a units row can be its names: as many cells, and no number among them."""
    full, below = sum(map(bool, cells)), sum(c.lower() not in NEUTRAL for c in units)
    enough = len(cells) >= len(units) - 1 and full >= 0.5 * below
    return enough and not _has_value(cells, dialect)


def _merged(rows: list[list[str]], width: int) -> tuple[str, ...]:
    columns = zip(*(_fit(row, max(width, len(rows[-1]))) for row in rows), strict=True)
    words = ([" ".join(cell.split()) for cell in column if cell.strip()] for column in columns)
    merged = [" ".join(dict.fromkeys(column)) for column in words]
    while len(merged) > width and not merged[-1]:
        merged.pop()
    return tuple(merged)


def _fit(cells: Sequence[str], width: int) -> list[str]:
    return [*cells[:width], *([""] * (width - len(cells)))]


def split_unit(header: str) -> tuple[str, str]:
    """(name, unit) of one header text; unit '' when none is told.

    Knows `(psi)`, `[kPa]`, `_kPa`, `, km/h`, ` - deg C`, ` in bar`, ` / rpm`, and `RPM ()`.
    """
    text = header.strip()
    if found := _BRACKETS.fullmatch(text):
        return _split_brackets(text, found)
    found = _AFTER.fullmatch(text)
    if found and is_unit(found["unit"]):
        return found["name"].strip(), found["unit"].strip()
    found = _TAIL.fullmatch(text)
    underscored = found and "_" in text and found["unit"].lower() in _TAIL_WORDS
    if found and (underscored or (is_unit(found["unit"]) and is_strong_unit(found["bare"]))):
        return found["name"].strip(" _."), found["unit"]
    return text, ""


def _split_brackets(text: str, found: re.Match[str]) -> tuple[str, str]:
    name, inside = found["name"].strip(), next(filter(None, found.groups()[1:]), "").strip()
    if not name or not inside:
        return name or text, ""
    whole = _TAIL.fullmatch(f"{name}({inside})") if inside.lower() in _REFERENCE else None
    if whole and is_unit(whole["unit"]):  # boost_kPa(g)
        return whole["name"].strip(" _."), whole["unit"]
    square = found["round"] is None and len(inside) <= 8 and not _NO_UNIT.search(inside)
    if square or is_unit(inside):
        return name, inside
    bare, unit = split_unit(name)
    return (f"{bare} ({inside})", unit) if unit else (text, "")


def describe_columns(header: Header, width: int) -> list[RawColumn]:
    """One RawColumn a column, with unit and bare name; headers still as the file has them."""
    out = []
    told = zip(_fit(header.names, width), _fit(header.units, width), strict=True)
    for text, below in told:
        row_unit = re.sub(r"^[(\[{<]\s*|\s*[)\]}>]$", "", below.strip())
        name, unit = split_unit(text)
        if row_unit.lower() not in NEUTRAL and not is_blank(row_unit):
            out.append(RawColumn(text, row_unit, "units row", name=name if unit else text))
        else:
            out.append(RawColumn(text, unit, "header" if unit else "", name=name))
    return out
