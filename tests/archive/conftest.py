"""The helpers of these tests are modules of the checkout: `tests.archive.nights`."""

import itertools
import sys
from pathlib import Path

import pytest

ROOT = str(Path(__file__).parents[2])
if ROOT not in sys.path:
    sys.path.insert(0, ROOT)

_numbers = itertools.count(1)


@pytest.fixture(scope="session")
def server():
    """The socket of a PostgreSQL server of these tests' own."""
    from tests.archive.server import programs, running

    if programs() is None:
        pytest.skip("no PostgreSQL on this machine: apt-get install postgresql")
    pytest.importorskip("psycopg", reason="pip install 'pullaudit[server]'")
    with running() as socket:
        yield socket


@pytest.fixture(params=["folder", "server"])
def archive(request, tmp_path):
    """An empty archive, in a folder and on a server."""
    from audit.archive.store.store import Archive

    if request.param == "folder":
        return Archive(tmp_path / "a")
    from tests.archive.server import fresh

    address = fresh(request.getfixturevalue("server"), f"a{next(_numbers)}")
    return Archive(address, logs=str(tmp_path / "logs"))
