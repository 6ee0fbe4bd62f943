"""All scenes, in the order in which they were written (a scene's seed goes by its place)."""

from __future__ import annotations

from importlib import import_module

from scenes.scene import BOOK, Scene

GROUPS = (
    "fleet",
    "frozen",
    "cut_off",
    "unbelieved",
    "hose",
    "ambient",
    "pairs",
    "overrun",
    "naming",
    "units",
    "nopull",
    "quirks",
    "engine",
)
for _group in GROUPS:
    import_module(f"scenes.nights.{_group}")

SCENES: tuple[Scene, ...] = tuple(BOOK)
BY_NAME = {scene.name: scene for scene in SCENES}
if len(BY_NAME) != len(SCENES):
    raise ValueError("two scenes have one name")
