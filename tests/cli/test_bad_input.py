"""Bad input through the command: one clear sentence that names the file and the mend, the others still screened."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest
from bad_files import FILES, HOLD, NOTHING_READ, write_all
from click.testing import CliRunner

from audit.cli.main import cli

GOOD = Path(__file__).parents[2] / "sample_data" / "quince" / "2025-05-04_healthy"
USAGE = 2


def run(*arguments: object):
    result = CliRunner().invoke(cli, [str(a) for a in arguments])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exc_info
    assert "Traceback" not in result.output
    return result


def flat(text: str) -> str:
    """Wrapped lines as one."""
    return re.sub(r"\s+", " ", text)


@pytest.mark.parametrize("name", FILES)
def test_each_is_said_in_a_sentence_that_names_it(tmp_path, name):
    content, words, code = FILES[name]
    (tmp_path / name).write_bytes(content)
    result = run("screen", tmp_path / name)
    said = flat(result.output)
    assert result.exit_code == code
    assert name in said
    assert all(word in said for word in words), said[:600]
    if code == NOTHING_READ:
        (sentence,) = [line for line in result.stderr.splitlines() if name in line]
        assert sentence.endswith(".")
        assert len(re.findall(r"[.!] [A-Z]", sentence)) >= 1, "the mend follows what is wrong"


@pytest.mark.parametrize("name", FILES)
def test_channels_says_it_too(tmp_path, name):
    content, _, code = FILES[name]
    (tmp_path / name).write_bytes(content)
    result = run("channels", tmp_path / name)
    assert name in flat(result.output)
    assert result.exit_code == (NOTHING_READ if code == NOTHING_READ else 0)


def test_a_good_log_among_them_is_still_screened(tmp_path):
    write_all(tmp_path)
    shutil.copy(next(GOOD.glob("run_*")), tmp_path / "good.csv")
    shutil.copy(GOOD.parent / "car.toml", tmp_path / "car.toml")
    result = run("screen", tmp_path, "--workers", "1")
    assert result.exit_code == HOLD
    assert "good.csv" in result.stdout
    assert re.search(r"[1-9]\d* pulls", result.stdout)


def test_a_path_that_is_not_there(tmp_path):
    result = run("screen", tmp_path / "nihgt.csv")
    assert result.exit_code == USAGE
    assert "no such file or folder" in result.stderr


def test_a_folder_without_logs(tmp_path):
    (tmp_path / "notes.md").write_text("none")
    result = run("screen", tmp_path)
    assert result.exit_code == NOTHING_READ
    assert "no log in this folder" in result.stderr


def test_no_permission_to_read(tmp_path, monkeypatch):
    path = tmp_path / "locked.csv"
    path.write_text("Time,RPM\n0,900\n1,900\n2,900\n")
    plain = Path.open

    def refuse(self, *arguments, **options):
        if self.name == "locked.csv":
            raise PermissionError(13, "Permission denied")
        return plain(self, *arguments, **options)

    monkeypatch.setattr(Path, "open", refuse)  # the tests may run as a user whom nothing is refused
    result = run("screen", path, "--workers", "1")
    assert result.exit_code == NOTHING_READ
    assert "locked.csv" in result.stderr
    assert "read" in result.stderr
