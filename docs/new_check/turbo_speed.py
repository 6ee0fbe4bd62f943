"""turbo_speed: did the turbocharger spin faster than it is made for?

Does not see: a wheel that is out of balance; the speed between two samples.
"""

from __future__ import annotations

from audit.checks.kit.base import LimitTable, Measured, by_rows, cannot
from audit.declared import declared
from audit.model import Pull
from audit.signal.held import held_above

DECLARED = declared(__name__)
NAME, CODES = DECLARED.name, DECLARED.codes

HELD_S = 0.2  # a shorter top may be a stray reading


def measure(pull: Pull, limits: LimitTable) -> Measured:  # noqa: ARG001 - the shape of every check
    """turbo_top_rpm: the highest speed held for 0.2 s and two samples."""
    speed = pull.believed("turbo_speed")
    held = held_above(speed.t, speed.value, HELD_S)
    if held is None:
        return cannot("too_short", "fewer than two believed samples of turbo speed")
    sheet = Measured()
    sheet.put("turbo_top_rpm", held.level, f"The turbo reached {held.level:.0f} rpm", at=held)
    return sheet.of("turbo_speed")


judge = by_rows(CODES)
