"""Boost that falls away or still climbs."""

from __future__ import annotations

from scenes.car import Fault
from scenes.fleet import toml
from scenes.scene import BAD, STOP, faulty, healthy

GROUP = "hose"
faulty(
    GROUP,
    "hose-off-mid",
    "mid",
    STOP,
    "Boost falls from 98 to 3 kPa in a tenth of a second with the throttle open: a hose is off.",
    "boost.lost",
    fault=Fault(pulls=(1,), lost_rpm=4500, lost_to=3.0),
)
faulty(
    GROUP,
    "hose-off-single-pull",
    "hill",
    STOP,
    "The only pull ends at no boost at all.",
    "boost.lost",
    pulls=1,
    fault=Fault(lost_rpm=4300, lost_to=3.0),
)
faulty(
    GROUP,
    "hose-off-last-of-three",
    "small",
    STOP,
    "The last pull collapses.",
    "boost.lost",
    fault=Fault(pulls=(2,), lost_rpm=4200, lost_to=2.0),
)
faulty(
    GROUP,
    "hose-off-slow-big",
    "big",
    STOP,
    "Boost collapses from 150 kPa at 6,000 rpm.",
    "boost.lost",
    fault=Fault(pulls=(0,), lost_rpm=6000, lost_to=5.0),
)
faulty(
    GROUP,
    "hose-off-10hz-mountain",
    "mtn",
    STOP,
    "Boost gone from 80 to 3 kPa, ten samples a second.",
    "boost.lost",
    fault=Fault(lost_rpm=4600, lost_to=3.0, pulls=(3,)),
    pulls=4,
)
faulty(
    GROUP,
    "hose-off-gauge-psi",
    "old",
    STOP,
    "50 kPa of spring boost are gone in mid-pull.",
    "boost.lost",
    fault=Fault(lost_rpm=4500, lost_to=1.0, pulls=(1,)),
)
faulty(
    GROUP,
    "hose-gone-from-start",
    "mid",
    BAD,
    "The last pull makes no boost at all, while the target is 100.",
    "boost.lost boost.under_target boost.uneven control.saturated boost.late",
    fault=Fault(pulls=(2,), short=97.0),
)
faulty(
    GROUP,
    "wastegate-half-open",
    "rally",
    BAD,
    "Boost drops from 120 to 60 kPa in a third of a second.",
    "boost.lost",
    fault=Fault(pulls=(1,), lost_rpm=5000, lost_to=60.0, lost_tau=0.1),
)
faulty(
    GROUP,
    "climbs-to-the-end",
    "rally",
    BAD,
    "Boost climbs 12 kPa per 1000 rpm to the end of each pull at constant duty.",
    "boost.creep boost.over_target",
    fault=Fault(creep=12.0, creep_from=3900),
    file_toml=toml("Lynx", limit=190, rpm=7400),
)
faulty(
    GROUP,
    "climbs-to-the-end-v6",
    "v6",
    BAD,
    "The wastegate is too small: 13 kPa per 1000 rpm, in each pull.",
    "boost.creep",
    fault=Fault(creep=13.0, creep_from=3400),
    file_toml=toml("Heron", limit=140, alt=40, cyl=6),
)
faulty(
    GROUP,
    "long-pull-creep",
    "hill",
    BAD,
    "A long pull in fifth climbs and climbs.",
    "boost.creep",
    gear=5,
    lo=2300,
    hi=6000,
    pulls=1,
    fault=Fault(creep=14.0, creep_from=3000),
)
faulty(
    GROUP,
    "steep-creep-single",
    "old",
    BAD,
    "Spring pressure of 50 kPa climbs to over 90 at the top.",
    "boost.creep",
    fault=Fault(creep=16.0, creep_from=3600),
    pulls=2,
)
healthy(
    GROUP,
    "long-pull-fourth",
    "hill",
    "A long pull in fourth gear holds its boost level.",
    gear=4,
    lo=2300,
    hi=6300,
    pulls=2,
)
healthy(
    GROUP,
    "long-pull-fifth",
    "mid",
    "Fifteen seconds in fifth at constant boost.",
    gear=5,
    lo=2400,
    hi=5600,
    pulls=1,
    log={"rate": 20},
)
healthy(
    GROUP,
    "slow-spool-plateau",
    "big",
    "Boost comes late and then stands level for 2,500 rpm.",
    pulls=2,
    car={"th": 4100},
)
healthy(
    GROUP,
    "drops-because-lifted",
    "rally",
    "Boost falls because the driver lifts at 5,000 in one of the pulls.",
    drive=(
        ("off", 2.0),
        ("start",),
        ("idle", 5.0),
        ("cruise", 8.0, 60, 3),
        ("pull", 3, 2700, 6900),
        ("cruise", 14.0, 60, 3),
        ("pull", 3, 2700, 5600),
        ("cruise", 14.0, 60, 3),
        ("pull", 3, 2700, 6900),
        ("cruise", 9.0, 60, 3),
    ),
)
healthy(
    GROUP,
    "small-turbo-taper",
    "small",
    "A little turbo runs out of breath at the top, by some 12 percent, the same in each pull.",
    pulls=4,
    rest=10.0,
)
