"""Two years of one car, night by night, with one slow or sudden fault or none: what trends see.

    python histories.py --root CHECKOUT [--n 60] [--seed 1] [--every 5] [--workers 2]
        [--out FILE.json] [--verbose]

Each night is screened into an archive; ``trends`` is asked after every five nights, and after each
night once the fault has begun. A history with a fault ends five nights after its alarm.
"""

from __future__ import annotations

import argparse
import json
import re
import shutil
import sys
import tempfile
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, field, replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np

if __package__ in (None, ""):
    sys.path.insert(0, str(Path(__file__).resolve().parent.parent))
    __package__ = "evenings"

from .cars import Car, make_car, weather
from .drive import Asked, Wear, drive
from .program import NoAnswerError, Program

FIRST_NIGHT = date(2023, 3, 1)
YEARS = 2.0
AFTER_ALARM = 5
FIRST_ASKED = 10
# Six of ten histories have a fault that grows or strikes; four stay healthy.
FAULTS = ("leak", "filter", "pump", "sensor", "spring")
PLAN = (
    "leak",
    "healthy",
    "filter",
    "pump",
    "healthy",
    "sensor",
    "spring",
    "healthy",
    "pump",
    "healthy",
)
NAMED_BY = {
    "leak": re.compile(r"leak|hose|clamp|coupler|clip", re.IGNORECASE),
    "filter": re.compile(r"air filter|air cleaner|filter", re.IGNORECASE),
    "pump": re.compile(r"pump", re.IGNORECASE),
    "sensor": re.compile(r"sensor", re.IGNORECASE),
    "spring": re.compile(r"spring|wastegate", re.IGNORECASE),
}
QUIET = re.compile(r"steady|few|unknown|learning|baseline|none|no_|not_", re.IGNORECASE)


@dataclass(frozen=True)
class Story:
    """Two years of a car: its fault, the night it begins, in how many nights it grows, its size."""

    index: int
    fault: str
    car: Car
    duty_pct: float
    days: tuple[int, ...]
    onset: int
    growth_nights: int
    size: float

    def grown(self, number: int) -> float:
        """Share of its full size that the fault has on a night."""
        if self.fault == "healthy" or number < self.onset:
            return 0.0
        return min(1.0, (number - self.onset + 1) / max(1, self.growth_nights))

    def wear(self, number: int) -> Wear:
        """What is wrong with the car on a night."""
        size = self.size * self.grown(number)
        return {
            "healthy": Wear(),
            "leak": Wear(leak_kpa=size),
            "filter": Wear(filter_kpa=size),
            "pump": Wear(pump_lambda=size),
            "sensor": Wear(sensor_k=size),
            "spring": Wear(spring_kpa=size),
        }[self.fault]


@dataclass
class Alarm:
    """What ``trends`` said on a night (counted from nought): measures that have moved, and words.

    ``said``: the sentence of each and what it usually means; ``first``: the likeliest of that;
    ``look_at``: what to look at.
    """

    night: int
    measures: list[str]
    said: list[str]
    first: list[str]
    look_at: list[str]


@dataclass
class Result:
    """What came of a history."""

    story: str
    fault: str
    sudden: bool
    onset: int
    half_grown: int
    nights: int = 0
    healthy_days: int = 0
    false_alarms: list[Alarm] = field(default_factory=list)
    alarm: Alarm | None = None
    last: Alarm | None = None
    first_not_clear: int | None = None
    healthy_clear: int = 0
    healthy_screened: int = 0
    looked_at: int = 0
    steady_past: list[str] = field(default_factory=list)
    broken: str = ""

    @property
    def nights_to_alarm(self) -> int | None:
        """Nights from the first with the fault to the alarm, both counted; None: no alarm."""
        return None if self.alarm is None else self.alarm.night - self.onset + 1

    def meant(self, alarm: Alarm | None) -> bool:
        """Whether an alarm tells the cause as what the shift means."""
        return alarm is not None and bool(NAMED_BY[self.fault].search(" ".join(alarm.said)))

    def first(self, alarm: Alarm | None) -> bool:
        """Whether the cause is the likeliest that an alarm tells of a measure."""
        return alarm is not None and bool(NAMED_BY[self.fault].search(" ".join(alarm.first)))

    def named(self, alarm: Alarm | None) -> bool:
        """Whether an alarm names the cause at all, be it among what to look at."""
        if alarm is None:
            return False
        return bool(NAMED_BY[self.fault].search(" ".join([*alarm.said, *alarm.look_at])))


