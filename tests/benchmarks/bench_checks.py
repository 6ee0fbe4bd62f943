"""CPU time of each check on a log of 1 MB, beside reading the same bytes; all measured in this run.

    python tests/benchmarks/bench_checks.py [--times 25]

"alone" counts what the checks share (the boost trace, the believed samples) to each of them; "in turn" counts it
to whichever asks first, as a screen does.
"""

from __future__ import annotations

import argparse
import dataclasses
import os
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

os.environ.setdefault("POLARS_MAX_THREADS", "1")  # CPU time of one thread is what is compared

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(Path(__file__).parent)]

import polars as pl  # noqa: E402
from bench_screen import one_megabyte_log  # noqa: E402

from audit.carfile import load_car  # noqa: E402
from audit.checks.kit.registry import all_checks  # noqa: E402
from audit.checks.kit.run import guarded, obstacle, run_pull  # noqa: E402
from audit.intake.raw import Rejected  # noqa: E402
from audit.intake.read import read_raw  # noqa: E402
from audit.intake.understand import understand  # noqa: E402
from audit.model import Log, Pull  # noqa: E402
from audit.pulls.find import find_pulls  # noqa: E402
from audit.sanity.examine import examine  # noqa: E402
from audit.tables import limits_for  # noqa: E402

CAR = load_car(None)
LIMITS = limits_for(CAR)
MOST_ONE_MS, MOST_ALL_MS = 2.0, 12.0  # the goals


class Bench:
    """One log, with its flags and pulls found; fresh() hands out pulls that remember nothing yet."""

    def __init__(self, log: Log) -> None:
        self.log = log
        self.sanity = examine(log, CAR)
        self.spans = find_pulls(log, self.sanity, CAR, LIMITS)

    def fresh(self) -> list[Pull]:
        log = dataclasses.replace(self.log)
        for name in log.by_name:
            log.values(name)  # the sanity tests have read the columns by then
        return [
            Pull(index=i, span=span, log=log, sanity=self.sanity, car=CAR)
            for i, span in enumerate(self.spans, 1)
        ]

    def check(self, check, pulls: list[Pull]) -> None:
        for pull in pulls:
            if obstacle(check, pull) is None:
                guarded(
                    check.NAME, lambda p=pull: check.judge(check.measure(p, LIMITS), LIMITS), None
                )
        if hasattr(check, "whole_log"):
            check.whole_log(pulls[0].log, self.sanity, CAR, LIMITS)

    def every(self, pulls: list[Pull]) -> None:
        for pull in pulls:
            run_pull(pull, LIMITS)
        for check in all_checks():
            if hasattr(check, "whole_log"):
                check.whole_log(pulls[0].log, self.sanity, CAR, LIMITS)


def cpu_ms(call: Callable[[], object]) -> float:
    start = time.process_time()
    call()
    return 1000 * (time.process_time() - start)


def rounds(bench: Bench, path: Path, times: int) -> dict[str, list[float]]:
    """CPU ms of everything, turn about, so that a busy machine slows all alike."""
    found: dict[str, list[float]] = {}

    def put(name: str, call: Callable[[], object]) -> None:
        found.setdefault(name, []).append(cpu_ms(call))

    for _ in range(times):
        put("read_csv", lambda: pl.read_csv(path))
        pulls = bench.fresh()
        put("all checks", lambda p=pulls: bench.every(p))
        turn = bench.fresh()
        for check in all_checks():
            alone = bench.fresh()
            put(f"{check.NAME} alone", lambda c=check, p=alone: bench.check(c, p))
            put(f"{check.NAME} in turn", lambda c=check, p=turn: bench.check(c, p))
    return found


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--times", type=int, default=25)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "log.csv"
        one_megabyte_log(path, given.seed)
        raw = read_raw(path)[0]
        if isinstance(raw, Rejected):
            raise SystemExit(raw.error)
        bench = Bench(understand(raw, CAR))
        bench.every(bench.fresh())
        ms = {
            name: statistics.median(values)
            for name, values in rounds(bench, path, given.times).items()
        }
    base = ms["read_csv"]
    print(
        f"{bench.log.rows} rows, {len(bench.log.channels)} channels, {len(bench.spans)} pulls; "
        f"read_csv of the same bytes: {base:.2f} ms CPU"
    )
    print(
        f"{'':18}{'in turn':>9}{'alone':>9}{'in turn / read_csv':>20}   (goal {MOST_ONE_MS:g} ms in turn)"
    )
    for check in all_checks():
        turn, alone = ms[f"{check.NAME} in turn"], ms[f"{check.NAME} alone"]
        print(f"{check.NAME:18}{turn:6.2f} ms{alone:6.2f} ms{turn / base:20.2f}")
    every = ms["all checks"]
    print(f"{'all checks':18}{every:6.2f} ms{'':9}{every / base:20.2f}   (goal {MOST_ALL_MS:g} ms)")


if __name__ == "__main__":
    main()
