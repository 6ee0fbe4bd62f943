"""The car on the road: driver, throttle, turbo, wastegate, boost control and road load in time."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from math import exp, pi

import numpy as np

from .car import GATE_SHARE, Car, Disturbance, Phase, Weather
from .limits import Array

PULL_STEP_S = 0.01
ROAD_STEP_S = 0.05
COLUMNS = ("t", "rpm", "v", "u", "pedal", "map", "added", "duty", "target", "gear", "cut", "mode")
MODES = {"off": 0, "idle": 1, "cruise": 2, "pull": 3, "overrun": 4}


@dataclass
class PullTrace:
    """One pull without noise: time from its start, speeds, boost without the fault, target."""

    index: int
    gear: int
    t: Array
    rpm: Array
    base: Array
    target: Array
    closed: bool

    @property
    def level(self) -> float:
        """Settled boost [kPa gauge]: median of the last third."""
        return float(np.median(self.base[-(len(self.base) // 3) :]))

    @property
    def settled_at(self) -> int:
        """First sample at which the boost has come within 2.5 % of what it settles to."""
        goal = self.target if self.closed else np.full_like(self.base, self.level)
        return int(np.argmax(self.base >= 0.975 * goal))


@dataclass
class Pull:
    """Where a pull lies in the whole trace: index of its first and one past its last sample."""

    index: int
    gear: int
    first: int
    last: int
    settled: int
    level_kpa: float
    closed: bool

    @property
    def span(self) -> slice:
        """The whole pull."""
        return slice(self.first, self.last)

    @property
    def held(self) -> slice:
        """The pull from the moment its boost has settled."""
        return slice(self.settled, self.last)


@dataclass
class Trace:
    """A whole night without noise: the columns of COLUMNS, its pulls, the limits of each log."""

    data: dict[str, Array]
    pulls: list[Pull]
    logs: list[tuple[float, float]]


@dataclass
class _State:
    t: float = 0.0
    v: float = 0.0
    rpm: float = 0.0
    u: float = 0.0
    pedal: float = 0.0
    p: float = 100.0
    boost: float = 0.0
    gate: float = 0.0
    trim: float = 0.0
    hold: float = 0.0
    gear: int = 0
    shift: float = 0.0
    added: float = 0.0
    rows: list[tuple[float, ...]] = field(default_factory=list)


def bleed_share(car: Car) -> float:
    """Share of the actuator's signal that the solenoid vents at full duty.

    Chosen so that ``control.duty_pct`` holds ``control.level_kpa`` with the turbo fully awake.
    """
    turbo, control = car.turbo, car.control
    if control.duty_pct <= 0.0:
        return 0.0
    gate = (1.0 - control.level_kpa / turbo.reserve_kpa) / GATE_SHARE
    act = turbo.spring_kpa + turbo.gate_range_kpa * gate
    return (1.0 - act / control.level_kpa) / (control.duty_pct / 100.0)


Disturb = Callable[[PullTrace], Disturbance | None]


class Road:
    """Drives the phases of a night one after the other and keeps the trace."""

    def __init__(self, car: Car, weather: Weather, duty_acts: Callable[[float], float]) -> None:
        """``duty_acts`` turns the duty step [%] of a pull into the one the hardware sees."""
        self.car = car
        self.weather = weather
        self.duty_acts = duty_acts
        self.bleed = bleed_share(car)
        self.state = _State(p=weather.pressure_kpa)
        self.pulls: list[Pull] = []
        self.rows: list[tuple[float, ...]] = []
        self.logs: list[tuple[float, float]] = []

    def log(self, phases: list[Phase], disturb: Disturb, pause_s: float) -> None:
        """Drive the phases of one log; ``pause_s`` is the unlogged time before it."""
        first = phases[0]
        start = self.state.t + (pause_s if self.logs else 0.0)
        self.state = _State(t=start, p=self.weather.pressure_kpa)
        if first.kind == "cruise":
            self.state.gear = first.gear
            self.state.v = first.rpm / self.car.line.rpm_per_mps(first.gear)
            self.state.rpm, self.state.u, self.state.pedal = first.rpm, 0.17, 0.17
            self.state.p, self.state.hold = 0.5 * self.weather.pressure_kpa, 0.0
        elif first.kind == "idle":
            self.state.rpm, self.state.p = self.car.engine.idle_rpm, 33.0
        for phase in phases:
            if phase.kind == "pull":
                self._pull(phase, disturb)
            else:
                self._run(self.state, phase, None)
                self.rows += self.state.rows
        self.logs.append((start, self.state.t))

    def trace(self) -> Trace:
        """The night so far as columns."""
        table = np.array(self.rows)
        return Trace({n: table[:, i] for i, n in enumerate(COLUMNS)}, self.pulls, self.logs)

    def _pull(self, phase: Phase, disturb: Disturb) -> None:
        start = self.state
        dist: Disturbance | None = None
        for _ in range(3):
            # the fault changes how fast the engine climbs, and with it when things happen
            state = _State(**{**start.__dict__, "rows": []})
            self._run(state, phase, dist)
            table = np.array(state.rows)
            seen = PullTrace(
                len(self.pulls),
                phase.gear,
                table[:, 0] - table[0, 0],
                table[:, 1],
                table[:, 5] - table[:, 6] - self.weather.pressure_kpa,
                table[:, 8],
                self.car.control.closed,
            )
            made = disturb(seen)
            if made is None:
                break
            dist = made
        else:
            state = _State(**{**start.__dict__, "rows": []})
            self._run(state, phase, dist)
        first = len(self.rows)
        self.rows += state.rows
        self.pulls.append(
            Pull(
                len(self.pulls),
                phase.gear,
                first,
                len(self.rows),
                first + seen.settled_at,
                seen.level,
                seen.closed,
            )
        )
        self.state = state

    def _run(self, s: _State, phase: Phase, dist: Disturbance | None) -> None:
        """Advance the state through one phase; its rows go to ``s.rows``."""
        car, line, turbo, control = self.car, self.car.line, self.car.turbo, self.car.control
        mode = MODES[phase.kind]
        dt = PULL_STEP_S if phase.kind == "pull" else ROAD_STEP_S
        rows: list[tuple[float, ...]] = []
        air = self.weather.pressure_kpa
        idle, litres = car.engine.idle_rpm, car.engine.litres
        k_gear = [0.0, *(line.rpm_per_mps(g + 1) for g in range(len(line.ratios)))]
        push = [0.0, *(r * line.final * 0.9 / line.radius_m / line.mass_kg for r in line.ratios)]
        inertia = [1.0, *(1.04 + 0.0022 * (r * line.final) ** 2 for r in line.ratios)]
        drag = 0.5 * 1.2 * line.drag_m2 / line.mass_kg
        growth = turbo.growth_per_krpm
        throttle_lag = 0.06 if line.by_wire else 0.02
        bleed = self.bleed
        spring = turbo.spring_kpa + phase.level_shift_kpa * (1.0 - bleed * control.duty_pct / 100.0)
        fixed = control.duty_pct + phase.duty_step_pct
        acting = control.duty_pct + self.duty_acts(phase.duty_step_pct)
        goal_v = phase.rpm / k_gear[phase.gear] if phase.gear else 0.0
        boosted = dist.boost if dist else []
        slipping = dist.slip if dist else []
        capped = dist.throttle if dist else []
        cutting = dist.cut if dist else []
        t, v, rpm, u, pedal, p, boost = s.t, s.v, s.rpm, s.u, s.pedal, s.p, s.boost
        gate, trim, hold, gear, shift, added = s.gate, s.trim, s.hold, s.gear, s.shift, s.added
        if mode == 3:
            gear = phase.gear
        left, n, brake = phase.seconds, 0, 0.0
        patience = 60.0
        while True:
            slip, cap, cut = 0.0, 1.0, 0.0
            if mode == 3:
                pedal = min(1.0, pedal + dt / 0.2)
                if boosted:
                    added = boosted[n] if n < len(boosted) else boosted[-1]
                if slipping:
                    slip = slipping[n] if n < len(slipping) else slipping[-1]
                if capped:
                    cap = capped[n] if n < len(capped) else 1.0
                if cutting:
                    cut = cutting[n] if n < len(cutting) else 0.0
            elif mode == 2:
                away = goal_v - v
                brake = 0.0
                if shift > 0.0 or away < -1.2:
                    pedal = 0.0
                    if away < -1.2:
                        brake = min(3.2, -0.6 * away)
                else:
                    if abs(away) < 2.0:
                        hold = max(-0.12, min(0.15, hold + 0.03 * away * dt))
                    pedal = max(0.05, min(0.40, 0.17 + 0.07 * away + hold))
            elif mode == 1:
                pedal = 0.0
                brake = 3.0 if v > 0.0 else 0.0
                gear = gear if v * k_gear[gear] > idle + 150.0 else 0
            else:
                pedal, brake = 0.0, 0.0
            # shifts
            if shift > 0.0:
                shift -= dt
            elif mode == 2 and gear != phase.gear:
                if gear < phase.gear and (rpm > 2900.0 or gear == 0):
                    gear += 1
                    shift = 0.4
                elif gear > phase.gear and v * k_gear[phase.gear] < 4500.0:
                    gear = phase.gear
                    shift = 0.4
            u += (min(pedal, cap) - u) * min(1.0, dt / throttle_lag)
            krpm = rpm / 1000.0
            if mode != 3:
                added *= exp(-dt / 0.05) if abs(added) > 0.01 else 0.0
            if mode in (2, 4) and u < 0.02 and rpm > 1600.0 and shift <= 0.0:
                cut = 1.0
            # manifold: throttle plate between the charge pipe and the cylinders
            area = 0.012 + (u + 0.02 if u < 0.02 else u) ** 1.6
            ratio = 0.2 + 0.8 * area / (area + 0.093 * krpm * (1.0 - u))
            p += ((air + boost) * ratio - p) * min(1.0, dt / 0.03)
            # turbo and gate
            awake = reserve = 0.0
            if rpm > 500.0:
                awake = 1.0 / (1.0 + exp((turbo.spool_rpm - rpm) / turbo.spool_width_rpm))
                reserve = turbo.reserve_kpa * awake * u**1.5 * (1.0 + growth * (krpm - 4.5))
            target = control.target_kpa(rpm)
            if control.duty_pct <= 0.0 or u < 0.8:
                duty = used = 0.0
            elif not control.closed:
                duty, used = fixed, acting
            else:
                gauge = p - air
                short = target + 0.5 * phase.level_shift_kpa - gauge
                open_ss = (1.0 - target / max(reserve, target)) / GATE_SHARE
                base = (1.0 - (spring + turbo.gate_range_kpa * open_ss) / target) / bleed
                # full duty while the turbo wakes up, handed over before the target is reached
                near = max(0.0, min(1.0, (gauge / target - 0.6) / 0.25))
                trim = 0.0 if near < 1.0 else trim
                if abs(short) < 4.0:
                    trim = max(-8.0, min(8.0, trim + 1.6 * short * dt))
                held = 100.0 * base + 0.1 * max(-15.0, min(15.0, short)) * near + trim
                duty = control.spool_duty_pct + near * (held - control.spool_duty_pct)
                duty = used = max(0.0, min(control.top_duty_pct, duty))
            act = boost * (1.0 - bleed * used / 100.0)
            want = max(0.0, min(1.0, (act - spring) / turbo.gate_range_kpa))
            gate += (want - gate) * min(1.0, dt / turbo.gate_lag_s)
            drive = reserve * (1.0 - GATE_SHARE * gate)
            lag = turbo.lag_s * 4000.0 / (rpm + 1000.0) if drive > boost else 0.3
            boost += (drive - boost) * min(1.0, dt / lag)
            # engine and road
            fill = 1.0 - ((krpm - 4.6) / 9.0) ** 2
            fired = 0.0 if cut else 11.4 * max(0.0, p + added - 12.0) * fill
            torque = (fired - 90.0 - 22.0 * krpm) * litres / (4.0 * pi)
            if mode == 0:
                rpm, p = 0.0, air
            elif gear == 0 or (mode == 1 and v <= 0.0):
                rpm += (idle - rpm) * min(1.0, dt / 0.25)
                v = max(0.0, v - brake * dt)
            elif shift > 0.0:
                rpm += (max(idle, v * k_gear[gear]) - rpm) * min(1.0, dt / 0.12)
                v = max(0.0, v - (drag * v * v + 0.13 + brake) * dt)
            else:
                gain = torque * push[gear]
                v += ((gain - drag * v * v) / inertia[gear] - 0.13 - 9.81 * phase.slope) * dt
                v = max(0.0, v - brake * dt)
                tied = v * k_gear[gear] * (1.0 + slip)
                low = idle + 500.0 if pedal > 0.0 else idle
                rpm = tied if tied > low else rpm + (low - rpm) * min(1.0, dt / 0.2)
            rows.append(
                (t, rpm, v, u, pedal, p + added, added, duty, target, float(gear), cut, mode)
            )
            t += dt
            n += 1
            if mode == 3:
                if rpm >= phase.rpm or n > 1600:
                    break
            elif mode == 2:
                patience -= dt
                if abs(v - goal_v) < 0.6 and gear == phase.gear and shift <= 0.0:
                    left -= dt
                if left <= 0.0 or patience <= 0.0:
                    break
            else:
                left -= dt
                if left <= 0.0:
                    break
        s.t, s.v, s.rpm, s.u, s.pedal, s.p, s.boost = t, v, rpm, u, pedal, p, boost
        s.gate, s.trim, s.hold, s.gear, s.shift, s.added = gate, trim, hold, gear, shift, added
        s.rows = rows
