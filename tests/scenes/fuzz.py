"""Takes evidence out of pulls, at random: no night may come out clear for it.

    python tests/scenes/fuzz.py [--logs 10000] [--first 0] [--only SCENE] [--workers 2] [-v]

A mutation takes a damage channel (frozen, blank, held at a rail or at zero) or the clock (rows missing, a restart, the file
cut off) away for at least LEAST_S of a pull. It breaks the rule where the night is clear, unless
  - rows were taken, and another pull of the same gear and duty shows the same engine speeds whole; or
  - the night was clear and the channel stands still by itself in a pull (whole degrees, a knock retard of nothing), so
    that the frozen one reads as the true one would.
A night that was not clear for a fault may come out clear only if the pull that showed it was taken by cutting the file.
Prints every night that breaks it, every crash, and files under 1 MB that took over SLOW_S. Exit code 1 for any of them.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Mapping
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass, replace
from multiprocessing import get_context
from pathlib import Path

os.environ.setdefault("POLARS_MAX_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

import numpy as np  # noqa: E402

from scenes.car import Pull  # noqa: E402
from scenes.catalogue import BY_NAME, SCENES  # noqa: E402
from scenes.logger import SENSOR, UNITS, Arr, Col, Log, both  # noqa: E402
from scenes.screening import screen  # noqa: E402

LEAST_S, SLOW_S = 1.0, 2.0
BLIP_S = 1.5  # a shorter one is no pull
RESTART_S = 1.0  # of rows that a logger that starts anew leaves out
LOST_S = 0.5  # of a pull: less than this is its tip-in or its lift
SETTLED_S = 0.8  # of a pull: what is taken begins after this at the latest
DAMAGE = ("map", "boost", "lam", "lam2", "egt", "oil", "fuelp", "knock")  # what melts shows in them
SLOW = ("iat",)  # required, but moves slowly: only whole pulls of it are taken
ROWS = ("gap", "restart", "cut")
STEPS = 3  # a channel that moves by fewer of its steps in the span may have stood by itself


@dataclass(frozen=True)
class Mutation:
    """how: freeze, blank, zero, rail, gap, restart, cut; channel: a signal, '' for rows; pulls: which, from 0."""

    how: str
    channel: str
    pulls: tuple[int, ...]
    begin: float  # share of the pull
    length: float  # share of the pull

    def span(self, pull: Pull) -> tuple[float, float]:
        """From when to when, s."""
        whole = pull.end - pull.start
        start = pull.start + self.begin * whole
        return start, max(start + self.length * whole, start + LEAST_S)


@dataclass(frozen=True)
class Told:
    """What came of one mutated night."""

    scene: str
    seed: int
    mutation: Mutation
    before: str
    verdict: str
    excused: str
    seconds: float
    bytes: int

    @property
    def breach(self) -> str:
        """Which rule it breaks, '' for none."""
        if self.verdict == "crash":
            return "crash"
        if self.verdict == "clear" and not self.excused:
            return "clear as before" if self.before == "clear" else "cleared by it"
        return "slow" if self.seconds > SLOW_S and self.bytes < 1_000_000 else ""


def mutation(rng: np.random.Generator, log: Log, pulls: tuple[Pull, ...]) -> Mutation | None:
    """One at random that this log can suffer."""
    logged = [c.chan for c in log.cols if c.text is None]
    quick = [c for c in logged if c in DAMAGE]
    slow = [c for c in logged if c in SLOW]
    if not pulls or not quick:
        return None
    how = str(rng.choice(["freeze", "freeze", "blank", "zero", "rail", *ROWS]))
    some = int(rng.integers(1, len(pulls) + 1)) if rng.random() < 0.5 else 1
    which = tuple(sorted(rng.choice(len(pulls), some, replace=False).tolist()))
    if how in ROWS:
        channel = ""
    else:
        channel = str(rng.choice([*quick, *slow]))
    begin = float(rng.uniform(-0.1, 0.6))
    length = float(rng.uniform(0.2, 1.1 - begin))
    if channel in SLOW:
        begin, length = -0.1, 1.3
    return Mutation(how, channel, which, begin, length)


def _edit(how: str, spans: list[tuple[float, float]]) -> Callable[..., Arr]:
    """The edit of a column's written values."""

    def edit(t: Arr, v: Arr, pulls: tuple[Pull, ...], rng: np.random.Generator) -> Arr:
        low, high = float(np.nanmin(v)), float(np.nanmax(v))
        for start, end in spans:
            inside = (t >= start) & (t <= end)
            at = min(int(np.searchsorted(t, start)), len(v) - 1)
            known = v[: at + 1][np.isfinite(v[: at + 1])]
            value = known[-1] if known.size else low
            v[inside] = {
                "freeze": value,
                "blank": np.nan,
                "zero": 0.0,
                "rail": low - max(high - low, 50.0),
            }[how]
        return v

    return edit


