"""The inbox service as a whole: files in, verdicts, papers and notes out, each once."""

from __future__ import annotations

import hashlib
import io
import json
import os
import signal
import subprocess
import sys
import threading
import time
import zipfile
from collections import Counter
from pathlib import Path

import polars as pl
import pytest
from made_logs import garbage, good_log

from audit.archive.store.store import Archive
from audit.archive.store.verify import verify
from audit.errors import UsageError
from audit.service.watch import desk
from audit.service.watch.desk import Settings
from audit.service.watch.hooks import Ways
from audit.service.watch.inbox import Service
from audit.service.watch.ledger import AGAIN_S, FAILED, File, Ledger

ROOT = Path(__file__).parents[2]


class House:
    """An inbox, an archive, and the service over them."""

    def __init__(self, folder: Path) -> None:
        self.inbox, self.archive = folder / "inbox", folder / "archive"
        self.inbox.mkdir()
        self.said: list[tuple[str, str, str]] = []

    def put(self, name: str, data: bytes, *, old: bool = True) -> Path:
        path = self.inbox / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
        return path

    def service(self, **more) -> Service:
        settings = Settings(
            inbox=self.inbox, archive=self.archive, **{"once": True, "stable_s": 0.1, **more}
        )
        return Service(
            settings,
            on_verdict=lambda name, night: self.said.append((night.car.name, name, night.verdict)),
        )

    def once(self, **more) -> None:
        self.service(**more).run()

    def kept(self) -> Counter[tuple[str, str]]:
        rows = Archive(self.archive).logs().filter(pl.col("status") == "read")
        return Counter(
            (car, Path(path).name) for car, path in zip(rows["car"], rows["path"], strict=True)
        )

    def notes(self) -> list[str]:
        return [
            p.read_text(encoding="utf-8")
            for p in (self.archive / "inbox" / "set_aside").rglob("*.reason.txt")
        ]


@pytest.fixture
def house(tmp_path):
    return House(tmp_path)


def test_a_backlog_is_kept_once_however_often_the_service_starts(house):
    house.put("alder/2025-05-03/a.csv", good_log(1))
    house.put("birch/2025-05-03/b.csv", good_log(2))
    house.once()
    said = list(house.said)
    house.once()
    assert house.kept() == {("alder", "a.csv"): 1, ("birch", "b.csv"): 1}
    assert [(car, night) for car, night, _ in said] == [
        ("alder", "2025-05-03"),
        ("birch", "2025-05-03"),
    ]
    assert house.said == said


def test_a_lost_ledger_keeps_nothing_twice(house):
    house.put("alder/2025-05-03/a.csv", good_log(1))
    house.once()
    (house.archive / "inbox" / "ledger.sqlite").unlink()
    house.once()
    assert house.kept() == {("alder", "a.csv"): 1}


def test_a_copy_and_a_new_name_do_nothing(house):
    path = house.put("alder/2025-05-03/a.csv", good_log(1))
    house.put("alder/2025-05-03/copy of a.csv", good_log(1))
    house.once()
    path.rename(path.with_name("renamed.csv"))
    house.once()
    assert sum(house.kept().values()) == 1
    assert len(house.said) == 1


def test_a_log_packed_and_unpacked_is_one_log(house):
    import gzip

    house.put("alder/2025-05-03/a.csv", good_log(1))
    house.put("alder/2025-05-03/a.csv.gz", gzip.compress(good_log(1)))
    house.put("alder/2025-05-03/b.csv.gz", gzip.compress(good_log(2)))
    house.once()
    house.put("alder/2025-05-03/b.csv", good_log(2))
    for _ in range(2):
        house.once()
    assert sum(house.kept().values()) == 2
    assert house.notes() == []


def test_a_zip_with_logs_of_two_nights_is_done_once(house):
    with zipfile.ZipFile(house.inbox / "both.zip", "w") as packed:
        packed.writestr("a.csv", good_log(1, stamp="2025-05-03T20:00:00"))
        packed.writestr("b.csv", good_log(2, stamp="2025-05-10T20:00:00"))
        packed.writestr("readme.txt", b"the logs of may")
    house.once()
    house.once()
    assert [night for _, night, _ in house.said] == ["2025-05-03", "2025-05-10"]
    assert sum(house.kept().values()) == 2


