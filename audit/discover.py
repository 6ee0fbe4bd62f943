"""Which files of the paths given are logs to read, in an order a person would expect."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import NamedTuple

from audit.tables import toml_table


def passed_over(name: str) -> bool:
    """Does no logger write a file of this name? Any ending not in the table is tried."""
    return Path(name).suffix.lower() in toml_table("files.toml")["no_logs"]


class Found(NamedTuple):
    """files: logs to read, each once; missing: paths not there; empty: folders without logs."""

    files: tuple[Path, ...]
    missing: tuple[Path, ...]
    empty: tuple[Path, ...]


def natural(path: Path) -> list[tuple[int, int, str]]:
    """Sort key by which pull2 comes before pull10."""
    parts = re.split(r"(\d+)", str(path).lower())
    return [(0, int(p), "") if p.isdigit() else (1, 0, p) for p in parts if p]


def find_logs(paths: Iterable[Path]) -> Found:
    """Files as given, folders searched for logs (hidden files and folders are left alone)."""
    files: dict[Path, Path] = {}
    missing: list[Path] = []
    empty: list[Path] = []
    for path in paths:
        if path.is_dir():
            inside = sorted(_inside(path), key=natural)
            empty += [] if inside else [path]
        elif path.exists():
            inside = [path]
        else:
            missing.append(path)
            continue
        for file in inside:
            files.setdefault(file.resolve(), file)
    return Found(tuple(files.values()), tuple(missing), tuple(empty))


def _inside(folder: Path) -> Iterator[Path]:
    for path in folder.rglob("*"):
        hidden = any(part.startswith(".") for part in path.relative_to(folder).parts)
        if not hidden and not passed_over(path.name) and path.is_file():
            yield path
