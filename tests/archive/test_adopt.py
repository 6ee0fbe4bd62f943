"""An archive of the earlier format, as it lay on the disk, brought over by one command."""

import gzip
import json

import pytest
from click.testing import CliRunner

from audit.archive.store.adopt import adopt
from audit.archive.store.rows import car_to_json, log_id
from audit.archive.store.store import Archive
from audit.archive.store.verify import verify
from audit.cli.keeping import adopt as command
from audit.errors import ArchiveError
from audit.intake.parquet import log_bytes
from audit.model import Car
from audit.night.screen import screen_log
from tests.service.made_logs import good_log

CAR = Car(name="Alder", boost_limit_kpa=160.0)


def record(old, name, rows):
    folder = old / "records" / "car=Alder" / "date=x"
    folder.mkdir(parents=True, exist_ok=True)
    (folder / f"{name}.json.gz").write_bytes(gzip.compress(json.dumps({"rows": rows}).encode()))


@pytest.fixture
def old(tmp_path):
    """Two nights of one log each, the first with two verdicts and a torn log, and a note."""
    old = tmp_path / "old"
    for number, day in ((1, "2026-03-01"), (2, "2026-03-08")):
        source = tmp_path / f"{number}.csv"
        source.write_bytes(good_log(number))
        (audit,) = screen_log(source, car=CAR)
        file = f"car=Alder/date={day}/{number}.parquet"
        (old / "logs" / file).parent.mkdir(parents=True)
        (old / "logs" / file).write_bytes(log_bytes(audit.log))
        common = {"car": "Alder", "date": day, "night_id": f"night-{number}", "revision": 0}
        night = {
            **common,
            "verdict": "clear",
            "setting": "dyno",
            "car_file": car_to_json(CAR),
            "added_at": f"{day}T23:00:00",
        }
        log = {
            **common,
            "log_id": log_id(audit),
            "path": str(source),
            "status": "read",
            "file": file,
        }
        torn = {
            **common,
            "log_id": "t" * 64,
            "path": "/torn.zip",
            "status": "rejected",
            "error": "torn",
        }
        record(old, f"night-{number}-r0", {"night": [night], "log": [log]})
        if number == 1:
            rows = {"night": [{**night, "revision": 1, "verdict": "hold"}], "log": [log, torn]}
            record(old, "night-1-r1", rows)
    note = {"car": "Alder", "date": "2026-03-05", "text": "new fuel pump", "touches": ["supply"]}
    record(old, "note-1-r0", {"note": [note]})
    (old / "archive.json").write_text('{"format": 1}')
    return old


def test_nights_dates_car_files_torn_logs_and_notes_come_over(old, tmp_path):
    for _ in range(2):  # a second run changes nothing
        told = CliRunner().invoke(command, [str(old), "--archive", str(tmp_path / "new")])
        assert told.exit_code == 0, told.output
    assert "there already" in told.output
    new = Archive(tmp_path / "new")
    assert new.nights().select("date", "verdict", "setting", "added_at").rows() == [
        ("2026-03-01", "hold", "dyno", "2026-03-01T23:00:00"),
        ("2026-03-08", "clear", "dyno", "2026-03-08T23:00:00"),
    ]
    assert new.revisions().height == 2
    assert new.car("Alder") == CAR
    assert sorted(new.logs()["status"]) == ["read", "read", "rejected"]
    assert [(n.day, n.text, n.touches) for n in new.journal.of("Alder")] == [
        ("2026-03-05", "new fuel pump", ("supply",))
    ]
    assert verify(new.root) == []


@pytest.mark.parametrize(("number", "before"), [(1, "hold"), (2, "clear")])
def test_a_night_whose_log_is_damaged_comes_over_with_its_rows_held(old, tmp_path, number, before):
    (file,) = old.glob(f"logs/car=Alder/date=*/{number}.parquet")
    file.write_bytes(b"torn")
    told = list(adopt(old, Archive(tmp_path / "new")))
    assert any(f"{before} before, held now" in line for line in told)
    new = Archive(tmp_path / "new")
    assert new.nights().height == 2
    assert "hold" in new.nights()["verdict"].to_list()
    assert any("is lost" in r for row in new.nights()["reasons"] for r in row)
    assert {p.kind for p in verify(new.root)} == {"log"}
    assert not any(
        "before, held" in line for line in list(adopt(old, new)) if str(number) not in line
    )


def test_a_damaged_record_leaves_its_logs_to_their_folder(old, tmp_path):
    (old / "records/car=Alder/date=x/night-2-r0.json.gz").write_bytes(b"torn")
    told = list(adopt(old, Archive(tmp_path / "new")))
    assert any("record cannot be read" in line for line in told)
    assert Archive(tmp_path / "new").nights()["date"].to_list() == ["2026-03-01", "2026-03-08"]


def test_where_there_is_none_it_is_told(tmp_path):
    with pytest.raises(ArchiveError, match="no archive of the earlier format"):
        list(adopt(tmp_path, Archive(tmp_path / "new")))
