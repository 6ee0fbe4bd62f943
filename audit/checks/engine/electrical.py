"""electrical: does the supply hold under load? A lone dip is the sensor's, cranking is no pull.

Does not see: voltage at the pump or the coils, only where the logger measures.
"""

from __future__ import annotations

from audit.checks.kit.base import LimitTable, Measured, by_rows, cannot, passed
from audit.declared import declared
from audit.model import Pull
from audit.signal.arrays import median_sorted
from audit.signal.held import held_below

DECLARED = declared(__name__)
NAME, CODES = DECLARED.name, DECLARED.codes

HELD_S = 0.3
BEFORE_S = 10.0


def measure(pull: Pull, limits: LimitTable) -> Measured:
    """Lowest supply held for 0.3 s and two samples, V; sag against the seconds before, V."""
    volts = pull.believed("battery_voltage", tail_s=0.1)
    low = held_below(volts.t, volts.value, HELD_S)
    if low is None:
        why = "fewer than two believed samples of battery voltage on end in the pull"
        return cannot("too_short", why)
    sheet = Measured()
    whole, lasted = passed(limits.row("electrical.voltage", "battery_min_v"), volts, low)
    text = f"Supply voltage fell to {low.level:.1f} V and was low for {lasted:.1f} s"
    sheet.put("battery_min_v", low.level, text, at=whole)
    lead = pull.believed("battery_voltage", lead_s=BEFORE_S)
    before = lead.value[lead.t < pull.start_s]
    if len(before) >= 3:
        usual = median_sorted(before)
        sheet.put("battery_sag_v", usual - low.level)
        sheet.said["battery_min_v"] = f"Before the pull it was {usual:.1f} V"
    return sheet.of("battery_voltage")


judge = by_rows(CODES)
