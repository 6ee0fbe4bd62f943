"""The nights of the sheets: pulls beside each other, of which one thing grows step by step. See tests/sheet.py."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np

from audit.checks.boost import boost_control, boost_delivery, boost_overshoot
from audit.checks.boost.context import with_context
from audit.checks.engine import engine_speed, knock
from audit.checks.heat import heat_soak
from audit.checks.mixture import fuel_supply
from audit.model import Array, Pull
from audit.tables import limits
from tests.checks.conftest import step
from tests.checks.said import of_across
from tests.checks.sweeps_boost import CAR, evenly, fall, level, pull, steps
from tests.sheet import Figures, Sweep

Night = Callable[[float], Sequence[Pull]]
Sheets = Sequence[dict[str, float | None]]


def of_pulls(check: Any, night: Night) -> Callable[[float], Figures]:
    """What a check says over a night of pulls that are measured first."""

    def told(x: float) -> Figures:
        table, pulls = limits(), [with_context(p) for p in night(x)]
        measures = [
            {
                name: v
                for c in (boost_overshoot, check)
                for name, v in c.measure(p, table).values.items()
            }
            for p in pulls
        ]
        return of_across(check.across(pulls, measures, table))

    return told


def of_measures(
    check: Any, night: Callable[[float], tuple[Sequence[Any], Sheets]]
) -> Callable[[float], Figures]:
    def told(x: float) -> Figures:
        pulls, measures = night(x)
        return of_across(check.across(pulls, measures, limits()))

    return told


def at(
    rows: Sequence[tuple[float, float]], *, logs: Sequence[str] | None = None, **car: Any
) -> list[Any]:
    """Pulls that are no more than their place in a log: from and to, s."""
    names = logs or ["one"] * len(rows)
    return [
        SimpleNamespace(
            start_s=a,
            end_s=b,
            log=SimpleNamespace(path=name, sha256=name),
            car=replace(CAR, **car),
        )
        for (a, b), name in zip(rows, names, strict=True)
    ]


def heated(start: float, rise: float = 12.0, **more: float | None) -> dict[str, float | None]:
    peak = start + rise
    return {
        "intake_start_c": start,
        "intake_peak_c": peak,
        "intake_late_peak_c": peak + 1.0,
        "intake_between_peak_c": start + 1.0,
        "coolant_start_c": 86.0,
        "stood_before_s": 0.0,
        "intake_recovery_s": 60.0,
        "intake_log_start_c": 29.0,
        "intake_log_end_c": 33.0,
    } | more


def _heat() -> list[Sweep]:
    def run(
        starts: Sequence[float], *, apart: float = 90.0, logs: Any = None, **more: Any
    ) -> tuple[Any, Sheets]:
        rows = [(apart * i, apart * i + 6) for i in range(len(starts))]
        return at(rows, logs=logs), [heated(s, **more) for s in starts]

    def one(x: float, **more: Any) -> tuple[Any, Sheets]:
        """Four runs, the third with something of its own."""
        pulls, sheets = run([28, 34, 40, 45])
        return pulls, [*sheets[:2], sheets[2] | more, *sheets[3:]]

    def by_chance(x: float) -> tuple[Any, Sheets]:
        rng = np.random.default_rng(int(x))
        n = int(rng.integers(1, 9))
        starts = 28 + np.cumsum(rng.uniform(-3, 9, n))
        begin = np.cumsum(rng.choice([3.0, 9.0, 60.0, 200.0, 700.0, 1200.0], n)) + 10 * np.arange(n)
        logs = np.sort(rng.choice(["a", "b"], n)).tolist()
        sheets = []
        for s in starts:
            rise, more = float(rng.uniform(4, 25)), {}
            for name, scale in (
                ("intake_between_peak_c", 12),
                ("intake_log_start_c", 9),
                ("intake_log_end_c", 9),
            ):
                more[name] = None if rng.random() < 0.15 else float(s + rng.uniform(-scale, scale))
            more["stood_before_s"] = (
                None if rng.random() < 0.2 else float(rng.choice([0, 0, 3, 20, 40]))
            )
            more["coolant_start_c"] = (
                None if rng.random() < 0.1 else float(rng.choice([85, 85, 60]))
            )
            more["intake_recovery_s"] = None if rng.random() < 0.3 else float(rng.uniform(5, 300))
            sheets.append(heated(float(s), rise, **more))
            if rng.random() < 0.1:
                sheets[-1]["intake_late_peak_c"] = None
        return at([(float(b), float(b) + 6) for b in begin], logs=logs), sheets

    two = ["a", "a", "b", "b"]
    made: dict[str, tuple[list[float], Callable[[float], tuple[Any, Sheets]]]] = {
        "hotter by so many K each": (
            steps(0.5, 20.0, 18),
            lambda x: run([28 + x * i for i in range(4)]),
        ),
        "the last hotter by so many K": (steps(1.0, 40.0, 18), lambda x: run([28, 28, 28 + x])),
        "two on end hotter by so many K": (
            steps(1.0, 40.0, 16),
            lambda x: run([28, 28 + x, 28 + x, 27]),
        ),
        "rises less by so many K": (
            evenly(-15, 5, 12),
            lambda x: (run([28, 36, 40])[0], [heated(28), heated(36, 12 + x), heated(40, 12 + x)]),
        ),
        "so many s apart": (steps(2.0, 2000.0, 26), lambda x: run([28, 34, 40, 46], apart=x)),
        "so many s apart in two logs": (
            steps(2.0, 2000.0, 14),
            lambda x: run([28, 34, 40, 46], apart=x, logs=two),
        ),
        "stood for so many s": (steps(1.0, 90.0, 20), lambda x: one(x, stood_before_s=x)),
        "between them so many °C": (evenly(30, 70, 24), lambda x: one(x, intake_between_peak_c=x)),
        "began hotter than the last left it by so many K": (
            evenly(-12, 12, 24),
            lambda x: one(
                x, intake_start_c=47 + x, intake_peak_c=60 + x, intake_late_peak_c=61 + x
            ),
        ),
        "began hotter, stood for so many s": (
            steps(0.3, 30.0, 18),
            lambda x: one(
                x,
                intake_start_c=52.0,
                intake_peak_c=64.0,
                intake_late_peak_c=65.0,
                stood_before_s=x,
            ),
        ),
        "coolant of so many °C": (evenly(55, 85, 16), lambda x: one(x, coolant_start_c=x)),
        "the next log begins at so many °C": (
            evenly(20, 60, 24),
            lambda x: (
                run([28, 34, 40, 45], logs=two)[0],
                [heated(s, intake_log_start_c=x, intake_log_end_c=33.0) for s in (28, 34, 40, 45)],
            ),
        ),
        "the log before ends at so many °C": (
            evenly(20, 60, 16),
            lambda x: (
                run([28, 34, 40, 45], logs=two)[0],
                [heated(s, intake_log_start_c=44.0, intake_log_end_c=x) for s in (28, 34, 40, 45)],
            ),
        ),
        "recovers within so many s": (
            steps(3.0, 900.0, 18),
            lambda x: run([28, 35, 42, 50], intake_recovery_s=x),
        ),
        "so many runs": (evenly(0, 8, 9), lambda x: run([28 + 6 * i for i in range(int(x))])),
        "something unknown": (
            evenly(0, 5, 6),
            lambda x: one(
                x,
                **{
                    [
                        "intake_start_c",
                        "intake_peak_c",
                        "intake_late_peak_c",
                        "intake_between_peak_c",
                        "coolant_start_c",
                        "stood_before_s",
                    ][int(x)]: None
                },
            ),
        ),
        "nights by chance": (evenly(0, 119, 120), by_chance),
    }
    return [Sweep(f"soak: {n}", xs, of_measures(heat_soak, make)) for n, (xs, make) in made.items()]


def _figures() -> list[Sweep]:
    def knocks(x: float) -> tuple[Any, Sheets]:
        rng = np.random.default_rng(int(x))
        names = ("knock_retard_max_deg", "knock_count_rise")
        sheets = [
            {
                n: None if rng.random() < 0.2 else float(rng.choice([0.0, 1.2, 1.7, 2.6, 4.0, 9.0]))
                for n in names
            }
            for _ in range(int(rng.integers(0, 6)))
        ]
        return at([(0.0, 6.0)] * len(sheets)), sheets

    def falls(x: float) -> tuple[Any, Sheets]:
        rng = np.random.default_rng(int(x))
        n = int(rng.integers(0, 9))
        drops = np.cumsum(rng.choice([-3.0, -0.2, 0.2, 0.4, 1.0, 3.0, 7.0], n))
        sheets = [
            {"fuel_pressure_drop_pct": None if rng.random() < 0.1 else float(d)} for d in drops
        ]
        return at([(0.0, 6.0)] * n), sheets

    def tops(x: float) -> tuple[Any, Sheets]:
        rng = np.random.default_rng(int(x))
        n = int(rng.integers(0, 8))
        spread = float(rng.choice([20.0, 90.0, 130.0, 160.0, 400.0]))
        every = 6500 - spread * rng.random(n)
        every[: n // 4] += rng.choice([100.0, 300.0, 600.0, 1000.0])
        sheets = [{"engine_top_rpm": None if rng.random() < 0.1 else float(v)} for v in every]
        limit = 7000.0 if rng.random() < 0.15 else None
        return at([(0.0, 6.0)] * n, engine_limit_rpm=limit), sheets

    chance = evenly(0, 79, 80)
    return [
        Sweep("knock: by chance", chance, of_measures(knock, knocks)),
        Sweep("fuel pressure: by chance", chance, of_measures(fuel_supply, falls)),
        Sweep("engine speed: by chance", chance, of_measures(engine_speed, tops)),
        Sweep(
            "engine speed: the others end within so many per cent",
            evenly(0.5, 4.0, 15),
            of_measures(
                engine_speed,
                lambda x: (
                    at([(0.0, 6.0)] * 5, engine_limit_rpm=None),
                    [{"engine_top_rpm": v} for v in (6500 * (1 - x / 100), 6500, 6490, 6480, 7100)],
                ),
            ),
        ),
    ]


def driven(
    kpa: float,
    *,
    duty: Any = 50.0,
    target: Any = None,
    gear: int | None = 3,
    shape: Callable[[Array], Array] | None = None,
    index: int = 0,
    **more: Any,
) -> Pull:
    ratio = more.pop("ratio", None)
    made = pull(
        {
            "boost": shape or level(kpa),
            "boost_target": target,
            "wastegate_duty": duty,
            **more.pop("channels", {}),
        },
        gear=gear,
        **{"seed": 3 + index, "rate": 20.0, **more},
    )
    return replace(made, span=replace(made.span, gear_ratio=ratio))


def _boost() -> list[Sweep]:
    moved = lambda at_: lambda t: at_ + 12 * np.clip(t / 6, 0, 1)  # noqa: E731
    slow = lambda spool: (
        lambda t: np.where(t < 0, -40.0, step(t, to=90.0, base=-5.0, spool_s=spool))
    )  # noqa: E731
    tapers = lambda share: (
        lambda t: level(100)(t) * (1 - share / 100 * np.clip((t - 1.5) / 4.5, 0, 1))
    )  # noqa: E731
    drops = lambda t: level(140)(t) * (1 - 0.4 * fall(t, 1.4, 0.2))  # noqa: E731
    control: dict[str, tuple[list[float], Night]] = {
        "so many per cent of duty apart": (
            steps(2.0, 40.0, 18),
            lambda x: [driven(80), driven(80 + 0.6 * x, duty=50 + x)],
        ),
        "so many kPa for 16 per cent": (
            evenly(-30, 30, 30),
            lambda x: [driven(80), driven(80 + x, duty=66.0)],
        ),
        "so many kPa for 16 per cent, three pulls": (
            evenly(-30, 30, 16),
            lambda x: [
                driven(80),
                driven(80 + x / 3, duty=57.0, index=1),
                driven(80 + x, duty=66.0, index=2),
            ],
        ),
        "from so many per cent": (
            evenly(0, 40, 16),
            lambda x: [driven(60, duty=x), driven(62, duty=x + 14), driven(63, duty=x + 20)],
        ),
        "the lower in another gear, so many per cent apart": (
            steps(2.0, 40.0, 10),
            lambda x: [
                driven(80),
                driven(83, duty=50 + x, gear=4),
                driven(84, duty=50 + x, gear=None),
            ],
        ),
        "no gears, so many per cent apart": (
            steps(2.0, 40.0, 12),
            lambda x: [driven(80, gear=None), driven(82, duty=50 + x, gear=None)],
        ),
        "so many kPa off a target": (
            evenly(-12, 12, 14),
            lambda x: [driven(80 + x, target=80.0), driven(80 + x, duty=66.0, target=80.0)],
        ),
        "a controller moves it, so many kPa": (
            evenly(-30, 30, 14),
            lambda x: [driven(80, duty=moved(40)), driven(80 + x, duty=moved(60))],
        ),
        "a lowest duty of so many per cent": (
            evenly(0, 50, 12),
            lambda x: [
                driven(80, car=replace(CAR, duty_min_pct=x)),
                driven(82, duty=66.0, car=replace(CAR, duty_min_pct=x)),
            ],
        ),
    }
    delivery: dict[str, tuple[list[float], Night]] = {
        "one of three settles off by so many kPa": (
            evenly(-35, 35, 30),
            lambda x: [driven(80), driven(80.5, index=1), driven(80 + x, index=2)],
        ),
        "two, off by so many kPa": (
            evenly(-35, 35, 14),
            lambda x: [driven(80), driven(80 + x, index=1)],
        ),
        "duties so many per cent apart": (
            evenly(-4, 4, 16),
            lambda x: [driven(80), driven(96, duty=50 + x)],
        ),
        "duties so many per cent apart at one target": (
            evenly(-4, 4, 10),
            lambda x: [driven(80, target=90.0), driven(96, duty=50 + x, target=91.0)],
        ),
        "targets so many kPa apart": (
            evenly(-10, 10, 16),
            lambda x: [driven(80, target=90.0), driven(96, target=90.0 + x)],
        ),
        "ratios so much apart": (
            evenly(0.85, 1.15, 18),
            lambda x: [driven(80, gear=None, ratio=50.0), driven(96, gear=None, ratio=50.0 * x)],
        ),
        "a shorter gear, off by so many kPa": (
            evenly(-35, 35, 20),
            lambda x: [driven(80, gear=2), driven(80 + x, gear=4)],
        ),
        "a shorter ratio, off by so many kPa": (
            evenly(-35, 35, 12),
            lambda x: [driven(80, gear=None, ratio=76.0), driven(80 + x, gear=None, ratio=40.0)],
        ),
        "no duty logged, off by so many kPa": (
            evenly(-35, 35, 8),
            lambda x: [driven(80, duty=None, gear=None), driven(80 + x, duty=None, gear=None)],
        ),
        "speeds in common for so many rpm": (
            evenly(0, 3000, 20),
            lambda x: [
                driven(80),
                driven(96, channels={"engine_speed": lambda t: 6500 - x + 500 * np.clip(t, -3, 7)}),
            ],
        ),
        "spools so many s later": (
            steps(0.1, 3.5, 20),
            lambda x: [driven(90, shape=slow(0.8)), driven(90, shape=slow(0.8 + x), index=1)],
        ),
        "never there, and ends at so many s": (
            evenly(1.0, 5.5, 18),
            lambda x: [
                driven(90, shape=slow(0.8)),
                driven(90, shape=lambda t: np.where(t < 0, -40, 8.0 * t), duration=x),
            ],
        ),
        "later in a pull that climbs so many rpm/s": (
            steps(200.0, 2500.0, 16),
            lambda x: [
                driven(90, shape=slow(0.8)),
                driven(
                    90,
                    shape=slow(1.5),
                    channels={"engine_speed": lambda t: 2600 + x * np.clip(t, -1, 7)},
                ),
            ],
        ),
        "later in a pull that begins at so many rpm": (
            evenly(1800, 4200, 20),
            lambda x: [
                driven(90, shape=slow(0.8)),
                driven(
                    90,
                    shape=slow(1.3),
                    channels={"engine_speed": lambda t: x + 550 * np.clip(t, -1, 7)},
                ),
            ],
        ),
        "later in another gear": (
            evenly(0, 4, 5),
            lambda x: [
                driven(90, shape=slow(0.8), gear=3),
                driven(90, shape=slow(2.0), gear=round(x) or None),
            ],
        ),
        "later among pulls that settle at so many kPa": (
            evenly(12, 130, 20),
            lambda x: [
                driven(90, shape=slow(0.8)),
                driven(90, shape=slow(2.0)),
                driven(x, index=2),
            ],
        ),
        "later than a pull that begins at so many kPa": (
            evenly(-40, 60, 16),
            lambda x: [
                driven(90, shape=lambda t: np.where(t < 0, x, step(t, to=90, base=x, spool_s=0.8))),
                driven(90, shape=slow(2.0)),
            ],
        ),
        "all fade by so many per cent": (
            steps(3.0, 70.0, 20),
            lambda x: [driven(1, shape=tapers(x)), driven(1, shape=tapers(x), index=1)],
        ),
        "one fades by so many per cent more": (
            evenly(-15, 25, 20),
            lambda x: [
                driven(1, shape=tapers(22)),
                driven(1, shape=tapers(22), index=1),
                driven(1, shape=tapers(22 + x), index=2),
            ],
        ),
        "one of so many fades": (
            evenly(1, 4, 4),
            lambda x: [
                driven(1, shape=tapers(30)),
                *(driven(95, index=i) for i in range(1, int(x))),
            ],
        ),
        "they fade within so many s": (
            steps(0.4, 4.5, 18),
            lambda x: [
                driven(
                    1,
                    index=i,
                    shape=lambda t: level(100)(t) * (1 - 0.28 * np.clip((t - 3.2) / x, 0, 1)),
                )
                for i in range(2)
            ],
        ),
        "a duty that stood, over a controller's by so many per cent": (
            evenly(-4, 20, 18),
            lambda x: [
                driven(88, duty=moved(45), target=90.0),
                driven(70, duty=58 + x, target=90.0),
            ],
        ),
        "a duty that stood, short by so many kPa": (
            evenly(-5, 40, 16),
            lambda x: [
                driven(88, duty=moved(45), target=90.0),
                driven(90 - x, duty=70.0, target=90.0),
            ],
        ),
        "falls beside pulls at so many kPa": (
            evenly(70, 150, 20),
            lambda x: [driven(x), driven(x, index=1), driven(1, shape=drops, index=2)],
        ),
        "falls to so large a share beside others": (
            evenly(0.4, 1.0, 16),
            lambda x: [
                driven(135),
                driven(135, index=1),
                driven(
                    1, shape=lambda t: level(140)(t) * (1 - (1 - x) * fall(t, 1.4, 0.2)), index=2
                ),
            ],
        ),
        "short of a spring of so many kPa": (
            evenly(20, 120, 16),
            lambda x: [driven(60, car=replace(CAR, spring_kpa=x))],
        ),
        "so many pulls": (
            evenly(0, 5, 6),
            lambda x: [driven(80 - 9 * i, index=i) for i in range(int(x))],
        ),
        "ends at so many rpm, weak": (
            evenly(3500, 6500, 16),
            lambda x: [
                driven(
                    15,
                    channels={"engine_speed": lambda t: 2500 + (x - 2500) * np.clip(t / 6, 0, 1)},
                )
            ],
        ),
        "weak by so many kPa": (evenly(3, 60, 20), lambda x: [driven(x)]),
        "reads engine speed at times": (
            evenly(1, 60, 12),
            lambda x: [
                driven(80, every={"engine_speed": int(x)}),
                driven(96, every={"engine_speed": int(x)}),
            ],
        ),
    }
    return [
        *(
            Sweep(f"control: {n}", xs, of_pulls(boost_control, make))
            for n, (xs, make) in control.items()
        ),
        *(
            Sweep(f"delivery: {n}", xs, of_pulls(boost_delivery, make))
            for n, (xs, make) in delivery.items()
        ),
    ]


def nights() -> list[Sweep]:
    return [*_heat(), *_figures(), *_boost()]
