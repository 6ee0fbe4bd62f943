"""The guide's own example, added to a copy of the project as the guide says, is found, run and judged."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
EXAMPLE = ROOT / "docs" / "new_check"


@pytest.fixture(scope="module")
def project(tmp_path_factory):
    folder = tmp_path_factory.mktemp("project")
    for name in ("audit", "schemas"):
        shutil.copytree(ROOT / name, folder / name, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(EXAMPLE / "turbo_speed.py", folder / "audit" / "checks" / "engine")
    for table in ("checks.toml", "thresholds.toml", "causes.toml"):
        with (folder / "schemas" / table).open("a", encoding="utf-8") as file:
            file.write((EXAMPLE / table).read_text(encoding="utf-8"))
    return folder


def log_of(folder: Path, top_rpm: float) -> Path:
    """Ten samples a second: 3 s of cruise, a pull of 6 s, 2 s off the throttle."""
    rows = ["Time (s),RPM,TPS (%),MAP (kPa),Turbo Speed (rpm)"]
    for i in range(110):
        t = i / 10
        wide = 3.0 <= t < 9.0
        rpm = 2500 + 600 * (t - 3.0) if wide else 2500
        boost = 100 + min(90.0, 60 * (t - 3.0)) if wide else 45
        turbo = top_rpm * min(1.0, 0.3 + 0.4 * (t - 3.0)) if wide else 20000
        rows.append(f"{t:.1f},{rpm:.0f},{100 if wide else 15},{boost:.1f},{turbo:.0f}")
    path = folder / f"{top_rpm:.0f}.csv"
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    return path


def try_one(project: Path, log: Path) -> str:
    done = subprocess.run(
        [sys.executable, "-m", "audit.cli.try_one", "turbo_speed", str(log)],
        cwd=project,
        env={**os.environ, "PYTHONPATH": str(project)},
        capture_output=True,
        text=True,
        check=False,
    )
    return done.stdout + done.stderr


@pytest.mark.parametrize(
    ("top_rpm", "said"), [(119000, "pass"), (121000, "watch"), (131000, "hold"), (141000, "stop")]
)
def test_the_example_measures_and_judges(project, top_rpm, said):
    out = try_one(project, log_of(project, top_rpm))
    assert "1 pulls" in out
    line = next(line for line in out.splitlines() if "turbo_top_rpm" in line)
    assert line.split() == ["turbo_top_rpm", f"{top_rpm:.4g}", "rpm"]
    assert "NOT DECLARED" not in out
    assert (f"{said} turbo.overspeed" in out) == (said != "pass")


@pytest.mark.parametrize(
    ("table", "row", "said"),
    [
        ("channels.toml", "[turbo_speed]", "turbo_speed has no row in schemas/channels.toml"),
        ("thresholds.toml", 'code = "turbo.overspeed"', "has no row for turbo.overspeed"),
    ],
)
def test_a_row_that_is_forgotten_is_named(project, tmp_path, table, row, said):
    copy = tmp_path / "project"
    shutil.copytree(project, copy)
    text = (copy / "schemas" / table).read_text(encoding="utf-8")
    start = text.rindex("\n[", 0, text.index(row) + 1)
    end = text.find("\n[", start + 1)
    without = text[:start] + (text[end:] if end > 0 else "\n")
    (copy / "schemas" / table).write_text(without, encoding="utf-8")
    out = try_one(copy, log_of(tmp_path, 119000))
    assert said in out and "Traceback" not in out


def test_the_example_stands_in_the_copy_alone():
    assert not (ROOT / "audit" / "checks" / "engine" / "turbo_speed.py").exists()