def test_what_cannot_be_read_is_set_aside_with_its_reason_and_stays_where_it_was(house):
    data = garbage(0)
    path = house.put("alder/odd.csv", data)
    house.once()
    (note,) = house.notes()
    assert str(path) in note.splitlines()[0]
    assert path.read_bytes() == data
    copies = list((house.archive / "inbox" / "set_aside").rglob("*odd.csv"))
    assert [p.read_bytes() for p in copies] == [data]
    house.once()
    assert len(house.notes()) == 1


def test_the_papers_of_a_night_have_its_decision_as_the_archive_has_it(house):
    house.put("alder/2025-05-03/a.csv", good_log(1))
    house.once()
    page = house.archive / "inbox" / "nights" / "alder" / "2025-05-03.json"
    told = json.loads(page.read_text())["decision"]
    assert told["state"] in ("step", "stay", "no_step")
    assert told == json.loads(Archive(house.archive).nights()["decision"][0])


def test_a_log_that_was_read_wrongly_is_set_aside_and_holds_its_night(house, monkeypatch):
    house.put("alder/2025-05-03/a.csv", good_log(1))
    house.put("alder/2025-05-03/b.csv", good_log(2))

    def refused(audit):
        wrong = audit.log is not None and audit.path.endswith("b.csv")
        return "b.csv: read wrongly: column x." if wrong else ""

    monkeypatch.setattr("audit.archive.store.store.refused", refused)
    house.once()
    assert house.kept() == {("alder", "a.csv"): 1}
    assert house.said[-1][2] == "hold"
    assert "read wrongly" in house.notes()[0]


def test_logs_of_a_night_that_come_later_join_its_verdict(house):
    house.put("alder/2025-05-03/a.csv", good_log(1))
    house.once()
    house.put("alder/2025-05-03/b.csv", good_log(2))
    house.once()
    page = json.loads(
        (house.archive / "inbox" / "nights" / "alder" / "2025-05-03.json").read_text()
    )
    assert sorted(Path(entry["path"]).name for entry in page["logs"]) == ["a.csv", "b.csv"]
    assert sum(len(entry["pulls"]) for entry in page["logs"]) == 2


def test_a_torn_log_holds_the_night_it_belongs_to(house):
    house.put("alder/2025-05-03/a.csv", good_log(1))
    with zipfile.ZipFile(house.inbox / "alder" / "2025-05-03" / "b.zip", "w") as packed:
        packed.writestr("b.csv", good_log(2))
    torn = house.inbox / "alder" / "2025-05-03" / "b.zip"
    torn.write_bytes(torn.read_bytes()[:-40])
    house.once(stable_s=0.1)
    assert house.said[-1][2] == "hold"
    assert len(house.notes()) == 1


def torn(data: bytes) -> bytes:
    """A zip with a log in it, whose end is missing."""
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as out:
        out.writestr("b.csv", data)
    return packed.getvalue()[:-40]


def verdicts(house) -> list[str]:
    """What the archive says of its nights, newest verdict of each."""
    return Archive(house.archive).nights()["verdict"].to_list()


def advised(house) -> str:
    """What the response says of the last night, by its rule on verdicts alone."""
    from audit.archive.step.refuse import not_clear

    nights = Archive(house.archive).nights().sort("date", "added_at", "night_id")
    step = not_clear(nights, "")
    return "" if step is None else step.sentence


def test_a_torn_log_that_comes_after_its_night_takes_the_clear_back_in_the_archive(house):
    house.put("alder/2025-05-03/a.csv", good_log(1))
    house.once()
    assert (verdicts(house), advised(house)) == (["clear"], "")
    house.put("alder/2025-05-03/b.zip", torn(good_log(2)))
    house.once()
    assert verdicts(house) == ["hold"]
    assert "b.zip" in advised(house)
    assert verify(house.archive) == []


def test_a_torn_log_without_a_date_holds_the_night_its_file_was_written_with(house):
    house.put("alder/a.csv", good_log(1, stamp="2025-05-03T21:00:00"))
    house.once()
    house.put("alder/b.zip", torn(good_log(2)))
    house.once()
    assert (house.said[-1], verdicts(house)) == (("alder", "2025-05-03", "hold"), ["hold"])


def test_a_torn_log_written_days_apart_holds_no_other_night(house):
    path = house.put("alder/a.csv", good_log(1, stamp="2025-05-03T21:00:00"))
    os.utime(path, (time.time() - 9 * 86400,) * 2)
    house.once()
    house.put("alder/b.zip", torn(good_log(2)))
    house.once()
    assert verdicts(house) == ["clear"]
    assert len(house.notes()) == 1


