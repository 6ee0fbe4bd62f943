"""Screens scenes and prints where the verdict differs from the calibrator's.

    python tests/scenes/run.py [--only NAME] [--group GROUP] [--workers 2] [--list] [--write FOLDER] [-v]

Exit code 1 where a verdict differs.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

os.environ.setdefault("POLARS_MAX_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

from scenes.catalogue import BY_NAME, SCENES  # noqa: E402
from scenes.scene import Scene  # noqa: E402
from scenes.screening import Outcome, screen  # noqa: E402


def outcome(name: str) -> Outcome:
    """Write a scene's files and screen them."""
    scene = BY_NAME[name]
    with tempfile.TemporaryDirectory(prefix="scene_") as made:
        folder = Path(made) / name
        folder.mkdir()
        scene.evening.write(folder)
        return screen(folder, scene.args)


def kind(scene: Scene, verdict: str) -> str:
    """Right, or in which way it is wrong."""
    if verdict in scene.verdicts:
        return "right"
    if verdict == "clear":
        return "wrong clear"
    return "false hold" if scene.healthy and verdict != "crash" else "wrong kind"


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--only", default="", help="scenes with this in their name")
    parser.add_argument("--group", default="")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--list", action="store_true")
    parser.add_argument("--write", type=Path, help="only write the files below this folder")
    parser.add_argument("-v", action="store_true", help="all scenes, not only those that differ")
    options = parser.parse_args()
    chosen = [s for s in SCENES if options.only in s.name and options.group in ("", s.group)]
    if options.list or options.write:
        for scene in chosen:
            print(
                f"{scene.group:10} {scene.name:40} {'|'.join(sorted(scene.verdicts)):10} {scene.why}"
            )
            if options.write:
                (options.write / scene.name).mkdir(parents=True, exist_ok=True)
                scene.evening.write(options.write / scene.name)
        return 0
    began = time.monotonic()
    with ProcessPoolExecutor(options.workers, mp_context=get_context("spawn")) as pool:
        results = list(pool.map(outcome, [s.name for s in chosen], chunksize=4))
    total: Counter[str] = Counter()
    untold = []
    for scene, got in zip(chosen, results, strict=True):
        how = kind(scene, got.verdict)
        total[how] += 1
        if how == "right" and scene.codes and not scene.codes & got.codes.keys():
            untold.append(f"  {scene.group}/{scene.name}: none of {sorted(scene.codes)}")
        if options.v or how != "right":
            expected = "|".join(sorted(scene.verdicts))
            print(
                f"{how.upper():12} {scene.group}/{scene.name}: expected {expected}, got {got.verdict} ({got.pulls} pulls)"
            )
            for line in (*got.reasons[:2], f"why: {scene.why}"):
                print(f"             {line}")
    if untold:
        print("Right, but none of the expected codes told:", *untold, sep="\n")
    told = ", ".join(
        f"{k} {total[k]}" for k in ("right", "wrong clear", "false hold", "wrong kind")
    )
    print(f"{len(chosen)} scenes in {time.monotonic() - began:.0f} s: {told}")
    return 0 if total["right"] == len(chosen) else 1


if __name__ == "__main__":
    raise SystemExit(main())