def make_story(index: int, seed: int) -> Story:
    """The history of a number and a seed."""
    rng = np.random.default_rng([seed, index, 77])
    fault = PLAN[index % len(PLAN)]
    car = make_car(index, str(rng.choice(["linear", "early", "s_shape"])), seed + 500)
    extras = ["battery_voltage"]
    if fault == "sensor" or rng.uniform() < 0.6:
        # eight kelvin hide behind the seasons unless the air outside is logged too
        extras.append("ambient_air_temp")
    if rng.uniform() < 0.5:
        extras.append("fuel_pressure")
    rig = replace(
        car.rig,
        rate_hz=float(rng.choice([10.0, 15.0, 20.0])),
        file_per_pull=False,
        extras=tuple(extras),
    )
    car = replace(
        car,
        name=f"history car {seed}-{index:03d}",
        rig=rig,
        duty_told="logged",
        target_told="file",
        limit_kpa=car.target_kpa + 40.0,
        spread_kpa=float(rng.uniform(0.5, 1.6)),
    )
    duties = np.arange(car.duty_min_pct, car.duty_max_pct, 0.5)
    near = int(np.argmin([abs(car.boost_kpa(float(d)) - car.target_kpa) for d in duties]))
    days, day = [], 0
    while day < YEARS * 365:
        days.append(day)
        day += int(rng.integers(6, 13))
    sizes = {
        "healthy": 0.0,
        "leak": float(rng.uniform(12.0, 20.0)),
        "filter": float(rng.uniform(10.0, 18.0)),
        "pump": float(rng.uniform(0.05, 0.09)),
        "sensor": 8.0 * float(rng.choice([-1.0, 1.0])),
        "spring": float(rng.uniform(9.0, 16.0)),
    }
    sudden = bool(rng.uniform() < 0.4)
    return Story(
        index=index,
        fault=fault,
        car=car,
        duty_pct=float(duties[near]),
        days=tuple(days),
        onset=int(rng.integers(25, 45)) if fault != "healthy" else len(days),
        growth_nights=1 if sudden else int(rng.integers(10, 25)),
        size=sizes[fault],
    )


def write_night(story: Story, number: int, folder: Path) -> str:
    """Write a night's log and car file; return its date."""
    car = story.car
    day = FIRST_NIGHT + timedelta(story.days[number])
    rng = np.random.default_rng([car.seed, number, 7])
    air = weather(car.rig.altitude_m, day, rng)
    level = car.boost_kpa(story.duty_pct) + car.spread_kpa * float(rng.normal())
    level += car.warm_kpa_per_k * (air.temp_c - 15.0)
    pulls = int(rng.integers(2, {10.0: 5, 15.0: 4}.get(car.rig.rate_hz, 3)))  # files stay small
    levels = level + car.rig.pull_spread_kpa * rng.normal(0.0, 1.0, pulls)
    asked = Asked(tuple(levels.tolist()), duty_pct=story.duty_pct)
    drive(car.rig, air, story.wear(number), asked, rng, folder)
    (folder / "car.toml").write_text(car.toml(), encoding="utf-8")
    return day.isoformat()


