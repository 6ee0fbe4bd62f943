"""The whole audit of many logs against a bare parse of the same bytes: one worker, two, and a Dask cluster.

    python tests/benchmarks/bench_cluster.py [--logs 100]

The bare parse is polars.read_csv, file after file, in this process: what it costs to look at the bytes at all.
"""

from __future__ import annotations

import argparse
import importlib.util
import resource
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(Path(__file__).parent)]

from bench_screen import as_installed, one_megabyte_log  # noqa: E402
from goals import Goal, show  # noqa: E402

KINDS = 6


def fill(folder: Path, count: int) -> list[Path]:
    """So many logs of 1 MB, each with bytes of its own."""
    for seed in range(min(KINDS, count)):
        one_megabyte_log(folder / f"log{seed}.csv", seed)
    for i in range(KINDS, count):
        (folder / f"log{i}.csv").write_bytes(
            (folder / f"log{i % KINDS}.csv").read_bytes() + b"\n" * (i // KINDS)
        )
    return sorted(folder.glob("*.csv"))


class Cost(NamedTuple):
    """Seconds by the clock, seconds of a core, MB of all processes at most."""

    wall: float
    core: float
    memory: float = 0.0


def bare(paths: list[Path]) -> Cost:
    import polars as pl

    pl.read_csv(paths[0])
    start, core = time.perf_counter(), time.process_time()
    for path in paths:
        pl.read_csv(path)
    return Cost(time.perf_counter() - start, time.process_time() - core)


def used() -> float:
    spent = resource.getrusage(resource.RUSAGE_CHILDREN)
    return spent.ru_utime + spent.ru_stime


def screened(folder: Path, *more: str) -> Cost:
    """What the command costs, its worker processes counted in."""
    before = used()
    env = as_installed()
    argv = [sys.executable, "-m", "audit", "screen", str(folder), *more]
    start = time.perf_counter()
    process = subprocess.Popen(
        argv, env=env, cwd="/", stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    most = [0.0]

    def look() -> None:
        while process.poll() is None:
            most[0] = max(most[0], family_mb(process.pid))
            time.sleep(0.1)

    watcher = threading.Thread(target=look)
    watcher.start()
    process.wait()
    took = time.perf_counter() - start
    watcher.join()
    return Cost(took, used() - before, most[0])


def family_mb(pid: int) -> float:
    """Memory of a process and its children, shared pages counted once (PSS)."""
    total = 0.0
    for process in [pid, *children(pid)]:
        try:
            for line in (
                Path(f"/proc/{process}/smaps_rollup").read_text(encoding="ascii").splitlines()
            ):
                if line.startswith("Pss:"):
                    total += int(line.split()[1]) / 1000
        except OSError:
            continue
    return total


def children(pid: int) -> list[int]:
    try:
        own = [
            int(p)
            for t in Path(f"/proc/{pid}/task").iterdir()
            for p in (t / "children").read_text(encoding="ascii").split()
        ]
    except OSError:
        return []
    return [*own, *(c for child in own for c in children(child))]


def on_dask(folder: Path) -> float:
    from distributed import LocalCluster

    with LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
    ) as cluster:
        return screened(folder, "--cluster", cluster.scheduler_address).wall


def measure(*, logs: int = 100) -> list[Goal]:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        paths = fill(folder, logs)
        size = sum(p.stat().st_size for p in paths) / 1e6
        parse = bare(paths)
        screened(folder / paths[0].name, "--workers", "1")  # byte code is made here
        one = screened(folder, "--workers", "1")
        two = screened(folder, "--workers", "2")
        again = bare(paths)
        parse = Cost(min(parse.wall, again.wall), min(parse.core, again.core))
        out = [
            Goal(f"bare parse of {logs} logs, {size:.0f} MB", parse.wall, None, "s"),
            Goal("whole audit, 1 worker, over the bare parse", one.wall / parse.wall, None),
            Goal("whole audit, 2 workers, over the bare parse", two.wall / parse.wall, 3.0),
            Goal("1 worker over 2 workers", one.wall / two.wall, 1.8, at_least=True),
            Goal("memory of all processes, 2 workers", two.memory, 800.0, "MB"),
            # What other programs on the machine take does not count in these.
            Goal(
                "time of a core: half of the audit's over the bare parse's",
                two.core / 2 / parse.core,
                3.0,
            ),
            Goal(
                "time of a core: 2 × that of 1 worker over that of 2",
                2 * one.core / two.core,
                1.8,
                at_least=True,
            ),
            Goal("time of a core, a log of 1 MB", 1000 * one.core / logs, None, "ms"),
        ]
        if importlib.util.find_spec("distributed") is not None:
            out.append(Goal("Dask, 2 workers, over 2 processes", on_dask(folder) / two.wall, None))
    return out


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--logs", type=int, default=100)
    show(measure(logs=parser.parse_args().logs))
