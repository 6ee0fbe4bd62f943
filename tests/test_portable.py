"""Every module is imported and the common commands run where only what POSIX and Windows share is there."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[1]
NIGHT = ROOT / "sample_data" / "alder" / "2025-05-03_healthy"

# What Python's documentation marks "Availability: Unix" (docs.python.org/3/library: os, signal, and the
# chapter "Unix-specific modules"), as far as anything here could be tempted to use it.
HIDDEN = """
import os, signal, sys
for name in ("fcntl", "pwd", "grp", "resource", "termios", "tty", "pty", "syslog", "posix_ipc"):
    sys.modules[name] = None  # importing it raises ImportError
    if name in ("pwd", "grp"):
        continue
for name in ("SIGKILL", "SIGHUP", "SIGUSR1", "SIGUSR2", "SIGCHLD", "SIGALRM", "SIGPIPE", "alarm",
             "setitimer", "pthread_sigmask"):
    if hasattr(signal, name):
        delattr(signal, name)
for name in ("fork", "killpg", "setsid", "getuid", "geteuid", "getgid", "chown", "fchmod", "sysconf",
             "getloadavg", "mkfifo", "O_DIRECTORY", "O_NOFOLLOW", "posix_fadvise"):
    if hasattr(os, name):
        delattr(os, name)
real_open = os.open
def no_folders(path, flags, *rest, **named):  # Windows opens no folder
    if isinstance(path, (str, bytes, os.PathLike)) and os.path.isdir(path):
        raise PermissionError(13, "Permission denied", str(path))
    return real_open(path, flags, *rest, **named)
os.open = no_folders
"""


def ran(code: str, *args: str) -> subprocess.CompletedProcess[str]:
    env = dict(os.environ, PYTHONPATH=str(ROOT), PULLAUDIT_DEBUG="")
    line = [sys.executable, "-c", HIDDEN + code, *args]
    return subprocess.run(line, capture_output=True, text=True, env=env, check=False, timeout=300)


def test_every_module_is_imported_without_what_only_posix_has() -> None:
    code = """
import importlib, pkgutil, audit
optional = {"asyncpg", "psycopg", "dask", "distributed", "fsspec", "s3fs"}
for found in pkgutil.walk_packages(audit.__path__, "audit."):
    if found.name.endswith("__main__"):
        continue
    try:
        importlib.import_module(found.name)
    except ImportError as error:
        if (error.name or "").split(".")[0] not in optional:
            raise
print("all of them")
"""
    done = ran(code)
    assert done.returncode == 0 and "all of them" in done.stdout, done.stderr[-2000:]


def test_a_night_is_screened_kept_and_planned_without_what_only_posix_has(tmp_path: Path) -> None:
    code = "from audit.cli.main import main\nmain(sys.argv[1:])\n"
    archive = str(tmp_path / "archive")
    done = ran(code, "screen", str(NIGHT), "--archive", archive, "--workers", "1")
    assert done.returncode in (0, 10) and "Traceback" not in done.stderr, done.stderr[-2000:]
    for args in (("verify",), ("trends",), ("response",), ("plan",)):
        done = ran(code, *args, "--archive", archive)
        assert done.returncode == 0 and done.stdout, (args, done.stderr[-2000:])


def test_an_inbox_is_watched_once_without_what_only_posix_has(tmp_path: Path) -> None:
    inbox = tmp_path / "inbox"
    inbox.mkdir()
    log = next(NIGHT.glob("*.csv"))
    (inbox / log.name).write_bytes(log.read_bytes())
    (inbox / "car.toml").write_bytes((NIGHT.parent / "car.toml").read_bytes())
    code = "from audit.cli.main import main\nmain(sys.argv[1:])\n"
    archive = str(tmp_path / "archive")
    done = ran(code, "watch", str(inbox), "--archive", archive, "--once", "--workers", "1")
    assert done.returncode == 0 and "Traceback" not in done.stderr, done.stderr[-2000:]


def test_a_hook_that_hangs_is_ended_without_groups_of_processes() -> None:
    code = """
import subprocess
from audit.service.watch.hooks import _end
signal.SIGKILL = 9  # what Python's own Popen.kill works with here
child = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(60)"])
_end(child)
print("ended", child.wait(20) != 0)
"""
    done = ran(code)
    assert "ended True" in done.stdout, done.stderr[-2000:]
