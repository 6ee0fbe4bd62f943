"""How an archive scales: `python -m tests.benchmarks.bench_archive [pulls] [cars] [DIR]`, 1,000,000 and 500 by default.

Prints seconds by the clock and of the processor, each as a ratio to a plain polars scan of the same Parquet files
(all columns of all pulls). On a busy machine only the processor's seconds mean something. With DIR the archive is made
there, or taken as it stands; it grows by the nights that are appended.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import polars as pl

from audit.archive.store import tables
from audit.archive.store.migrate import write_format
from audit.archive.store.record import Record
from audit.archive.store.store import Archive
from audit.archive.trend.fleet import fleet
from audit.archive.trend.trends import trends
from audit.model import Car
from tests.archive.nights import a_night

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
    """Nights of all cars in order of date, in batches of one commit each."""
    archive.places.make()
    write_format(archive.places)
    rng = np.random.default_rng(1)
    nights = pulls // PULLS_A_NIGHT
    per_car = max(1, nights // cars)
    for start in range(0, nights, BATCH_NIGHTS):
        n = np.arange(start, min(start + BATCH_NIGHTS, nights))
        tables.append_frame(archive.places, _batch(rng, n, cars, per_car))


def _batch(rng: np.random.Generator, n: np.ndarray, cars: int, per_car: int) -> pl.DataFrame:
    day = pl.Series((n // cars) * 730 // per_car).cast(pl.Int32).cast(pl.Date) + pl.duration(
        days=19000
    )
    base = pl.select(
        car=pl.lit("car ") + pl.Series(n % cars).cast(pl.String),
        date=day.dt.to_string("%Y-%m-%d"),
        night_id=pl.lit("night-") + pl.Series(n).cast(pl.String),
        revision=pl.lit(0, pl.Int64),
    )
    night = base.with_columns(
        kind=pl.lit("night"),
        verdict=pl.lit("clear"),
        car_file=pl.lit('{"name": "car"}'),
        tool=pl.lit("0.1.0"),
        added_at=pl.col("date"),
        us_units=pl.lit(value=False),
    )
    log = base.with_columns(
        kind=pl.lit("log"),
        log_id=pl.col("night_id"),
        status=pl.lit("read"),
        barometric_kpa=pl.Series(rng.normal(98, 1, len(n))),
        ambient_c=pl.Series(rng.normal(15, 8, len(n))),
        noise_manifold_pressure=pl.Series(rng.normal(0.3, 0.03, len(n))),
    )
    rows = len(n) * PULLS_A_NIGHT
    pull = log.select(
        "car", "date", "night_id", "revision", "log_id", "barometric_kpa", "ambient_c"
    ).select(pl.all().repeat_by(PULLS_A_NIGHT).explode())
    pull = pull.with_columns(
        kind=pl.lit("pull"),
        index=pl.Series(np.tile(np.arange(1, PULLS_A_NIGHT + 1), len(n))),
        gear=pl.Series(rng.integers(3, 5, rows)),
        start_s=pl.lit(10.0),
        end_s=pl.Series(rng.uniform(13.5, 15, rows)),
        rpm_start=pl.Series(rng.normal(2700, 90, rows)),
        rpm_end=pl.Series(rng.normal(6400, 90, rows)),
        **{
            name: pl.Series(rng.normal(mean, sd, rows).round(3))
            for name, (mean, sd) in MEANS.items()
        },
    )
    finding = base.with_columns(
        kind=pl.lit("finding"),
        level=pl.lit("night"),
        code=pl.lit("heat.soak"),
        severity=pl.lit("note"),
        message=pl.lit("Each pull starts hotter."),
    )
    empty = tables.frame_of({"night": []})
    return pl.concat([empty, night, log, pull, finding], how="diagonal")


Times = tuple[float, float]


def timed(what: Callable[[], object], times: int = 5) -> Times:
    """The middle of some runs: s by the clock, s of the processor."""
    found = []
    for _ in range(times):
        start = time.perf_counter(), time.process_time()
        what()
        found.append((time.perf_counter() - start[0], time.process_time() - start[1]))
    clock, processor = np.median(np.array(found), axis=0)
    return float(clock), float(processor)


def main(pulls: int = 1_000_000, cars: int = 500, folder: str | None = None) -> None:
    with tempfile.TemporaryDirectory() as other:
        archive = Archive(Path(folder or other) / "a")
        if not archive.places.format_file.exists():
            fill(archive, pulls, cars)
        measure(archive, pulls, cars)


def measure(archive: Archive, pulls: int, cars: int) -> None:
    files = tables.files_of(archive.places, "pull")
    size = sum(Path(f).stat().st_size for f in files) / 1e6
    scan = timed(lambda: pl.scan_parquet(files).collect())
    print(
        f"{pulls} pulls of {cars} cars, {len(files)} files, {size:.0f} MB; plain scan {scan[0]:.2f} s, processor {scan[1]:.2f} s"
    )
    some = iter(range(10_000))
    tell("one car's trends", timed(lambda: trends(archive, f"car {next(some)}")), scan)
    first = archive.nights().height  # seeds that no earlier run on this archive has added
    seeds = iter(range(first, first + 10_000))
    tell("a night appended", timed(lambda: add(archive, next(seeds)), 25), scan)
    took = np.array([timed(lambda: add(archive, next(seeds)), 1) for _ in range(120)])
    tell("a night appended, mean of 120 with compactions", tuple(took.mean(axis=0)), scan)
    tell("a night appended, the slowest (with a compaction)", tuple(took.max(axis=0)), scan)
    tell(
        "a verdict revised, and its car's trends",
        timed(lambda: revise(archive, next(some)), 3),
        scan,
    )
    tell("all cars, none in the cache", timed(lambda: fleet(archive), 1), scan)
    tell("all cars, all in the cache", timed(lambda: fleet(archive)), scan)
    tell(
        "all cars, one of them with a new night",
        timed(lambda: (add(archive, next(seeds)), fleet(archive)), 3),
        scan,
    )


def revise(archive: Archive, car: int) -> None:
    """A new verdict of one night, after which readers must look for the newest revisions."""
    row = archive.nights(f"car {car}").row(-1, named=True)
    record = Record(
        f"{row['night_id']}-r{row['revision'] + 1}",
        row["car"],
        row["date"],
        {"night": [{**row, "revision": row["revision"] + 1}]},
        1,
    )
    with archive.writing():
        archive.put(record)
    trends(archive, f"car {car}")


def add(archive: Archive, seed: int) -> None:
    archive.add(a_night(seed, car=Car(name=f"car {seed % 7}")))


def tell(what: str, took: Times, scan: Times) -> None:
    print(
        f"{what}: {took[0]:.2f} s ({took[0] / scan[0]:.2f} of the scan), processor {took[1]:.2f} s ({took[1] / scan[1]:.2f})",
        flush=True,
    )


if __name__ == "__main__":
    main(*(int(a) for a in sys.argv[1:3]), *sys.argv[3:4])
