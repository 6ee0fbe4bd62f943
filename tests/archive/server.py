"""A PostgreSQL of one's own in a folder of its own, for tests: started once, gone with them."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import quote


def programs() -> Path | None:
    """The folder of initdb and pg_ctl, None where there is none."""
    found = shutil.which("initdb")
    here = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    return Path(found).parent if found else here[-1].parent if here else None


@contextmanager
def running() -> Iterator[str]:
    """The folder of the server's socket. It listens nowhere else, and refuses to run as the superuser."""
    there = programs()
    assert there is not None
    folder = tempfile.mkdtemp(prefix="pg-")
    data = f"{folder}/data"
    log = f"{folder}/log"
    options = f"-k {folder} -c listen_addresses= -c fsync=off"

    def call(*words: str) -> None:
        command = [str(there / words[0]), *words[1:]]
        if os.geteuid() == 0:
            command = [
                "setpriv",
                "--reuid=postgres",
                "--regid=postgres",
                "--clear-groups",
                *command,
            ]
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL, cwd="/")

    if os.geteuid() == 0:
        shutil.chown(folder, "postgres", "postgres")
    Path(folder).chmod(0o755)
    call("initdb", "-D", data, "-U", "tests", "-A", "trust", "-N")
    call("pg_ctl", "-D", data, "-l", log, "-o", options, "-w", "start")
    try:
        yield folder
    finally:
        call("pg_ctl", "-D", data, "-m", "immediate", "-w", "stop")
        shutil.rmtree(folder, ignore_errors=True)


def fresh(socket: str, name: str, *, template: str = "template1") -> str:
    """The address of a new database, empty or like another."""
    import psycopg

    with psycopg.connect(f"host={socket} user=tests dbname=postgres", autocommit=True) as db:
        db.execute(f'create database "{name}" template "{template}"')
    return f"postgresql://tests@/{quote(name)}?host={socket}"
