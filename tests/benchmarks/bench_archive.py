"""How an archive scales: `python -m tests.benchmarks.bench_archive [pulls] [cars] [DIR]`, 1,000,000 and 500 by default.

Prints processor seconds as ratios to the same in an archive that holds that car's rows alone, or to a `screen` that keeps nothing.
With DIR the archive is made there, or taken as it stands; it grows by the nights that are appended.
"""

from __future__ import annotations

import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

# Threads of the linear algebra spin while they wait, and count as processor time.
os.environ |= {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}

import numpy as np

from audit.archive.step.decide import in_history
from audit.archive.step.response import response
from audit.archive.store.store import Archive
from audit.archive.trend.fleet import fleet
from audit.archive.trend.trends import trends
from audit.model import Car
from audit.service.web.pages import views
from audit.service.web.pages.shelf import Shelf
from tests.archive.nights import a_night
from tests.archive.rows import put_rows

ROOT = Path(__file__).parents[2]
PULLS_A_NIGHT = 5
BATCH_NIGHTS = 4000  # of all cars, in order of date, as nights come in
MEANS = {
    "boost_settled_kpa": (95, 4),
    "boost_peak_kpa": (99, 5),
    "boost_rise_s": (0.9, 0.08),
    "intake_start_c": (30, 6),
    "intake_rise_c": (9, 1.5),
    "intake_peak_c": (39, 6),
    "coolant_peak_c": (93, 2),
    "duty_mean_pct": (38, 2),
    "lambda_mean": (0.8, 0.008),
    "lambda_max": (0.83, 0.01),
    "injector_duty_max_pct": (68, 2),
    "fuel_differential_min_kpa": (330, 5),
    "battery_min_v": (13.9, 0.1),
    "oil_pressure_min_kpa": (400, 12),
    "oscillation_kpa_pp": (3, 0.7),
    "oscillation_hz": (4, 1),
    "boost_overshoot_kpa": (4, 1.5),
    "boost_overshoot_pct": (4, 1.5),
    "spool_rpm": (3100, 90),
    "boost_slope_kpa_per_krpm": (0.5, 1),
    "duty_at_peak_pct": (40, 3),
    "lean_time_s": (0.02, 0.02),
    "knock_retard_max_deg": (0.6, 0.5),
    "rpm_rate_rpm_per_s": (900, 60),
}


