"""electrical: does the supply hold under load? A lone dip is the sensor's, cranking is no pull.

Does not see: voltage at the pump or the coils, only where the logger measures.
"""

from __future__ import annotations

from audit.checks.kit.base import LimitTable, Measured, by_rows, cannot
from audit.declared import declared
from audit.model import Pull
from audit.signal.arrays import median_sorted
from audit.signal.held import held_below, spread

DECLARED = declared(__name__)
NAME, CODES = DECLARED.name, DECLARED.codes

HELD_S = 0.3
BEFORE_S = 10.0


def measure(pull: Pull, limits: LimitTable) -> Measured:
    """Lowest supply held for 0.3 s and two samples, V; sag against the seconds before the pull,
    V.
    """
    volts = pull.believed("battery_voltage", tail_s=0.1)
    low = held_below(volts.t, volts.value, HELD_S)
    if low is None:
        return cannot(
            "too_short",
            "fewer than two believed samples of battery voltage on end in the pull",
        )
    values: dict[str, float | None] = {"battery_min_v": low.level}
    passed = limits.row("electrical.voltage", "battery_min_v").reached(low.level)
    whole = low if passed is None else spread(volts.t, -volts.value, -passed, low)
    interval = (volts.t[-1] - volts.t[0]) / max(len(volts.t) - 1, 1)
    lasted = whole.end_s - whole.start_s + interval
    text = f"Supply voltage fell to {low.level:.1f} V and was low for {lasted:.1f} s"
    said = ""
    lead = pull.believed("battery_voltage", lead_s=BEFORE_S)
    before = lead.value[lead.t < pull.start_s]
    if len(before) >= 3:
        values["battery_sag_v"] = median_sorted(before) - low.level
        said = f"Before the pull it was {median_sorted(before):.1f} V"
    return Measured(
        values=values,
        at={"battery_min_v": (whole.start_s, whole.end_s)},
        said={"battery_min_v": said},
        texts={"battery_min_v": text},
        channels={"battery_min_v": "battery_voltage"},
    )


judge = by_rows(CODES)
