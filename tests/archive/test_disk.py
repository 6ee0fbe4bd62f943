"""A disk that may not be written, or is full: one sentence, nothing torn, all there once when it has room again.

The superuser may write anywhere, so read-only folders are tried as another user; a full disk needs a small one of its
own, which only the superuser can mount; a limit on the size of files stands in for it elsewhere.
"""

import os
import resource
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from audit import files
from audit.archive.store.store import Archive
from audit.archive.store.verify import verify
from audit.errors import ArchiveError
from tests.archive.nights import a_night

ROOT = Path(__file__).parents[2]
NOBODY = 65534
pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="users, mounts and limits of POSIX")

ADD = """
import sys
from audit.archive.store.store import Archive
from audit.errors import PullauditError
from tests.archive.nights import a_night
try:
    Archive(sys.argv[1]).add(a_night(*map(int, sys.argv[2:])))
except PullauditError as error:
    sys.exit(f"{error}")
"""
LOOK = """
import sys
from audit.archive.trend.fleet import fleet
from audit.archive.store.store import Archive
from audit.archive.store.verify import verify
print(Archive(sys.argv[1]).pulls().height, len(verify(sys.argv[1])), [s.car for s in fleet(Archive(sys.argv[1]))])
"""


def run(code, *args, largest=None):
    """A Python of its own, not the superuser; largest: bytes of the largest file it may write."""
    as_other = (
        ["setpriv", f"--reuid={NOBODY}", f"--regid={NOBODY}", "--clear-groups"]
        if os.geteuid() == 0
        else []
    )
    limit = (
        (lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (largest, largest)))
        if largest is not None
        else None
    )
    return subprocess.run(
        [*as_other, sys.executable, "-B", "-c", code, *map(str, args)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
        preexec_fn=limit,
        env={**os.environ, "PYTHONPATH": str(ROOT), "HOME": "/nonexistent"},
    )


@pytest.fixture
def open_folder():
    """A folder whose way another user may walk; tests give it to that user or take its rights away."""
    if os.geteuid() == 0 and not shutil.which("setpriv"):
        pytest.skip("needs setpriv to become another user")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        folder.chmod(0o755)
        if (
            run("", folder).returncode != 0
            or run(f"open({str(ROOT / 'README.md')!r})").returncode != 0
        ):
            pytest.skip("another user cannot read this checkout")
        yield folder


def owned(folder, mode=0o755):
    """Give a tree to the user that `run` runs as."""
    for path in (folder, *folder.rglob("*")):
        if os.geteuid() == 0:
            os.chown(path, NOBODY, NOBODY)
        path.chmod(mode if path.is_dir() else 0o644)
    return folder


def forbidden(folder):
    for path in (*folder.rglob("*"), folder):
        path.chmod(0o555 if path.is_dir() else 0o444)


def allowed(folder):
    for path in (folder, *folder.rglob("*")):
        path.chmod(0o755 if path.is_dir() else 0o644)


def test_a_folder_without_rights_is_told_and_nothing_is_made(open_folder):
    open_folder.chmod(0o555)
    told = run(ADD, open_folder / "a", 1)
    assert told.returncode == 1
    assert "no permission" in told.stderr
    assert "Traceback" not in told.stderr
    assert not list(open_folder.iterdir())


def test_a_read_only_archive_can_be_read_but_not_added_to(open_folder):
    Archive(open_folder / "a").add(a_night(1))
    owned(open_folder / "a")
    forbidden(open_folder / "a")
    told = run(ADD, open_folder / "a", 2)
    assert told.returncode == 1
    assert "no permission" in told.stderr or "may only be read" in told.stderr
    assert "Traceback" not in told.stderr
    seen = run(LOOK, open_folder / "a")
    assert seen.stdout.strip() == "2 0 ['Alder']", seen.stderr
    allowed(open_folder / "a")
    assert run(ADD, open_folder / "a", 2).returncode == 0
    assert run(LOOK, open_folder / "a").stdout.strip() == "4 0 ['Alder']"


@pytest.mark.parametrize(
    "largest", [0, 700, 1500, 6000, 9000, 12_000, 20_000, 33_000, 40_000, 60_000, 400_000]
)
def test_a_file_that_the_system_cuts_off_leaves_all_or_nothing(open_folder, largest):
    """The steps fail one by one as the limit falls."""
    Archive(open_folder / "a").add(a_night(1))
    owned(open_folder / "a")
    told = run(ADD, open_folder / "a", 2, 3, largest=largest)
    assert told.returncode == 0 if largest == 400_000 else told.returncode in (0, 1), told.stderr
    assert "Traceback" not in told.stderr
    again(open_folder / "a")


@pytest.fixture
def small_disk():
    """A disk of 2 MB, gone after the test."""
    with tempfile.TemporaryDirectory() as name:
        mounted = (
            subprocess.run(
                ["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", name],
                capture_output=True,
                check=False,
            )
            if shutil.which("mount")
            else None
        )
        if mounted is None or mounted.returncode != 0:
            pytest.skip("a small disk can be mounted by the superuser only")
        try:
            yield Path(name)
        finally:
            subprocess.run(["umount", "-l", name], check=True)


def fill(disk, left):
    free = shutil.disk_usage(disk).free
    (disk / "filler").write_bytes(b"x" * max(0, free - left))


@pytest.mark.parametrize(
    "left", [0, 4_096, 20_480, 40_960, 65_536, 90_112, 131_072, 163_840, 204_800, 262_144]
)
def test_a_disk_that_fills_up_midway_leaves_all_or_nothing(small_disk, monkeypatch, left):
    """Without the question for room beforehand, so that each step meets the full disk itself."""
    monkeypatch.setattr(files, "SPARE_BYTES", -(1 << 30))
    archive = Archive(small_disk / "a")
    archive.add(a_night(1))
    fill(small_disk, left)
    try:
        archive.add(a_night(2, 3))
    except ArchiveError as error:
        assert "disk" in str(error)
    archive.db.close()
    (small_disk / "filler").unlink()
    assert Archive(small_disk / "a").nights().height in (1, 2)
    again(small_disk / "a")


def test_too_little_room_is_told_before_anything_is_written(small_disk):
    Archive(small_disk / "a").add(a_night(1))
    before = sorted(small_disk.rglob("*"))
    fill(small_disk, 500_000)
    with pytest.raises(ArchiveError, match="no space is left on the disk.*free some"):
        Archive(small_disk / "a").add(a_night(2, 3))
    (small_disk / "filler").unlink()
    assert sorted(small_disk.rglob("*")) == before
    again(small_disk / "a")


def test_a_new_archive_on_a_full_disk_leaves_no_half_of_one(small_disk):
    fill(small_disk, 0)
    with pytest.raises(ArchiveError, match="no space"):
        Archive(small_disk / "a").add(a_night(1))
    assert not (small_disk / "a").exists()


SCREEN = """
import sys
from audit.cli.main import main
main(["screen", *sys.argv[1:]])
"""


def test_a_verdict_is_told_though_it_cannot_be_kept(open_folder):
    """The exit code is the verdict's, as it is without an archive."""
    night = ROOT / "sample_data" / "alder" / "2025-05-24_overshoot"
    alone = run(SCREEN, night)
    Archive(open_folder / "a").add(a_night(1))
    owned(open_folder / "a")
    forbidden(open_folder / "a")
    told = run(SCREEN, night, "--archive", open_folder / "a")
    assert (told.returncode, told.stdout) == (alone.returncode, alone.stdout)
    assert alone.returncode in (10, 20)
    assert "This night is not kept" in told.stderr
    allowed(open_folder / "a")
    (open_folder / "a" / "archive.db").write_bytes(b"torn" * 5000)
    owned(open_folder / "a")
    told = run(SCREEN, night, "--archive", open_folder / "a")
    assert told.returncode == alone.returncode
    assert "put back the last backup" in told.stderr
    assert "Traceback" not in told.stderr


def test_a_locked_archive_keeps_no_verdict_back(tmp_path, monkeypatch):
    from audit import database

    monkeypatch.setattr(database, "WAIT_S", 0.1)
    Archive(tmp_path / "a").add(a_night(1))
    other = Archive(tmp_path / "a")
    with other.db.writing(), pytest.raises(ArchiveError, match="another program has been writing"):
        Archive(tmp_path / "a").add(a_night(2))


def test_a_device_is_written_to_and_stays_one(tmp_path):
    """`--json /dev/null`: renamed onto it, a file would take the device's place for everybody."""
    link = tmp_path / "null"
    link.symlink_to(os.devnull)
    files.write_whole(link, b"x")
    assert link.is_symlink()
    assert link.read_bytes() == b""


def again(folder):
    """With room again the night goes in, once, and the archive is whole."""
    archive = Archive(folder)
    archive.add(a_night(2, 3))
    archive.add(a_night(2, 3))
    assert {p.kind for p in verify(folder)} <= {"spare"}
    assert archive.nights().height == 2
    assert archive.pulls().height == 6
