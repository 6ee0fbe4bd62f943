"""Kept logs in a store that speaks S3, against a test server of this machine (the package moto), and kept by a worker."""

from __future__ import annotations

import dataclasses
import pickle
import secrets
from functools import partial

import pytest

from audit.archive.store.rows import log_id, log_row
from audit.archive.store.store import Archive, keep_where_read
from audit.archive.store.verify import verify
from audit.errors import ArchiveError
from tests.archive.nights import a_log, a_night


@pytest.fixture
def store(monkeypatch):
    """The address of an empty bucket, and the client that looks into it."""
    server = pytest.importorskip("moto.server", reason="pip install 'moto[server]'")
    s3fs = pytest.importorskip("s3fs", reason="pip install 'pullaudit[cluster]'")
    running = server.ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
    running.start()
    host, port = running.get_host_and_port()
    for name, value in {
        "AWS_ENDPOINT_URL": f"http://{host}:{port}",
        "AWS_ACCESS_KEY_ID": "x",
        "AWS_SECRET_ACCESS_KEY": "x",
        "AWS_DEFAULT_REGION": "us-east-1",
    }.items():
        monkeypatch.setenv(name, value)
    s3fs.S3FileSystem.clear_instance_cache()
    client = s3fs.S3FileSystem()
    bucket = f"nights-{secrets.token_hex(4)}"  # the server's memory outlives it
    client.mkdir(bucket)
    yield f"s3://{bucket}/logs", client
    s3fs.S3FileSystem.clear_instance_cache()
    running.stop()


def test_logs_in_a_store_are_written_read_and_proved(tmp_path, store):
    address, client = store
    archive = Archive(tmp_path, logs=address)
    archive.add(a_night(1, 2))
    assert not (tmp_path / "logs").exists()
    again = Archive(tmp_path)
    log = again.read_log(again.logs()["file"][0])
    assert log.frame.equals(a_log(1).frame)
    assert verify(tmp_path) == []
    torn, gone = client.find(address)
    client.pipe_file(torn, b"torn")
    client.rm_file(gone)
    assert [p.kind for p in verify(tmp_path)] == ["log", "log"]
    verify(tmp_path, repair=True)
    assert again.nights()["verdict"].to_list() == ["hold"]
    Archive(tmp_path).add(a_night(1, 2))
    assert verify(tmp_path) == []


def test_a_store_that_is_not_there_keeps_nothing_and_says_so(tmp_path, store):
    archive = Archive(tmp_path, logs="s3://no-such-bucket/logs")
    with pytest.raises(ArchiveError, match="cannot keep the log"):
        archive.add(a_night(1))
    assert archive.nights().is_empty()


def kept_by_workers(night, keep):
    """The night as it comes back from workers: pickled, without its samples."""
    made = [pickle.loads(pickle.dumps(keep(audit))) for audit in night.logs]  # noqa: S301
    assert all(audit.log.rows == 0 for audit in made)
    return dataclasses.replace(night, logs=tuple(made))


def test_a_log_kept_by_its_worker_is_the_same_as_one_kept_here(archive, tmp_path):
    night = a_night(1, 2)
    archive.make()
    there = kept_by_workers(night, partial(keep_where_read, logs=archive.kept.address))
    added = archive.add(there)
    here = Archive(tmp_path / "here")
    here.add(night)
    drop = ("added_at", "revision_id")
    assert archive.logs().drop(drop).equals(here.logs().drop(drop))
    assert archive.pulls().drop(drop).equals(here.pulls().drop(drop))
    assert verify(archive.root) == []
    assert archive.add(there).night_id is None
    assert added.night_id is not None


def test_the_row_of_a_kept_log_has_its_own_path_and_file():
    audit = a_night(1).logs[0]
    row = log_row(dataclasses.replace(audit, kept={"rows": 7}), {log_id(audit): ("f", "h")})
    assert (row["rows"], row["path"], row["file"]) == (7, audit.path, "f")
