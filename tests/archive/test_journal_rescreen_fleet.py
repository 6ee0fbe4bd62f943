"""The journal, judging anew, older formats, and the view of all cars."""

import dataclasses

import pytest

from audit.archive.store import migrate, tables
from audit.archive.store.journal import touched_by
from audit.archive.store.record import Record, read_record, to_bytes
from audit.archive.store.rescreen import rescreen
from audit.archive.store.store import Archive
from audit.archive.store.verify import verify
from audit.archive.trend.fleet import fleet
from audit.archive.trend.trends import trends, trends_of_many
from audit.errors import ArchiveError, UsageError
from audit.model import Car
from tests.archive.histories import history
from tests.archive.nights import a_night


@pytest.fixture
def kept(tmp_path):
    archive = Archive(tmp_path)
    archive.add(a_night(1, 2, rejected=True), setting="dyno")
    archive.add(a_night(3, day="2026-03-08"))
    return archive


def test_a_note_is_kept_once(kept):
    first = kept.journal.add("Alder", "fitted  new injectors", date="2026-03-05")
    kept.journal.add("Alder", "fitted new injectors", date="2026-03-05")
    assert kept.journal.of("Alder") == (first,)
    assert first.touches == ("injector_duty", "lambda_at_load", "fuel_differential")
    assert verify(kept.places.root) == []


@pytest.mark.parametrize(
    ("car", "text", "date", "said"),
    [
        ("Aldr", "x", "2026-03-05", "no car"),
        ("Alder", " ", "2026-03-05", "empty"),
        ("Alder", "x", "soon", "not a day"),
    ],
)
def test_a_note_that_cannot_be_kept_is_told(kept, car, text, date, said):
    with pytest.raises(UsageError, match=said):
        kept.journal.add(car, text, date=date)


def test_unknown_words_touch_every_measure():
    assert "supply" in touched_by("did something")
    assert "supply" not in touched_by("new fuel pump")
    assert "oil_pressure" not in touched_by("recoil springs of the seat, fuel pump")


def test_judging_anew_keeps_the_old_verdict(kept, monkeypatch):
    seen = {a.sha256: a for n in (a_night(1, 2), a_night(3)) for a in n.logs}

    def stricter(log, car):
        assert car.name == "Alder"
        old = seen[log.sha256]
        return dataclasses.replace(old, pulls=old.pulls[:1])

    monkeypatch.setattr("audit.night.screen.audit_log", stricter)
    assert rescreen(kept) == []  # this version has judged them
    monkeypatch.setattr("audit.__version__", "0.2.0")
    done = rescreen(kept)
    assert [r.before for r in done] == ["clear", "clear"]
    assert kept.pulls().height == 3
    assert kept.nights()["revision"].to_list() == [1, 1]
    assert kept.nights(every=True).height == 4
    assert kept.logs().height == 4
    assert kept.nights()["setting"].to_list() == ["dyno", ""]
    assert verify(kept.places.root) == []
    assert rescreen(kept) == []
    verify(kept.places.root, repair=True)
    assert kept.pulls().height == 3


def test_an_older_record_is_brought_up_step_by_step():
    record = Record(
        "r", "Alder", "2026-03-01", {"night": [{"night_id": "n", "revision": 0, "old": 1}]}, 1
    )

    def renamed(rows):
        return {"night": [{**row, "new": row.pop("old")} for row in rows["night"]]}

    got = migrate.upgraded(record, steps={1: renamed}, to=2)
    assert (got.format, got.rows["night"][0]["new"]) == (2, 1)
    with pytest.raises(ArchiveError, match="no way from archive format 1 to 2"):
        migrate.upgraded(record, steps={}, to=2)
    with pytest.raises(ArchiveError, match="newer pullaudit"):
        migrate.upgraded(dataclasses.replace(record, format=9))


def test_an_older_archive_is_rebuilt_in_the_new_format(kept, monkeypatch):
    monkeypatch.setattr(migrate, "FORMAT", 2)
    for module in ("record", "repair", "verify", "store"):
        monkeypatch.setattr(f"audit.archive.store.{module}.FORMAT", 2, raising=False)

    def step(rows):
        return {
            **rows,
            "night": [{**row, "setting": row["setting"] or "street"} for row in rows["night"]],
        }

    monkeypatch.setattr(
        "audit.archive.store.record.upgraded", lambda r: migrate.upgraded(r, steps={1: step}, to=2)
    )
    assert {p.kind for p in verify(kept.places.root)} == {"format"}
    assert all(p.repaired for p in verify(kept.places.root, repair=True))
    assert sorted(kept.nights()["setting"].to_list()) == ["dyno", "street"]
    assert verify(kept.places.root) == []


@pytest.mark.parametrize("cut", [0, 10, 100, -1])
def test_a_torn_record_is_told(tmp_path, cut):
    record = Record(
        "r",
        "Alder",
        "2026-03-01",
        {"note": [{"night_id": "n", "revision": 0, "text": "é" * 200}]},
        1,
    )
    path = tmp_path / "r.json.gz"
    path.write_bytes(to_bytes(record))
    assert read_record(path) == record
    path.write_bytes(to_bytes(record)[:cut])
    with pytest.raises(ArchiveError, match="torn"):
        read_record(path)


def put_history(archive, car, h):
    """Rows of a made-up history straight into the tables."""
    archive.places.make()
    migrate.write_format(archive.places)
    common = {"car": car, "revision": 0}
    nights = [
        {
            **common,
            "date": d,
            "night_id": f"{car}{d}",
            "verdict": "clear",
            "car_file": f'{{"name": "{car}"}}',
            "added_at": d,
        }
        for d in h.dates
    ]
    pulls = [{**common, **row, "night_id": f"{car}{row['date']}"} for row in h.pulls.to_dicts()]
    logs = [{**common, **row, "night_id": f"{car}{row['date']}"} for row in h.logs.to_dicts()]
    tables.append(archive.places, {"night": nights, "pull": pulls, "log": logs})


def test_the_fleet_has_the_worst_first_and_is_quick_the_second_time(tmp_path, monkeypatch):
    archive = Archive(tmp_path)
    put_history(archive, "well", history(5))
    put_history(archive, "ill", history(5, fault="weak pump", size=2.0))
    first = fleet(archive)
    assert [s.car for s in first] == ["ill", "well"]
    assert first[0].severity in ("watch", "hold")
    assert first[1].moved == ()
    monkeypatch.setattr("audit.archive.trend.fleet.trends_of_many", None)
    assert fleet(archive) == first


def test_a_note_makes_the_fleet_look_anew(tmp_path):
    archive = Archive(tmp_path)
    h = history(5, fault="leak", size=1.5)
    put_history(archive, "ill", h)
    assert fleet(archive)[0].moved
    archive.journal.add("ill", "new turbo", date=h.dates[h.onset])
    assert fleet(archive)[0].moved == ()


def test_cars_are_not_mixed(tmp_path):
    archive = Archive(tmp_path)
    archive.add(a_night(1))
    archive.add(a_night(2, car=Car(name="Quince")))
    assert archive.pulls("Quince").height == 2
    assert archive.nights("Quince")["car"].to_list() == ["Quince"]


def test_cars_that_are_read_together_come_out_as_one_by_one(tmp_path):
    archive = Archive(tmp_path)
    h = history(5, fault="leak", size=1.5)
    put_history(archive, "ill", h)
    put_history(archive, "well", history(6))
    archive.journal.add("ill", "new turbo", date=h.dates[h.onset])
    archive.add(a_night(1))
    names = ["well", "Alder", "ill"]
    assert list(trends_of_many(archive, names)) == [trends(archive, name) for name in names]
