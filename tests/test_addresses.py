"""Logs by their addresses: which are found, which car they belong to, what is said where nothing is to be had.

The file system is fsspec's own in memory, so that nothing leaves this process.
"""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest

from audit.errors import UsageError
from audit.model import Car, LogAudit
from audit.night.one_log import audit_log
from audit.night.remote import RemoteLog, fetched, find_remote, is_remote, remote_car
from tests.sanity.conftest import make_log

fsspec = pytest.importorskip("fsspec")


@pytest.fixture
def shelf():
    system = fsspec.filesystem("memory")
    system.store.clear()
    system.pseudo_dirs[:] = [""]

    yield lambda files: [system.pipe(path, text.encode()) for path, text in files.items()]
    system.store.clear()


@pytest.mark.parametrize(
    ("path", "is_one"),
    [("s3://a/b.csv", True), ("memory://x", True), ("a/b.csv", False), ("c:/x", False)],
)
def test_an_address_has_its_two_strokes(path: str, is_one: bool) -> None:
    assert is_remote(path) is is_one


def test_a_folder_gives_its_logs_in_the_order_of_their_numbers_and_a_file_itself(shelf) -> None:
    shelf({
        "/june/pull10.csv": "12345",
        "/june/pull2.csv": "123",
        "/june/deep/pull3.csv": "1",
        "/june/notes.pdf": "no log",
        "/june/.hidden.csv": "no log",
    })  # fmt: skip
    logs, missing = find_remote(["memory://june", "memory://june/pull2.csv", "memory://july"])
    assert [(Path(log.url).name, log.size) for log in logs] == [
        ("pull3.csv", 1), ("pull2.csv", 3), ("pull10.csv", 5),
    ]  # fmt: skip
    assert missing == ("memory://july",)
    assert str(logs[0]) == logs[0].url


def test_what_cannot_be_opened_is_said() -> None:
    with pytest.raises(UsageError, match="nowhere://x/y.csv: .* fsspec knows"):
        find_remote(["nowhere://x/y.csv"])


@pytest.mark.parametrize(
    ("below", "found"),
    [("", True), ("/a", True), ("/a/b", True), ("/a/b/c", True), ("/a/b/c/d", False)],
)
def test_a_car_file_is_looked_for_three_folders_up(shelf, below: str, found: bool) -> None:
    shelf({"/garage/car.toml": 'units = "us"\n[boost]\nlimit_kpa = 111\n'})
    log = RemoteLog(f"memory:///garage{below}/x.csv", 3)
    shelf({f"/garage{below}/x.csv": "1"})
    car = remote_car([log])
    assert (car.boost_limit_kpa == 111.0) is found
    if found:
        assert car.path == "memory:///garage/car.toml" or str(car.path).endswith("garage/car.toml")
        assert car.name == "garage"


def test_logs_of_two_cars_are_refused_and_what_was_said_counts(shelf) -> None:
    shelf({"/a/car.toml": "", "/b/car.toml": "", "/a/x.csv": "1", "/b/x.csv": "1"})
    logs = [RemoteLog(f"memory:///{place}/x.csv", 1) for place in "ab"]
    with pytest.raises(UsageError, match="2 car files"):
        remote_car(logs)
    assert remote_car([]).path is None


def test_a_fetched_log_is_called_by_its_address_everywhere(shelf) -> None:
    url = "memory:///june/pull.csv"
    shelf({"/june/pull.csv": "a,b"})
    seen: list[Path] = []

    def read(path: Path) -> list[LogAudit]:
        seen.append(path)
        assert path.read_text(encoding="utf-8") == "a,b"
        audit = audit_log(
            dataclasses.replace(make_log(), path=str(path)), Car(boost_limit_kpa=130.0)
        )
        bad = LogAudit(f"{path}#2", "", "rejected", error=f"{path}: no.")
        return [audit, bad]

    one, two = fetched(read, RemoteLog(url, 3))
    assert one.path == url and one.log is not None and one.log.path == url
    assert len(one.pulls) == 1 and one.pulls[0].pull.log.path == url
    assert (two.path, two.error, two.log) == (f"{url}#2", f"{url}: no.", None)
    assert seen[0].name == "pull.csv" and not seen[0].exists()


def test_what_cannot_be_fetched_is_a_log_that_was_not_read(shelf) -> None:
    (gone,) = fetched(lambda path: [], RemoteLog("memory:///june/none.csv", 0))
    assert gone.status == "rejected" and gone.path == "memory:///june/none.csv"
    assert "cannot be fetched (FileNotFoundError)" in str(gone.error)
