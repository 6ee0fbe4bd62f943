"""The wheel holds every schema and every page, and works away from the checkout."""

from __future__ import annotations

import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def wheel(tmp_path_factory):
    out = tmp_path_factory.mktemp("dist")
    subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(out)],
        cwd=ROOT,
        check=True,
        capture_output=True,
    )
    return next(out.glob("*.whl"))


def tracked(folder: str) -> set[str]:
    done = subprocess.run(
        ["git", "ls-files", folder], cwd=ROOT, capture_output=True, text=True, check=False
    )
    if done.returncode != 0:
        pytest.skip("no git checkout to compare with")
    return {line for line in done.stdout.splitlines() if (ROOT / line).exists()}


def test_the_wheel_holds_the_tracked_schemas_byte_for_byte(wheel):
    with zipfile.ZipFile(wheel) as packed:
        for name in tracked("schemas"):
            assert packed.read(f"audit/{name}") == (ROOT / name).read_bytes(), name


def test_the_wheel_the_changelog_and_the_program_share_one_version(wheel):
    from click.testing import CliRunner

    from audit import __version__
    from audit.cli.main import cli

    changelog = (ROOT / "docs" / "CHANGELOG.md").read_text(encoding="utf-8")
    newest = next(line for line in changelog.splitlines() if line.startswith("## "))
    assert newest.split()[1] == __version__
    assert wheel.name.split("-")[1] == __version__
    assert CliRunner().invoke(cli, ["--version"]).output.split()[-1] == __version__


def test_the_wheel_carries_the_licence_and_says_so(wheel):
    with zipfile.ZipFile(wheel) as packed:
        folder = next(n for n in packed.namelist() if n.endswith("METADATA")).rpartition("/")[0]
        told = packed.read(f"{folder}/METADATA").decode()
        text = packed.read(f"{folder}/licenses/docs/LICENSE").decode()
    assert "License-Expression: MIT" in told
    assert "the pullaudit developers" in text
    assert text == (ROOT / "docs" / "LICENSE").read_text(encoding="utf-8")


def test_the_wheel_holds_every_file_of_the_package(wheel):
    with zipfile.ZipFile(wheel) as packed:
        assert tracked("audit") <= set(packed.namelist())


def test_the_unpacked_wheel_screens_a_log_from_an_empty_folder(wheel, tmp_path):
    site = tmp_path / "site"
    zipfile.ZipFile(wheel).extractall(site)
    empty = tmp_path / "empty"
    empty.mkdir()
    log = ROOT / "sample_data" / "alder" / "2025-05-03_healthy"
    code = "import audit; assert 'site' in audit.__file__; from audit.cli.main import main; main()"
    done = subprocess.run(
        [sys.executable, "-c", code, "screen", str(log)],
        cwd=empty,
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "PYTHONPATH": str(site)},
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("CLEAR")
