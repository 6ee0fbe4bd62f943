"""What is broken is named with its mend, never with a traceback, and no night comes out of it better than it was."""

import dataclasses
import shutil
import sqlite3
from pathlib import Path

import pytest
from click.testing import CliRunner

from audit.archive.store.rescreen import rescreen
from audit.archive.store.store import Archive
from audit.archive.store.verify import verify
from audit.cli.keeping import verify as command
from audit.errors import ArchiveError, PullauditError
from audit.model import VERDICTS, Finding
from audit.night.screen import assemble
from tests.archive.nights import CAR, an_audit
from tests.archive.server import fresh

AUDITS = {}  # by source


def judged(seed, severity):
    """A log whose finding gives its night this verdict."""
    made = an_audit(seed)
    bad = Finding("boost.overshoot", severity, f"too much {seed}", value=1.0, limit=1.0, unit="kPa")
    pulls = tuple(dataclasses.replace(p, findings=(bad,)) for p in made.pulls)
    audit = dataclasses.replace(made, pulls=pulls)
    AUDITS[audit.sha256] = audit
    return audit


def night(*audits):
    return assemble(audits, car=CAR)


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """A night on hold for one of its two logs, with two verdicts, and one that stops; a note."""
    archive = filled(Archive(tmp_path_factory.mktemp("whole") / "a"))
    archive.db.close()
    return Path(archive.root)


@pytest.fixture(scope="module")
def whole_on_server(server, tmp_path_factory):
    """The same on a server: its address."""
    logs = str(tmp_path_factory.mktemp("logs"))
    archive = filled(Archive(fresh(server, "whole"), logs=logs))
    archive.db.close()
    return archive.root


def filled(archive):
    archive.add(night(judged(1, "watch")), date="2026-03-01")
    archive.add(night(judged(1, "watch"), judged(2, "hold")), date="2026-03-01")
    archive.add(night(judged(3, "stop"), judged(4, "watch")), date="2026-03-08")
    archive.journal.add("Alder", "fitted new injectors", date="2026-03-05")
    assert archive.nights()["verdict"].to_list() == ["hold", "stop"]
    assert verify(archive.root) == []
    return archive


@pytest.fixture
def kept(whole, tmp_path, monkeypatch):
    shutil.copytree(whole, tmp_path / "a")
    monkeypatch.setattr("audit.night.screen.audit_log", lambda log, car: AUDITS[log.sha256])
    return Archive(tmp_path / "a")


def the_log(root, seed):
    """The kept file of a source."""
    with sqlite3.connect(root / "archive.db") as db:
        digest = an_audit(seed).sha256
        file = db.execute("select file from log where log_id = ?", (digest,)).fetchone()[0]
    db.close()
    return root / "logs" / file


def on_log(change, seed=3):
    return lambda root: change(the_log(root, seed))


def sql(*statements):
    def change(root):
        db = sqlite3.connect(root / "archive.db", isolation_level=None)
        for statement in statements:
            db.execute(statement)
        db.close()

    change.statements = statements
    return change


def on_file(change):
    def made(root):
        path = root / "archive.db"
        body = bytearray(path.read_bytes())
        path.write_bytes(change(body))

    return made


def flipped(body, at):
    body[at] ^= 0xFF
    return body


def as_folder(path):
    path.unlink()
    path.mkdir()


def dangling(path):
    path.unlink()
    path.symlink_to("nowhere")


