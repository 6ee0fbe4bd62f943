"""The fast half of the physics: throttle, turbo, gate, crank and car, stepped at 100 Hz.

Sources, all from memory unless said:
- torque from the air that is there to burn: Heywood, Internal Combustion Engine Fundamentals (mean values);
- turbo: power of the turbine grows steeply with exhaust flow, the shaft stores it, so boost builds as a
  first-order lag whose time falls with engine speed (after Watson and Janota, Turbocharging the I.C.E.);
- three-port solenoid: it holds back part of the pressure the actuator sees, so the gate opens at
  spring / (1 - k duty); common practice, no published source;
- solenoid, actuator and gate near the set pressure: one second-order regulator (Ogata, Modern Control
  Engineering), whose own stiffness and damping are the car's;
- road load: rolling 1.2 % of weight, air 0.6 v^2 CdA.
Left out: heat soak's effect on torque, turbine map, surge, tyre force limits.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import pi
from typing import TYPE_CHECKING

import numpy as np

from sim.road import Stage, radians_per_metre, speed_at

if TYPE_CHECKING:
    from collections.abc import Callable

    from sim.faults import Effects
    from sim.params import Array, CarParams, DrivePlan

DT = 0.01
RPM = 30.0 / pi  # rpm per rad/s
FIELDS = ("stage", "rpm", "speed", "pedal", "throttle", "map", "boost", "set", "duty", "target", "gear", "cut", "accel")
INERTIA = 0.16  # kg m2, crank and flywheel, common practice
JOULE_PER_G_AIR = 43_000.0 / 14.7  # petrol's heat by air burnt, J/g
EFFICIENCY = 0.335


@dataclass(frozen=True)
class Run:
    """A drive as stepped: one array a field (see FIELDS), all (n,) on a clock of DT, and its stages."""

    time: Array
    fields: dict[str, Array]
    stages: tuple[Stage, ...]


def gate_pressure(car: CarParams, duty_pct: float) -> float:
    """Boost, kPa gauge, at which the gate holds for a duty in per cent."""
    used = (duty_pct - car.duty_min_pct) / (car.duty_max_pct - car.duty_min_pct)
    return car.spring_kpa / (1.0 - car.solenoid_gain * min(max(used, 0.0), 1.0))


def duty_for(car: CarParams, boost_kpa: float) -> float:
    """The duty, per cent, that holds a boost: the inverse of gate_pressure."""
    used = (1.0 - car.spring_kpa / boost_kpa) / car.solenoid_gain if boost_kpa > car.spring_kpa else 0.0
    return car.duty_min_pct + min(used, 1.0) * (car.duty_max_pct - car.duty_min_pct)


def _wander(n: int, rng: np.random.Generator, tau_s: float) -> Array:
    """Slow unit-variance noise (n,): white noise through a first-order lag."""
    from scipy.signal import lfilter

    keep = float(np.exp(-DT / tau_s))
    start = rng.normal()
    out: Array = lfilter([np.sqrt(1 - keep * keep)], [1, -keep], rng.normal(size=n), zi=[start * keep])[0]
    return out


def step_drive(car: CarParams, drive: DrivePlan, stages: list[Stage], *, baro_kpa: float, ambient_c: float,
               effects_for: Callable[[int], Effects], first_pull: int, rng: np.random.Generator) -> Run:
    """Step one drive from key-on to the last stage. Long by nature: it is one loop over one state."""
    longest = int(sum(s.last_s for s in stages) / DT) + 8
    boost_wander = (0.006 * car.target_kpa * _wander(longest, rng, 2.5)).tolist()
    grade = (0.004 * _wander(longest, rng, 12.0)).tolist()
    pedal_wander = _wander(longest, rng, 0.7).tolist()
    rows: list[tuple[float, ...]] = []
    e = effects_for(first_pull)
    base_target = car.target_kpa
    air_density = baro_kpa * 1e3 / (287.05 * (ambient_c + 273.15))
    drag = 0.5 * air_density * car.drag_area_m2
    g_per_rad = 0.92 * car.displacement_l / (287.05 * 315.0) * 1e3 / (4 * pi)  # g air per radian per kPa at 315 K
    wn2 = car.regulator_wn**2
    damp = 2 * car.regulator_zeta * car.regulator_wn
    cap_gain = 1.18 * base_target * (baro_kpa / 101.325)
    idle = car.idle_rpm / RPM
    redline = car.redline_rpm / RPM
    closed_duty = drive.duty_pct if drive.duty_pct is not None else duty_for(car, base_target)
    omega = speed = boost = boost_rate = pedal = wound = climb = slip = accel = 0.0
    map_kpa, throttle, cut, fuelled = baro_kpa, 3.6, 0, 0
    step = 0

    for number, stage in enumerate(stages):
        kind, gear = stage.kind, stage.gear
        if kind == "pull":
            e = effects_for(stage.pull)
            goal = stage.goal / RPM
        target = base_target * e.target_scale
        duty_base = closed_duty if drive.duty_pct is not None else duty_for(car, target)
        per_metre = radians_per_metre(car, gear) if gear else 0.0
        lever = per_metre / (car.mass_kg * 1.04 + INERTIA * per_metre**2)
        fade_from = 0.6 * redline
        elapsed, settled_s, bounced, gone_s = 0.0, 0.0, 0.0, -1.0  # gone_s: since boost arrived, for a hose that blows off
        last = stage.last_s
        while elapsed < last:
            # The driver.
            brake = 0.0
            if kind == "pull" or kind == "tip" or kind == "blip":
                wish = stage.pedal
            elif kind == "hold":
                error = stage.goal - speed
                wish = 12.0 + 0.16 * speed + 9.0 * error + 0.8 * pedal_wander[step]
                wish = 0.0 if wish < 0.0 else (42.0 if wish > 42.0 else wish)
                if error < -2.0:
                    brake = 2.2
                if stage.until_goal and -0.7 < error < 0.7:
                    break
            else:
                wish = 0.0
                if kind == "stop":
                    brake = 2.8
                    if speed <= 0.05:
                        break
            pedal += (wish - pedal) * (DT / 0.045)
            throttle += (3.6 + 0.964 * pedal - throttle) * (DT / 0.035)
            rpm = omega * RPM
            # Fuel is cut at the limiter and, after a while, with the foot off the pedal.
            if omega > redline:
                cut = 1
            elif cut == 1 and omega < redline - 16.0:
                cut = 0
            if pedal < 1.0 and rpm > 1600.0 and gear:
                fuelled += 1
                if fuelled > 45:
                    cut = 2
            else:
                fuelled = 0
                if cut == 2:
                    cut = 0
            # Throttle plate: the faster the engine asks through a small opening, the deeper the vacuum.
            area = 0.0036 + (max(throttle - 3.6, 0.0) * 0.01037) ** 1.7
            asked = 0.06 * rpm / 6000.0 / area
            plate = max((1.0 + asked * asked) ** -0.5, 0.26)
            map_kpa += ((baro_kpa + boost) * plate - map_kpa) * (DT / 0.04)
            # Boost control.
            asks = pedal > 60.0 and rpm > 1500.0
            if asks:
                short = target - boost
                if drive.duty_pct is None:
                    trim = 0.12 * short
                    if e.creep_kpa_per_krpm:
                        trim = 0.0  # creep shows under a duty that stays put
                    trim = 3.0 if trim > 3.0 else (-3.0 if trim < -3.0 else trim)
                    if e.integrate and short > 3.0 and boost > 0.4 * min(e.leak_cap, 1.0) * target:
                        climb += 45.0 * DT
                    wound = e.windup if boost < target and settled_s == 0.0 else wound * (1.0 - DT / 0.45)
                    if boost >= target:
                        settled_s += DT
                    duty = duty_base + trim + climb + 40.0 * wound
                else:
                    duty = duty_base
                duty = min(max(duty, car.duty_min_pct), car.duty_max_pct)
            else:
                duty, wound, climb, settled_s = 0.0, 0.0, 0.0, 0.0
            # What the gate holds: no response sticks at the middle, swapped hoses mirror about it.
            felt = duty if e.duty_response == 1.0 else 50.0 + e.duty_response * (duty - 50.0)
            hold = gate_pressure(car, felt) * (1.0 + wound)
            if e.leak_cap < 1.0:
                hold = min(hold, e.leak_cap * target)
            if e.lost and kind == "pull" and gone_s >= 0.0:
                gone_s += DT
                hold = hold * (1.0 - e.lost) if gone_s > 1.2 else hold
            elif e.lost and kind == "pull" and boost > 0.9 * hold:
                gone_s = 0.0
            hold += boost_wander[step]
            if e.creep_kpa_per_krpm and asks:
                hold += e.creep_kpa_per_krpm * max(rpm - 1.25 * car.spool_rpm, 0.0) * 1e-3
            if e.fade and omega > fade_from:
                hold *= 1.0 - e.fade * (omega - fade_from) / (redline - fade_from)
            if e.hunt_pp_kpa and asks:
                swing = 2 * pi * e.hunt_hz * elapsed
                hold += 0.5 * e.hunt_pp_kpa * _triangle(swing) / _passes(car, e.hunt_hz)
            # The turbo: what it could make at this flow, and how fast the shaft gets there.
            flow = rpm / (car.spool_rpm * e.spool_scale) * min(map_kpa / baro_kpa, 1.0)
            can = min(cap_gain * flow**2.3, 2.3 * base_target)
            lag = car.spool_tau_s * e.spool_scale * min(car.spool_rpm / max(rpm, 900.0), 2.0)
            free = (can - boost) / lag
            boost_rate += (wn2 * (hold - boost) - damp * boost_rate) * DT
            if boost_rate > free:
                boost_rate = free
            if pedal < 12.0 and boost > 2.0:  # the bypass valve opens on the lift
                boost_rate = -boost / 0.11
            boost = max(boost + boost_rate * DT, 0.0)
            # Crank and car.
            burn = 0.0 if cut or kind == "off" else 1.0
            torque = burn * EFFICIENCY * JOULE_PER_G_AIR * g_per_rad * max(map_kpa - 12.0, 0.0)
            torque -= 10.0 + 2.2e-3 * rpm * car.displacement_l + 0.06 * (baro_kpa - min(map_kpa, baro_kpa)) * car.displacement_l
            resist = (0.012 + grade[step]) * 9.81 + drag * speed * speed / car.mass_kg + brake
            if kind in ("off", "crank"):
                omega = 0.0 if kind == "off" else 22.0 + 3.0 * pedal_wander[step]
            elif gear == 0 or kind == "shift":
                if pedal < 3.0 and (omega < 1.6 * idle or gear == 0):
                    omega += (idle * (1.0 + 0.008 * pedal_wander[step]) - omega) * (DT / 0.45)
                else:
                    omega += torque / INERTIA * DT
                accel = -resist
            else:
                accel = lever * torque - resist
                if e.slip and kind == "pull":  # the tyre lets go for a while at the start of the pull
                    loose = 0.5 < elapsed < 1.7
                    slip += ((e.slip if loose else 0.0) - slip) * (DT / 0.12)
                else:
                    slip *= 0.9
                wheel = speed * per_metre * (1.0 + slip)
                omega += (max(wheel, idle * 1.25) - omega) * (DT / 0.05)
            speed = max(speed + accel * DT, 0.0)
            if speed == 0.0:
                accel = 0.0
            rows.append((number, omega * RPM, speed, pedal, throttle, map_kpa, boost, hold, duty,
                         target if asks else car.spring_kpa if gear else 0.0, gear, cut, accel))
            step += 1
            elapsed += DT
            if kind == "pull":
                if cut == 1 or bounced > 0.0:
                    bounced += DT
                if (omega >= goal and slip < 0.03) or bounced > 0.5:
                    break
    table = np.array(rows)
    clock: Array = np.arange(len(rows), dtype=np.float64) * DT
    return Run(clock, {name: table[:, i] for i, name in enumerate(FIELDS)}, tuple(stages))


def _passes(car: CarParams, hz: float) -> float:
    """How much of a swing of the set pressure reaches boost: gain of the second-order regulator."""
    w, wn = 2 * pi * hz, car.regulator_wn
    return float(wn**2 / abs(wn**2 - w**2 + 2j * car.regulator_zeta * wn * w))


def _triangle(phase: float) -> float:
    """A swing between -1 and 1 with rounded shoulders, as a gate that sticks and slips makes it."""
    turn = (phase / (2 * pi)) % 1.0
    raw = 4 * turn - 1 if turn < 0.5 else 3 - 4 * turn
    return 1.5 * raw - 0.5 * raw**3


__all__ = ["DT", "Run", "duty_for", "gate_pressure", "speed_at", "step_drive"]
