"""Each car as it is: ordinary evenings."""

from __future__ import annotations

from scenes.fleet import night, toml
from scenes.scene import HOLD, faulty, healthy

GROUP = "fleet"

for rig, n in (
    ("small", 3),
    ("mid", 3),
    ("big", 3),
    ("mtn", 4),
    ("e85", 3),
    ("v6", 3),
    ("di", 3),
    ("old", 3),
    ("hill", 3),
    ("trip", 3),
    ("rally", 3),
):
    healthy(
        GROUP,
        f"{rig}-as-it-is",
        rig,
        "An ordinary evening: warm, pulls alike, mixture and heat where they belong.",
        pulls=n,
    )
healthy(
    GROUP,
    "drag-one-pull",
    "drag",
    "One clean pull at 100 samples a second is all a good night needs.",
    pulls=1,
    rest=10.0,
)
healthy(GROUP, "mid-one-pull", "mid", "One whole clean pull.", pulls=1)
healthy(
    GROUP,
    "small-second-gear-short",
    "small",
    "Short second-gear pulls, each complete and settled.",
    gear=2,
    lo=2600,
    hi=6100,
    pulls=4,
)
healthy(
    GROUP,
    "two-files",
    "rally",
    "Two logs of one evening, both clean.",
    pulls=2,
    also=(night("rally", pulls=2, seed=4242, log={"file": "later.csv"}, file_toml=None),),
)
healthy(
    GROUP,
    "mid-20hz-no-toml-limit-typed",
    "mid",
    "Closed control at 100 kPa, limit given on the command line.",
    args=("--limit", "18.5 psi"),
    log={"rate": 20},
    file_toml=None,
)
healthy(
    GROUP,
    "rally-duty-typed",
    "rally",
    "No duty in the log; the fixed duty was typed.",
    args=("--duty", "37"),
    without="duty",
)
healthy(
    GROUP,
    "big-duty-missing",
    "big",
    "Nobody knows the duty, but the pulls agree and everything is in order.",
    without="duty",
)
healthy(
    GROUP,
    "mid-no-target",
    "mid",
    "Closed control without a logged target.",
    without="target lamt",
    file_toml=toml("Harrier", limit=140),
)
faulty(
    GROUP,
    "five-a-second",
    "mtn",
    HOLD,
    "Five samples a second cannot show a swing of boost: a required check is missing.",
    "sensor.slow",
    log={"rate": 5},
)
faulty(
    GROUP,
    "five-a-second-one-pull",
    "hill",
    HOLD,
    "Five samples a second, and only one pull.",
    "sensor.slow",
    log={"rate": 5},
    pulls=1,
)