STOP = "(select latest from night where date = '2026-03-08')"
HOLD = "(select latest from night where date = '2026-03-01')"
DAMAGES = {
    "log gone": on_log(Path.unlink),
    "another log gone": on_log(Path.unlink, 2),
    "log cut short": on_log(lambda p: p.write_bytes(p.read_bytes()[:-7])),
    "log cut to a half": on_log(lambda p: p.write_bytes(p.read_bytes()[: p.stat().st_size // 2])),
    "log empty": on_log(lambda p: p.write_bytes(b"")),
    "log with a changed byte": on_log(
        lambda p: p.write_bytes(flipped(bytearray(p.read_bytes()), 900))
    ),
    "log with bytes behind it": on_log(lambda p: p.write_bytes(p.read_bytes() + b"x")),
    "log a text": on_log(lambda p: p.write_text("time,rpm")),
    "log a folder": on_log(as_folder),
    "log a link to nowhere": on_log(dangling),
    "log another's": lambda root: shutil.copy(the_log(root, 1), the_log(root, 3)),
    "log renamed": on_log(lambda p: p.rename(p.with_name("x.parquet"))),
    "all logs gone": lambda root: shutil.rmtree(root / "logs"),
    "database gone": lambda root: (root / "archive.db").unlink(),
    "database empty": on_file(lambda _: b""),
    "database a text": on_file(lambda _: b"once upon a time " * 4000),
    "database cut to a half": on_file(lambda body: body[: len(body) // 2]),
    "database cut to a page": on_file(lambda body: body[:4096]),
    "database cut within a page": on_file(lambda body: body[:-1000]),
    "database without its head": on_file(lambda body: b"\0" * 100 + body[100:]),
    "a page of noughts": on_file(lambda body: body[:8192] + b"\0" * 4096 + body[12288:]),
    "pages of noise": on_file(lambda body: body[:12288] + bytes(range(256)) * 160 + body[53248:]),
    "a verdict made better": sql(f"update revision set verdict = 'clear' where id = {STOP}"),
    "reasons changed": sql(f"update revision set reasons = '[]' where id = {HOLD}"),
    "reasons no JSON": sql(f"update revision set reasons = '[' where id = {HOLD}"),
    "car file changed": sql(f"update revision set car_file = '{{}}' where id = {STOP}"),
    "car file no JSON": sql(f"update revision set car_file = 'x' where id = {STOP}"),
    "hash gone": sql(f"update revision set sha256 = null where id = {STOP}"),
    "newest verdict gone": sql(f"delete from revision where id = {STOP}"),
    "first verdict gone": sql("delete from revision where number = 0 and night_id like '%03-01%'"),
    "an older verdict counts": sql(
        "update night set latest = (select id from revision r where r.night_id = night.night_id and number = 0)"
    ),
    "no verdict counts": sql("update night set latest = 999"),
    "verdicts misnumbered": sql("update revision set number = 7 where number = 1"),
    "a night gone": sql("delete from night where date = '2026-03-08'"),
    "a night's day changed": sql("update night set date = '2020-01-01' where date = '2026-03-08'"),
    "a night's car changed": sql("update night set car = 'Quince' where date = '2026-03-08'"),
    "log rows gone": sql(f"delete from log where revision_id = {STOP}"),
    "one log row gone": sql(f"delete from log where revision_id = {STOP} and place = 1"),
    "pull rows gone": sql(f"delete from pull where revision_id = {STOP}"),
    "finding rows gone": sql(f"delete from finding where revision_id = {STOP}"),
    "finding made milder": sql(f"update finding set severity = 'note' where revision_id = {STOP}"),
    "measure changed": sql(f"update pull set boost_peak_kpa = 1 where revision_id = {STOP}"),
    "pull doubled": sql(
        f"insert into pull (revision_id, place, log_id, [index]) values ({STOP}, 99, 'x', 1)"
    ),
    "rows of no verdict": sql(
        "insert into pull (revision_id, place, log_id, [index]) values (999, 1, 'x', 1)"
    ),
    "kept file forgotten": sql(f"update log set file = null where revision_id = {STOP}"),
    "kept file's hash changed": sql(f"update log set file_sha256 = 'x' where revision_id = {STOP}"),
    "log of another source": sql(
        f"update log set log_id = 'x' where revision_id = {STOP} and place = 1"
    ),
    "table gone": sql("drop table finding"),
    "view gone": sql("drop view pulls"),
    "column gone": sql("alter table note drop column touches"),
    "column of another name": sql("alter table finding rename column severity to badness"),
    "version gone": sql("delete from about where key = 'schema_version'"),
    "version no number": sql("update about set value = 'x' where key = 'schema_version'"),
    "about gone": sql("drop table about"),
    "place of logs changed": sql("update about set value = '/nowhere' where key = 'logs'"),
    "a car forgotten": sql("delete from car"),
    "journal of no car": sql("update note set car = 'nobody'"),
}
MEND = ("backup", "again", "screen … --archive", "withdraw")


def verdicts(archive):
    return dict(archive.nights().select("night_id", "verdict").iter_rows())


def tried(what):
    try:
        return what()
    except PullauditError:
        return None


def test_there_are_enough_of_them():
    assert len(DAMAGES) >= 40


@pytest.mark.parametrize("damage", DAMAGES.values(), ids=DAMAGES)
def test_each_kind_of_damage_is_told_with_its_mend_and_makes_nothing_better(kept, damage):
    before = verdicts(kept)
    kept.db.close()
    damage(Path(kept.root))
    told_and_no_better(kept.root, before)


@pytest.mark.parametrize("name", [n for n, d in DAMAGES.items() if hasattr(d, "statements")])
def test_the_same_on_a_server_is_told_or_refused_by_it(name, server, whole_on_server, monkeypatch):
    import psycopg

    monkeypatch.setattr("audit.night.screen.audit_log", lambda log, car: AUDITS[log.sha256])
    root = fresh(server, name, template="whole")
    kept = Archive(root)
    before = verdicts(kept)
    kept.db.close()
    try:
        with psycopg.connect(root, autocommit=True) as db:
            for statement in DAMAGES[name].statements:
                db.execute(statement.replace("[index]", '"index"'))
    except (psycopg.errors.IntegrityError, psycopg.errors.DependentObjectsStillExist):
        assert verify(root) == []  # the server holds its references itself
        return
    told_and_no_better(root, before)


def told_and_no_better(root, before):
    archive = Archive(root)
    try:
        found = [p for p in verify(root) if p.kind != "spare"]
        assert found
        assert all(any(word in p.what for word in MEND) for p in found), found
    except ArchiveError as error:
        assert any(word in str(error) for word in MEND)
    told = CliRunner().invoke(command, ["--archive", str(root)])
    assert told.exit_code in (1, 2)
    assert told.exit_code == 1 or isinstance(told.exception, ArchiveError)
    tried(lambda: verify(root, repair=True))
    tried(lambda: rescreen(archive, every=True))
    after = tried(lambda: verdicts(archive)) or {}
    for name in set(after) & set(before):
        assert VERDICTS.index(after[name]) >= VERDICTS.index(before[name])


@pytest.mark.parametrize("seed", [2, 3])
def test_a_night_whose_log_is_lost_keeps_its_findings_until_it_is_put_back(kept, seed):
    file = the_log(Path(kept.root), seed)
    body = file.read_bytes()
    file.unlink()
    before, findings, pulls = verdicts(kept), kept.findings().height, kept.pulls().height
    verify(kept.root, repair=True)
    rescreen(kept, every=True)
    assert verdicts(kept) == before
    assert kept.findings().height >= findings
    assert kept.pulls().height == pulls
    hit = kept.nights().filter(
        kept.nights()["date"] == ("2026-03-01" if seed == 2 else "2026-03-08")
    )
    assert any("is lost" in r for r in hit["reasons"][0])
    assert [p.kind for p in verify(kept.root)] == ["log"]
    file.write_bytes(body)
    rescreen(kept)
    assert verdicts(kept) == before
    assert not any("is lost" in r for row in kept.nights()["reasons"] for r in row)
    assert verify(kept.root) == []


def test_a_clear_night_whose_log_is_lost_is_held_and_let_go_when_it_is_screened_again(kept):
    name = kept.add(night(judged(9, "watch")), date="2026-03-20").night_id
    assert verdicts(kept)[name] == "clear"
    the_log(Path(kept.root), 9).unlink()
    rescreen(kept, every=True)
    assert verdicts(kept)[name] == "hold"
    kept.add(night(judged(9, "watch")), date="2026-03-20")
    assert verdicts(kept)[name] == "clear"
    assert verify(kept.root) == []


def test_a_night_whose_log_is_lost_may_be_withdrawn(kept):
    the_log(Path(kept.root), 3).unlink()
    verify(kept.root, repair=True)
    name = next(n for n, v in verdicts(kept).items() if v == "stop")
    kept.withdraw(name)
    assert name not in verdicts(kept)


def test_no_archive_is_told(tmp_path):
    with pytest.raises(ArchiveError, match="no archive"):
        verify(tmp_path / "none")


def test_a_backup_of_one_file_and_one_folder_restores_it_all(kept, tmp_path):
    """As docs/archive.md has it, taken while a connection is open."""
    backup, new = tmp_path / "backup", tmp_path / "new"
    backup.mkdir()
    kept.db.rows(f"vacuum into '{backup}/archive.db'")
    shutil.copytree(Path(kept.root) / "logs", backup / "logs")
    shutil.rmtree(kept.root)
    shutil.copytree(backup, new)
    assert verify(new) == []
    assert verdicts(Archive(new)) == verdicts(Archive(backup))
    assert Archive(new).journal.of("Alder")


def test_a_file_that_no_night_speaks_of_is_told_and_does_no_harm(kept):
    (Path(kept.root) / "logs" / "ab").mkdir(exist_ok=True)
    (Path(kept.root) / "logs" / "ab" / "abc.parquet").write_bytes(b"")
    assert [p.kind for p in verify(kept.root)] == ["spare"]
    assert CliRunner().invoke(command, ["--archive", str(kept.root)]).exit_code == 0
