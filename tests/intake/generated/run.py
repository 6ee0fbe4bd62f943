"""Reads many made files and prints how many came out right, and what was wrong.

python tests/intake/generated/run.py [--files 3000] [--first 0] [--workers 2] [-v]
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

os.environ.setdefault("POLARS_MAX_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[3]))


def one(seed: int):
    from cases import make
    from judge import Fault, judge

    case = make(seed)
    start = time.perf_counter()
    try:
        faults, doubted = judge(case)
    except Exception as error:  # a crash is a fault like any other, and the worst
        faults, doubted = (
            [Fault(seed, "file", f"CRASH {type(error).__name__}: {error}", announced=False)],
            [],
        )
    return case.about, len(case.columns), faults, doubted, time.perf_counter() - start


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--files", type=int, default=3000)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("-v", action="store_true")
    options = parser.parse_args()
    seeds = range(options.first, options.first + options.files)
    with ProcessPoolExecutor(options.workers, mp_context=get_context("spawn")) as pool:
        results = list(pool.map(one, seeds, chunksize=8))
    report(results, verbose=options.v)


def report(results, *, verbose: bool) -> None:
    files, columns = len(results), sum(r[1] for r in results)
    told = [f for r in results for f in r[2] if f.tellable]
    hidden = [f for r in results for f in r[2] if not f.tellable]
    wrong, silent = len({f.seed for f in told}), [f for f in (*told, *hidden) if not f.announced]
    print(f"files {files}, columns {columns}")
    print(
        f"files with every channel, unit and the clock right: {files - wrong} ({100 * (1 - wrong / files):.2f} %)"
    )
    print(f"columns right: {100 * (1 - len(told) / columns):.3f} %")
    print(
        f"wrong and announced: {len(told) - sum(not f.announced for f in told)}; wrong and silent: {len(silent)}"
    )
    print(f"units that nothing tells, read wrong but announced: {sum(f.announced for f in hidden)}")
    doubted = [d for r in results for d in r[3]]
    print(
        f"right but doubted, though it could be told: {len(doubted)} columns in {sum(bool(r[3]) for r in results)} files"
    )
    print("wrong by channel:", dict(Counter(f.channel for f in told).most_common()))
    for key in results[0][0]:
        bad = Counter(r[0][key] for r in results if any(f.tellable for f in r[2]))
        if bad:
            print(f"wrong by {key}:", dict(bad.most_common(5)))
    print(f"slowest file {max(r[4] for r in results):.2f} s")
    for fault in (*silent, *[f for f in told if f.announced])[: 400 if verbose else 20]:
        print(
            f"  {'SILENT ' if not fault.announced else ''}seed {fault.seed} {fault.channel}: {fault.what}"
        )
    if verbose:
        for text, count in Counter(doubted).most_common(60):
            print(f"  doubted {count}: {text}")


if __name__ == "__main__":
    main()
