"""The audit gives the verdict that a calibrator would: a sample of the scenes, the whole of them by `tests/scenes/run.py`."""

from __future__ import annotations

from pathlib import Path

import pytest

from scenes.catalogue import BY_NAME, SCENES
from scenes.fuzz import one
from scenes.run import kind
from scenes.screening import screen

SAMPLE = (  # short nights; a healthy and a faulty one of each group that has both
    "small-as-it-is",
    "old-as-it-is",
    "five-a-second-one-pull",
    "map-single-pull",
    "lambda-whole-night-0.80",
    "iat-whole-degrees-100hz",
    "torn-at-the-top",
    "gap-in-the-middle",
    "torn-gzip-mid-pull",
    "knock-negative-with-positive-stray",
    "knock-one-stray-25",
    "knock-blank-in-idle",
    "hose-off-single-pull",
    "long-pull-creep",
    "long-pull-fifth",
    "no-altitude-no-file",
    "abs-and-gauge-running",
    "second-bank-lean",
    "banks-agree",
    "chain-of-gears",
    "clock-iso",
    "pipes",
    "us-no-unit-0",
    "us-cold-engine",
    "idle-only-gauge",
    "part-throttle-only",
    "throttle-dips-one-sample-10hz",
    "injector-duty-below-zero",
    "oscillation-1hz-10hz-log",
    "tall-gear-then-low",
    "warmed-up-first",
)


def verdict(name: str, folder: Path) -> str:
    scene = BY_NAME[name]
    scene.evening.write(folder)
    return kind(scene, screen(folder, scene.args).verdict)


@pytest.mark.parametrize("name", SAMPLE)
def test_a_scene_has_the_calibrators_verdict(name: str, tmp_path: Path) -> None:
    assert verdict(name, tmp_path) == "right"


@pytest.mark.slow
@pytest.mark.parametrize("name", [s.name for s in SCENES if s.name not in SAMPLE])
def test_every_other_scene_too(name: str, tmp_path: Path) -> None:
    assert verdict(name, tmp_path) == "right"


@pytest.mark.parametrize("name", ["mid-one-pull", "fuel-pressure-follows", "banks-agree"])
def test_evidence_taken_out_of_a_pull_never_clears(name: str) -> None:
    """A few of the mutations that `tests/scenes/fuzz.py` makes by the thousand."""
    told = one((name, tuple(range(8))))
    assert len(told) == 8
    assert [t for t in told if t.breach] == []
