"""Many `pullaudit screen --archive` at once on one archive: `python -m tests.archive.many_screens [programs]`, 20 by default.

Every program brings a night of its own; then all bring the same nights again; then all bring one and the same. Each
time every night must be there, once, and the archive whole. In a folder, and on a server.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from audit.archive.store.store import Archive
from audit.archive.store.verify import verify
from tests.archive.server import fresh, running

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_data"


def nights_of_cars(folder: Path, count: int) -> list[Path]:
    """Sample nights under so many names of cars that no two are the same night of a car."""
    nights = [
        night
        for car in ("alder", "quince")
        for night in sorted((SAMPLES / car).iterdir())
        if night.is_dir()
    ]
    made = []
    for i in range(count):
        night = nights[i % len(nights)]
        there = folder / f"{i}" / night.name
        shutil.copytree(night, there)
        named = re.sub(
            r"(?m)^name *=.*$",
            f'name = "{night.parent.name} {i // len(nights)}"',
            (night.parent / "car.toml").read_text(),
        )
        (there / "car.toml").write_text(named)
        made.append(there)
    return made


def screen_at_once(
    nights: list[Path], archive: str | Path, logs: Path | None
) -> list[tuple[int, str]]:
    """Exit code and error text of each."""
    command = [sys.executable, "-m", "audit", "screen", "--archive", str(archive), "--json", "-"]
    command += ["--logs", str(logs)] if logs else []
    running = [
        subprocess.Popen(
            [*command, str(night), "--car", str(night / "car.toml")],
            cwd=ROOT,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        for night in nights
    ]
    told = [program.communicate()[1] for program in running]
    return [(program.returncode, text) for program, text in zip(running, told, strict=True)]


def check(nights: list[Path], archive: str | Path, *, there: int, logs: Path | None = None) -> str:
    """Screen the nights at once; what is in the archive then. AssertionError when it is not each night once."""
    told = screen_at_once(nights, archive, logs)
    assert all(code in (0, 10, 20) for code, _ in told), told
    assert verify(archive) == []
    kept = Archive(archive)
    found, logs, pulls = kept.nights(), kept.logs(), kept.pulls()
    assert found.height == there == found.select("car", "night_id").n_unique()
    assert logs.height == logs.select("car", "log_id").n_unique()
    assert pulls.height == pulls.select("car", "log_id", "index").n_unique()
    assert kept.kept.every() == set(logs["file"].drop_nulls())
    return f"{len(nights)} at once: {found.height} nights, {logs.height} logs, {pulls.height} pulls, each once; the archive is whole"


def main(programs: int = 20) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        nights = nights_of_cars(folder, programs)
        print("nights of their own:", check(nights, folder / "a", there=programs), flush=True)
        print("the same again:", check(nights, folder / "a", there=programs), flush=True)
        print("one and the same:", check([nights[0]] * programs, folder / "b", there=1), flush=True)
        with running() as socket:
            for what, some, there in (
                ("nights of their own", nights, programs),
                ("one and the same", [nights[0]] * programs, 1),
            ):
                at, logs = fresh(socket, what), folder / what
                told = check(some, at, there=there, logs=logs)
                print(f"server, {what}:", told, flush=True)


if __name__ == "__main__":
    main(*(int(a) for a in sys.argv[1:]))
