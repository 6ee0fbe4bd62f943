"""All goals of scale, measured in one run and printed with what falls short.

python tests/benchmarks/goals.py [--logs 100] [--quick]
"""

from __future__ import annotations

import argparse
import os
import sys
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))


@dataclass(frozen=True)
class Goal:
    """One figure against its goal; at_least: larger is better. limit None: told, not judged."""

    what: str
    value: float
    limit: float | None
    unit: str = "×"
    at_least: bool = False

    @property
    def met(self) -> bool | None:
        if self.limit is None:
            return None
        return self.value >= self.limit if self.at_least else self.value <= self.limit


def show(goals: list[Goal]) -> None:
    for goal in goals:
        against = (
            "" if goal.limit is None else f"   goal {'≥' if goal.at_least else '≤'} {goal.limit:g}"
        )
        word = {True: "met", False: "FALLS SHORT", None: ""}[goal.met]
        print(f"{goal.what:<62} {goal.value:>9.2f} {goal.unit:<3}{against:<15} {word}", flush=True)


def load() -> str:
    one, five, _ = os.getloadavg()
    return (
        f"{os.cpu_count()} cores; load of the machine {one:.1f} now, {five:.1f} over five minutes"
    )


def main() -> None:
    import bench_cluster
    import bench_growth
    import bench_screen
    import bench_watch

    parser = argparse.ArgumentParser()
    parser.add_argument("--logs", type=int, default=100)
    parser.add_argument("--quick", action="store_true")
    asked = parser.parse_args()
    print(f"before: {load()}")
    show(bench_screen.measure())
    show(bench_cluster.measure(logs=asked.logs))
    show(bench_growth.measure(most=10 if asked.quick else 100))
    show(bench_watch.measure(idle_s=10.0 if asked.quick else 30.0))
    print(f"after:  {load()}")


if __name__ == "__main__":
    main()
