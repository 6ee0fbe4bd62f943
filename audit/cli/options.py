"""What the commands share: options from their table, where a result goes, a count on a terminal."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from audit.tables import toml_table

if TYPE_CHECKING:
    from audit.archive.store.store import Archive
    from audit.model import Car

FILE = click.Path(path_type=Path)
FEW = 4  # under so many of a thing nobody waits long enough to want a count


def of(command: str) -> list[click.Parameter]:
    """The options of a command, from schemas/commands.toml."""
    table = toml_table("commands.toml")
    rows: Mapping[str, dict[str, Any]] = table[command]
    return [
        _option(word, table["shared"].get(row.get("as"), {}) | row) for word, row in rows.items()
    ]


def _option(word: str, row: Mapping[str, Any]) -> click.Option:
    bounds = row.get("least"), row.get("most")
    kinds: Mapping[str, Any] = {
        "text": None,
        "file": FILE,
        "whole": click.IntRange(*bounds),
        "number": click.FloatRange(*bounds),
    }
    choice = row.get("choice")
    usual = {"default": row["usual"], "show_default": True} if "usual" in row else {}
    return click.Option(
        [f"--{word}", row.get("name", word.replace("-", "_"))],
        type=click.Choice(choice) if choice else kinds[row.get("kind", "text")],
        is_flag=not (choice or "metavar" in row),
        multiple=row.get("several", False),
        required=row.get("required", False),
        envvar=row.get("from"),
        metavar=row.get("metavar"),
        help=row["help"],
        **usual,
    )


def deliver(json_to: str | None, document: Callable[[], Any], show: Callable[[], Any]) -> None:
    """The result as JSON, where that is wanted, and for people unless the JSON takes the output.

    json_to: None for no JSON, '-' for standard output, which then holds nothing else, else a file.
    document: JSON text or what becomes of it. Raises UsageError when it cannot be written.
    """
    if json_to is not None:
        made = document()
        if not isinstance(made, str):
            made = json.dumps(made, ensure_ascii=False, allow_nan=False, indent=1)
        if json_to == "-":
            sys.stdout.write(made + "\n")
            return
        from audit.files import write_text

        write_text(Path(json_to), made + "\n")
    show()


def tell(lines: Iterable[str]) -> None:
    """Lines for people on standard output."""
    click.echo("\n".join(lines))


def warn(lines: Iterable[str]) -> None:
    """Sentences on standard error, each with the program's name."""
    for line in lines:
        click.echo(f"pullaudit: {line}", err=True)


def counter(what: str) -> Callable[[int, int], None] | None:
    """Says how many of how many are done on a terminal; None, for nothing, elsewhere."""

    def show(done: int, total: int) -> None:
        if total >= FEW:
            click.echo(f"\r{what} {done} of {total}", nl=done == total, err=True)

    return show if sys.stderr.isatty() else None


def car_of(kept: Archive, file: Path | None) -> Car:
    """The car of a car file, else the archive's only one. Raises UsageError where none is told."""
    from audit.carfile import load_car
    from audit.errors import UsageError

    if file is not None:
        return load_car(file)
    known = kept.cars()
    if len(known) != 1:
        raise UsageError(
            f"{kept.root} holds {len(known)} cars ({', '.join(known) or 'none'}): "
            "say which with --car CAR.toml."
        )
    return kept.car(known[0])