def test_a_torn_log_that_is_copied_again_whole_lets_its_night_go(house):
    house.put("alder/2025-05-03/a.csv", good_log(1))
    house.put("alder/2025-05-03/b.zip", torn(good_log(2)))
    house.once()
    assert verdicts(house) == ["hold"]
    house.put("alder/2025-05-03/b.zip", torn(good_log(2)))
    with zipfile.ZipFile(house.inbox / "alder/2025-05-03/b.zip", "w") as packed:
        packed.writestr("b.csv", good_log(2))
    house.once()
    assert verdicts(house) == ["clear"]
    assert house.kept() == {("alder", "a.csv"): 1, ("alder", "b.csv"): 1}
    assert verify(house.archive) == []


def test_a_late_log_that_changes_the_verdict_changes_that_of_the_whole_night(house):
    house.put("alder/2025-05-03/a.csv", good_log(1))
    house.once()
    rows = [
        line.rsplit(",", 2)[0] for line in good_log(2).decode().splitlines()
    ]  # no intake temperature: evidence is missing
    house.put("alder/2025-05-03/b.csv", "\n".join(rows).encode() + b"\n")
    house.once()
    assert set(verdicts(house)) == {"hold"}
    assert advised(house)
    pulls = Archive(house.archive).pulls()
    assert pulls.height == 2
    assert pulls["barometric_kpa"].null_count() == 0
    assert verify(house.archive) == []


def test_a_night_on_hold_for_a_torn_log_stays_so_when_it_is_judged_anew(house):
    from audit.archive.store.rescreen import rescreen

    house.put("alder/2025-05-03/a.csv", good_log(1))
    house.once()
    house.put("alder/2025-05-03/b.zip", torn(good_log(2)))
    house.once()
    rescreen(Archive(house.archive), every=True)
    assert verdicts(house) == ["hold"]
    assert verify(house.archive) == []


def test_a_lost_ledger_lifts_no_hold_while_the_files_are_read_again(house, monkeypatch):
    house.put("alder/2025-05-03/a.csv", good_log(1))
    house.put("alder/2025-05-03/b.zip", torn(good_log(2)))
    house.once()
    (house.archive / "inbox" / "ledger.sqlite").unlink()
    (house.inbox / "alder/2025-05-03/b.zip").unlink()  # not there yet, or in a later batch
    house.once()
    assert verdicts(house) == ["hold"]


def test_a_service_that_dies_before_the_night_is_judged_judges_it_after_its_next_start(
    house, monkeypatch
):
    house.put("alder/2025-05-03/a.csv", good_log(1))
    house.once()
    house.put("alder/2025-05-03/b.zip", torn(good_log(2)))
    with monkeypatch.context() as patched, pytest.raises(KeyboardInterrupt):
        patched.setattr("audit.archive.store.store.Archive.add", raising(KeyboardInterrupt))
        house.once()
    assert verdicts(house) == ["clear"]
    house.once()
    assert verdicts(house) == ["hold"]
    assert len(house.notes()) == 1


def raising(error: type[BaseException]):
    def fail(*_args, **_more):
        raise error

    return fail


def test_a_wrong_car_file_keeps_its_logs_waiting_until_it_is_mended(house):
    car = house.put("alder/car.toml", b"nonsense = 1\n")
    house.put("alder/2025-05-03/a.csv", good_log(1))
    house.once()
    assert house.said == []
    assert (
        "car.toml" in json.loads((house.archive / "inbox" / "health.json").read_text())["trouble"]
    )
    car.write_bytes(b'name = "alder two"\n')
    house.once()
    assert house.kept() == {("alder two", "a.csv"): 1}


def test_files_that_are_being_copied_and_hidden_ones_are_left_alone(house):
    house.put("alder/a.csv.part", good_log(1))
    house.put("alder/.hidden/a.csv", good_log(2))
    house.put("alder/car.jpg", b"x")
    house.once()
    assert not (house.archive / "archive.json").exists()
    assert house.notes() == []


def test_an_archive_inside_the_inbox_is_not_read(house):
    house.archive = house.inbox / "archive"
    house.put("alder/2025-05-03/a.csv", good_log(1))
    house.put("archive/inbox/set_aside/x.csv", good_log(2))
    house.once()
    assert house.kept() == {("alder", "a.csv"): 1}


def test_an_inbox_inside_the_archive_is_refused(house):
    house.archive = house.inbox.parent
    with pytest.raises(UsageError, match="apart"):
        house.service()