def mutated(log: Log, made: Mutation, pulls: tuple[Pull, ...]) -> Log:
    """The logger with the mutation."""
    spans = [made.span(pulls[k]) for k in made.pulls]
    if made.how == "gap":
        return replace(log, drop=(*log.drop, *spans))
    if made.how == "restart":
        drop = tuple((start, min(start + RESTART_S, end)) for start, end in spans)
        return replace(
            log, drop=(*log.drop, *drop), restart=(*log.restart, *(end for _, end in drop))
        )
    if made.how == "cut":
        start, end = spans[0]
        return replace(log, t_end=min(start, pulls[made.pulls[0]].end - 0.3), torn=9)
    edit = _edit(made.how, spans)

    def changed(col: Col) -> Col:
        if col.chan != made.channel or col.text is not None:
            return col
        return replace(col, edit=edit if col.edit is None else both(col.edit, edit))

    return replace(log, cols=tuple(changed(c) for c in log.cols))


def excuse(
    made: Mutation,
    log: Log,
    truth: Mapping[str, Arr],
    pulls: tuple[Pull, ...],
    before: str,
    *,
    more: bool,
) -> str:
    """Why the night may be clear all the same; '' where it may not."""
    if made.how in ROWS:
        if more:
            return "another log of the night shows the whole"
        gone = set(range(made.pulls[0], len(pulls))) if made.how == "cut" else set(made.pulls)
        whole = [p for k, p in enumerate(pulls) if k not in gone]
        if made.how == "cut" and before != "clear" and whole:
            return "the faulty pull may be cut off"
        first = pulls[made.pulls[0]]
        if whole and all(any(_alike(truth, pulls[k], p) for p in whole) for k in made.pulls):
            return "another pull shows the whole"
        if first.end - first.start < BLIP_S:
            return "a blip"
        spans = [(made.span(pulls[k]), pulls[k]) for k in made.pulls]
        if made.how == "restart":  # only what was dropped, not the whole span
            spans = [((a, min(a + RESTART_S, b)), p) for (a, b), p in spans]
        lost = [min(b, p.end) - max(a, p.start) for (a, b), p in spans]
        return "" if made.how == "cut" or max(lost) >= LOST_S else "hardly any of it is lost"
    if log.t_end is not None and all(made.span(pulls[k])[0] >= log.t_end for k in made.pulls):
        return "after the log's end"
    cols = [c for c in log.cols if c.chan == made.channel]
    if made.how == "freeze" and all(_stands(c, truth, made, pulls) for c in cols):
        return "it stands by itself"
    if made.how == "zero" and made.channel == "knock":
        return "no knock is what it reads anyway" if before == "clear" else "a dead knock sensor"
    return ""


def _alike(signals: Mapping[str, Arr], one: Pull, other: Pull) -> bool:
    """Same gear, same duty, and the other from as low to as high."""
    if one.gear != other.gear:
        return False
    rpm, duty = signals["rpm"], signals["duty"]
    a, b = (slice(*np.searchsorted(signals["t"], (p.start, p.end))) for p in (one, other))
    return (
        abs(np.median(duty[a]) - np.median(duty[b])) <= 2.0
        and rpm[b].min() <= rpm[a].min() + 150
        and rpm[b].max() >= rpm[a].max() - 150
    )


