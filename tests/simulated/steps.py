"""Does following the advice from 5 % duty reach the target, and does it ever pass the limit?

    python tests/simulated/steps.py [--cars 1000] [--far 200] [--first-seed 3000000] [--workers 1] [--write]

Each car: a spring, a bleed valve and a turbo that runs out of air, after the physics of the thing: the actuator sees what
the valve does not bleed off, so boost stands where spring = boost x (1 - bleed). Four spring rates, three
valve curves, dead bands, end stops, gears, weather, and the spread of nights and pulls. The rows are those of the
archive and go through the response as the command has it. Constants are invented, of the size common practice has; none
is shared with the code under test. Seeds below 300000 are for tuning; the figures come from those above 3000000, and
--write puts them into docs/response.md.

"Near" cars have their target anywhere from the duty at which the valve begins to answer (10 % at least) to 43 %, whatever
boost that is, as far as eight steps within the bounds of a step can lead at all; "far" cars at 43 to 75 %: for those
the count is held against the steps of one who knows the car.
"""

from __future__ import annotations

import argparse
import os
import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from itertools import pairwise
from multiprocessing import get_context
from pathlib import Path

os.environ.setdefault("POLARS_MAX_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parents[2]))

import numpy as np
import polars as pl

from audit.archive.step.response import Response, response_of
from audit.archive.store.journal import JournalNote
from audit.model import Car

SPRINGS = (35.0, 50.0, 65.0, 80.0)
VALVES = ("even", "late", "early")  # how the bleed opens over duty
WITHIN_KPA = 3.0
STEPS = 8
EDGES = (10, 15, 20, 25, 30, 35, 40, 43)  # % of duty
RISES = (-30, 12, 25, 40, 200)  # kPa; thin air lies under the spring
ROOMS = (15, 20, 25, 35)  # kPa
FAR = (43.0, 75.0)  # % of duty
BEGIN, END = "<!-- figures of steps.py -->", "<!-- end of figures -->"


@dataclass
class SimCar:
    """One car of the simulation. true_boost has no noise in it."""

    seed: int
    far: bool = False
    rng: np.random.Generator = field(init=False)

    def __post_init__(self) -> None:
        self.rng = np.random.default_rng(self.seed)
        u = self.rng.uniform
        self.spring = float(SPRINGS[self.seed % 4])
        self.valve = VALVES[(self.seed // 4) % 3]
        self.dead, self.stop = u(0, 18), u(70, 95)
        self.most_bleed = u(0.55, 0.8)
        self.capacity = u(160, 260)  # kPa at the reference air, gate shut
        self.air_power = u(0.05, 0.4)
        self.night_sd, self.pull_sd = u(0.4, 2.0), u(0.4, 1.5)
        self.overshoot, self.overshoot_sd = u(0.0, 0.08), u(0.2, 1.2)
        self.base_kpa, self.base_c, self.swing_c = u(85, 101), u(8, 24), u(1, 6)
        self.gear = int(self.rng.integers(2, 5))
        self.fuel = u(0.27, 0.36)
        self._wish()

    def _wish(self) -> None:
        """A target by duty, whatever the valve makes of it, and a limit above it.

        Near: any duty from where the valve begins to answer (10 % at least) to 43 %, as far as eight steps that know
        the car (5 % each, 14 kPa each) lead. Far: 43 to 75 %.
        """
        low, high = FAR if self.far else (max(10.0, self.dead), min(43.0, self.oracle()[STEPS]))
        self.wished = self.rng.uniform(low, high)
        self.target = self.true_boost(self.wished, *self.home)
        self.limit = self.target + self.rng.uniform(15, 35)

    def oracle(self, most: int = 25) -> list[float]:
        """Duty after each step of one who knows the car: the largest that keeps both bounds of a step."""
        duty = [5.0]
        for _ in range(most):
            last = self.true_boost(duty[-1], *self.home)
            tried = duty[-1] + np.arange(0.5, 5.01, 0.5)
            fit = [d for d in tried if self.true_boost(d, *self.home) - last <= 14.0]
            duty.append(float(max(fit, default=duty[-1])))
        return duty

    def least_steps(self) -> int:
        """Steps that one who knows the car needs to come within the tolerance."""
        duty = next(
            d
            for d in np.arange(0, 100.01, 0.25)
            if self.true_boost(d, *self.home) >= self.target - WITHIN_KPA
        )
        return next((i for i, d in enumerate(self.oracle()) if d >= duty), 99)

    @property
    def home(self) -> tuple[float, float]:
        return self.base_kpa, self.base_c

    def bleed(self, duty: float) -> float:
        x = float(np.clip((duty - self.dead) / (self.stop - self.dead), 0, 1))
        shape = {"even": x, "late": x * x * (3 - 2 * x), "early": 1 - (1 - x) ** 1.6}[self.valve]
        return self.most_bleed * shape

    def true_boost(self, duty: float, kpa: float, celsius: float) -> float:
        """Settled, kPa gauge. A smooth lesser of what the gate lets stand and what the turbo gives."""
        dense = (kpa / 100.0) * 293.15 / (celsius + 273.15)
        gate = self.spring / (1 - self.bleed(duty)) * dense**self.air_power
        able = self.capacity * dense
        return (gate**-8 + able**-8) ** (-1 / 8)

    def night(self, duty: float, pulls: int) -> list[dict]:
        kpa = self.base_kpa + self.rng.normal(0, 0.8)
        celsius = self.base_c + self.rng.normal(0, self.swing_c)
        mood = self.rng.standard_t(8) / 1.15 * self.night_sd
        rows = []
        for i in range(pulls):
            settled = self.true_boost(duty, kpa, celsius) + mood + self.rng.normal(0, self.pull_sd)
            over = abs(self.overshoot * settled + self.rng.normal(0, self.overshoot_sd))
            rows.append(
                {
                    "index": i + 1,
                    "gear": self.gear,
                    "barometric_kpa": round(kpa, 1),
                    "ambient_c": round(celsius, 1),
                    "boost_settled_kpa": settled,
                    "boost_peak_kpa": settled + over,
                    "boost_overshoot_kpa": over,
                    "duty_mean_pct": duty + self.rng.normal(0, 0.1),
                    "duty_at_peak_pct": duty,
                    "boost_ceiling_s": 0.0,
                    "injector_duty_max_pct": self.fuel * 0.75 * (settled + kpa)
                    + self.rng.normal(0, 0.6),
                    "lean_lambda": 0.79 + self.rng.normal(0, 0.006),
                    "intake_start_c": celsius + 8,
                    "intake_peak_c": celsius + 14 + 0.12 * settled + self.rng.normal(0, 1.0),
                    "knock_retard_max_deg": abs(self.rng.normal(0, 0.3)),
                    "setting": "dyno",
                }
            )
        return rows


@dataclass
class Outcome:
    seed: int
    valve: str
    spring: float
    steps: int
    least: int
    reached: bool
    off: float
    past_limit: float
    said: str
    binds: str
    asked: int
    covered: list[bool]
    reach_ahead: list[float]
    wide: list[float]
    above: list[float]
    wished: float
    rise: float
    room: float


def drive(seed: int, far: bool, most: int) -> Outcome:
    """Follow the advice night by night until it says stay, or `most` steps are done."""
    car = SimCar(seed, far)
    file = Car(
        name=f"sim{seed}",
        target_kpa=car.target,
        boost_limit_kpa=car.limit,
        spring_kpa=car.spring,
        sensor_top_kpa=400.0,
    )
    pulls: list[dict] = []
    nights: list[dict] = []
    duty, steps, past = 5.0, 0, -np.inf
    covered, ahead, wide, above = [], [], [], []
    expected: Response | None = None
    notes: tuple[JournalNote, ...] = ()
    for number in range(most + 8):
        rows = car.night(duty, 2)
        name, date = f"night{number:02d}", f"2026-{3 + number // 28:02d}-{1 + number % 28:02d}"
        if expected is not None and expected.step.low is not None:
            covered.append(
                bool(expected.step.low <= rows[0]["boost_settled_kpa"] <= expected.step.high)
            )
            ahead.append(duty - expected.step.from_duty)
            above.append(rows[0]["boost_settled_kpa"] - expected.step.expected)
            wide.append(expected.step.high - expected.step.low)
        past = max(past, max(r["boost_peak_kpa"] for r in rows) - car.limit)
        pulls += [{**r, "night_id": name, "log_id": name, "date": date} for r in rows]
        nights.append(
            {
                "night_id": name,
                "date": date,
                "setting": "dyno",
                "verdict": "clear",
                "reasons": [],
                "added_at": date,
                "us_units": False,
            }
        )
        frames = pl.DataFrame(pulls), pl.DataFrame(nights)
        said = response_of(*frames, car=file, notes=notes)
        if said.step.binds == "no_response":  # every valve here works: tried by hand, and noted
            notes = (JournalNote("n", file.name, "2026-03-01", "solenoid tested", ()),)
            said = response_of(*frames, car=file, notes=notes)
        step = said.step
        if step.duty is None or (step.action == "stay" and not step.log_next):
            break
        if step.action in ("up", "down") and steps >= most:
            break
        steps += step.duty != duty and abs(step.duty - duty) > 0.3
        duty, expected = step.duty, said if step.action in ("up", "down") else None
    off = car.true_boost(duty, *car.home) - car.target
    least = car.least_steps()
    return Outcome(
        seed,
        car.valve,
        car.spring,
        steps,
        least,
        abs(off) <= WITHIN_KPA,
        off,
        past,
        step.action,
        step.binds,
        number + 1,
        covered,
        ahead,
        wide,
        above,
        car.wished,
        car.target - car.spring,
        car.limit - car.target,
    )


def _one(job: tuple[int, bool, int]) -> Outcome:
    return drive(*job)


def followed(
    cars: int, far: int, first_seed: int, workers: int
) -> tuple[list[Outcome], list[Outcome]]:
    """What became of near and of far cars."""
    jobs = [(first_seed + i, False, STEPS) for i in range(cars)] + [
        (first_seed + 100_000 + i, True, 20) for i in range(far)
    ]
    if workers > 1:
        with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
            found = list(pool.map(_one, jobs, chunksize=8))
    else:
        found = [_one(job) for job in jobs]
    return found[:cars], found[cars:]


Row = tuple[str, str]


def figures(near: list[Outcome], beyond: list[Outcome]) -> list[Row]:
    """(figure, result) as text."""
    found = near + beyond
    nearest = -max(o.past_limit for o in found)
    rows = [
        (
            f"target reached within {WITHIN_KPA:g} kPa in at most {STEPS} steps",
            share([o.reached for o in near]),
        ),
        (
            "the same, cars that do not stand there at 5 % already",
            share([o.reached for o in near if o.least]),
        ),
    ]
    splits = [
        (f"target at {a} to {b} % duty", [o for o in near if a <= o.wished < b])
        for a, b in pairwise(EDGES)
    ]
    splits += [
        (f"target {max(a, 0)} to {b} kPa over the spring", [o for o in near if a <= o.rise < b])
        for a, b in pairwise(RISES)
    ]
    splits += [
        (f"limit {a} to {b} kPa over the target", [o for o in near if a <= o.room < b])
        for a, b in pairwise(ROOMS)
    ]
    splits += [(f"{valve} valve", [o for o in near if o.valve == valve]) for valve in VALVES]
    splits += [
        (f"spring of {spring:g} kPa", [o for o in near if o.spring == spring]) for spring in SPRINGS
    ]
    rows += [(label, share([o.reached for o in some])) for label, some in splits if some]
    rows += [
        (
            "cars that passed their limit in any pull",
            f"{sum(o.past_limit > 0 for o in found)} of {len(found)}; the nearest stayed {nearest:.1f} kPa under it",
        ),
        (
            "steps taken",
            f"median {np.median([o.steps for o in near]):g}, at most {max(o.steps for o in near)}",
        ),
        (
            "as few steps as one who knows the car, or one more",
            share([o.reached and o.steps <= o.least + 1 for o in near]),
        ),
        (
            "evenings of two pulls",
            f"median {np.median([o.asked for o in near]):g}, 19 of 20 cars at most {np.quantile([o.asked for o in near], 0.95):.0f}",
        ),
    ]
    if beyond:
        rows += [
            (
                f"target at {FAR[0]:g} to {FAR[1]:g} % duty, reached at last",
                share([o.reached for o in beyond]),
            ),
            (
                "as few steps as one who knows the car, or one more, there",
                share([o.reached and o.steps <= o.least + 1 for o in beyond]),
            ),
        ]
    return rows + _intervals(found)


def _intervals(found: list[Outcome]) -> list[Row]:
    inside, ahead, above = (
        np.array([v for o in found for v in getattr(o, name)])
        for name in ("covered", "reach_ahead", "above")
    )
    rows = [("next pull inside the 90 % interval", share(list(inside)))]
    for low, high in ((-50.0, 1.9), (1.9, 4.9), (4.9, 5.2)):
        where = (ahead >= low) & (ahead < high)
        if where.any():
            rows.append(
                (
                    f"the same {max(low, 0):g} to {min(high, 5.0):g} % of duty ahead",
                    share(list(inside[where])),
                )
            )
    return [*rows, ("next pull over what was expected, mean", f"{above.mean():+.1f} kPa")]


def _misses(near: list[Outcome]) -> list[str]:
    return [
        f"{o.seed} {o.valve} {o.spring} at {o.wished:.1f} % rise {o.rise:.0f} room {o.room:.0f} least {o.least} steps {o.steps} "
        f"off {o.off:+.1f} {o.said}/{o.binds} nights {o.asked}"
        for o in near
        if not o.reached
    ]


def share(seen: list[bool]) -> str:
    """'95.2 % of 1000'."""
    return f"{100.0 * np.mean(seen):.1f} % of {len(seen)}" if len(seen) else "none"


def write(rows: list[Row], head: str) -> None:
    """The table of docs/response.md, between its two marks."""
    page = Path(__file__).parents[2] / "docs" / "response.md"
    text = page.read_text(encoding="utf-8")
    before, after = text.partition(BEGIN)[0], text.partition(END)[2]
    table = "\n".join(
        [
            "| figure | result |",
            "| --- | --- |",
            *(f"| {label} | {result} |" for label, result in rows),
        ]
    )
    page.write_text(f"{before}{BEGIN}\n{head}\n\n{table}\n{END}{after}", encoding="utf-8")


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--cars", type=int, default=1000)
    parser.add_argument("--far", type=int, default=200)
    parser.add_argument("--first-seed", type=int, default=3_000_000)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--write", action="store_true", help="write the table of docs/response.md")
    parser.add_argument(
        "--misses", action="store_true", help="name the cars that did not get there"
    )
    options = parser.parse_args()
    near, beyond = followed(options.cars, options.far, options.first_seed, options.workers)
    rows = figures(near, beyond)
    head = (
        f"{options.cars} cars from seed {options.first_seed} and {options.far} far ones from {options.first_seed + 100_000}, "
        "none of them used for tuning; one night of two pulls a duty, more where the advice asks for them."
    )
    print(
        "\n".join(
            [
                head,
                *(f"{label}: {result}" for label, result in rows),
                *(_misses(near) if options.misses else []),
            ]
        )
    )
    if options.write:
        write(rows, head)


if __name__ == "__main__":
    main()
