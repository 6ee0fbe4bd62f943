"""heat_soak: how hot was the exhaust gas?

Does not see: where the probe sits; after the turbine the gas is some 100 to 200 K cooler than these
limits are for.
"""

from __future__ import annotations

from audit.checks.kit.base import LimitTable, Measured, by_rows, cannot
from audit.declared import declared
from audit.model import Pull
from audit.signal.held import held_above, spread

DECLARED = declared(__name__)
NAME, CODES = DECLARED.name, DECLARED.codes

HELD_S = 0.1  # and two samples: a probe this slow makes no spikes of its own
TAIL_S = 1.0  # the probe follows the gas this late


def measure(pull: Pull, limits: LimitTable) -> Measured:
    """exhaust_peak_c: highest held for 0.1 s and two samples; exhaust_rise_c: over the first of the
    pull, K.
    """
    gas = pull.believed("exhaust_gas_temp", tail_s=TAIL_S)
    held = held_above(gas.t, gas.value, HELD_S)
    if held is None:
        return cannot("too_short", "fewer than two believed samples of exhaust gas temperature")
    reached = limits.row("heat.exhaust", "exhaust_peak_c").reached(held.level)
    whole = held if reached is None else spread(gas.t, gas.value, reached, held)
    lasted = whole.end_s - whole.start_s + (gas.t[-1] - gas.t[0]) / max(len(gas.t) - 1, 1)
    sheet = Measured({"exhaust_rise_c": held.level - float(gas.value[0])})
    sheet.put(
        "exhaust_peak_c",
        held.level,
        f"The exhaust gas reached {held.level:.1f} °C and was that hot or near it for {lasted:.1f} "
        "s",
        at=whole,
    )
    return sheet.of("exhaust_gas_temp")


judge = by_rows(CODES)
