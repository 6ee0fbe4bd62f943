"""The inbox service at rest and at its first verdict, as a process of its own.

python tests/benchmarks/bench_watch.py [--idle 30] [--logs 12]
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "service"), str(Path(__file__).parent)]

from goals import Goal, show  # noqa: E402
from made_logs import good_log  # noqa: E402


class Service:
    """`pullaudit watch` with what it prints, and when."""

    def __init__(self, folder: Path, *more: str) -> None:
        self.inbox, self.archive = folder / "inbox", folder / "archive"
        self.inbox.mkdir()
        argv = [
            sys.executable,
            "-m",
            "audit",
            "watch",
            str(self.inbox),
            "--archive",
            str(self.archive),
            *more,
        ]
        env = {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": "1"}
        self.process = subprocess.Popen(
            argv, env=env, cwd=folder, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        )
        self.verdicts: list[float] = []
        self.ready = threading.Event()
        threading.Thread(target=self._out, daemon=True).start()
        threading.Thread(target=self._err, daemon=True).start()
        self.ready.wait(60)

    def _out(self) -> None:
        for _ in self.process.stdout:
            self.verdicts.append(time.perf_counter())

    def _err(self) -> None:
        for line in self.process.stderr:
            if '"event": "health"' in line:
                self.ready.set()

    def cpu_s(self) -> float:
        fields = (
            Path(f"/proc/{self.process.pid}/stat")
            .read_text(encoding="ascii")
            .rsplit(") ", 1)[1]
            .split()
        )
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")

    def close(self) -> None:
        self.process.terminate()
        self.process.wait(60)


def idle(seconds: float, files: int, *more: str) -> float:
    """Share of a core while nothing happens, with so many files in the inbox that were dealt with."""
    with tempfile.TemporaryDirectory() as folder:
        service = Service(Path(folder), *more)
        for i in range(files):
            path = service.inbox / f"car{i % 10}" / f"2025-05-{1 + i % 28:02d}" / f"notes_{i}.csv"
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(f"no log {i}\n", encoding="ascii")
        note = service.archive / "inbox" / "set_aside"
        while sum(1 for _ in note.rglob("*.reason.txt")) < files:
            time.sleep(0.5)
        time.sleep(2.0)
        before = service.cpu_s()
        time.sleep(seconds)
        used = service.cpu_s() - before
        service.close()
    return 100.0 * used / seconds


def first_verdicts(logs: int) -> list[float]:
    """Seconds from a file's last byte to its verdict, one file at a time, each a night of its own."""
    waits = []
    with tempfile.TemporaryDirectory() as folder:
        service = Service(Path(folder))
        for i in range(logs):
            path = service.inbox / "alder" / f"2025-05-{1 + i:02d}" / "run.csv"
            path.parent.mkdir(parents=True)
            had = len(service.verdicts)
            path.write_bytes(good_log(i, rows=4000))
            written = time.perf_counter()
            while len(service.verdicts) == had and time.perf_counter() - written < 60:
                time.sleep(0.01)
            waits.append(service.verdicts[-1] - written)
        service.close()
    return waits


def measure(*, idle_s: float = 30.0, logs: int = 12, files: int = 200) -> list[Goal]:
    waits = first_verdicts(logs)
    return [
        Goal("watch at rest, file events, share of a core", idle(idle_s, files), 1.0, "%"),
        Goal(
            "watch at rest, looking every second, share of a core",
            idle(idle_s, files, "--poll", "1"),
            1.0,
            "%",
        ),
        Goal("first verdict after a file is complete, median", statistics.median(waits), 2.0, "s"),
        Goal("first verdict after a file is complete, worst", max(waits), 2.0, "s"),
    ]


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--idle", type=float, default=30.0)
    parser.add_argument("--logs", type=int, default=12)
    asked = parser.parse_args()
    show(measure(idle_s=asked.idle, logs=asked.logs))
