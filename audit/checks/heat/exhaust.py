"""heat_soak: how hot was the exhaust gas?

Does not see: where the probe sits; after the turbine the gas is some 100 to 200 K cooler than these
limits are for.
"""

from __future__ import annotations

from audit.checks.kit.base import LimitTable, Measured, by_rows, cannot, passed
from audit.declared import declared
from audit.model import Pull
from audit.signal.held import held_above

DECLARED = declared(__name__)
NAME, CODES = DECLARED.name, DECLARED.codes

HELD_S = 0.1  # and two samples: a probe this slow makes no spikes of its own
TAIL_S = 1.0  # the probe follows the gas this late


def measure(pull: Pull, limits: LimitTable) -> Measured:
    """exhaust_peak_c: held for 0.1 s and two samples; exhaust_rise_c: over the pull's first, K."""
    gas = pull.believed("exhaust_gas_temp", tail_s=TAIL_S)
    top = held_above(gas.t, gas.value, HELD_S)
    if top is None:
        return cannot("too_short", "fewer than two believed samples of exhaust gas temperature")
    sheet = Measured({"exhaust_rise_c": top.level - float(gas.value[0])})
    whole, lasted = passed(limits.row("heat.exhaust", "exhaust_peak_c"), gas, top)
    reached = f"The exhaust gas reached {top.level:.1f} °C"
    text = f"{reached} and was that hot or near it for {lasted:.1f} s"
    sheet.put("exhaust_peak_c", top.level, text, at=whole)
    return sheet.of("exhaust_gas_temp")


judge = by_rows(CODES)