def _stands(col: Col, signals: Mapping[str, Arr], made: Mutation, pulls: tuple[Pull, ...]) -> bool:
    """Would the channel itself have moved by less than STEPS of its steps in each span?"""
    noise, step, _ = SENSOR.get(col.chan, (0.0, 0.001, 0.0))
    noise = noise if col.noise is None else col.noise
    true = col.fn(signals) if col.fn else signals[col.chan]
    written = UNITS[col.unit](np.asarray(true, dtype=float))
    q = col.step if col.step is not None else 10.0**-col.dec
    for k in made.pulls:
        inside = slice(*np.searchsorted(signals["t"], made.span(pulls[k])))
        moved = float(np.ptp(written[inside]))
        unit_noise = abs(float(np.diff(UNITS[col.unit](np.array([0.0, noise])))[0]))
        if moved + 2 * unit_noise >= STEPS * q:
            return False
    return True


def one(job: tuple[str, tuple[int, ...]]) -> list[Told]:
    """A scene's nights, mutated with each seed."""
    name, seeds = job
    scene = BY_NAME[name]
    signals, pulls = scene.evening.truth()
    log = scene.evening.logger()
    out = []
    with tempfile.TemporaryDirectory(prefix="mutated_") as made_in:
        folder = Path(made_in) / name
        folder.mkdir()
        scene.evening.write(folder, log)
        before = screen(folder, scene.args).verdict
        for seed in seeds:
            rng = np.random.default_rng([seed, len(name), sum(name.encode())])
            made = mutation(rng, log, pulls)
            if made is None:
                return out
            scene.evening.write(folder, mutated(log, made, pulls))
            began = time.process_time()
            verdict = screen(folder, scene.args).verdict
            took = time.process_time() - began
            why = (
                excuse(made, log, signals, pulls, before, more=bool(scene.evening.also))
                if verdict == "clear"
                else ""
            )
            size = (folder / log.file).stat().st_size
            out.append(Told(name, seed, made, before, verdict, why, took, size))
    return out


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--logs", type=int, default=10_000)
    parser.add_argument("--first", type=int, default=0, help="first seed")
    parser.add_argument("--only", default="", help="scenes with this in their name")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("-v", action="store_true", help="excused ones too")
    options = parser.parse_args()
    chosen = [s for s in SCENES if options.only in s.name]
    each = -(-options.logs // len(chosen))
    seeds = tuple(range(options.first, options.first + each))
    total: Counter[str] = Counter()
    began, slowest = time.monotonic(), 0.0
    with ProcessPoolExecutor(options.workers, mp_context=get_context("spawn")) as pool:
        jobs = [pool.submit(one, (s.name, seeds)) for s in chosen]
        try:
            for job in as_completed(jobs):
                for told in job.result():
                    slowest = max(slowest, told.seconds)
                    _count(told, total, excused_too=options.v)
        except KeyboardInterrupt:  # what has been done is told
            pool.shutdown(wait=False, cancel_futures=True)
    for key in sorted(total):
        print(f"{key:50} {total[key]}")
    print(f"slowest {slowest:.2f} s of processor time; all in {time.monotonic() - began:.0f} s")
    return 1 if any(k.startswith("breach") for k in total) else 0


def _count(told: Told, total: Counter[str], *, excused_too: bool) -> None:
    """Add one night to the totals; print it if it breaks the rule."""
    total["nights"] += 1
    total[f"{told.mutation.how}: {told.verdict}"] += 1
    if told.excused:
        total[f"clear, but {told.excused}"] += 1
    if told.breach:
        total[f"breach: {told.breach}"] += 1
    if told.breach or (excused_too and told.excused):
        print(
            f"{(told.breach or 'excused').upper()} {told.scene} seed {told.seed} {told.mutation} "
            f"before {told.before} {told.seconds:.2f} s {told.excused}",
            flush=True,
        )


if __name__ == "__main__":
    raise SystemExit(main())
