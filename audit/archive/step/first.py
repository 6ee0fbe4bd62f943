"""The first duty of a car of which nothing is known: from the solenoid's least duty and the bounds
of a step.
"""

from __future__ import annotations

import numpy as np

from audit.archive.step.step_table import figures
from audit.model import Car


def first_duty(car: Car) -> float:
    """The first duty above none that may be tried after a base run, %.

    One step over the least duty that moves the solenoid, as far as the steepest valve leaves room
    between the spring's boost, with overshoot on it, and the limit; at least the smallest step.
    """
    setting = figures("step")
    size = step_size(car)
    if car.boost_limit_kpa is not None:
        spring = figures("curve")["spring_kpa"] if car.spring_kpa is None else car.spring_kpa
        room = car.boost_limit_kpa - spring - setting["overshoot_unseen"]
        size = min(size, room / setting["first_rise"])
    least = setting["least"]
    size = max(float(np.floor(size / least) * least), least)
    return min(car.duty_min_pct + size, car.duty_max_pct)


def step_size(car: Car) -> float:
    """The most duty of one step, %: half where no limit of the car is known."""
    setting = figures("step")
    return setting["duty"] * (1.0 if car.boost_limit_kpa is not None else setting["strict_share"])
