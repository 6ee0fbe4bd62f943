"""How a command tells its result, and where it goes."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterable
from typing import Any

import click

WIDEST, NARROWEST = 80, 40  # columns: a phone held upright shows about 46
FEW = 4  # under so many of a thing nobody waits long enough to want a count


def deliver(json_to: str | None, document: Callable[[], Any], show: Callable[[], Any]) -> None:
    """The result as JSON, where that is wanted, and for people unless the JSON takes the output.

    json_to: None for no JSON, '-' for standard output, which then holds nothing else, else a file.
    document: JSON text or what becomes of it. Raises UsageError when it cannot be written.
    """
    if json_to is not None:
        made = document()
        if not isinstance(made, str):
            import json

            made = json.dumps(made, ensure_ascii=False, allow_nan=False, indent=1)
        if json_to == "-":
            sys.stdout.write(made + "\n")
            return
        from pathlib import Path

        from audit.files import write_text

        write_text(Path(json_to), made + "\n")
    show()


def tell(lines: Iterable[str]) -> None:
    """Lines for people on standard output."""
    click.echo("\n".join(lines))


def columns() -> int:
    """The columns of the terminal, as far as anything here goes by them."""
    told = os.environ.get("COLUMNS", "")
    try:
        wide = int(told) if told.isdigit() else os.get_terminal_size(sys.stdout.fileno()).columns
    except (OSError, ValueError):  # no terminal
        wide = WIDEST
    return min(max(wide or WIDEST, NARROWEST), WIDEST)


def warn(lines: Iterable[str]) -> None:
    """Sentences on standard error, each with the program's name."""
    for line in lines:
        complain(f"pullaudit: {line}")


def say(text: str) -> None:
    """A sentence on standard output, folded where that is a terminal."""
    click.echo(folded(text, columns()) if sys.stdout.isatty() else text)


def complain(text: str) -> None:
    """A text on standard error, folded where that is a terminal, so that no word is broken."""
    click.echo(folded(text, columns()) if sys.stderr.isatty() else text, err=True)


def folded(text: str, width: int) -> str:
    """Each line of a text in lines of at most `width`; a path or an address stays whole."""
    import textwrap

    return "\n".join(
        textwrap.fill(
            line,
            width,
            subsequent_indent="  ",
            break_long_words=False,
            break_on_hyphens=False,
        )
        for line in text.splitlines()
    )


def counter(what: str) -> Callable[[int, int], None] | None:
    """Says how many of how many are done on a terminal; None, for nothing, elsewhere."""

    def show(done: int, total: int) -> None:
        if total >= FEW:
            click.echo(f"\r{what} {done} of {total}", nl=done == total, err=True)

    return show if sys.stderr.isatty() else None


def as_csv(names: list[str], rows: list[list[Any]]) -> str:
    """An answer in SQL as CSV; what is nested as JSON in its cell."""
    import csv
    import io
    import json

    out = io.StringIO()
    nested = [[json.dumps(v) if isinstance(v, list | dict) else v for v in row] for row in rows]
    csv.writer(out, lineterminator="\n").writerows([names, *nested])
    return out.getvalue()


def as_json(names: list[str], rows: list[list[Any]]) -> str:
    """An answer in SQL as JSON: {"columns": [...], "rows": [[...]]}."""
    import json

    return json.dumps({"columns": names, "rows": rows}, ensure_ascii=False, indent=2)
