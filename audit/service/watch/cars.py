"""Whose log is it? By the inbox's own rules, by a car file, else by the folder it lies in."""

from __future__ import annotations

import fnmatch
from functools import lru_cache
from pathlib import Path

import tomli

from audit.carfile import find_car_file, load_car
from audit.errors import CarFileError
from audit.model import Car

RULES = "inbox.toml"


def car_of(inbox: Path, path: Path) -> Car:
    """The car of a log. Raises CarFileError when its car file, or the inbox's rules, cannot be
    used. Files are read again when they change.
    """
    below, rules = path.relative_to(inbox), inbox / RULES
    for pattern, file in _rules(rules, *_stamp(rules)) if rules.exists() else ():
        if any(fnmatch.fnmatch(name, pattern) for name in (below.as_posix(), path.name)):
            if not file.exists():
                raise CarFileError(f"{file}: no such car file. Mend the path in {rules}.")
            return _car(file, *_stamp(file))
    if (found := find_car_file((path,))) is not None:
        return _car(found, *_stamp(found))
    return Car(name=below.parts[0]) if len(below.parts) > 1 else Car()


def _stamp(file: Path) -> tuple[int, int]:
    found = file.stat()
    return found.st_size, found.st_mtime_ns


@lru_cache(maxsize=512)
def _car(file: Path, _size: int, _stamp: int) -> Car:
    return load_car(file)


@lru_cache(maxsize=8)
def _rules(file: Path, _size: int, _stamp: int) -> tuple[tuple[str, Path], ...]:
    """(pattern of names or of paths below the inbox, car file) of each rule of INBOX/inbox.toml.
    Raises CarFileError naming what is wrong in it.
    """
    try:
        data = tomli.loads(file.read_text(encoding="utf-8-sig"))
    except (OSError, UnicodeDecodeError, tomli.TOMLDecodeError) as error:
        raise CarFileError(f"{file}: {error}. Mend that place.") from None
    cars = data.pop("car", [])
    if data or not isinstance(cars, list):
        raise CarFileError(f"{file}: only [[car]] tables with the keys logs and file are known.")
    rules = []
    for number, row in enumerate(cars, 1):
        match row:
            case {"logs": str(logs), "file": str(to), **more} if not more:
                rules.append((logs, file.parent / to))
            case _:
                raise CarFileError(
                    f"{file}, [[car]] number {number}: needs exactly logs and file, as in "
                    'logs = "blue_*", file = "blue/car.toml".'
                )
    return tuple(rules)
