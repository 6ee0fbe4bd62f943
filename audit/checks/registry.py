"""Finds the checks: every module of this package that has a NAME. Adding one touches nothing else."""

from __future__ import annotations

import importlib
from functools import lru_cache
from pathlib import Path
from types import ModuleType
from typing import cast

from audit.checks.base import Check

# Whole modules of this folder that are no checks.
_HOUSE = {"__init__", "base", "registry", "run", "causes"}


@lru_cache(maxsize=1)
def all_checks() -> tuple[Check, ...]:
    """Every check, by name."""
    names = sorted(path.stem for path in Path(__file__).parent.glob("*.py") if path.stem not in _HOUSE)
    modules = [importlib.import_module(f"audit.checks.{name}") for name in names]
    found = [m for m in modules if hasattr(m, "NAME")]
    return tuple(cast(list[Check], sorted(found, key=_name)))


def _name(module: ModuleType) -> str:
    return str(module.NAME)


def check_of(code: str) -> str | None:
    """The check that a finding code belongs to; 'sensors' for sensor.*, None for an unknown code."""
    if code.startswith("sensor."):
        return "sensors"
    return next((check.NAME for check in all_checks() if code in check.CODES), None)
