"""`python -m tests.archive.kills [runs [folder|server]]`: screen, watch, rescreen and withdraw killed with -9 at random moments, 200 times
by default, in a folder and on a server. After each kill the archive is whole, each night is there once, none stands
better than it was judged, none that was there is gone; then the same command runs to its end.

The commands are the program's own, in processes that have its modules loaded already, so that kills fall into the work.
"""

from __future__ import annotations

import multiprocessing
import random
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

from audit.archive.store.store import Archive
from audit.archive.store.verify import verify
from audit.model import VERDICTS
from tests.archive.server import fresh, running
from tests.service.made_logs import good_log

LOADED = [
    "audit.cli.main", "audit.request", "audit.archive.step.decide", "audit.archive.store.rescreen",
    "audit.service.watch.inbox", "audit.checks.kit.registry", "audit.intake.understand", "audit.intake.parquet",
    "audit.report.document", "audit.report.html", "audit.sanity.examine", "audit.pulls.find", "audit.night.screen", "psycopg",
]  # fmt: skip
NIGHTS = 12
CARS = ("alder", "quince")


def command(words: list[str], said: Path) -> None:
    """One call of the program; what it says goes to a file."""
    from audit.cli.main import main as program

    sys.stdout = sys.stderr = said.open("w", encoding="utf-8")  # open until the process ends
    sys.argv = ["pullaudit", *words]
    program()


class Trial:
    """An archive, the nights that may come into it, and what is known of them so far."""

    def __init__(self, folder: Path, archive: str, logs: str | None, seed: int) -> None:
        self.folder, self.archive, self.dice = folder, archive, random.Random(seed)
        self.to = ["--archive", archive, *(["--logs", logs] if logs else [])]
        self.made = multiprocessing.get_context("forkserver")
        self.made.set_forkserver_preload(LOADED)
        self.takes: dict[str, float] = {}  # s, of each command that ran to its end
        self.stood: dict[str, str] = {}  # night -> verdict
        self.killed = 0
        for number in range(NIGHTS):
            self._night(number)
        self.takes["screen"] = self._run(self._screen())
        self.stood = self._verdicts()

    def _night(self, number: int) -> None:
        """Two logs in a folder of the night's own, one of them torn in every third night: that holds it."""
        at = self.folder / "nights" / f"{number}" / f"2026-03-{number + 1:02d}"
        at.mkdir(parents=True)
        (at / "car.toml").write_text(f'name = "{CARS[number % 2]}"\nlimit = "20 psi"\n')
        for i in range(2):
            torn = i == 1 and number % 3 == 0
            body = good_log(10 * number + i, rows=300)
            (at / f"run_{i}.csv").write_bytes(b"PK\x03\x04" + body[:500] if torn else body)

    def one(self) -> None:
        """One command of a random kind, killed; what must hold then; the same to its end."""
        kind = self.dice.choice(["screen", "watch", "rescreen", "withdraw"])
        words = getattr(self, f"_{kind}")()
        usual = self.takes.get(kind)
        if usual is not None:
            self._run(words, kill_after=self.dice.uniform(0.0, 1.1 * usual))
            self.holds()
        took = self._run(words)
        self.takes[kind] = took if usual is None else min(usual, took)
        self.holds()
        self.stood = self._verdicts()

    def _run(self, words: list[str], kill_after: float | None = None) -> float:
        start = time.monotonic()
        said = self.folder / "said.txt"
        child = self.made.Process(target=command, args=(words, said))
        child.start()
        child.join(kill_after)
        if child.is_alive():
            child.kill()
            child.join()
            self.killed += 1
        else:
            again = words[0] == "withdraw" and kill_after is None  # it may be so already
            assert child.exitcode in ((0, 2) if again else (0, 10, 20)), (
                words,
                child.exitcode,
                said.read_text(),
            )
        return time.monotonic() - start

    def _screen(self) -> list[str]:
        at = self.folder / "nights" / f"{self.dice.randrange(NIGHTS)}"
        return ["screen", str(at), *self.to]

    def _watch(self) -> list[str]:
        inbox, state = self.folder / "inbox", self.folder / "state"
        number = len(list(inbox.rglob("*.csv"))) if inbox.exists() else 0
        at = inbox / CARS[number % 2] / f"2026-05-{1 + number % 20:02d}"
        at.mkdir(parents=True, exist_ok=True)
        (at / f"late_{number}.csv").write_bytes(good_log(1000 + number, rows=300))
        return ["watch", str(inbox), *self.to, "--state", str(state), "--once"]

    def _rescreen(self) -> list[str]:
        return ["rescreen", "--archive", self.archive, "--all"]

    def _withdraw(self) -> list[str]:
        if not self.stood:
            return self._screen()
        name = self.dice.choice(sorted(self.stood))
        row = Archive(self.archive).night(name)
        undo = ["--undo"] if row["withdrawn_at"] else []
        return ["withdraw", name, "--archive", self.archive, *undo]

    def _verdicts(self) -> dict[str, str]:
        """Of every night, withdrawn ones too."""
        sql = "select n.night_id, r.verdict from night n join revision r on r.id = n.latest"
        return dict(Archive(self.archive).db.rows(sql))

    def holds(self) -> None:
        """AssertionError where something is torn, doubled, lost or better than it was."""
        archive = Archive(self.archive)
        if not archive.exists():
            assert not self.stood
            return
        wrong = [p for p in verify(self.archive) if p.kind != "spare"]
        assert wrong == []
        now = self._verdicts()
        assert set(self.stood) <= set(now)
        for name, verdict in self.stood.items():
            assert VERDICTS.index(now[name]) >= VERDICTS.index(verdict), name
        logs = archive.logs(columns=["car", "log_id", "status"])
        read = logs.filter(logs["status"] == "read")
        assert read.height == read.select("car", "log_id").n_unique()


def trial(
    folder: Path, archive: str, runs: int, *, logs: str | None = None, seed: int = 1
) -> Trial:
    made = Trial(folder, archive, logs, seed)
    while made.killed < runs:
        made.one()
    return made


def main(runs: int = 200, kinds: Sequence[str] = ("folder", "server")) -> None:
    with tempfile.TemporaryDirectory() as name, running() as socket:
        for seed, kind in enumerate(kinds, 1):
            folder, start = Path(name) / kind, time.monotonic()
            server = kind == "server"
            where = fresh(socket, "kills") if server else str(folder / "a")
            made = trial(
                folder, where, runs, logs=str(folder / "logs") if server else None, seed=seed
            )
            print(
                f"{kind}: {made.killed} kills, {len(made.stood)} nights, "
                f"{Archive(where).revisions().height} verdicts, {time.monotonic() - start:.0f} s: "
                "whole each time, each night once, none better, none lost",
                flush=True,
            )


if __name__ == "__main__":
    main(*(int(a) for a in sys.argv[1:2]), *([sys.argv[2:]] if sys.argv[2:] else []))
