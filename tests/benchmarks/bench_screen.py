"""Ratios of the screen against what the machine does anyway, all measured in this run.

    python tests/benchmarks/bench_screen.py

What many logs cost is told by bench_cluster.
"""

from __future__ import annotations

import atexit
import functools
import os
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(Path(__file__).parent))

from goals import Goal, show  # noqa: E402


@functools.cache
def as_installed() -> dict[str, str]:
    """An environment in which byte code is kept, as an installer leaves it: else every start compiles the sources."""
    folder = tempfile.mkdtemp(prefix="bytecode-")
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    env = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    return {**env, "PYTHONPYCACHEPREFIX": folder, "PYTHONPATH": str(ROOT)}


class Spent(NamedTuple):
    """Seconds by the clock, seconds of a core."""

    wall: float
    core: float


def once(*argv: str) -> Spent:
    before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    subprocess.run(
        [sys.executable, *argv],
        check=False,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        cwd="/",
        env=as_installed(),
    )
    after, wall = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter() - start
    return Spent(wall, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)


def median(*argv: str, times: int = 9) -> Spent:
    """After one start that is not counted."""
    once(*argv)
    runs = [once(*argv) for _ in range(times)]
    return Spent(statistics.median(r.wall for r in runs), statistics.median(r.core for r in runs))


def one_megabyte_log(path: Path, seed: int) -> None:
    """A comma file of 1 MB by the simulator: 16 channels, 20 rows a second, several pulls."""
    sys.path.insert(0, str(ROOT / "sample_data"))
    import simulate

    car = simulate.CarParams()
    pulls = tuple(simulate.PullPlan(3, 2800.0, 6400.0) for _ in range(6))
    drive = simulate.DrivePlan(pulls, 5.0, 20.0, 60.0, 2, 2, 0.3)
    params = simulate.NightParams(car, simulate.LoggerParams(rate_hz=20.0), (drive,))
    simulate.write_log(
        simulate.simulate_night(params, seed=seed).logs[0].frame, path, simulate.Dialect()
    )
    lines = path.read_bytes().splitlines(keepends=True)
    kept, size = [], 0
    for line in lines:
        size += len(line)
        if size > 1_000_000:
            break
        kept.append(line)
    path.write_bytes(b"".join(kept))


def measure() -> list[Goal]:
    """Starting up: the help, and one log in a process of its own."""
    with tempfile.TemporaryDirectory() as folder:
        log = Path(folder) / "log.csv"
        one_megabyte_log(log, 0)
        click, shown = median("-c", "import click"), median("-m", "audit", "--help")
        base, one = median("-c", "import polars"), median("-m", "audit", "screen", str(log))
    return [
        Goal("--help over python with click", shown.wall / click.wall, 1.3),
        Goal("one log of 1 MB in a fresh process over `import polars`", one.wall / base.wall, 3.0),
        Goal("time of a core: the same", one.core / base.core, 3.0),
    ]


if __name__ == "__main__":
    show(measure())
