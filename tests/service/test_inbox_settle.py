"""When a file counts as complete."""

from __future__ import annotations

import gzip
import os
import zipfile
from pathlib import Path

import pytest

from audit.service.watch.settle import Settler, held_open, looks_whole, passed_over


class Clock:
    """A clock that only moves when told; wall time runs along."""

    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now


def settler(clock: Clock, **more) -> Settler:
    return Settler(
        stable_s=1.0,
        unsure_s=8.0,
        give_up_s=600.0,
        trust=False,
        clock=clock,
        wall=lambda: 0.0,
        **more,
    )


def touch(path: Path, data: bytes, at: float) -> None:
    path.write_bytes(data)
    os.utime(path, (at, at))


def test_a_file_is_complete_once_it_has_stood_still(tmp_path):
    clock, path = Clock(), tmp_path / "run.csv"
    touch(path, b"a,b\n", 1)
    waits = settler(clock)
    waits.saw(path)
    clock.now += 0.9
    assert waits.complete() == []
    clock.now += 0.2
    assert waits.complete() == [path]
    assert len(waits) == 0


def test_a_file_that_grows_starts_again(tmp_path):
    clock, path = Clock(), tmp_path / "run.csv"
    touch(path, b"a,b\n", 1)
    waits = settler(clock)
    waits.saw(path)
    clock.now += 1.1
    touch(path, b"a,b\n1,2\n", 2)  # no event came
    assert waits.complete() == []
    clock.now += 8.1
    assert waits.complete() == [path]


def test_a_file_that_comes_in_pieces_must_stand_still_for_longer_than_its_pauses(tmp_path):
    clock, path = Clock(), tmp_path / "run.csv"
    waits = settler(clock)
    for i in range(4):
        touch(path, b"a,b\n" * (i + 1), i + 1)
        waits.saw(path)
        clock.now += 0.9
    clock.now += 0.9  # twice its pauses
    assert waits.complete() == []
    clock.now += 1.0
    assert waits.complete() == [path]


def test_an_end_that_looks_torn_off_waits_longer_but_not_for_ever(tmp_path):
    clock, path = Clock(), tmp_path / "run.csv"
    touch(path, b"a,b\n1,", 1)
    waits = settler(clock)
    waits.saw(path)
    clock.now += 7.9
    assert waits.complete() == []
    clock.now += 0.2
    assert waits.complete() == [path]


def test_a_file_held_open_for_writing_is_waited_for(tmp_path):
    clock, path = Clock(), tmp_path / "run.csv"
    with path.open("wb") as writer:
        writer.write(b"a,b\n")
        writer.flush()
        if not held_open(path):
            pytest.skip("this system does not tell who holds a file open")
        waits = settler(clock)
        waits.saw(path)
        clock.now += 20
        assert waits.complete() == []
    clock.now += 20
    assert waits.complete() == [path]


def test_a_file_held_open_and_still_for_very_long_is_taken(tmp_path):
    clock, path = Clock(), tmp_path / "run.csv"
    with path.open("wb") as writer:
        writer.write(b"a,b\n")
        writer.flush()
        waits = settler(clock)
        waits.saw(path)
        clock.now += 601
        assert waits.complete() == [path]


def test_a_reader_does_not_hold_a_file(tmp_path):
    path = tmp_path / "run.csv"
    path.write_bytes(b"a\n")
    with path.open("rb"):
        assert not held_open(path)


def test_an_old_file_need_not_be_waited_for(tmp_path):
    path = tmp_path / "run.csv"
    path.write_bytes(b"a,b\n")
    changed = path.stat().st_ctime
    waits = Settler(stable_s=1.0, clock=Clock(), wall=lambda: changed + 3600)
    waits.saw(path)
    assert waits.complete() == [path]


def test_a_file_that_goes_away_is_forgotten(tmp_path):
    clock, path = Clock(), tmp_path / "run.csv"
    touch(path, b"a\n", 1)
    waits = settler(clock)
    waits.saw(path)
    path.unlink()
    clock.now += 2
    assert waits.complete() == []
    assert len(waits) == 0


def test_a_link_out_of_the_inbox_is_not_followed(tmp_path):
    (tmp_path / "secret").write_bytes(b"a\n")
    link = tmp_path / "run.csv"
    link.symlink_to(tmp_path / "secret")
    waits = settler(Clock())
    waits.saw(link)
    assert len(waits) == 0


@pytest.mark.parametrize(
    "name",
    ["run.csv.part", "run.csv.TMP", ".run.csv", "~run.csv", "run.csv~", "photo.jpg", "car.toml"],
)
def test_names_that_are_passed_over(name):
    assert passed_over(name)


@pytest.mark.parametrize(
    "name", ["run.csv", "RUN.TXT", "partial run.csv", "log", "run.csv.gz", "temp.log"]
)
def test_names_that_are_tried(name):
    assert not passed_over(name)


def test_ends_of_files(tmp_path):
    path = tmp_path / "x"
    for data, whole in (
        (b"a,b\n1,2\n", True),
        (b"a,b\r\n", True),
        (b"a,b\n1,", False),
        ("a,b\n".encode("utf-16"), True),
        (gzip.compress(b"a,b\n" * 999), True),
        (gzip.compress(os.urandom(9999))[:-20], False),
    ):
        path.write_bytes(data)
        assert looks_whole(path) is whole, data[:20]
    with zipfile.ZipFile(path, "w") as packed:
        packed.writestr("run.csv", b"a,b\n" * 99)
    assert looks_whole(path)
    path.write_bytes(path.read_bytes()[:-30])
    assert not looks_whole(path)
