"""The journal, judging anew, and the view of all cars."""

import dataclasses

import pytest

from audit.archive.store.rescreen import rescreen
from audit.archive.store.store import Archive
from audit.archive.store.verify import verify
from audit.archive.trend.fleet import fleet
from audit.archive.watched import touched_by
from audit.errors import UsageError
from audit.model import Car
from tests.archive.histories import history
from tests.archive.nights import a_night
from tests.archive.rows import put_rows


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
    assert verify(kept.root) == []


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


@pytest.mark.parametrize("text", ["new tyres", "brake pads", "wash", "new clutch", "did something"])
def test_unknown_words_touch_nothing_and_say_so(kept, text):
    note = kept.journal.add("Alder", text, date="2026-03-05")
    assert note.touches == ()
    assert "not known" in note.doubt
    told = kept.journal.add("Alder", text, date="2026-03-05", affects=["supply", "oil_pressure"])
    assert told.touches == ("supply", "oil_pressure")
    assert len(kept.journal.of("Alder")) == 1


def test_a_note_on_a_day_to_come_touches_nothing(kept):
    note = kept.journal.add("Alder", "new fuel pump", date="2999-01-01")
    assert note.touches == ()
    assert "still to come" in note.doubt
    assert kept.journal.add("Alder", "new fuel pump", date="2999-01-01", affects=["all"]).touches
    with pytest.raises(UsageError, match="Did you mean oil_pressure"):
        kept.journal.add("Alder", "x", date="2026-03-05", affects=["oil_presure"])


def test_a_note_is_taken_back(kept):
    kept.journal.add("Alder", "new fuel pump", date="2026-03-05")
    kept.journal.remove("Alder", "new  fuel pump")
    assert kept.journal.of("Alder") == ()
    with pytest.raises(UsageError, match="Its notes: none"):
        kept.journal.remove("Alder", "new fuel pump")
    assert kept.journal.add("Alder", "new fuel pump", date="2026-03-05").touches
    assert verify(kept.root) == []


def test_words_touch_what_the_table_says():
    assert touched_by("new fuel pump")
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
    assert kept.revisions().height == 4
    assert kept.logs().height == 4
    assert kept.nights()["setting"].to_list() == ["dyno", ""]
    assert verify(kept.root) == []
    assert rescreen(kept) == []


def put_history(archive, car, h):
    """Rows of a made-up history straight into the tables."""
    nights = [{"car": car, "date": d, "night_id": f"{car}{d}"} for d in h.dates]
    pulls = [{**row, "night_id": f"{car}{row['date']}"} for row in h.pulls.to_dicts()]
    logs = [{**row, "night_id": f"{car}{row['date']}"} for row in h.logs.to_dicts()]
    put_rows(archive, nights, pulls, logs)


def test_the_fleet_has_the_worst_first_and_is_quick_the_second_time(tmp_path, monkeypatch):
    archive = Archive(tmp_path)
    put_history(archive, "well", history(5))
    put_history(archive, "ill", history(5, fault="weak pump", size=2.0))
    first = fleet(archive)
    assert [s.car for s in first] == ["ill", "well"]
    assert first[0].severity in ("watch", "hold")
    assert first[1].moved == ()
    monkeypatch.setattr("audit.archive.trend.fleet.trends", None)
    assert fleet(archive) == first


def test_a_note_makes_the_fleet_look_anew(tmp_path):
    archive = Archive(tmp_path)
    h = history(5, fault="leak", size=1.5)
    put_history(archive, "ill", h)
    assert fleet(archive)[0].moved
    archive.journal.add("ill", "new turbo", date=h.dates[h.onset])
    assert fleet(archive)[0].moved == ()
    archive.journal.remove("ill", "new turbo")
    assert fleet(archive)[0].moved


def test_cars_are_not_mixed(tmp_path):
    archive = Archive(tmp_path)
    archive.add(a_night(1))
    archive.add(a_night(2, car=Car(name="Quince")))
    assert archive.pulls("Quince").height == 2
    assert archive.nights("Quince")["car"].to_list() == ["Quince"]
