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
from audit.night.screen import slim
from audit.request import Request, run
from tests.archive.nights import a_log, a_night
from tests.service.made_logs import good_log
from tests.test_cluster import Cluster


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
    log = again.kept.read(again.logs()["file"][0])
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


def test_workers_of_a_cluster_keep_what_they_read_and_samples_never_travel(
    tmp_path, store, monkeypatch
):
    pytest.importorskip("distributed", reason="pip install 'pullaudit[cluster]'")
    address, client = store
    files = [tmp_path / f"run_{i}.csv" for i in range(3)]
    for i, file in enumerate(files):
        file.write_bytes(good_log(i))
    request = Request(paths=tuple(files), archive=tmp_path / "a", logs=address, date="2026-03-01")
    cluster = Cluster(tmp_path, workers=2)
    try:
        cluster.wait_for_workers()
        with monkeypatch.context() as patched:
            patched.setattr("audit.archive.store.kept.Kept.write", None)  # in this process
            told = run(dataclasses.replace(request, cluster=cluster.address))
    finally:
        cluster.close()
    assert not any("not kept" in warning for warning in told.warnings)
    assert len(client.find(address)) == 3
    assert verify(tmp_path / "a") == []
    run(dataclasses.replace(request, archive=tmp_path / "b"))
    drop = ("added_at", "revision_id")
    there, here = (Archive(tmp_path / name) for name in "ab")
    assert there.logs().drop(drop).equals(here.logs().drop(drop))
    assert there.pulls().drop(drop).equals(here.pulls().drop(drop))


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


def test_the_row_of_a_log_is_the_same_with_and_without_its_samples():
    audit = a_night(1).logs[0]
    row = log_row(slim(audit), {log_id(audit): "f/h.parquet"})
    assert (row["path"], row["file"], row["file_sha256"]) == (audit.path, "f/h.parquet", "h")
    assert row == log_row(audit, {log_id(audit): "f/h.parquet"})
