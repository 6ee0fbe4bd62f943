"""Finds the checks: every module in the rooms beside this one that has a NAME. Adding one touches
nothing else.

Modules with the same NAME are parts of one check: each is run by its own needs, the worst counts.
"""

from __future__ import annotations

import importlib
from functools import lru_cache
from pathlib import Path
from types import ModuleType
from typing import cast

from audit.checks.kit.base import Check

_ROOMS = Path(__file__).parents[1]


@lru_cache(maxsize=1)
def all_checks() -> tuple[Check, ...]:
    """Every check, by name; parts of one check, modules with the same NAME, follow one another."""
    files = sorted(
        p for p in _ROOMS.glob("*/*.py") if p.parent.name != "kit" and p.stem != "__init__"
    )
    modules = [importlib.import_module(f"audit.checks.{p.parent.name}.{p.stem}") for p in files]
    found = [m for m in modules if hasattr(m, "NAME")]
    return tuple(cast(list[Check], sorted(found, key=_name)))


def _name(module: ModuleType) -> str:
    return str(module.NAME)


def check_of(code: str) -> str | None:
    """The check that a finding code belongs to; 'sensors' for sensor.*, None for no code."""
    if code.startswith("sensor."):
        return "sensors"
    return next((check.NAME for check in all_checks() if code in check.CODES), None)
