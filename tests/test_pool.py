"""Many files over processes: the same as one after another, also when a process dies."""

from __future__ import annotations

import functools
import gc
import os
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent / "service"))
from made_logs import garbage, good_log

from audit import COLLECT
from audit.model import Car, LogAudit
from audit.night.pool import Crew, _spread, audit_each
from audit.night.screen import screen_night
from audit.report.document import dumps


def dies_on(path: Path, *, name: str, marks: Path, times: int) -> list[LogAudit]:
    """Ends its own process on one file, so many times."""
    if path.name == name:
        mark = marks / f"{len(list(marks.iterdir()))}"
        if int(mark.name) < times:
            mark.touch()
            os._exit(9)
    return [LogAudit(str(path), path.name, "rejected", error="read")]


def spread(tmp_path: Path, times: int) -> dict[int, list[LogAudit]]:
    marks = tmp_path / "marks"
    marks.mkdir()
    paths = [tmp_path / f"{i}.csv" for i in range(12)]
    audit = functools.partial(dies_on, name="5.csv", marks=marks, times=times)
    crew = Crew(2)
    got = list(_spread(audit, paths, crew))
    crew.rest()
    assert sorted(index for index, _ in got) == list(range(12))  # each once
    return dict(got)


@pytest.mark.parametrize("times", [0, 1, 2])
def test_a_process_that_dies_loses_nothing(tmp_path, times):
    assert all(audits[0].error == "read" for audits in spread(tmp_path, times).values())


def test_a_file_that_always_kills_its_reader_takes_nothing_with_it(tmp_path):
    found = spread(tmp_path, 99)
    assert "ended by the system each time" in found[5][0].error
    assert all(audits[0].error == "read" for index, audits in found.items() if index != 5)


def own_process(path: Path) -> list[LogAudit]:
    return [LogAudit(str(path), str(os.getpid()), "rejected", error="read")]


def test_a_crew_keeps_its_processes_until_it_rests(tmp_path):
    crew = Crew(1)
    paths = [tmp_path / "a.csv", tmp_path / "b.csv"]
    lots = [{audits[0].sha256 for _, audits in _spread(own_process, paths, crew)} for _ in range(2)]
    crew.rest()
    lots.append({audits[0].sha256 for _, audits in _spread(own_process, paths, crew)})
    crew.rest()
    assert lots[0] == lots[1] != lots[2]


def collects(path: Path) -> list[LogAudit]:
    return [LogAudit(str(path), str(gc.get_threshold()), "rejected", error="read")]


def test_a_process_of_a_crew_collects_as_seldom_as_the_program(tmp_path):
    crew = Crew(1)
    (_, audits), *_ = _spread(collects, [tmp_path / "a.csv"], crew)
    crew.rest()
    assert audits[0].sha256 == str(COLLECT)


def test_two_processes_give_the_same_document(tmp_path):
    for i in range(5):
        (tmp_path / f"run_{i}.csv").write_bytes(good_log(i))
    (tmp_path / "odd.csv").write_bytes(garbage(0))
    paths = sorted(tmp_path.iterdir())
    one, two = (
        dumps(screen_night(paths, car=Car(name="alder"), workers=n, keep_frames=False))
        for n in (1, 2)
    )
    assert one == two


def test_no_files_are_no_work():
    assert list(audit_each([], car=Car(), workers=4)) == []