def alarm_of(document: dict[str, Any], night: int) -> Alarm | None:
    """The measures of a trends document that have moved; None where all stand still."""
    moved = [
        m
        for m in document["measures"]
        if m.get("shift") is not None or not QUIET.search(str(m.get("state")))
    ]
    if not moved:
        return None
    said = [" | ".join(str(m[k]) for k in ("said", "meaning") if m.get(k)) for m in moved]
    look_at = [str(text) for m in moved for text in m.get("look_at") or []]
    first = [re.split(r",| or ", m["meaning"])[0] for m in moved if m.get("meaning")]
    return Alarm(night, [str(m["name"]) for m in moved], said, first, list(dict.fromkeys(look_at)))


def steady_past(document: dict[str, Any]) -> list[str]:
    """Measures that read 'steady' though their moving average is past its limit."""
    return [
        str(m["name"])
        for m in document["measures"]
        if m["state"] == "steady"
        and m["ewma"]
        and abs(m["ewma"][-1]) > m["ewma_limit"]
        # a joint score that is low says that the fault is not there
        and not (m["unit"] == "sigma" and m["ewma"][-1] < 0.0)
    ]


def live(root: Path, story: Story, every: int) -> Result:
    """Live through a history."""
    program, car = Program(root), story.car
    full = story.onset + story.growth_nights // 2
    result = Result(car.name, story.fault, story.growth_nights == 1, story.onset, full)
    before: set[str] = set()
    with tempfile.TemporaryDirectory(prefix="history_") as name:
        where = Path(name)
        archive = str(where / "archive")
        for number in range(len(story.days)):
            folder = where / "night"
            folder.mkdir()
            day = write_night(story, number, folder)
            args = ("--archive", archive, "--date", day, "--json", "-", "--workers", "1")
            try:
                night = program.document("screen", str(folder), *args)
                shutil.rmtree(folder)
                result.nights += 1
                faulty = number >= story.onset
                clear = night["verdict"] == "clear"
                if not faulty:
                    result.healthy_days = story.days[number]
                    result.healthy_screened += 1
                    result.healthy_clear += clear
                elif not clear and result.first_not_clear is None:
                    result.first_not_clear = number - story.onset + 1
                if number + 1 < FIRST_ASKED or not (faulty or (number + 1) % every == 0):
                    continue
                told = program.document(
                    "trends", "--archive", archive, "--car", car.name, "--json", "-"
                )
            except NoAnswerError as fault:
                result.broken = str(fault)
                break
            result.looked_at += 1
            result.steady_past += steady_past(told)
            alarm = alarm_of(told, number)
            now = set(alarm.measures) if alarm else set()
            if not faulty:
                if alarm and now - before:
                    result.false_alarms.append(alarm)
                before = now
                continue
            # an alarm that already stood before the fault began is no answer to it
            if result.alarm is None and alarm and now - before:
                result.alarm = alarm
            result.last = alarm
            if result.alarm and number >= result.alarm.night + AFTER_ALARM:
                break
    return result


def _spread(values: list[int]) -> str:
    if not values:
        return "none"
    return f"median {np.median(values):.0f}, nine in ten within {np.percentile(values, 90):.0f}"


