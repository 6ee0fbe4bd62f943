"""The options of the commands, from their table, and the car that they mean."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from audit.tables import toml_table

if TYPE_CHECKING:
    from audit.archive.store.store import Archive
    from audit.model import Car

FILE = click.Path(path_type=Path)


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
