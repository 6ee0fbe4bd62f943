"""What a scene is: a night of logs, and what a calibrator would say of it.

Verdicts are trade knowledge (common practice, no published source), written without reading how the audit comes to its
own; a healthy night must come out clear.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

from scenes.car import Pull
from scenes.fleet import FLEET, Evening, night
from scenes.logger import Log

NAN = float("nan")
CLEAR, HOLD, STOP, BAD = ("clear",), ("hold",), ("stop",), ("hold", "stop")


@dataclass(frozen=True)
class Scene:
    """verdicts: any of them is right; codes: one of them should be told (empty: none in particular).

    args: options of the command line, with {folder} for the scene's own folder; why: the calibrator's words.
    """

    name: str
    group: str
    verdicts: frozenset[str]
    codes: frozenset[str]
    args: tuple[str, ...]
    evening: Evening
    why: str

    @property
    def healthy(self) -> bool:
        return self.verdicts == {"clear"}


BOOK: list[Scene] = []


def healthy(
    group: str, name: str, rig: str, why: str, args: tuple[str, ...] | None = None, **how: Any
) -> None:
    """Enter a night that must come out clear; how: see fleet.night."""
    _enter(group, name, rig, CLEAR, why, "", args, how)


def faulty(
    group: str,
    name: str,
    rig: str,
    verdicts: tuple[str, ...],
    why: str,
    codes: str = "",
    args: tuple[str, ...] | None = None,
    **how: Any,
) -> None:
    """Enter a night that must not come out clear."""
    _enter(group, name, rig, verdicts, why, codes, args, how)


def _enter(
    group: str,
    name: str,
    rig: str,
    verdicts: tuple[str, ...],
    why: str,
    codes: str,
    args: tuple[str, ...] | None,
    how: dict[str, Any],
) -> None:
    how.setdefault("seed", 101 + 7 * len(BOOK))
    args = FLEET[rig].args if args is None else args
    scene = Scene(
        name, group, frozenset(verdicts), frozenset(codes.split()), args, night(rig, **how), why
    )
    BOOK.append(scene)


def shape(**change: Callable[[tuple[Pull, ...]], Any]) -> Callable[[tuple[Pull, ...], Log], Log]:
    """Change fields of the log by where the pulls are."""
    return lambda pulls, log: replace(log, **{k: f(pulls) for k, f in change.items()})
