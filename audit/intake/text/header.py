"""Where the header stands, over how many rows, and what it says: names and units."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from audit.intake.names.unit_words import NEUTRAL, is_strong_unit, is_unit
from audit.intake.raw import RawColumn
from audit.intake.text.dialect import Dialect, is_blank, split_line, value_share
from audit.tables import toml_table

LOOK_BACK = 12  # lines above the first data line that may belong to the header
_RULE = re.compile(r"[\s\-=_+*#|:;,.]*")
_COMMENT = re.compile(r"^\s*(#+|//+|%+|!+|'+|\*+)\s*")
_TYPES = frozenset(toml_table("words.toml")["types"])
_TAIL_WORDS = frozenset(toml_table("words.toml")["unit_after_underscore"])
_BRACKETS = re.compile(
    r"^(?P<name>.*?)\s*"
    r"(?:\((?P<a>[^()]*)\)|\[(?P<b>[^\[\]]*)\]|\{(?P<c>[^{}]*)\}|<(?P<d>[^<>]*)>)\s*$"
)
_AFTER = re.compile(
    r"^(?P<name>.+?)\s*(?:,\s*|\s+-\s+|\s+in\s+|\s*/\s+|:\s+)(?P<unit>[^,]{1,14})$", re.IGNORECASE
)
_TAIL = re.compile(
    r"^(?P<name>.+?)[_.\s]+(?P<unit>[^\s_.]+|deg[_ ]?[CF]|deg[_ ]?btdc|km[_]h|m[_]s)$",
    re.IGNORECASE,
)
_TAIL_REFERENCE = re.compile(
    r"^(?P<name>.+?)[_.\s]+(?P<unit>[^\s_.]+ (?:abs|absolute|gauge|rel|relative))$", re.IGNORECASE
)
_REFERENCE = frozenset(("a", "g", "abs", "gauge", "rel", "absolute"))


@dataclass(frozen=True, slots=True)
class Header:
    """names: one a column, '' where none; units: '' where none; first: its first line, or None for
    no header.
    """

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
    i = first_data - 1
    blanks, remark = 0, False
    while i >= 0 and first_data - i <= LOOK_BACK and len(names) < 3:
        text, at = _joined(line, i)
        i = at - 1
        if not text.strip() or _RULE.fullmatch(text):
            blanks += 1
            if names and not _RULE.fullmatch(text.strip() or " x"):
                break
            if blanks > 3:
                break
            continue
        cells = header_cells(text, width, dialect)
        if cells is None:
            if names or units:
                break
            continue  # a stray line between header and data
        kind = _kind(cells, width, dialect, have_names=bool(names))
        if kind == "names" and names and remark and not _COMMENT.match(text):
            names, top, remark = (
                [cells],
                at,
                False,
            )  # what stood there was a remark under the header
            continue
        if (
            kind == "names"
            and names
            and (_COMMENT.match(text) or (dialect.delimiter == " " and len(cells) != width))
        ):
            break  # a remark above the header
        if (
            kind == "names"
            and not names
            and units is not None
            and not _names_for(cells, units, dialect)
        ):
            break  # a preamble line above a header that only looked like units
        if kind == "units" and units is None:
            units = cells
        elif kind == "names" or (
            kind == "units" and not names
        ):  # 'lambda', 'rpm', 's' name columns as well
            remark = not names and _COMMENT.match(text) is not None
            names.insert(0, cells)
        elif kind != "types":
            break
        top = at
    if not names and units is not None:
        names, units = [units], None  # a header of bare symbols that read like units
    if not names:
        return Header(("",) * width, ("",) * width, None, made_up=True)
    return Header(_merged(names, width), tuple(_fit(units, width)) if units else ("",) * width, top)


def _joined(line: Callable[[int], str], i: int) -> tuple[str, int]:
    """Line i with the lines above it that a quoted line break tied to it."""
    text, at = line(i), i
    while text.count('"') % 2 and at > 0 and i - at < 6:
        at -= 1
        text = line(at) + " " + text
    return (text, at) if text.count('"') % 2 == 0 else (line(i), i)


def header_cells(text: str, width: int, dialect: Dialect) -> list[str] | None:
    """The cells of a header line, when it has about as many as the data; else None."""
    stripped = _COMMENT.sub("", text) if not text.lstrip().startswith("%,") else text
    best: list[str] | None = None
    if dialect.delimiter == " ":
        splits = [
            _glued_units(stripped.split()),
            re.split(r"\s{2,}|\t+", stripped.strip()),
            stripped.split(),
        ]
        splits += [
            [c.strip() for c in stripped.split(d)] for d in (",", ";", "\t") if d in stripped
        ]
        best = next((cells for cells in splits if len(cells) == width), None)
        if best is None and len(splits[0]) > width and width <= len(splits[1]):
            best = splits[1]
        if best is None and abs(len(splits[0]) - width) <= 1:
            best = splits[0]
    else:
        best = split_line(text, dialect.delimiter)
        if (
            len(best) == width
        ):  # a comment's mark stands in the first cell; a lone % there is a unit
            best[0] = _COMMENT.sub("", best[0]) or best[0]
        else:
            best = split_line(stripped, dialect.delimiter)
        if len(best) < max(2, width // 2):
            others = [
                split_line(stripped, d) for d in ("\t", ";", ",", "|") if d != dialect.delimiter
            ]
            best = next((cells for cells in others if len(cells) == width), best)
    if best is None or len(best) < max(2, 0.5 * width):
        return None
    return best


def _glued_units(words: list[str]) -> list[str]:
    """Words of a header set apart by blanks, a bracketed unit kept with the word before it."""
    out: list[str] = []
    for word in words:
        if out and (
            word[:1] in "([{"
            or (out[-1].count("(") > out[-1].count(")"))
            or (out[-1].count("[") > out[-1].count("]"))
        ):
            out[-1] += " " + word
        else:
            out.append(word)
    return out


def _kind(cells: Sequence[str], width: int, dialect: Dialect, *, have_names: bool) -> str:
    full = [cell for cell in cells if cell]
    if not full:
        return "other"
    if all(cell.lower() in _TYPES for cell in full) and len(full) > 1:
        return "types"
    if value_share([c for c in full if c not in ("1", "-")], dialect.decimal) > 0.5:
        return "other"
    units = sum(is_unit(cell.strip("()[]{}<> ")) for cell in full)
    real = sum(
        cell.strip("()[]{}<> ").lower() not in NEUTRAL and is_unit(cell.strip("()[]{}<> "))
        for cell in full
    )
    clock = any(
        re.match(r"(?i)(time|zeit|temps|tiempo|date|datum|uhrzeit|timestamp)\b", cell)
        for cell in full
    )
    if real and units >= 0.6 * len(full) and (len(full) > 1 or width <= 2) and not clock:
        return "units"
    if have_names:
        pairs = sum(cell.endswith(":") or "=" in cell for cell in full)
        pairs += sum(value_share([cell], dialect.decimal) == 1 for cell in full)
        ok = len(cells) >= width - 1 and len(full) >= max(2, 0.5 * width) and pairs == 0
        return "names" if ok else "other"
    return "names" if len(full) >= max(1, 0.4 * min(width, len(cells))) else "other"


def _names_for(cells: Sequence[str], units: Sequence[str], dialect: Dialect) -> bool:
    """Whether a row above a units row can be its names: as many cells, and no number among them."""
    full, below = sum(bool(c) for c in cells), sum(c.lower() not in NEUTRAL for c in units)
    return (
        len(cells) >= len(units) - 1
        and full >= 0.5 * below
        and not any(c and value_share([c], dialect.decimal) == 1 for c in cells)
    )


def _merged(rows: list[list[str]], width: int) -> tuple[str, ...]:
    fitted = [_fit(row, max(width, len(rows[-1]))) for row in rows]
    merged = []
    for cells in zip(*fitted, strict=True):
        words = [re.sub(r"\s+", " ", cell).strip() for cell in cells if cell.strip()]
        merged.append(" ".join(dict.fromkeys(words)))
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
    found = _BRACKETS.match(text)
    if found:
        inside = next(
            g for g in (found["a"], found["b"], found["c"], found["d"]) if g is not None
        ).strip()
        name = found["name"].strip()
        if not inside and name:
            return name, ""
        whole = _TAIL.match(f"{name}({inside})") if inside.lower() in _REFERENCE else None
        if whole and is_unit(whole["unit"]):  # boost_kPa(g)
            return whole["name"].strip(" _."), whole["unit"]
        if name and is_unit(inside):
            return name, inside
        if (
            name
            and found["a"] is None
            and len(inside) <= 8
            and not re.search(r"\s|bank|cyl|\d{2,}|^[A-Za-z]+\d*$", inside)
        ):
            return name, inside
        deeper = split_unit(name) if name else ("", "")
        return (f"{deeper[0]} ({inside})", deeper[1]) if deeper[1] else (text, "")
    found = _AFTER.match(text)
    if found and is_unit(found["unit"]):
        return found["name"].strip(), found["unit"].strip()
    found = _TAIL_REFERENCE.match(text)
    if found and is_unit(found["unit"]) and is_strong_unit(found["unit"].split()[0]):
        return found["name"].strip(" _."), found["unit"]
    found = _TAIL.match(text)
    if found and (
        is_strong_unit(found["unit"]) or ("_" in text and found["unit"].lower() in _TAIL_WORDS)
    ):
        return found["name"].strip(" _."), found["unit"]
    return text, ""


def describe_columns(header: Header, width: int) -> list[RawColumn]:
    """One RawColumn a column, with unit and bare name; headers still as the file has them."""
    out = []
    for i in range(width):
        text = header.names[i] if i < len(header.names) else ""
        row_unit = header.units[i].strip() if i < len(header.units) else ""
        row_unit = re.sub(r"^[(\[{<]\s*|\s*[)\]}>]$", "", row_unit)
        name, unit = split_unit(text)
        if row_unit and row_unit.lower() not in NEUTRAL and not is_blank(row_unit):
            out.append(RawColumn(text, row_unit, "units row", name=name if unit else text))
        else:
            out.append(RawColumn(text, unit, "header" if unit else "", name=name))
    return out
