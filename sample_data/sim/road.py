"""What the driver does: a drive plan laid out as stages, each with its own end."""

from __future__ import annotations

from dataclasses import dataclass
from math import pi
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np

    from sim.params import CarParams, DrivePlan, PullPlan

CRUISE_RPM = 2300.0


@dataclass(frozen=True)
class Stage:
    """kind: off, crank, idle, blip, hold (to a road speed), tip, pull, shift, lift, stop.

    goal is a road speed (m/s) for hold, an engine speed (rpm) for pull; pedal in per cent.
    """

    kind: str
    last_s: float
    gear: int = 0
    goal: float = 0.0
    pedal: float = 0.0
    pull: int = -1
    until_goal: bool = False


def speed_at(car: CarParams, rpm: float, gear: int) -> float:
    """Road speed, m/s, at an engine speed in a gear."""
    return rpm / 60.0 * car.circumference_m / (car.ratios[gear - 1] * car.final_drive)


def radians_per_metre(car: CarParams, gear: int) -> float:
    return 2 * pi * car.ratios[gear - 1] * car.final_drive / car.circumference_m


def _hold(car: CarParams, gear: int, rpm: float, last_s: float, *, until_goal: bool = False) -> Stage:
    return Stage("hold", last_s, gear, speed_at(car, rpm, gear), until_goal=until_goal)


def _launch(car: CarParams, to_gear: int) -> list[Stage]:
    stages = []
    for gear in range(1, to_gear):
        stages.append(_hold(car, gear, 3000.0, 15.0, until_goal=True))
        stages.append(Stage("shift", 0.45, gear + 1))
    return stages


def _pull(car: CarParams, plan: PullPlan, number: int) -> list[Stage]:
    approach = 0.95 * plan.rpm_start
    stages = [_hold(car, plan.gear, approach, 40.0, until_goal=True), _hold(car, plan.gear, approach, 2.5),
              Stage("pull", 20.0, plan.gear, plan.rpm_end, plan.pedal_pct, number)]
    if plan.then_gear is not None:
        stages += [Stage("shift", 0.32, plan.then_gear), Stage("pull", 20.0, plan.then_gear, plan.rpm_end, plan.pedal_pct, number)]
    return stages


def _between_pulls(car: CarParams, drive: DrivePlan, gear: int, rng: np.random.Generator) -> list[Stage]:
    if rng.random() < drive.stop_chance:
        return [Stage("stop", 30.0), Stage("idle", drive.cooldown_s * rng.uniform(0.2, 0.5)),
                *_launch(car, gear), _hold(car, gear, CRUISE_RPM, drive.cooldown_s * 0.6)]
    first, second = rng.uniform(0.85, 1.15, 2) * CRUISE_RPM
    return [_hold(car, gear, first, drive.cooldown_s * 0.6), _hold(car, gear, second, drive.cooldown_s * 0.4)]


def lay_out(car: CarParams, drive: DrivePlan, rng: np.random.Generator, *, first_pull: int) -> list[Stage]:
    """The drive as stages; pulls are numbered from first_pull through the night."""
    top = min(4, len(car.ratios))
    stages = [Stage("off", drive.key_on_s), Stage("crank", 0.9), Stage("idle", drive.idle_s)]
    for _ in range(drive.blips):
        stages += [Stage("blip", rng.uniform(0.35, 0.8), 0, 0.0, rng.uniform(40, 100)), Stage("idle", rng.uniform(2, 5))]
    stages += [*_launch(car, top), _hold(car, top, CRUISE_RPM, drive.cooldown_s * 0.7)]
    for _ in range(drive.tip_ins):
        stages += [Stage("tip", rng.uniform(0.4, 0.9), top, 0.0, rng.uniform(45, 100)),
                   _hold(car, top, rng.uniform(0.9, 1.15) * CRUISE_RPM, rng.uniform(5, 12))]
    for i, plan in enumerate(drive.pulls):
        gear = plan.then_gear or plan.gear
        stages += [*_pull(car, plan, first_pull + i), Stage("lift", rng.uniform(1.5, 3.0), gear),
                   *_between_pulls(car, drive, top, rng)]
    return [*stages, Stage("stop", 30.0), Stage("idle", drive.idle_s)]
