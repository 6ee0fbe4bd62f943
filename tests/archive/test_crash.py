"""Killed at any moment, the archive is whole: nothing lost that was told to be in, nothing doubled, nothing half.

`python -m tests.archive.test_crash [runs]` runs it at length (200 runs by default).
"""

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from audit.archive.store import tables
from audit.archive.store.store import Archive
from audit.archive.store.verify import verify
from tests.archive.crash_child import put
from tests.archive.many_screens import check, nights_of_cars
from tests.archive.nights import a_night

ROOT = Path(__file__).parents[2]
EACH = 6  # nights that one child tries to add


def child(folder, first, last):
    return subprocess.Popen(
        [sys.executable, "-m", "tests.archive.crash_child", str(folder), str(first), str(last)],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )


def killed_run(folder, first, rng):
    """Start a writer, kill it at a random moment after its first word; the seeds it said were in."""
    running = child(folder, first, first + EACH)
    said = [int(running.stdout.readline())]
    time.sleep(rng.uniform(0.0, 0.4))
    running.send_signal(signal.SIGKILL)
    out, _ = running.communicate()
    return said + [int(line) for line in out.split()]


def whole(archive, seeds):
    """Every night of the seeds is there once with all its rows."""
    nights = archive.nights()
    assert nights.height == len(seeds) == nights["night_id"].n_unique()
    assert archive.logs().height == 2 * len(seeds)
    assert archive.pulls().height == 4 * len(seeds)
    assert archive.findings().height == 7 * len(seeds)
    assert sum(1 for _ in archive.places.logs.rglob("*.parquet")) == 2 * len(seeds)


def crash(folder, runs, seed=1, say=lambda text: None):
    rng = random.Random(seed)
    archive = Archive(folder)
    finished = 0
    for run in range(runs):
        first = run * EACH
        said = killed_run(folder, first, rng)
        assert verify(folder) == []
        left = list(archive.places.pending.glob("*.json.gz"))
        finished += bool(left)
        kept = set(archive.nights()["night_id"]) | {path.name.rsplit("-r", 1)[0] for path in left}
        assert len(kept) >= first + len(said)
        for night in range(first, first + EACH):  # the re-run
            put(archive, night)
        assert verify(folder) == []
        assert not list(archive.places.pending.iterdir())
        whole(archive, range(first + EACH))
        say(f"run {run + 1}: {len(said)} nights told before the kill, {len(left)} to finish")
    return finished


@pytest.mark.skipif(sys.platform == "win32", reason="kills by signal")
def test_a_writer_killed_at_random_moments_loses_and_doubles_nothing(tmp_path):
    crash(tmp_path / "a", 4)


STEPS = {
    "aside": "audit.archive.store.store.write_whole",
    "pending": "audit.archive.store.store.Archive._finish",
    "tables": "audit.archive.store.tables.append_frame",
    "records": "audit.archive.store.store.move",
    "flush": "audit.archive.store.tables._flush_last_commit",
}


class Killed(BaseException):
    """Stands for a kill: nothing catches it."""


@pytest.mark.parametrize("step", sorted(STEPS))
@pytest.mark.parametrize("count", [1, 2, 3])
def test_dying_at_each_step_leaves_the_night_in_or_out(tmp_path, monkeypatch, step, count):
    archive = Archive(tmp_path)
    archive.add(a_night(0, 1))
    calls = []
    import audit.archive.store.places
    import audit.archive.store.store

    module, _, name = STEPS[step].rpartition(".")
    owner = (
        Archive
        if module.endswith("Archive")
        else {"store": audit.archive.store.store, "tables": tables}[module.rpartition(".")[2]]
    )
    real = getattr(owner, name)

    def dying(*args, **kwargs):
        calls.append(1)
        if len(calls) == count:
            raise Killed
        return real(*args, **kwargs)

    with monkeypatch.context() as patched:
        patched.setattr(owner, name, dying)
        try:
            archive.add(a_night(2, 3))
        except Killed:
            pass
    assert verify(tmp_path) == []
    archive.add(a_night(2, 3))
    assert verify(tmp_path) == []
    whole(archive, range(2))


def test_many_writers_at_once_all_get_in_once(tmp_path):
    writers = [child(tmp_path, i % 4, i % 4 + 1) for i in range(8)]
    results = [(w.communicate(), w.returncode) for w in writers]
    assert [code for _, code in results] == [0] * 8, results
    assert verify(tmp_path) == []
    whole(Archive(tmp_path), range(4))


def test_screens_at_once_keep_each_night_once(tmp_path):
    """Three here; `python -m tests.archive.many_screens` runs twenty."""
    nights = nights_of_cars(tmp_path, 2)
    check([nights[0], nights[0], nights[1]], tmp_path / "a", there=2)


if __name__ == "__main__":
    import tempfile

    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    with tempfile.TemporaryDirectory() as folder:
        finished = crash(Path(folder) / "a", runs, say=lambda text: print(text, flush=True))
        print(
            f"{runs} kills: nothing lost, nothing doubled, {finished} nights finished by the next writer"
        )
