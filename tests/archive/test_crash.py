"""Killed at any moment, the archive is whole: nothing lost that was told to be in, nothing doubled, nothing half.

`python -m tests.archive.kills [runs]` kills the program's own commands at length.
"""

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from audit.archive.store.store import Archive
from audit.archive.store.verify import verify
from audit.database import Database
from tests.archive.crash_child import put
from tests.archive.kills import trial
from tests.archive.many_screens import check, nights_of_cars
from tests.archive.nights import a_night

ROOT = Path(__file__).parents[2]
EACH = 6  # nights that one child tries to add


def child(archive, first, last):
    where = [str(archive.root), str(first), str(last)]
    if archive.server:
        where.append(archive._logs)
    return subprocess.Popen(
        [sys.executable, "-m", "tests.archive.crash_child", *where],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )


def killed_run(archive, first, rng):
    """Start a writer, kill it at a random moment after its first word; the seeds it said were in."""
    running = child(archive, first, first + EACH)
    said = [int(running.stdout.readline())]
    time.sleep(rng.uniform(0.0, 0.4))
    running.send_signal(signal.SIGKILL)
    out, _ = running.communicate()
    return said + [int(line) for line in out.split()]


def whole(archive, seeds):
    """Every night of the seeds is there once with all its rows; a kill may have come between withdrawing and undoing."""
    for name, at in archive.db.rows("select night_id, withdrawn_at from night"):
        if at:
            archive.withdraw(name, undo=True)
    nights = archive.nights()
    assert nights.height == len(seeds) == nights["night_id"].n_unique()
    logs = archive.logs()
    assert logs.height == 2 * len(seeds) == logs["log_id"].n_unique()
    assert archive.kept.every() == set(logs["file"])
    assert verify(archive.root) == []


def crash(archive, runs, seed=1):
    rng = random.Random(seed)
    for run in range(runs):
        first = run * EACH
        said = killed_run(archive, first, rng)
        assert {p.kind for p in verify(archive.root)} <= {"spare"}
        kept = archive.db.rows("select count(*) from night")[0][0]
        assert kept >= first + len(said)
        for night in range(first, first + EACH):  # the re-run
            put(archive, night)
        whole(archive, range(first + EACH))


@pytest.mark.skipif(sys.platform == "win32", reason="kills by signal")
def test_a_writer_killed_at_random_moments_loses_and_doubles_nothing(archive):
    crash(archive, 2)


def killed(archive, tmp_path, runs):
    where = {"logs": archive._logs} if archive.server else {}
    made = trial(tmp_path / "trial", archive.root, runs, **where)
    assert made.killed >= runs
    assert made.stood


@pytest.mark.skipif(sys.platform == "win32", reason="kills by signal")
def test_commands_killed_at_random_moments_lose_and_double_nothing(archive, tmp_path):
    """`python -m tests.archive.kills` kills 200 on each kind of archive."""
    killed(archive, tmp_path, 3)


@pytest.mark.slow
def test_two_hundred_kills(archive, tmp_path):
    killed(archive, tmp_path, 200)


class Killed(BaseException):
    """Stands for a kill: nothing catches it."""


@pytest.mark.parametrize("step", [(Database, "put"), (Archive, "add_columns")], ids=str)
@pytest.mark.parametrize("count", range(1, 6))
def test_dying_at_each_step_leaves_the_night_in_or_out(archive, monkeypatch, step, count):
    archive.add(a_night(0, 1))
    calls, real = [], getattr(*step)

    def dying(*args, **kwargs):
        calls.append(1)
        if len(calls) == count:
            raise Killed
        return real(*args, **kwargs)

    with monkeypatch.context() as patched:
        patched.setattr(*step, dying)
        try:
            archive.add(a_night(2, 3))
        except Killed:
            assert archive.nights().height == 1
    assert {p.kind for p in verify(archive.root)} <= {"spare"}
    archive.add(a_night(2, 3))
    whole(archive, range(2))


def test_many_writers_at_once_all_get_in_once(archive):
    writers = [child(archive, i % 4, i % 4 + 1) for i in range(6)]
    results = [(w.communicate(), w.returncode) for w in writers]
    assert [code for _, code in results if code] == [], results
    whole(archive, range(4))


def test_readers_do_not_wait_for_a_writer(archive):
    archive.add(a_night(1))
    with archive.writing("Alder"):
        archive.db.rows("update night set date = '1999-01-01'")
        start = time.monotonic()
        other = Archive(archive.root)
        assert other.nights()["date"].to_list() == ["2026-03-01"]
        assert time.monotonic() - start < 60


def test_screens_at_once_keep_each_night_once(tmp_path):
    """Three here; `python -m tests.archive.many_screens` runs twenty."""
    nights = nights_of_cars(tmp_path, 2)
    check([nights[0], nights[0], nights[1]], tmp_path / "a", there=2)