def test_two_services_do_not_work_on_one_archive(house):
    from filelock import FileLock

    (house.archive / "inbox").mkdir(parents=True)
    with (
        FileLock(house.archive / "inbox" / "watch.lock"),
        pytest.raises(UsageError, match="another watch"),
    ):
        house.once()


def test_a_second_service_on_an_inbox_is_refused_whatever_its_state(house, tmp_path):
    from audit.service.watch.inbox import alone

    with alone(tmp_path / "first", house.inbox), pytest.raises(UsageError, match="another watch"):
        house.once(state=tmp_path / "other")
    house.once()


def test_a_name_or_a_time_that_cannot_be_kept_is_skipped_and_the_rest_is_read(house):
    house.put("alder/2025-05-03/a.csv", good_log(1))
    house.put(os.fsdecode(b"alder/2025-05-03/\xff.csv"), good_log(2))
    late = house.put("alder/2025-05-03/late.csv", good_log(3))
    os.utime(late, (10_000_000_000, 10_000_000_000))
    service = house.service()
    service.run()
    assert house.kept() == {("alder", "a.csv"): 1}
    assert service.health.skipped == 2


def test_a_file_that_fails_in_an_unforeseen_way_does_not_keep_the_others_unread(house, monkeypatch):
    from audit.service.watch import inbox

    monkeypatch.setitem(inbox.AGAIN_S, inbox.FAILED, (0.1,))
    house.put("alder/2025-05-03/a.csv", good_log(1))
    bad = house.put("alder/2025-05-03/b.csv", good_log(2))
    real = inbox.Service._audit_each

    def failing(self, paths, car):
        if bad in paths:
            raise RuntimeError("unforeseen")
        return real(self, paths, car)

    monkeypatch.setattr(inbox.Service, "_audit_each", failing)
    house.once()
    assert house.kept() == {("alder", "a.csv"): 1}
    assert any("b.csv" in note for note in house.notes())


def test_services_that_share_a_server_read_each_file_once(house, server, tmp_path):
    from tests.archive.server import fresh

    house.archive = fresh(server, "shared")
    for i in range(6):
        house.put(f"car {i % 3}/2025-05-03/{i}.csv", good_log(i))
    both = [
        house.service(state=tmp_path / f"state{i}", logs=str(tmp_path / "logs")) for i in range(2)
    ]
    threads = [threading.Thread(target=service.run) for service in both]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(120)
    assert house.kept() == {(f"car {i % 3}", f"{i}.csv"): 1 for i in range(6)}
    assert sum(service.health.read for service in both) == 6
    assert Archive(house.archive).nights().height == 3
    assert verify(house.archive) == []


def test_a_car_that_another_service_has_in_hand_is_waited_for(house, server, tmp_path):
    from audit.database import Database
    from tests.archive.server import fresh

    house.archive = fresh(server, "claimed")
    house.put("alder/2025-05-03/a.csv", good_log(1))
    other = Database(house.archive)
    with other.claimed("inbox alder") as mine:
        assert mine
        work = threading.Thread(
            target=house.once, kwargs={"state": tmp_path / "s", "logs": str(tmp_path / "logs")}
        )
        work.start()
        work.join(5)
        assert work.is_alive()
        assert house.said == []
        other.close()  # as when that service is killed
    work.join(60)
    assert house.kept() == {("alder", "a.csv"): 1}


def test_a_file_that_ended_the_service_each_time_is_set_aside(house):
    path = house.put("alder/2025-05-03/a.csv", good_log(1))
    house.put("alder/2025-05-03/b.csv", good_log(2))
    (house.archive / "inbox").mkdir(parents=True)
    book = Ledger(house.archive / "inbox" / "ledger.sqlite")
    for _ in range(desk.MOST_ATTEMPTS):
        digest = hashlib.sha256(path.read_bytes()).hexdigest()
        book.begin([File(path, 1, 1, "alder", digest)])
    book.close()
    house.once()
    assert house.kept() == {("alder", "b.csv"): 1}
    assert "ended 3 times" in house.notes()[0]


def test_a_file_that_changes_while_it_is_read_is_read_again_whole(house, monkeypatch):
    from audit.service.watch import inbox

    path = house.put("alder/2025-05-03/a.csv", good_log(1))
    real, changed = inbox.Service._audit_each, []

    def changing(self, paths, car):
        found = list(real(self, paths, car))
        if not changed:
            changed.append(path.write_bytes(good_log(2)))
        return iter(found)

    monkeypatch.setattr(inbox.Service, "_audit_each", changing)
    house.once()
    (log_id,) = Archive(house.archive).logs()["log_id"]
    assert log_id == hashlib.sha256(good_log(2)).hexdigest()


