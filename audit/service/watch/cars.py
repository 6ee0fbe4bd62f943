"""Whose log is it? By the inbox's own rules, by a car file, else by the folder it lies in."""

from __future__ import annotations

import fnmatch
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import tomli

from audit.carfile import find_car_file, load_car
from audit.errors import CarFileError
from audit.model import Car

RULES = "inbox.toml"


@dataclass(frozen=True, slots=True)
class Rule:
    """logs: a pattern of names or of paths below the inbox (* and ?); file: the car file they
    belong to.
    """

    logs: str
    file: Path


class Cars:
    """The cars of an inbox; files are read again when they change."""

    def __init__(self, inbox: Path) -> None:
        self.inbox = inbox
        self._read: dict[Path, tuple[tuple[int, int], Any]] = {}

    def of(self, path: Path) -> Car:
        """The car of a log. Raises CarFileError when its car file, or the inbox's rules, cannot be
        used.
        """
        below = path.relative_to(self.inbox)
        for rule in self.rules():
            if fnmatch.fnmatch(below.as_posix(), rule.logs) or fnmatch.fnmatch(
                path.name, rule.logs
            ):
                return self._car(rule.file)
        found = find_car_file((path,))
        if found is not None:
            return self._car(found)
        return Car(name=below.parts[0]) if len(below.parts) > 1 else Car()

    def rules(self) -> tuple[Rule, ...]:
        """The rules of INBOX/inbox.toml, none without it. Raises CarFileError naming what is wrong
        in it.
        """
        found: tuple[Rule, ...] | None = self._as_read(self.inbox / RULES, _rules)
        return found or ()

    def _car(self, file: Path) -> Car:
        found: Car | None = self._as_read(file, load_car)
        if found is None:
            raise CarFileError(f"{file}: no such car file. Mend the path in {self.inbox / RULES}.")
        return found

    def _as_read(self, file: Path, read: Callable[[Path], Any]) -> Any:
        """What a file says, read once as it stands; None where there is none."""
        try:
            found = file.stat()
        except OSError:
            return None
        stamp = found.st_size, found.st_mtime_ns
        if file not in self._read or self._read[file][0] != stamp:
            self._read[file] = (stamp, read(file))
        return self._read[file][1]


def _rules(file: Path) -> tuple[Rule, ...]:
    try:
        data = tomli.loads(file.read_text(encoding="utf-8-sig"))
    except (OSError, UnicodeDecodeError, tomli.TOMLDecodeError) as error:
        raise CarFileError(f"{file}: {error}. Mend that place.") from None
    rules = []
    cars = data.pop("car", [])
    if data or not isinstance(cars, list):
        raise CarFileError(f"{file}: only [[car]] tables with the keys logs and file are known.")
    for number, row in enumerate(cars, 1):
        if (
            not isinstance(row, dict)
            or set(row) != {"logs", "file"}
            or not all(isinstance(v, str) for v in row.values())
        ):
            raise CarFileError(
                f"{file}, [[car]] number {number}: needs exactly logs and file, as in "
                'logs = "blue_*", file = "blue/car.toml".'
            )
        rules.append(Rule(row["logs"], file.parent / row["file"]))
    return tuple(rules)
