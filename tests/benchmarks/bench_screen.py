"""Ratios of the screen against what the machine does anyway, all measured in this run.

    python tests/benchmarks/bench_screen.py [--logs 200]
"""

from __future__ import annotations

import argparse
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).parents[2]


def once(*argv: str) -> float:
    start = time.perf_counter()
    subprocess.run([sys.executable, *argv], check=False, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, cwd="/")
    return time.perf_counter() - start


def median(*argv: str, times: int = 7) -> float:
    return statistics.median(once(*argv) for _ in range(times))


def one_megabyte_log(path: Path, seed: int) -> None:
    """A comma file of 1 MB by the simulator: 16 channels, 20 rows a second, several pulls."""
    sys.path.insert(0, str(ROOT / "sample_data"))
    import simulate

    car = simulate.CarParams()
    pulls = tuple(simulate.PullPlan(3, 2800.0, 6400.0) for _ in range(6))
    drive = simulate.DrivePlan(pulls, 5.0, 20.0, 60.0, 2, 2, 0.3)
    params = simulate.NightParams(car, simulate.LoggerParams(rate_hz=20.0), (drive,))
    simulate.write_log(simulate.simulate_night(params, seed=seed).logs[0].frame, path, simulate.Dialect())
    lines = path.read_bytes().splitlines(keepends=True)
    kept, size = [], 0
    for line in lines:
        size += len(line)
        if size > 1_000_000:
            break
        kept.append(line)
    path.write_bytes(b"".join(kept))


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--logs", type=int, default=200)
    wanted = parser.parse_args().logs
    with tempfile.TemporaryDirectory() as folder:
        logs = Path(folder) / "logs"
        logs.mkdir()
        kinds = 10
        for seed in range(kinds):
            one_megabyte_log(logs / f"log{seed}.csv", seed)
        size = (logs / "log0.csv").stat().st_size
        help_base = median("-c", "import click")
        print(f"--help against python + click:          {median('-m', 'audit', '--help') / help_base:.2f} (goal 3)")
        base = median("-c", "import polars")
        one = median("-m", "audit", "screen", str(logs / "log0.csv"))
        print(f"one {size / 1e6:.2f} MB log against import polars: {one / base:.2f} (goal 3)")
        for i in range(kinds, wanted):
            source = (logs / f"log{i % kinds}.csv").read_bytes()
            # Distinct bytes for each, or the same recording would be judged once.
            (logs / f"log{i}.csv").write_bytes(source + b"\n" * (i // kinds))
        import polars as pl

        files = sorted(logs.glob("*.csv"))
        pl.read_csv(files[0])
        start = time.perf_counter()
        for file in files:
            pl.read_csv(file)
        bare = time.perf_counter() - start
        start = time.perf_counter()
        subprocess.run(
            [sys.executable, "-m", "audit", "screen", str(logs), "--workers", "2"], stdout=subprocess.DEVNULL, check=False
        )
        many = time.perf_counter() - start
        memory = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
        print(f"{wanted} logs, 2 workers, against read_csv:      {many / bare:.2f} (goal 5)   [{many:.2f} s / {bare:.2f} s]")
        print(f"largest process:                         {memory:.0f} MB (goal 600 for all)")


if __name__ == "__main__":
    main()
