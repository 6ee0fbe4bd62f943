"""Small nights, made by hand, for the archive: real Log, Pull and Night objects without screening."""

from __future__ import annotations

import hashlib

import numpy as np
import polars as pl

from audit.model import (
    REQUIRED_CHECKS,
    Barometric,
    Car,
    Channel,
    CheckResult,
    Finding,
    Log,
    LogAudit,
    Night,
    Pull,
    PullAudit,
    Sanity,
    Span,
)

CAR = Car(name="Alder", fuel="petrol", boost_limit_kpa=110.0, target_by_gear_kpa={3: 95.0})


def a_log(seed: int, *, rows: int = 400, day: str | None = "2026-03-01") -> Log:
    rng = np.random.default_rng(seed)
    t = np.arange(rows) / 20.0
    frame = pl.DataFrame(
        {
            "time": t,
            "engine_speed": 2500 + 400 * t + rng.normal(0, 5, rows),
            "manifold_pressure": 180 + rng.normal(0, 1, rows),
            "barometric_pressure": np.full(rows, 98.0),
            "Tyre note": ["dry"] * rows,
        }
    )
    channels = tuple(
        Channel(name=n, source=n, unit=u, rate_hz=20.0, source_unit=u)
        for n, u in (
            ("engine_speed", "rpm"),
            ("manifold_pressure", "kPa"),
            ("barometric_pressure", "kPa"),
        )
    ) + (Channel(name="Tyre note", source="Tyre note", known=False),)
    digest = hashlib.sha256(frame.write_csv().encode()).hexdigest()
    start = f"{day}T21:{seed % 60:02d}:00" if day else None
    return Log(
        path=f"/logs/pull{seed}.csv",
        sha256=digest,
        frame=frame,
        channels=channels,
        barometric=Barometric(98.0, "barometric channel", 0.5),
        wall_start=start,
        reader="test",
    )


def an_audit(
    seed: int, *, pulls: int = 2, car: Car = CAR, day: str | None = "2026-03-01"
) -> LogAudit:
    log = a_log(seed, day=day)
    ok = np.ones(log.rows, np.uint8)
    sanity = Sanity(dict.fromkeys(log.by_name, ok), {}, {}, {"manifold_pressure": 0.8})
    judged = []
    for i in range(1, pulls + 1):
        span = Span(10 * i, 10 * i + 80, 0.5 * i, 0.5 * i + 4.0, 3, 2600.0, 6400.0, "lift", 95.0)
        pull = Pull(index=i, span=span, log=log, sanity=sanity, car=car)
        finding = Finding(
            "boost.overshoot",
            "watch",
            "Boost peaks 8 kPa above the settled level.",
            value=8.0,
            limit=7.0,
            unit="kPa",
            likely=("a", "b"),
        )
        checks = {name: CheckResult(name, "watch", 68.0) for name in REQUIRED_CHECKS}
        judged.append(
            PullAudit(
                pull,
                {"boost_peak_kpa": 90.0 + seed % 7 + i, "lambda_mean": None},
                checks,
                (finding,),
            )
        )
    return LogAudit(
        log.path,
        log.sha256,
        "read",
        log=log,
        sanity=sanity,
        pulls=tuple(judged),
        rows=log.rows,
        findings=(Finding("sensor.gap", "note", "A gap of 0.4 s."),),
    )


def a_night(
    *seeds: int, car: Car = CAR, day: str | None = "2026-03-01", rejected: bool = False
) -> Night:
    logs = [an_audit(seed, car=car, day=day) for seed in seeds]
    if rejected:
        logs.append(
            LogAudit("/logs/photo.csv", "0" * 64, "rejected", error="/logs/photo.csv: a picture.")
        )
    finding = Finding("heat.soak", "note", "Each pull starts hotter.", value=1.5, unit="K")
    checks = {"boost_overshoot": CheckResult("boost_overshoot", "watch", 68.0)}
    return Night(car, tuple(logs), "clear", ("All well.",), checks, findings=(finding,))