def table(results: list[Result]) -> str:
    """Everything counted, as one table."""
    years = sum(r.healthy_days for r in results) / 365.0
    false = [a for r in results for a in r.false_alarms]
    faulty = [r for r in results if r.fault != "healthy"]
    clear, screened = (
        sum(getattr(r, k) for r in results) for k in ("healthy_clear", "healthy_screened")
    )
    lines = [
        f"histories {len(results)}, nights {sum(r.nights for r in results)}",
        (
            f"healthy car-years {years:.1f}, false alarms {len(false)}"
            f" ({len(false) / years if years else 0.0:.2f} a car-year)"
        ),
        f"healthy nights clear {clear}/{screened}",
        "",
        f"{'fault':9} {'':6} n  alarm  named at once  named in 5  as its meaning  nights to alarm",
    ]
    for fault in FAULTS:
        for sudden in (True, False):
            part = [r for r in faulty if r.fault == fault and r.sudden == sudden]
            if not part:
                continue
            took = [n for r in part if (n := r.nights_to_alarm) is not None]
            at_once = sum(r.named(r.alarm) for r in part)
            lines.append(
                f"{fault:9} {'sudden' if sudden else 'slow':6} {len(part)}  {len(took):5}"
                f"  {at_once:13}"
                f"  {sum(r.named(r.alarm) or r.named(r.last) for r in part):10}"
                f"  {sum(r.meant(r.alarm) or r.meant(r.last) for r in part):14}  {_spread(took)}"
            )
    seen = [r for r in faulty if r.alarm]
    right = sum(r.named(r.alarm) or r.named(r.last) for r in faulty)
    meant = sum(r.meant(r.alarm) or r.meant(r.last) for r in faulty)
    took = [n for r in seen if (n := r.nights_to_alarm) is not None]
    sudden_took = [n for r in seen if r.sudden and (n := r.nights_to_alarm) is not None]
    half = [r.alarm.night - r.half_grown + 1 for r in seen if r.alarm and not r.sudden]
    first = sum(r.first(r.alarm) or r.first(r.last) for r in faulty)
    warned = sum(r.first_not_clear is not None for r in faulty)
    lines += [
        "",
        (
            f"faults seen {len(seen)}/{len(faulty)}, cause named {right}/{len(faulty)},"
            f" told as the meaning {meant}/{len(faulty)}, as the likeliest {first}/{len(faulty)}"
        ),
        (
            f"nights to the alarm: all {_spread(took)}; sudden {_spread(sudden_took)};"
            f" slow, from half its size, {_spread(half)}"
        ),
        f"faults for which a night itself did not clear: {warned}/{len(faulty)}",
    ]
    counted = Counter(m for a in false for m in a.measures)
    lines.append(
        "false alarms by measure: " + (", ".join(f"{k} {v}" for k, v in counted.items()) or "none")
    )
    looks, past = sum(r.looked_at for r in results), sum(len(r.steady_past) for r in results)
    lines.append(f"read 'steady' past the chart's limit: {past} in {looks} looks at the trends")
    lines += [f"broken: {r.story}: {r.broken}" for r in results if r.broken]
    return "\n".join(lines)


def main() -> int:
    """Parse, live, print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument(
        "--root",
        type=Path,
        default=Path(__file__).resolve().parents[2],
        help="the checkout to live with",
    )
    parser.add_argument("--n", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--every", type=int, default=5, help="nights between looks at the trends")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--fault", default="", help="this fault alone, or 'healthy'")
    parser.add_argument("--out", type=Path, help="write every history's result as JSON")
    parser.add_argument("--verbose", action="store_true", help="each history as it ends")
    args = parser.parse_args()
    stories = [make_story(i, args.seed) for i in range(args.n)]
    stories = [s for s in stories if args.fault in ("", s.fault)]
    root, results = args.root.resolve(), []
    with ProcessPoolExecutor(args.workers) as pool:
        jobs = [pool.submit(live, root, story, args.every) for story in stories]
        for job, story in zip(jobs, stories, strict=True):
            result = job.result()
            results.append(result)
            if args.verbose:
                kind = "sudden" if result.sudden else f"over {story.growth_nights} nights"
                print(
                    f"{result.story} {result.fault} {kind}, size {story.size:.2f}, from night"
                    f" {story.onset}: alarm after {result.nights_to_alarm}, false"
                    f" {len(result.false_alarms)}, first not clear {result.first_not_clear}"
                )
                for alarm in [*result.false_alarms, *([result.alarm] if result.alarm else [])]:
                    print(f"    night {alarm.night}:", *alarm.said, sep="\n        ")
                    print("        look at:", "; ".join(alarm.look_at), flush=True)
    print(table(results))
    if args.out:
        args.out.write_text(json.dumps([asdict(r) for r in results], indent=1), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
