"""The program starts lean, and says what it can do."""

from __future__ import annotations

import gc
import json
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from audit import COLLECT
from audit.cli.main import COMMANDS, cli, main
from audit.cli.output import folded

ROOT = Path(__file__).parents[2]
HEAVY = ["polars", "numpy", "scipy", "pandera", "pyarrow", "rich"]
SLOW_ON_SCREEN = [
    "scipy",
    "pandera",
    "pyarrow",
    "pandas",
    "dask",
    "jsonschema",
    "duckdb",
]


def loaded_by(code: str, names: list[str]) -> list[str]:
    probe = (
        f"import sys, json\n{code}\nprint(json.dumps([n for n in {names!r} if n in sys.modules]))"
    )
    done = subprocess.run(
        [sys.executable, "-c", probe], capture_output=True, text=True, check=True, cwd=ROOT
    )
    found: list[str] = json.loads(done.stdout.splitlines()[-1])
    return found


def test_help_loads_nothing_heavy():
    code = "from click.testing import CliRunner\nfrom audit.cli.main import cli\nCliRunner().invoke(cli, ['--help'])"
    assert loaded_by(code, HEAVY) == []


def test_screen_loads_nothing_slow():
    log = ROOT / "sample_data" / "alder" / "2025-05-24_overshoot"
    code = f"from click.testing import CliRunner\nfrom audit.cli.main import cli\nCliRunner().invoke(cli, ['screen', {str(log)!r}])"
    assert loaded_by(code, SLOW_ON_SCREEN) == []


def test_a_start_collects_seldom():
    before = gc.get_threshold()
    try:
        with pytest.raises(SystemExit):
            main(["--version"])
        assert gc.get_threshold() == COLLECT
    finally:
        gc.set_threshold(*before)


@pytest.mark.parametrize(
    "name", [n for n in COMMANDS if (ROOT / "audit" / "cli" / f"{n}.py").exists()]
)
def test_each_command_has_help_and_stands_in_the_docs(name):
    result = CliRunner().invoke(cli, [name, "--help"])
    assert result.exit_code == 0
    assert len(result.output) > 80
    assert f"## {name}" in (ROOT / "docs" / "commands.md").read_text(encoding="utf-8")


def test_the_reference_pages_are_fresh():
    done = subprocess.run(
        [sys.executable, str(ROOT / "docs" / "build.py"), "--check"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr


@pytest.mark.parametrize("columns", [46, 80])
@pytest.mark.parametrize("name", ["", *COMMANDS])
def test_help_is_no_wider_than_the_terminal(monkeypatch, capsys, columns, name):
    monkeypatch.setenv("COLUMNS", str(columns))
    with pytest.raises(SystemExit) as ended:
        main([*filter(None, [name]), "--help"])
    assert ended.value.code == 0
    assert max(map(len, capsys.readouterr().out.splitlines())) <= columns


def test_a_command_misspelt_is_told_with_the_nearest(capsys):
    with pytest.raises(SystemExit) as ended:
        main(["pln"])
    assert ended.value.code == 2
    assert "Did you mean plan?" in capsys.readouterr().err


def test_a_folded_sentence_breaks_no_word_and_no_path():
    path = "/a/path/that/is/longer/than/the/screen/is/wide/run_1.csv"
    text = folded(f"pullaudit: {path}: no such file or folder. Check the spelling.", 46)
    lines = text.split("\n")
    assert path in "".join(lines)
    assert all(len(line) <= 46 for line in lines if path not in line)
    assert (
        " ".join(text.split()) == f"pullaudit: {path}: no such file or folder. Check the spelling."
    )
