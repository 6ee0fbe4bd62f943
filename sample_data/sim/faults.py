"""Faults: each finding code's physical cause, its size by severity, and what else it may drag along."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sim.params import Fault, NightParams


@dataclass
class Effects:
    """Every knob a fault can turn, at its healthy value. Shares are fractions of the healthy figure."""

    windup: float = 0.0  # the boost controller's integrator, wound up while spooling, share of target
    target_scale: float = 1.0
    creep_kpa_per_krpm: float = 0.0
    leak_cap: float = 9.0  # most boost that can be held, share of target
    fade: float = 0.0  # share of boost lost between 60 % of redline and redline
    spool_scale: float = 1.0
    hunt_pp_kpa: float = 0.0
    hunt_hz: float = 2.0
    duty_response: float = 1.0  # 1 right, 0 none, -1 hoses swapped
    integrate: bool = False  # duty climbs to its end stop while boost is short
    lean: float = 0.0
    lean_spike: float = 0.0
    rich: float = 0.0
    drift_lean: float = 0.0
    pump_drop: float = 0.0  # fall of fuel differential at full load, share
    injector_duty_pct: float | None = None
    cooler_scale: float = 1.0
    cooler_recovery: float = 1.0
    thermostat_c: float = 84.0
    knock_deg: float = 0.0
    knock_events: int = 0
    volts_sag: float = 0.0
    oil_scale: float = 1.0
    slip: float = 0.0
    lost: float = 0.0  # share of boost that goes with a hose blown off, once boost has arrived


def _between(low: float, high: float, severity: float) -> float:
    return low + (high - low) * severity


def apply_fault(effects: Effects, fault: Fault, night: NightParams) -> None:
    """Turn the knobs of one fault. Sensor and logger faults have none: they live in sensors.py.

    The mild end stands near the watch limit of common practice, the clear-cut end far past hold.
    """
    s, e = fault.severity, effects
    target = night.car.target_kpa
    match fault.code:
        case "boost.overshoot": e.windup = _between(0.12, 0.50, s)
        case "boost.over_limit": e.target_scale = night.car.limit_kpa / target * _between(1.015, 1.16, s)
        case "boost.creep": e.creep_kpa_per_krpm = _between(5.5, 22.0, s)
        case "boost.under_target": e.leak_cap = 1 - _between(10.0, 40.0, s) / target
        case "boost.fade": e.fade = _between(0.12, 0.40, s)
        case "boost.late": e.spool_scale = _between(1.25, 1.7, s)
        case "boost.oscillation":
            e.hunt_pp_kpa = _between(9.0, 42.0, s)
            e.hunt_hz = fault.frequency_hz or 0.2 * night.car.regulator_wn
        case "control.no_response": e.duty_response = 0.12 * (1 - s)
        case "control.reversed": e.duty_response = _between(-0.4, -1.0, s)
        case "control.saturated":
            e.integrate = True
            e.leak_cap = 1 - _between(12.0, 40.0, s) / target
        case "boost.lost": e.lost = _between(0.30, 0.95, s)
        case "mixture.lean": e.lean = _between(0.10, 0.32, s)
        case "mixture.lean_spike": e.lean_spike = _between(0.16, 0.45, s)
        case "mixture.rich": e.rich = _between(0.10, 0.22, s)
        case "mixture.drifts_lean": e.drift_lean = _between(0.07, 0.26, s)
        case "fuel.pressure_drop": e.pump_drop = _between(0.08, 0.32, s)
        case "fuel.injector_limit": e.injector_duty_pct = _between(94.0, 112.0, s)
        case "heat.intake": e.cooler_scale = _between(0.70, 0.25, s)
        case "heat.soak": e.cooler_recovery = _between(0.20, 0.006, s)
        case "heat.coolant": e.thermostat_c = _between(100.0, 117.0, s)
        case "heat.cold": e.thermostat_c = _between(62.0, 35.0, s)
        case "knock.retard": e.knock_deg = _between(2.6, 8.0, s)
        case "knock.count": e.knock_events = round(_between(3, 25, s))
        case "electrical.voltage": e.volts_sag = _between(0.95, 3.2, s)
        case "oil.pressure": e.oil_scale = _between(0.84, 0.35, s)
        case "traction.wheelspin": e.slip = _between(0.08, 0.32, s)
        case code if code.startswith("sensor.") or code == "boost.sensor_ceiling": pass
        case code: raise ValueError(f"no fault is known for {code!r}; see sim/faults.py for the codes")


# What may rightly be reported beside the injected fault, since one cause has several effects.
ALLOWED: dict[str, tuple[str, ...]] = {
    "boost.overshoot": ("boost.oscillation", "boost.over_limit"),
    "boost.over_limit": ("heat.intake", "fuel.injector_limit", "boost.overshoot"),
    "boost.creep": ("boost.overshoot", "boost.over_limit", "fuel.injector_limit"),  # more boost wants more fuel
    "boost.sensor_ceiling": ("sensor.rail", "boost.under_target", "sensor.flat_line", "control.no_response"),
    "boost.under_target": ("control.saturated", "boost.late", "control.no_response"),
    "boost.fade": ("boost.under_target", "boost.overshoot"),
    "boost.late": ("boost.under_target",),
    "boost.lost": (
        "boost.under_target", "boost.fade", "boost.late", "boost.uneven", "control.no_response", "mixture.rich", "sensor.rate_of_change",
    ),
    "boost.oscillation": ("boost.overshoot", "boost.over_limit", "boost.under_target", "boost.fade"),
    "control.no_response": ("boost.under_target",),
    "control.reversed": ("boost.under_target", "control.no_response"),
    "control.saturated": ("boost.under_target", "boost.late", "control.no_response"),
    "mixture.lean": ("mixture.drifts_lean", "mixture.lean_spike"),
    "mixture.lean_spike": ("mixture.lean",),
    "mixture.rich": (),
    "mixture.drifts_lean": ("mixture.lean", "mixture.lean_spike"),
    "fuel.pressure_drop": ("mixture.lean", "mixture.drifts_lean", "mixture.lean_spike", "fuel.injector_limit"),
    "fuel.injector_limit": ("mixture.lean", "mixture.drifts_lean"),
    "heat.intake": ("heat.soak",),
    "heat.soak": ("heat.intake",),
    "heat.coolant": (),
    "heat.cold": ("oil.pressure",),
    "knock.retard": ("knock.count",),
    "knock.count": ("knock.retard",),
    "electrical.voltage": (),
    "oil.pressure": (),
    "traction.wheelspin": ("sensor.disagree", "boost.late", "boost.oscillation"),
    "sensor.missing": (),
    "sensor.range": ("sensor.rail", "sensor.spike", "sensor.rate_of_change", "sensor.disagree"),
    "sensor.rail": ("sensor.flat_line", "sensor.rate_of_change", "sensor.range", "sensor.dropout"),
    "sensor.flat_line": ("sensor.disagree",),
    "sensor.spike": ("sensor.rate_of_change", "sensor.dropout", "sensor.range"),
    "sensor.rate_of_change": ("sensor.spike", "sensor.dropout"),
    "sensor.dropout": ("sensor.rail", "sensor.spike", "sensor.rate_of_change", "sensor.range"),
    "sensor.gap": ("sensor.slow", "sensor.clock"),
    "sensor.clock": ("sensor.gap",),
    "sensor.disagree": ("boost.overshoot", "boost.under_target", "boost.over_limit", "sensor.range"),
    "sensor.unit_doubt": ("sensor.missing", "sensor.disagree", "sensor.range"),
    "sensor.slow": (),
}

# Codes whose clear-cut case must stop the car rather than hold it, by the limits of common practice.
STOPS = ("boost.over_limit", "boost.creep", "boost.oscillation", "boost.lost", "mixture.lean", "mixture.drifts_lean",
         "fuel.pressure_drop", "fuel.injector_limit", "heat.intake", "heat.coolant", "knock.retard",
         "electrical.voltage", "oil.pressure")


def effects_for_pull(night: NightParams, pull: int) -> Effects:
    """The state of the car from the night's pull number `pull` on."""
    effects = Effects()
    for fault in night.faults:
        if pull >= fault.from_pull:
            apply_fault(effects, fault, night)
    return effects
