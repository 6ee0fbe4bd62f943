"""Writes a table as text in a given dialect, and then damages it. Cell by cell, on purpose: nothing of the reader's is used."""

from __future__ import annotations

import gzip
import io
import zipfile
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Dialect:
    delimiter: str = ","
    decimal: str = "."
    encoding: str = "utf-8"
    newline: str = "\n"
    quotes: str = "none"  # none, header, all
    thousands: str = ""  # only in quoted or unambiguous cells
    padded: bool = False
    trailing: bool = False  # a delimiter at each line's end
    unit_in_cells: bool = False
    blank: str = ""  # how an empty cell is written


def number(value: float, digits: int, dialect: Dialect) -> str:
    if not np.isfinite(value):
        return dialect.blank
    text = f"{value:.{digits}f}"
    if dialect.thousands and abs(value) >= 1000:
        return (
            f"{value:,.{digits}f}".replace(",", "\0")
            .replace(".", dialect.decimal)
            .replace("\0", dialect.thousands)
        )
    return text.replace(".", dialect.decimal)


def row(cells: list[str], dialect: Dialect, *, quote: bool) -> str:
    if quote:
        cells = ['"' + c.replace('"', '""') + '"' for c in cells]
    else:  # a cell that holds the delimiter has to be quoted in any case
        cells = [f'"{c}"' if dialect.delimiter in c else c for c in cells]
    glue = f" {dialect.delimiter} " if dialect.padded else dialect.delimiter
    return glue.join(cells) + (dialect.delimiter if dialect.trailing else "")


def lines_of(
    headers: list[list[str]], columns: list[list[str]], dialect: Dialect
) -> tuple[list[str], list[str]]:
    """(header lines, data lines)."""
    top = [row(h, dialect, quote=dialect.quotes in ("header", "all")) for h in headers]
    body = [
        row(list(cells), dialect, quote=dialect.quotes == "all")
        for cells in zip(*columns, strict=True)
    ]
    return top, body


def damaged(
    top: list[str], body: list[str], damage: str, rng: np.random.Generator, dialect: Dialect
) -> tuple[list[str], str]:
    """All lines with one kind of damage, and what is to follow the last line ('' leaves it open)."""
    middle = int(rng.integers(len(body) // 4, 3 * len(body) // 4))
    if damage == "stray":
        for at in sorted((int(x) for x in rng.integers(5, len(body) - 5, size=3)), reverse=True):
            body = [
                *body[:at],
                str(rng.choice(["--- marker ---", "Lap 2", "buffer overrun", "# paused"])),
                *body[at:],
            ]
    elif damage == "header again":
        body = [*body[:middle], *top, *body[middle:]]
    elif damage == "blank lines":
        body = [*body[:middle], "", "", *body[middle:], "", ""]
    elif damage == "short row":
        body = [
            *body[:middle],
            dialect.delimiter.join(body[middle].split(dialect.delimiter)[:2]),
            *body[middle + 1 :],
        ]
    elif damage == "word in a cell":
        cells = body[middle].split(dialect.delimiter)
        cells[-1 - int(dialect.trailing)] = "ERR"
        body = [*body[:middle], dialect.delimiter.join(cells), *body[middle + 1 :]]
    elif damage == "cut":
        return [*top, *body[:-1], body[-1][: int(rng.integers(1, max(len(body[-1]) - 1, 2)))]], ""
    return [*top, *body], dialect.newline


def packed(data: bytes, how: str, name: str) -> tuple[str, bytes]:
    """(file name, bytes), plain, gzipped or zipped."""
    if how == "gzip":
        return name + ".gz", gzip.compress(data)
    if how == "zip":
        out = io.BytesIO()
        with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr(name, data)
        return name.rsplit(".", 1)[0] + ".zip", out.getvalue()
    return name, data