def test_a_full_disk_loses_nothing(house, monkeypatch):
    from audit.errors import ArchiveError

    house.put("alder/2025-05-03/a.csv", good_log(1))
    add, failed = Archive.add, []

    def full_once(self, *args, **more):
        if not failed:
            failed.append(1)
            raise ArchiveError("no space is left on the disk")
        return add(self, *args, **more)

    monkeypatch.setattr(Archive, "add", full_once)
    monkeypatch.setitem(AGAIN_S, FAILED, (0.05,))
    house.once()
    assert house.kept() == {("alder", "a.csv"): 1}


def test_worker_processes_give_the_same(house):
    for i in range(9):
        house.put(f"alder/2025-05-{3 + i:02d}/a{i}.csv", good_log(i))
    house.once(workers=2)
    assert sum(house.kept().values()) == 9


def live(house: House, until, *, within_s: float = 60.0, **more) -> None:
    """Run the service in a thread until something holds."""
    service = house.service(once=False, **more)
    thread = threading.Thread(target=service.run)
    thread.start()
    end = time.monotonic() + within_s
    try:
        while not until() and time.monotonic() < end:
            time.sleep(0.05)
    finally:
        service.stop()
        thread.join(60)
    assert not thread.is_alive()


@pytest.mark.parametrize("poll_s", [None, 0.2])
def test_what_lands_while_it_runs_is_screened(house, poll_s):
    def lands():
        time.sleep(1.0)
        part = house.put("new/deep/2025-05-03/a.csv.part", good_log(1))
        part.rename(part.with_suffix(""))

    threading.Thread(target=lands).start()
    live(house, lambda: house.said, poll_s=poll_s)
    assert house.kept() == {("new", "a.csv"): 1}


def test_a_hold_is_told_once_over_two_starts(house, tmp_path):
    out = tmp_path / "told.txt"
    script = tmp_path / "hook.py"
    script.write_text(
        "import sys; open(sys.argv[1], 'a').write(sys.stdin.read() + '\\n')", encoding="utf-8"
    )
    rows = [line.rsplit(",", 2) for line in good_log(1).decode().splitlines()]
    short = "\n".join(row[0] for row in rows)  # no intake temperature: evidence is missing
    house.put("alder/2025-05-03/a.csv", short.encode() + b"\n")
    ways = Ways(command=f"{sys.executable} {script} {out}")
    live(house, out.exists, ways=ways)
    house.put("alder/2025-05-03/copy.csv", short.encode() + b"\n")
    live(house, lambda: len(house.said) > 1, ways=ways, within_s=2.0)
    (event,) = [json.loads(line) for line in out.read_text().splitlines()]
    assert event["verdict"] == "hold"
    assert Path(event["report"]).exists()


@pytest.mark.skipif(os.name != "posix", reason="signals of POSIX")
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_ends_it_cleanly(house, number):
    argv = [
        sys.executable,
        "-m",
        "audit",
        "watch",
        str(house.inbox),
        "--archive",
        str(house.archive),
    ]
    lines = []
    with subprocess.Popen(argv, cwd=ROOT, stderr=subprocess.PIPE, text=True) as process:
        for line in process.stderr:
            lines.append(json.loads(line))
            if lines[-1]["event"] == "health":
                process.send_signal(number)
                break
        lines += [json.loads(line) for line in process.stderr]
    assert process.returncode == 0
    assert lines[-1]["event"] == "stopped"


def test_status_tells_whether_the_service_is_well(house):
    argv = [
        sys.executable,
        "-m",
        "audit",
        "watch",
        str(house.inbox),
        "--archive",
        str(house.archive),
        "--status",
    ]
    before = subprocess.run(argv, cwd=ROOT, capture_output=True, text=True, check=False)
    house.once()
    after = subprocess.run(argv, cwd=ROOT, capture_output=True, text=True, check=False)
    assert (before.returncode, after.returncode) == (1, 0)
    assert after.stdout.startswith("well: 0 read")
    assert before.stdout.startswith("not well: ")


def test_a_short_soak():
    import soak

    assert soak.run(60, seed=7, kills=2, patience_s=400.0) == []
