"""The audit on a Dask cluster, and logs from addresses of fsspec."""

from __future__ import annotations

import importlib.util
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent / "service"))
from made_logs import garbage, good_log

from audit.errors import UsageError
from audit.model import Car
from audit.night.screen import screen_night
from audit.report.document import dumps
from audit.request import Request, run

ROOT = Path(__file__).parents[1]
needs_dask = pytest.mark.skipif(
    importlib.util.find_spec("distributed") is None, reason="the extra 'cluster' is not installed"
)
needs_fsspec = pytest.mark.skipif(
    importlib.util.find_spec("fsspec") is None, reason="the extra 'cluster' is not installed"
)


class Cluster:
    """A scheduler and workers as processes of their own, as on several machines."""

    def __init__(self, folder: Path, *, workers: int) -> None:
        self.file = folder / "scheduler.json"
        self.env = {
            **os.environ,
            "PYTHONPATH": os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")]),
            "DASK_DISTRIBUTED__WORKER__DAEMON": "false",
        }
        dask = [
            sys.executable,
            "-m",
            "distributed.cli.dask_scheduler",
            "--scheduler-file",
            str(self.file),
            "--no-dashboard",
            "--host",
            "127.0.0.1",
            "--port",
            "0",
        ]
        self.all = [self.process(dask)]
        self.until(self.file.exists)
        worker = [
            sys.executable,
            "-m",
            "distributed.cli.dask_worker",
            "--scheduler-file",
            str(self.file),
            "--no-dashboard",
            "--nthreads",
            "1",
            "--no-nanny",
            "--host",
            "127.0.0.1",
        ]
        self.workers = [self.process(worker) for _ in range(workers)]
        self.all += self.workers
        import json

        self.address = json.loads(self.file.read_text())["address"]

    def process(self, argv: list[str]) -> subprocess.Popen:
        return subprocess.Popen(
            argv,
            env=self.env,
            cwd=self.file.parent,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )

    @staticmethod
    def until(holds) -> None:
        end = time.monotonic() + 60
        while not holds() and time.monotonic() < end:
            time.sleep(0.05)

    def wait_for_workers(self) -> None:
        from audit.night.cluster import connect

        client = connect(self.address)
        client.wait_for_workers(len(self.workers), timeout=60)
        client.close()

    def close(self) -> None:
        for process in reversed(self.all):
            process.kill()
            process.wait()


@pytest.fixture
def logs(tmp_path) -> list[Path]:
    folder = tmp_path / "logs"
    folder.mkdir()
    for i in range(24):
        (folder / f"run_{i}.csv").write_bytes(good_log(i))
    (folder / "odd.csv").write_bytes(garbage(0))
    return sorted(folder.iterdir())


@needs_dask
@pytest.mark.filterwarnings("ignore")
def test_a_worker_killed_in_the_middle_changes_nothing(tmp_path, logs):
    cluster = Cluster(tmp_path, workers=2)
    try:
        cluster.wait_for_workers()
        seen: list[int] = []

        def progress(done: int, _total: int) -> None:
            seen.append(done)
            if done == 4:
                cluster.workers[0].send_signal(signal.SIGKILL)

        there = screen_night(
            logs,
            car=Car(name="alder"),
            keep_frames=False,
            cluster=cluster.address,
            progress=progress,
        )
    finally:
        cluster.close()
    assert seen == list(range(1, 26))
    here = screen_night(logs, car=Car(name="alder"), keep_frames=False, workers=1)
    assert dumps(there) == dumps(here)


@needs_dask
@pytest.mark.filterwarnings("ignore")
def test_a_scheduler_that_dies_loses_nothing(tmp_path, logs):
    cluster = Cluster(tmp_path, workers=1)
    try:
        cluster.wait_for_workers()

        def progress(done: int, _total: int) -> None:
            if done == 3:
                for process in cluster.all:
                    process.send_signal(signal.SIGKILL)

        there = screen_night(
            logs,
            car=Car(name="alder"),
            keep_frames=False,
            cluster=cluster.address,
            progress=progress,
        )
    finally:
        cluster.close()
    assert dumps(there) == dumps(
        screen_night(logs, car=Car(name="alder"), keep_frames=False, workers=1)
    )


@needs_dask
def test_an_address_where_nobody_answers_is_told(monkeypatch, logs):
    monkeypatch.setattr("audit.night.cluster.ANSWER_S", 0.5)
    with pytest.raises(UsageError, match="no scheduler answers"):
        screen_night(logs, car=Car(), cluster="tcp://127.0.0.1:9")


@needs_fsspec
def test_logs_in_a_store_give_the_same_but_for_their_addresses(tmp_path, logs):
    import fsspec

    store = fsspec.filesystem("memory")
    store.makedirs("/bucket/alder/may", exist_ok=True)
    (tmp_path / "car.toml").write_text('name = "the blue one"\n', encoding="utf-8")
    store.pipe("/bucket/alder/car.toml", (tmp_path / "car.toml").read_bytes())
    for path in logs:
        store.pipe(f"/bucket/alder/may/{path.name}", path.read_bytes())
    there = run(
        Request(paths=(), urls=("memory://bucket/alder/may",), keep_frames=False, workers=1)
    )
    here = run(Request(paths=(tmp_path / "logs",), keep_frames=False, workers=1))
    assert there.night.car.name == "the blue one"
    text = (
        dumps(there.night)
        .replace("memory:///bucket/alder/may/", f"{tmp_path}/logs/")
        .replace("memory://bucket/alder/may/", f"{tmp_path}/logs/")
    )
    assert text == dumps(here.night)


def test_an_archive_in_a_store_is_refused(tmp_path):
    (tmp_path / "run.csv").write_bytes(good_log(1))
    with pytest.raises(UsageError, match="may lie in a store"):
        run(Request(paths=(tmp_path / "run.csv",), archive=Path("s3://bucket/archive")))


@needs_fsspec
def test_an_address_with_nothing_there_is_wrong_usage():
    outcome = run(Request(paths=(), urls=("memory://nowhere/x.csv",)))
    assert outcome.night is None
    assert outcome.usage
    assert "no log there" in outcome.warnings[0]


@needs_fsspec
def test_an_unknown_kind_of_address_is_told():
    with pytest.raises(UsageError, match="nonsense"):
        run(Request(paths=(), urls=("nonsense://x/y.csv",)))


def test_the_extras_stay_unloaded_on_the_plain_way(tmp_path):
    (tmp_path / "run.csv").write_bytes(good_log(1))
    code = (
        "import sys; from pathlib import Path; from audit.request import Request, run; "
        f"run(Request(paths=(Path({str(tmp_path / 'run.csv')!r}),))); "
        "print([m for m in ('fsspec', 'distributed', 'dask', 'audit.night.cluster', 'audit.night.remote') if m in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"
