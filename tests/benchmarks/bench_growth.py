"""How cost and memory grow as logs, length and columns grow by 10 and 100.

    python tests/benchmarks/bench_growth.py [--most 100]

Each figure is (time of N times as much) over N × (time of the base), in one process, in processor time, so that other
programs disturb little. 1.0 is linear; less is better than linear, as fixed costs spread.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "service"), str(Path(__file__).parent)]

from goals import Goal, show  # noqa: E402
from made_logs import good_log  # noqa: E402

BASE_ROWS = 2000
CHILD = """
import json, resource, sys, time
from pathlib import Path
from audit.model import Car
from audit.night.screen import assemble, screen_log
paths = [Path(p) for p in json.loads(sys.stdin.read())]
screen_log(paths[0], car=Car(), keep_frames=False)   # loading is not counted
empty = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
start = time.process_time()
assemble([a for p in paths for a in screen_log(p, car=Car(), keep_frames=False)], car=Car())
print(json.dumps([time.process_time() - start, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, empty]))
"""


def child(paths: list[Path]) -> tuple[float, float]:
    """(processor seconds, MB at most) of a fresh process that audits the files as one night."""
    env = {**os.environ, "PYTHONPATH": str(ROOT), "POLARS_MAX_THREADS": "1"}
    done = subprocess.run(
        [sys.executable, "-c", CHILD],
        input=json.dumps([str(p) for p in paths]),
        env=env,
        cwd="/",
        capture_output=True,
        text=True,
        check=True,
    )
    seconds, most, _ = json.loads(done.stdout)
    return seconds, most


def many(folder: Path, times: int) -> list[Path]:
    """So many logs as long as the base, each another."""
    paths = [folder / f"many{i}.csv" for i in range(times)]
    for i, path in enumerate(paths):
        if not path.exists():
            path.write_bytes(good_log(i, rows=BASE_ROWS))
    return paths


def longer(data: bytes, times: int) -> bytes:
    """The same drive over and over, the clock going on: so many times the rows and the pulls."""
    head, *rows = data.decode().splitlines()
    split = [row.split(",", 1) for row in rows]
    span = float(split[-1][0]) + 0.05
    return (
        "\n".join(
            [
                head,
                *(f"{float(t) + k * span:.2f},{rest}" for k in range(times) for t, rest in split),
            ]
        )
        + "\n"
    ).encode()


def wider(data: bytes, times: int) -> bytes:
    """Columns that are no channel, until there are so many times as many."""
    head, *rows = data.decode().splitlines()
    extra = (head.count(",") + 1) * (times - 1)
    names = "".join(f",Spare Word {i}" for i in range(extra))
    return (
        "\n".join([head + names, *(row + f",{i % 97}" * extra for i, row in enumerate(rows))])
        + "\n"
    ).encode()


def measure(*, most: int = 100) -> list[Goal]:
    steps = [n for n in (10, 100) if n <= most]
    out = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        base = good_log(0, rows=BASE_ROWS)

        def file(label: str, data: bytes) -> Path:
            path = folder / f"{label}.csv"
            path.write_bytes(data)
            return path

        small = file("base", base)
        _, memory = child([small])
        one = min(child([file(f"one{i}", good_log(i, rows=BASE_ROWS))])[0] for i in range(5))
        for what, make in (("logs", many), ("rows", longer), ("columns", wider)):
            times = {1: one}
            for n in steps:
                data = make(base, n) if make is not many else b""
                paths = many(folder, n) if make is many else [file(f"{what}{n}", data)]
                times[n], most_mb = child(paths)
                out.append(
                    Goal(f"{n} × the {what}: time over {n} × the base", times[n] / (n * one), 1.1)
                )
                if n == 100:
                    out.append(
                        Goal(
                            f"{n} × the {what}: time over 10 × that of 10 ×",
                            times[100] / (10 * times[10]),
                            1.1,
                        )
                    )
                if make is many:
                    out.append(
                        Goal(f"{n} × the {what}: memory over the base", most_mb / memory, None)
                    )
                else:
                    out.append(
                        Goal(
                            f"{n} × the {what}: memory added, MB a MB of log",
                            (most_mb - memory) / (len(data) / 1e6),
                            None,
                            "MB",
                        )
                    )
    return out


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--most", type=int, default=100)
    show(measure(most=parser.parse_args().most))
