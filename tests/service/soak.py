"""A long, rough run of the inbox service, judged from outside: by the archive, the set-aside notes and the inbox.

    python tests/service/soak.py [--files 2000] [--seed 1] [--kills 2] [--server]

Files land in random pieces, some under a passing name; among them are copies, garbage and files that are given
another name; the service is killed with -9 on the way and started again. At the end each good log must be in the
archive exactly once, each bad file set aside with a reason, and every file in the inbox must be as it was dropped.
With --server two services share a database and the inbox, and each is killed once. Prints what it found; exit 1 with the list of what is wrong.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import random
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(Path(__file__).parent), str(ROOT)]

import polars as pl  # noqa: E402
from made_logs import garbage, good_log  # noqa: E402

CARS = ("alder", "birch", "cedar", "dogwood", "elm", "fir", "gum", "hazel")


@dataclass
class Plan:
    """What is dropped: path below the inbox -> bytes, kind 'good', 'copy' or 'bad'."""

    files: list[tuple[str, bytes, str]] = field(default_factory=list)
    good: set[tuple[str, str]] = field(default_factory=set)  # (car, sha256)
    bad: set[tuple[str, str]] = field(default_factory=set)


def make_plan(count: int, dice: random.Random) -> Plan:
    plan = Plan()
    nights = [f"2025-0{month}-{day:02d}" for month in (5, 6, 7) for day in (2, 9, 16, 23)]
    for i in range(count):
        car, night, roll = dice.choice(CARS), dice.choice(nights), dice.random()
        copies = (
            [f for f in plan.files if f[2] == "good" and f[0].startswith(f"{car}/")]
            if roll < 0.12
            else []
        )
        if copies:
            _, data, _ = dice.choice(copies)
            plan.files.append((f"{car}/{night}/again {i}.csv", data, "copy"))
        elif roll < 0.24:
            data = garbage(i)
            plan.files.append(
                (f"{car}/{night}/odd_{i}.{dice.choice(['csv', 'txt', 'log', 'gz'])}", data, "bad")
            )
            plan.bad.add((car, hashlib.sha256(data).hexdigest()))
        else:
            clock = (
                f"{night}T{dice.randint(19, 21)}:{dice.randint(0, 59):02d}:00"
                if dice.random() < 0.5
                else None
            )
            data = good_log(i, rows=dice.randint(300, 420), stamp=clock)
            plan.files.append((f"{car}/{night}/run_{i}.csv", data, "good"))
            plan.good.add((car, hashlib.sha256(data).hexdigest()))
    return plan


def drop(inbox: Path, name: str, data: bytes, seed: int) -> str:
    """Write one file as a sync, a share or a person would; the name that it has in the end."""
    dice = random.Random(seed)
    path = inbox / name
    path.parent.mkdir(parents=True, exist_ok=True)
    way = dice.choice(["whole", "held", "pieces", "passing", "renamed_under_way", "renamed_later"])
    cuts = sorted(dice.sample(range(1, len(data)), min(dice.randint(1, 4), len(data) - 1)))
    pieces = [data[a:b] for a, b in zip([0, *cuts], [*cuts, len(data)], strict=True)]
    if way == "whole":
        path.write_bytes(data)
    elif way == "held":  # held open, with pauses longer than the service waits
        with path.open("wb", buffering=0) as file:
            for piece in pieces:
                file.write(piece)
                time.sleep(dice.uniform(0.0, 2.5))
    elif way == "passing":
        part = path.with_name(path.name + dice.choice([".part", ".tmp", ".download"]))
        for piece in pieces:
            with part.open("ab") as file:
                file.write(piece)
            time.sleep(dice.uniform(0.0, 1.5))
        part.rename(path)
    else:
        other = path.with_name(f"{path.stem}_named{path.suffix}")
        for i, piece in enumerate(pieces):
            with path.open("ab") as file:
                file.write(piece)
            if i + 1 < len(pieces):
                time.sleep(dice.uniform(0.0, 0.5))
            if way == "renamed_under_way" and i == len(pieces) // 2:
                path = path.rename(other)
        if way == "renamed_later":
            time.sleep(dice.uniform(0.0, 4.0))
            path = path.rename(other)
    return str(path.relative_to(inbox))


LATE_S = 10_000_000_000  # the year 2286


class Watch:
    """The service as a process of its own."""

    def __init__(
        self, inbox: Path, archive: str, state: Path, hook: Path, *, workers: int, logs: str | None
    ) -> None:
        self.archive, self.state = archive, state
        words = ["watch", str(inbox), "--archive", archive, "--state", str(state)]
        words += ["--health-every", "5", "--workers", str(workers)]
        words += ["--logs", logs] if logs else []
        words += ["--hook", f"{sys.executable} {hook} {state.parent / 'told.jsonl'}"]
        self.argv = [sys.executable, "-m", "audit", *words]
        self.log = state.with_suffix(".log")
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        with self.log.open("ab") as out:
            env = {**os.environ, "PYTHONPATH": str(ROOT)}
            self.process = subprocess.Popen(
                self.argv, stdout=subprocess.DEVNULL, stderr=out, env=env
            )

    def kill(self) -> None:
        self.process.kill()
        self.process.wait()

    def end(self) -> int:
        self.process.send_signal(signal.SIGTERM)
        return self.process.wait(timeout=120)

    def contents(self) -> set[tuple[str, str]]:
        """What the ledger has dealt with."""
        from audit.database import Database, is_server
        from audit.errors import ArchiveError

        ledger = self.archive if is_server(self.archive) else self.state / "ledger.sqlite"
        try:
            return set(
                Database(ledger).rows("select car, sha256 from inbox_file where state <> 'begun'")
            )
        except ArchiveError:
            return set()


def poison(inbox: Path) -> None:
    """A name that is no UTF-8 and a time that no 64 bits of nanoseconds hold: each is skipped, all others are read."""
    folder = inbox / "alder"
    folder.mkdir(exist_ok=True)
    (folder / os.fsdecode(b"r\xffn.csv")).write_bytes(good_log(900_001))
    late = folder / "late.csv"
    late.write_bytes(good_log(900_002))
    os.utime(late, (LATE_S, LATE_S))


HOOK = """
import sys
with open(sys.argv[1], "ab") as out:
    out.write(sys.stdin.buffer.read() + b"\\n")
