"""Engine faults and their innocent twins."""

from __future__ import annotations

from scenes.car import Fault
from scenes.fleet import toml
from scenes.scene import BAD, HOLD, STOP, faulty, healthy

GROUP = "engine"
faulty(
    GROUP,
    "fuel-cut-under-load",
    "mid",
    BAD,
    "The fuel is cut three times at 4,300 rpm with the throttle open.",
    "fuel.cut mixture.lean_spike mixture.lean",
    fault=Fault(cut_rpm=4300, cut_times=3, pulls=(1,)),
)
faulty(
    GROUP,
    "fuel-cut-once",
    "rally",
    BAD,
    "One cut of 0.35 s at full load.",
    "fuel.cut mixture.lean_spike mixture.lean",
    fault=Fault(cut_rpm=5000, cut_s=0.35, pulls=(2,)),
)
faulty(
    GROUP,
    "over-limit",
    "rally",
    STOP,
    "Boost 22 percent over the car's limit.",
    "boost.over_limit",
    file_toml=toml("Lynx", limit=98, rpm=7400),
)
faulty(
    GROUP,
    "over-limit-typed",
    "v6",
    STOP,
    "Boost far over the typed limit.",
    "boost.over_limit",
    args=("--limit", "8 psi"),
    file_toml=toml("Heron", alt=40, cyl=6),
)
faulty(
    GROUP,
    "little-over-limit",
    "mid",
    BAD,
    "Boost held 4 percent over the limit.",
    "boost.over_limit",
    file_toml=toml("Harrier", limit=96.5),
)
faulty(
    GROUP,
    "no-limit-known",
    "rally",
    HOLD,
    "120 kPa and nobody said what the engine may see.",
    "boost.no_limit",
    file_toml=toml("Lynx"),
)
faulty(
    GROUP,
    "no-limit-no-file",
    "big",
    HOLD,
    "150 kPa and no limit anywhere.",
    "boost.no_limit",
    file_toml=None,
)
faulty(
    GROUP,
    "over-target",
    "mid",
    BAD,
    "Held 22 kPa over the target.",
    "boost.over_target",
    fault=Fault(over=22.0),
)
faulty(
    GROUP,
    "far-over-target",
    "e85",
    STOP,
    "Held 38 kPa over the target, limit passed.",
    "boost.over_target boost.over_limit",
    fault=Fault(over=40.0),
)
faulty(
    GROUP,
    "overshoot",
    "mid",
    BAD,
    "Overshoot of some 26 kPa in each pull.",
    "boost.overshoot",
    fault=Fault(overshoot=27.0, overshoot_tau=0.5),
)
faulty(
    GROUP,
    "overshoot-big",
    "big",
    BAD,
    "Overshoot of 40 kPa on a slow car.",
    "boost.overshoot",
    fault=Fault(overshoot=42.0, overshoot_tau=0.6),
    file_toml=toml("Condor", limit=230),
)
faulty(
    GROUP,
    "overshoot-10hz",
    "mtn",
    BAD,
    "Overshoot of 26 kPa, ten samples a second.",
    "boost.overshoot",
    fault=Fault(overshoot=28.0, overshoot_tau=0.7),
)
faulty(
    GROUP,
    "oscillation-2hz",
    "rally",
    BAD,
    "Boost swings 24 kPa twice a second.",
    "boost.oscillation",
    fault=Fault(osc_pp=24.0, osc_hz=2.0),
)
faulty(
    GROUP,
    "oscillation-1hz-10hz-log",
    "mtn",
    BAD,
    "Boost swings 26 kPa at 1.2 Hz.",
    "boost.oscillation",
    fault=Fault(osc_pp=26.0, osc_hz=1.2),
)
faulty(
    GROUP,
    "oscillation-3hz",
    "e85",
    BAD,
    "Boost swings 36 kPa at 3 Hz.",
    "boost.oscillation",
    fault=Fault(osc_pp=36.0, osc_hz=3.0),
)
faulty(
    GROUP,
    "knock",
    "rally",
    BAD,
    "Four and a half degrees taken out in each pull.",
    "knock.retard",
    fault=Fault(knock=4.5),
)
faulty(
    GROUP,
    "knock-hard",
    "mid",
    STOP,
    "Nine degrees taken out.",
    "knock.retard",
    fault=Fault(knock=9.0),
)
faulty(
    GROUP, "lean", "rally", BAD, "Lambda 0.91 at 120 kPa.", "mixture.lean", fault=Fault(lean=0.125)
)
faulty(
    GROUP,
    "lean-hard",
    "big",
    STOP,
    "Lambda near 1.0 at 150 kPa.",
    "mixture.lean",
    fault=Fault(lean=0.22),
)
faulty(
    GROUP,
    "lean-one-pull",
    "small",
    BAD,
    "Only the last pull is lean.",
    "mixture.lean",
    fault=Fault(lean=0.15, pulls=(2,)),
)
faulty(
    GROUP,
    "lean-at-the-top",
    "mid",
    BAD,
    "Leaner and leaner from 4,500 rpm on.",
    "mixture.lean mixture.drifts_lean",
    fault=Fault(lean_drift=0.16, lean_from=4500),
)
faulty(
    GROUP,
    "lean-spike",
    "hill",
    BAD,
    "A lean spike of most of a second in each pull.",
    "mixture.lean_spike mixture.lean",
    fault=Fault(spike=0.17, spike_rpm=4500),
)
faulty(
    GROUP,
    "rich",
    "mid",
    HOLD,
    "Lambda 0.63: washing the bores.",
    "mixture.rich",
    fault=Fault(rich=0.165),
)
faulty(
    GROUP, "lean-e85-direct", "e85", BAD, "Lean on ethanol.", "mixture.lean", fault=Fault(lean=0.17)
)
faulty(
    GROUP,
    "charge-hot",
    "rally",
    BAD,
    "Charge temperature over 70.",
    "heat.intake heat.soak",
    fault=Fault(hot=42.0),
    car={"air": 26.0},
)
faulty(
    GROUP,
    "charge-very-hot",
    "mid",
    STOP,
    "Charge temperature near 95.",
    "heat.intake",
    fault=Fault(hot=75.0),
    car={"air": 26.0},
)
faulty(
    GROUP,
    "heat-soak-start-to-start",
    "small",
    BAD,
    "Each pull starts some 13 degrees hotter.",
    "heat.soak heat.intake",
    fault=Fault(soak=15.0),
    rest=12.0,
    pulls=4,
)
faulty(
    GROUP,
    "coolant-hot",
    "mid",
    STOP,
    "Coolant climbs to 120.",
    "heat.coolant",
    fault=Fault(coolant=34.0),
)
faulty(
    GROUP,
    "pulled-cold",
    "hill",
    HOLD,
    "Pulled at 45 degrees of coolant.",
    "heat.cold",
    car={"cold_start": 15.0},
    pulls=1,
)
faulty(
    GROUP,
    "injectors-at-end",
    "e85",
    BAD,
    "Injectors at 96 to 100 percent at the top.",
    "fuel.injector_limit",
    fault=Fault(inj=24.0),
)
faulty(
    GROUP,
    "fuel-pressure-falls",
    "rally",
    BAD,
    "Fuel pressure over the manifold falls by a sixth at the top.",
    "fuel.pressure_drop",
    fault=Fault(fuelp=50.0),
)
faulty(
    GROUP,
    "fuel-pressure-collapses",
    "big",
    STOP,
    "Fuel pressure over the manifold falls by 30 percent.",
    "fuel.pressure_drop",
    fault=Fault(fuelp=90.0),
)
faulty(
    GROUP,
    "clutch-slips",
    "rally",
    BAD,
    "Engine speed runs 14 percent ahead of the road as torque comes.",
    "traction.clutch_slip",
    fault=Fault(slip=0.14, slip_rpm=3600),
    gear=4,
)
faulty(
    GROUP,
    "throttle-closed",
    "mid",
    BAD,
    "The engine computer closes the throttle at 4,500 with the pedal down.",
    "control.throttle_closed",
    fault=Fault(close_rpm=4500, close_to=40.0),
)
faulty(
    GROUP,
    "sensor-ceiling",
    "big",
    HOLD,
    "The pressure sensor ends at 240 kPa: the true peak is unknown.",
    "boost.sensor_ceiling sensor.rail sensor.flat_line",
    edits={"map": {"clip": (10.0, 240.0)}},
)
faulty(
    GROUP,
    "exhaust-hot",
    "rally",
    BAD,
    "Exhaust near 980 degrees.",
    "heat.exhaust",
    fault=Fault(egt=115.0),
)
faulty(
    GROUP,
    "oil-low",
    "rally",
    BAD,
    "Oil pressure half of what it should be.",
    "oil.pressure",
    fault=Fault(oil=0.48),
)
faulty(
    GROUP,
    "oil-sags",
    "big",
    STOP,
    "Oil pressure falls away above 4,200 rpm.",
    "oil.pressure",
    fault=Fault(oil_sag=380.0),
)
faulty(
    GROUP,
    "supply-low",
    "small",
    BAD,
    "Supply at 11.8 V in the pulls.",
    "electrical.voltage",
    fault=Fault(volts=2.1),
)
faulty(
    GROUP,
    "supply-very-low",
    "mid",
    STOP,
    "Supply at 10.3 V in the pulls.",
    "electrical.voltage",
    fault=Fault(volts=3.6),
)
faulty(
    GROUP,
    "under-target",
    "mid",
    BAD,
    "Boost 30 short of its target, the duty at its end stop.",
    "boost.under_target control.saturated",
    fault=Fault(short=30.0),
)
faulty(
    GROUP,
    "uneven-pulls",
    "rally",
    BAD,
    "One pull makes 24 kPa less than its twins at the same duty.",
    "boost.uneven boost.under_target",
    fault=Fault(short=24.0, pulls=(1,)),
)
STEP = (("off", 2.0), ("start",), ("idle", 5.0), ("cruise", 8.0, 60, 3)) + tuple(
    x
    for d in (15.0, 30.0, 45.0, 20.0, 38.0)
    for x in (("pull", 3, 2700, 6900, (("duty", d),)), ("cruise", 9.0, 60, 3))
)
faulty(
    GROUP,
    "solenoid-without-effect",
    "rally",
    BAD,
    "Duty from 15 to 45 percent and boost does not move.",
    "control.no_response",
    drive=STEP,
    car={"gain": 0.0, "spring": 85.0},
)
faulty(
    GROUP,
    "solenoid-reversed",
    "rally",
    BAD,
    "More duty, less boost.",
    "control.reversed",
    drive=STEP,
    car={"gain": -1.2, "spring": 140.0},
    file_toml=toml("Lynx", limit=170),
)
faulty(
    GROUP,
    "overspeed",
    "rally",
    BAD,
    "Turned to 6,900 where the car file allows 6,300.",
    "engine.overspeed",
    file_toml=toml("Lynx", limit=150, rpm=6300),
)
healthy(GROUP, "duty-stepped", "rally", "Five pulls at five duties: boost follows.", drive=STEP)
healthy(
    GROUP,
    "rev-limiter",
    "mid",
    "Each pull ends on the rev limiter.",
    hi=6850,
    opts=(("limiter", 0.5),),
    file_toml=toml("Harrier", limit=140, target=100, spring=45, rpm=7100),
)
healthy(
    GROUP,
    "rev-limiter-small",
    "small",
    "Half a second on the limiter at the end.",
    hi=6350,
    opts=(("limiter", 0.5),),
    file_toml=toml("Sparrow", alt=120, limit=110, cyl=4),
)
healthy(
    GROUP,
    "gentle-ripple",
    "mid",
    "Closed control ripples by 2 kPa.",
    fault=Fault(osc_pp=2.0, osc_hz=1.5),
)
healthy(
    GROUP,
    "gentle-ripple-e85",
    "e85",
    "Closed control ripples by 2.5 kPa.",
    fault=Fault(osc_pp=2.5, osc_hz=2.0),
)
healthy(
    GROUP,
    "small-overshoot",
    "rally",
    "Four kPa of overshoot is how a good control looks.",
    fault=Fault(overshoot=4.0),
)
healthy(
    GROUP,
    "wheelspin-in-first",
    "rally",
    "Wheelspin in first, then clean pulls in third.",
    drive=(
        ("off", 2.0),
        ("start",),
        ("idle", 5.0),
        ("cruise", 4.0, 22, 1),
        ("pull", 1, 2900, 6900, (("spin", 1.0),)),
        ("cruise", 14.0, 60, 3),
        ("pull", 3, 2700, 6900),
        ("cruise", 14.0, 60, 3),
        ("pull", 3, 2700, 6900),
        ("cruise", 9.0, 60, 3),
    ),
)
healthy(
    GROUP, "hot-day", "mid", "33 degrees outside, charge in the high forties.", car={"air": 32.0}
)
healthy(
    GROUP,
    "warmed-up-first",
    "hill",
    "Started at 40 degrees, warmed up for two minutes, then pulled.",
    car={"cold_start": 45.0, "coolant": 90.0},
    log={"rate": 10},
    drive=(
        ("off", 2.0),
        ("start",),
        ("idle", 50.0),
        ("cruise", 110.0, 60, 4),
        ("pull", 3, 2400, 6400),
        ("cruise", 16.0, 60, 4),
        ("pull", 3, 2400, 6400),
        ("cruise", 12.0, 60, 4),
    ),
)
healthy(
    GROUP,
    "ethanol-warm-charge",
    "drag",
    "Ethanol tolerates 56 degrees of charge.",
    pulls=1,
    rest=8.0,
    car={"air": 28.0, "iat_gain": 0.14},
)
healthy(
    GROUP, "oil-relief-valve", "big", "Oil pressure stands on its relief valve at the top.", pulls=2
)
healthy(
    GROUP,
    "tall-gear-then-low",
    "rally",
    "One pull in fourth and two in third, each at its own level within a few kPa.",
    drive=(
        ("off", 2.0),
        ("start",),
        ("idle", 5.0),
        ("cruise", 8.0, 60, 3),
        ("pull", 3, 2700, 6900),
        ("cruise", 14.0, 75, 4),
        ("pull", 4, 2800, 6500),
        ("cruise", 36.0, 60, 4),
        ("cruise", 6.0, 60, 3),
        ("pull", 3, 2700, 6900),
        ("cruise", 9.0, 60, 3),
    ),
)
healthy(
    GROUP,
    "sensor-ceiling-far-above",
    "big",
    "The sensor ends at 300 kPa, well above.",
    edits={"map": {"clip": (10.0, 300.0)}},
)
healthy(
    GROUP,
    "fuel-pressure-follows",
    "rally",
    "Fuel pressure follows the manifold one to one.",
    pulls=2,
    edits={"fuelp": {"noise": 3.0}},
)
healthy(
    GROUP,
    "methanol",
    "drag",
    "Methanol at 184 kPa.",
    pulls=1,
    rest=8.0,
    file_toml=toml("Goshawk", fuel="methanol", limit=225, alt=30),
    car={"lam_shift": -0.03},
)
healthy(
    GROUP,
    "below-100-no-limit",
    "trip",
    "58 kPa needs no limit.",
    file_toml=toml("Finch", alt=210, cyl=3),
)
