"""Reads files mutated at random: no crash, no hang, no partial output file.

    python tests/intake/fuzz.py [--files 10000] [--first 0] [--workers 2]

Every file is read and understood; each fiftieth goes through `screen --json` and, when read, through Parquet as well.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import sys
import tempfile
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from functools import lru_cache
from multiprocessing import get_context
from pathlib import Path

os.environ.setdefault("POLARS_MAX_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
HERE = Path(__file__).parent
sys.path[:0] = [str(HERE / "generated"), str(HERE.parents[1])]

HANG_S = 5.0
SPECIAL = [
    b"\x00",
    b"\xff\xfe",
    b"\xef\xbb\xbf",
    b'"',
    b"'",
    b",",
    b";",
    b"\t",
    b"\n",
    b"\r",
    b"\r\n",
    b"1e999",
    b"-1e-999",
    b"NaN",
    b"inf",
    b"9" * 400,
    b"\xc3\x28",
    b"\xf0\x9f\x9a\x97",
    b"()",
    b"[kPa]",
    b"=1+1",
    b"0x1F",
    b"1.2.3",
    b"--",
    b"24:60:61",
    b"2025-13-45",
    b"PAR1",
    b"PK\x03\x04",
    b"\x1f\x8b",
]


@lru_cache(maxsize=1)
def bases() -> tuple[tuple[str, bytes], ...]:
    """Files to start from: hand-written ugly ones, and made ones cut to a few hundred rows."""
    from cases import make

    ugly = [(p.name, p.read_bytes()) for p in sorted((HERE / "ugly").iterdir())]
    made = [make(seed) for seed in range(70_000, 70_024)]
    return (
        *ugly,
        *((c.name, c.data[:40_000] if c.name.endswith(".csv") else c.data) for c in made),
    )


def mutated(seed: int) -> tuple[str, bytes]:
    """A file of the bases after one to eight mutations."""
    rng = random.Random(seed)
    name, data = rng.choice(bases())
    for _ in range(rng.choice([1, 1, 2, 3, 8])):
        data = _mutate(data, rng)
    return name, data


def _mutate(data: bytes, rng: random.Random) -> bytes:
    at = rng.randrange(len(data) + 1)
    to = min(len(data), at + rng.choice([1, 2, 10, 100, 2000]))
    lines = data.split(b"\n")
    return rng.choice(
        [
            lambda: data[:at] + bytes([rng.randrange(256)]) + data[at + 1 :],
            lambda: data[:at] + data[to:],
            lambda: data[:at] + rng.choice(SPECIAL) + data[at:],
            lambda: data[:at] + data[at:to] * rng.choice([2, 3, 20]) + data[to:],
            lambda: data[:at],
            lambda: data[at:],
            lambda: b"\n".join(rng.sample(lines, len(lines))),
            lambda: b"\n".join(line for line in lines if rng.random() > 0.1),
            lambda: b"\n".join(
                line[: rng.randrange(len(line) + 1)] if rng.random() < 0.05 else line
                for line in lines
            ),
            lambda: data.replace(
                rng.choice([b",", b";", b".", b"\t", b"0", b":", b'"', b"-"]), rng.choice(SPECIAL)
            ),
            lambda: data + rng.choice(bases())[1][:5000],
            lambda: data[:at] + rng.randbytes(rng.choice([1, 30, 3000])) + data[at:],
        ]
    )()


def one(seed: int) -> tuple[int, str, float]:
    """(seed, what came of it, seconds)."""
    name, data = mutated(seed)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        path.write_bytes(data)
        start = time.perf_counter()
        try:
            outcome = _read(path, through_screen=seed % 50 == 0)
        except BaseException as error:  # the parser's panic is no Exception
            outcome = f"CRASH {type(error).__name__}: {str(error)[:200]}"
        return seed, outcome, time.perf_counter() - start


def _read(path: Path, *, through_screen: bool) -> str:
    from audit.intake import read_logs
    from audit.model import Car, Log

    entries = read_logs(path, car=Car())
    for entry in entries:
        if not isinstance(entry, Log) and ("\n" in entry.error or not entry.error.endswith(".")):
            return f"CRASH no sentence: {entry.error[:200]}"
    read = [e for e in entries if isinstance(e, Log)]
    if through_screen:
        return _screened(path, read) or ("read" if read else "refused")
    return "read" if read else "refused"


def _screened(path: Path, read: list) -> str:
    """What is wrong with the output files of this log, '' when nothing is."""
    from click.testing import CliRunner

    from audit.cli.main import cli
    from audit.intake.parquet import log_bytes, read_log

    out = path.with_name("out.json")
    result = CliRunner().invoke(cli, ["screen", str(path), "--json", str(out), "--workers", "1"])
    if result.exit_code not in (0, 10, 20, 2, 3) or (
        result.exception is not None and not isinstance(result.exception, SystemExit)
    ):
        return f"CRASH screen: exit {result.exit_code}, {result.exception!r}"
    if out.exists():
        json.loads(out.read_text(encoding="utf-8"))
    for log in read[:1]:
        path.with_name("kept.parquet").write_bytes(log_bytes(log))
        read_log(path.with_name("kept.parquet"))
    left = sorted(
        p.name
        for p in path.parent.iterdir()
        if p.name not in (path.name, "out.json", "kept.parquet")
    )
    return f"CRASH left behind: {left}" if left else ""


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--files", type=int, default=10_000)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--workers", type=int, default=2)
    options = parser.parse_args()
    with ProcessPoolExecutor(options.workers, mp_context=get_context("spawn")) as pool:
        results = list(
            pool.map(one, range(options.first, options.first + options.files), chunksize=20)
        )
    bad = [r for r in results if r[1].startswith("CRASH")]
    slow = [r for r in results if r[2] > HANG_S]
    print(
        dict(Counter(r[1].split()[0] for r in results)),
        f"slowest {max(r[2] for r in results):.2f} s, over {HANG_S:g} s: {len(slow)}",
    )
    for seed, what, seconds in (*bad[:40], *slow[:10]):
        print(f"  seed {seed}: {what} ({seconds:.2f} s)")


if __name__ == "__main__":
    main()