"""


def run(
    count: int,
    *,
    seed: int,
    kills: int,
    patience_s: float = 1800.0,
    workers: int = 1,
    server: str | None = None,
) -> list[str]:
    """The whole run; what is wrong, as sentences. server: an empty database; two services share it and the inbox."""
    dice = random.Random(seed)
    plan = make_plan(count, dice)
    with tempfile.TemporaryDirectory(prefix="soak-") as folder:
        base = Path(folder)
        inbox, archive = base / "inbox", server or str(base / "archive")
        inbox.mkdir()
        (base / "hook.py").write_text(HOOK, encoding="utf-8")
        logs = str(base / "logs") if server else None
        watches = [
            Watch(inbox, archive, base / f"state{i}", base / "hook.py", workers=workers, logs=logs)
            for i in range(2 if server else 1)
        ]
        watch = watches[0]
        early = plan.files[: count // 10]
        ends = {}
        for name, data, _ in early:  # a backlog
            (inbox / name).parent.mkdir(parents=True, exist_ok=True)
            (inbox / name).write_bytes(data)
            ends[name] = data
        poison(inbox)
        for each in watches:
            each.start()
        start = time.monotonic()
        lock = threading.Lock()

        def land(numbered: tuple[int, tuple[str, bytes, str]]) -> None:
            i, (name, data, _) = numbered
            end = drop(inbox, name, data, seed + i)
            with lock:
                ends[end] = data

        wanted = plan.good | plan.bad
        kill_at = [
            int(len(wanted) * (k + 1) / (kills + 1) * dice.uniform(0.7, 1.0)) for k in range(kills)
        ]
        with ThreadPoolExecutor(24) as droppers:
            list_of = droppers.map(land, list(enumerate(plan.files))[count // 10 :])
            killed = 0
            while time.monotonic() - start < patience_s:
                done = watch.contents()
                if killed < kills and len(done) >= kill_at[killed]:
                    time.sleep(dice.uniform(0.0, 1.0))
                    one = watches[killed % len(watches)]
                    one.kill()
                    killed += 1
                    one.start()
                if wanted <= done and len(ends) == count:
                    break
                for each in watches:
                    if each.process.poll() is not None:
                        code = each.process.returncode
                        said = each.log.read_text()[-2000:]
                        return [f"a service ended by itself with {code}", said]
                time.sleep(0.25)
            list(list_of)
        took = time.monotonic() - start
        second = subprocess.run(
            watch.argv,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
            capture_output=True,
            check=False,
        )
        time.sleep(6.0)  # whatever would still happen, happens now
        codes = [each.end() for each in watches]
        wrong = [f"a service ended with {code} on SIGTERM" for code in codes if code]
        if second.returncode != 2 or b"another watch" not in second.stderr:
            wrong.append(f"a second service was not refused: {second.returncode}")
        wrong += [] if killed == kills else [f"only {killed} of {kills} kills happened"]
        wrong += judge(plan, inbox, archive, ends, [each.state for each in watches])
        told = (
            [json.loads(line) for line in (base / "told.jsonl").read_text().splitlines()]
            if (base / "told.jsonl").exists()
            else []
        )
        twice = [i for i, n in Counter(e["id"] for e in told if not e["again"]).items() if n > 1]
        wrong += [f"told twice without a warning: {i}" for i in twice]
        if wrong:
            wrong.append(watch.log.read_text()[-3000:])
        print(
            f"{count} files ({len(plan.good)} good, {len(plan.bad)} bad, the rest copies), {killed} kills, {took:.0f} s, "
            f"{len(told)} told, {sum(e['again'] for e in told)} of them again: {'wrong' if wrong else 'all as it should be'}"
        )
        return wrong


def judge(
    plan: Plan, inbox: Path, archive: str, ends: dict[str, bytes], states: list[Path]
) -> list[str]:
    """What is wrong at the end, seen from outside the service."""
    from audit.archive.store.store import Archive
    from audit.archive.store.verify import verify

    wrong = []
    logs = Archive(archive).logs()
    rows, torn = logs.filter(logs["status"] == "read"), logs.filter(logs["status"] != "read")
    kept = Counter(zip(rows["car"], rows["log_id"], strict=True))
    wrong += better_than_told(archive, logs, states)
    wrong += [f"good log not in the archive: {key}" for key in plan.good - set(kept)]
    wrong += [f"{n} times in the archive: {key}" for key, n in kept.items() if n > 1]
    wrong += [f"in the archive, but no good log: {key}" for key in set(kept) - plan.good]
    notes = [
        note.read_text(encoding="utf-8")
        for state in states
        for note in (state / "set_aside").rglob("*.reason.txt")
    ]
    files = {part(note, "file") for note in notes}
    wrong += [
        f"torn by the archive, but without a note: {path}" for path in set(torn["path"]) - files
    ]
    noted = Counter((part(note, "car"), part(note, "sha256")) for note in notes)
    wrong += [f"bad file without a note: {key}" for key in plan.bad - set(noted)]
    wrong += [f"noted, but not bad: {key}" for key in set(noted) - plan.bad]
    wrong += ["a note without a reason" for note in notes if len(note.splitlines()[0]) < 20]
    there = {str(p.relative_to(inbox)): p.read_bytes() for p in inbox.rglob("*") if p.is_file()}
    wrong += [
        f"changed or gone from the inbox: {name}"
        for name, data in ends.items()
        if there.get(name) != data
    ]
    return [
        *wrong,
        *(f"verify: {problem}" for problem in verify(archive) if problem.kind != "spare"),
    ]


def better_than_told(archive: str, logs: pl.DataFrame, states: list[Path]) -> list[str]:
    """Nights that stand better in the archive than on the page that was written of them."""
    from audit.archive.store.store import Archive
    from audit.model import VERDICTS

    stands = {
        row["night_id"]: row["verdict"] for row in Archive(archive).nights().iter_rows(named=True)
    }
    night_of = {(row["car"], row["log_id"]): row["night_id"] for row in logs.iter_rows(named=True)}
    wrong = []
    every = [p for state in states for p in (state / "nights").rglob("*.json")]
    newest = {(p.parent.name, p.stem): p for p in sorted(every, key=lambda p: p.stat().st_mtime)}
    for page in newest.values():
        told = json.loads(page.read_text(encoding="utf-8"))
        of = {
            night_of[told["car"], log["sha256"]]
            for log in told["logs"]
            if (told["car"], log["sha256"]) in night_of
        }
        wrong += [
            f"{page.stem} is {told['verdict']}, {name} stands {stands[name]}"
            for name in of
            if VERDICTS.index(stands[name]) < VERDICTS.index(told["verdict"])
        ]
    return wrong


def part(note: str, key: str) -> str:
    return next(line.split(": ", 1)[1] for line in note.splitlines() if line.startswith(f"{key}: "))


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--files", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--kills", type=int, default=2)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--server", action="store_true")
    asked = parser.parse_args()
    told = {"seed": asked.seed, "kills": asked.kills, "workers": asked.workers}
    if asked.server:
        from tests.archive.server import fresh, running

        with running() as socket:
            problems = run(asked.files, server=fresh(socket, "soak"), **told)
    else:
        problems = run(asked.files, **told)
    print("\n".join(problems))
    sys.exit(1 if problems else 0)