def fill(archive: Archive, pulls: int, cars: int) -> None:
    """Nights of all cars in order of date, in batches of one commit each, with the cars' standings."""
    rng = np.random.default_rng(1)
    nights = pulls // PULLS_A_NIGHT
    per_car = max(1, nights // cars)
    for start in range(0, nights, BATCH_NIGHTS):
        put_rows(
            archive, *_batch(rng, range(start, min(start + BATCH_NIGHTS, nights)), cars, per_car)
        )


def _batch(
    rng: np.random.Generator, numbers: range, cars: int, per_car: int
) -> tuple[list, list, list]:
    """Rows of nights, pulls and logs."""
    nights, pulls, logs = [], [], []
    for n in numbers:
        day = np.datetime64("2022-01-08") + (n // cars) * 730 // per_car
        night = {"night_id": f"night-{n}", "car": f"car {n % cars}", "date": str(day)}
        nights.append(night)
        air = {"barometric_kpa": rng.normal(98, 1), "ambient_c": rng.normal(15, 8)}
        log = {
            **night,
            **air,
            "log_id": f"log-{n}",
            "status": "read",
            "noise_manifold_pressure": rng.normal(0.3, 0.03),
        }
        logs.append(log)
        for i in range(1, PULLS_A_NIGHT + 1):
            measures = {name: round(rng.normal(mean, sd), 3) for name, (mean, sd) in MEANS.items()}
            span = {
                "start_s": 10.0,
                "end_s": rng.uniform(13.5, 15),
                "rpm_start": rng.normal(2700, 90),
            }
            span |= {"rpm_end": rng.normal(6400, 90), "gear": int(rng.integers(3, 5)), "index": i}
            pulls.append(
                {"night_id": night["night_id"], "log_id": log["log_id"], **air, **span, **measures}
            )
    return nights, pulls, logs


def timed(what: Callable[[], object], times: int = 5) -> float:
    """The least of some runs, s of the processor."""
    found = []
    for _ in range(times):
        start = time.process_time()
        what()
        found.append(time.process_time() - start)
    return min(found)


def fresh_process(*words: str, times: int = 5) -> float:
    """The least of some runs of the program, s of the processor."""
    found = []
    for _ in range(times):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run(
            [sys.executable, "-m", "audit", *words], cwd=ROOT, capture_output=True, check=False
        )
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        found.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    return min(found)


def main(pulls: int = 1_000_000, cars: int = 500, folder: str | None = None) -> None:
    with tempfile.TemporaryDirectory() as other:
        screened(Path(other))
        large = Archive(Path(folder or other) / "large")
        if not large.exists():
            fill(large, pulls, cars)
            start = time.process_time()
            fleet(large)
            print(f"standings of {cars} cars worked out anew: {time.process_time() - start:.1f} s")
        alone = Archive(Path(other) / "alone")
        views = ("nights", "pulls", "logs")
        sql = "select * from {} where car = 'car 0'"
        put_rows(alone, *(large.db.dicts(sql.format(view)) for view in views))
        small = Archive(Path(other) / "small")
        fill(small, max(pulls // 10, 5 * cars), cars)
        size = Path(large.db.address).stat().st_size / 1e6
        print(f"{pulls} pulls of {cars} cars, {size:.0f} MB")
        compared(large, alone)
        tell(
            "fleet, nothing kept in memory",
            timed(lambda: fleet(Archive(large.root))),
            1.0,
            "s",
            1.0,
        )
        tell("append, 10 times the pulls", *appended(large, small), "x", 1.1)


def screened(folder: Path) -> None:
    night = str(ROOT / "sample_data" / "alder" / "2025-05-24_overshoot")
    bare = fresh_process("screen", night)
    kept = [
        fresh_process("screen", night, "--archive", str(folder / f"s{i}"), times=1)
        for i in range(5)
    ]
    tell("screen --archive, a night", min(kept), bare, "x", 1.4)


def compared(large: Archive, alone: Archive) -> None:
    car = Car(name="car 0")

    def page(archive: Archive) -> object:
        shelf = Shelf(Archive(archive.root))
        return views.night_page(shelf, "night-0"), views.car_page(shelf, "car 0")

    asked: dict[str, Callable[[Archive], object]] = {
        "trends": lambda a: trends(Archive(a.root), "car 0"),
        "response": lambda a: response(Archive(a.root), car),
        "pages": page,
    }
    for name, ask in asked.items():
        ratio = [timed(lambda: ask(a), 9) for a in (large, alone)]  # noqa: B023
        tell(f"{name} of one car among many", *ratio, "x", 1.3)
        first = [updated(a, car, lambda: ask(a)) for a in (large, alone)]  # noqa: B023
        tell(f"{name}, first after an update", *first, "x", 1.3)


def updated(archive: Archive, car: Car, ask: Callable[[], object]) -> float:
    """The least of some first answers, each after a night was added."""
    seeds = iter(range(archive.db.rows("select count(*) from log")[0][0], 10**9))
    found = []
    for _ in range(9):
        archive.add(a_night(next(seeds), car=car))
        found.append(timed(ask, 1))
    return min(found)


def appended(*archives: Archive, times: int = 40) -> list[float]:
    """The median of appends to each, made by turns, so that a busy machine is as busy for all."""
    first = max(a.db.rows("select count(*) from log")[0][0] for a in archives)
    took: list[list[float]] = [[] for _ in archives]
    for seed in range(first, first + times):
        for archive, found in zip(archives, took, strict=True):
            night = a_night(seed, car=Car(name=f"new {seed}"))
            found.append(timed(lambda: archive.add(night, history=in_history), 1))  # noqa: B023
    return [statistics.median(found) for found in took]


def tell(what: str, took: float, of: float, unit: str, goal: float) -> None:
    ratio = took / of
    word = "met" if ratio <= goal else "FALLS SHORT"
    print(f"{what:40} {took:.3f} s  {ratio:.2f} {unit}  goal {goal:g}  {word}", flush=True)


if __name__ == "__main__":
    main(*(int(a) for a in sys.argv[1:3]), *sys.argv[3:4])
