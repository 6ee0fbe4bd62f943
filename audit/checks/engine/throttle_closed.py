"""boost_control: does the engine computer close the throttle in a pull though the foot asks for
all?

With a pedal channel: the pedal stays down and the throttle comes back. Without one: a throttle that
was fully open goes to a smaller angle and stands there while engine speed climbs on and boost
stays, then opens again. The limiter at the top of a pull and the shift of an automatic gearbox are
none.
Does not see: a throttle by cable that the engine computer cannot move (it has none to close).
"""

from __future__ import annotations

import numpy as np

from audit.checks.engine.top_speed import at_limiter
from audit.checks.kit.base import LimitTable, Measured, by_rows, cannot
from audit.declared import declared
from audit.model import Array, Bools, Pull, Series
from audit.signal.arrays import interval_of, median_sorted, quantile
from audit.signal.held import Held, held_above, spread, without_singles
from audit.signal.spans import runs

DECLARED = declared(__name__)
NAME, CODES = DECLARED.name, DECLARED.codes

TAIL_S = 2.0  # a throttle that closes ends the pull: look on
HELD_S = 0.15
OPEN = 0.95  # of its highest in the pull: the throttle has opened
DOWN = 0.95  # of its highest in the pull: the pedal is down
LEAST_DOWN = 70.0  # %: a pedal less far down asks for no full load
AROUND_S = 0.12  # the pedal is down this long before and after too: the two are not read at once
STANDS_S = 0.3  # without a pedal: it stands this long
STANDS_PCT = 4.0  # within this, and
PARTLY = (0.3, 0.9)  # between these shares of its opening
SHIFT_FALL = 0.92  # engine speed that falls to this share was a shift


def measure(pull: Pull, limits: LimitTable) -> Measured:  # noqa: ARG001 - the shape of every check
    """throttle_closed_pct: how much of its opening the throttle was taken back; 0 for not."""
    throttle = pull.believed("throttle_position", tail_s=TAIL_S)
    inside = throttle.within(pull.start_s, pull.end_s).value
    if len(inside) < 4:
        return cannot("too_short", "too few believed samples of throttle in the pull")
    top = quantile(inside, 0.9)
    step = interval_of(throttle.t, alone=0.1)
    opened = np.maximum.accumulate(throttle.value >= OPEN * top)
    closed = np.where(opened, 100.0 * (1.0 - throttle.value / max(top, 1.0)), 0.0)
    found, how = _by_pedal(pull, throttle.t, closed, step), "though the pedal was down"
    if found is None:
        found = _by_itself(pull, throttle.t, closed, step)
        how = "and opened again, while engine speed climbed on and boost stayed"
    sheet = Measured({"throttle_closed_pct": 0.0})
    rpm = pull.believed("engine_speed", lead_s=1.0, tail_s=TAIL_S)
    if found is not None and len(rpm.t) > 2 and not _innocent(pull, found, rpm):
        text = (
            f"The throttle closed by {found.level:.0f} % of its opening near "
            f"{np.interp(found.start_s, rpm.t, rpm.value):.0f} rpm {how}, for "
            f"{found.seconds + step:.1f} s"
        )
        sheet.put("throttle_closed_pct", max(found.level, 0.0), text, at=found)
    return sheet.of("throttle_position")


judge = by_rows(CODES)


def _by_pedal(pull: Pull, t: Array, closed: Array, step: float) -> Held | None:
    """The most that it was closed for a while with the pedal down; None without a pedal."""
    pedal = pull.believed("pedal_position", lead_s=0.5, tail_s=TAIL_S + 0.5)
    pedal = Series(pedal.t, without_singles(pedal.value))
    inside = pedal.within(pull.start_s, pull.end_s).value
    if len(inside) < 3 or (top := quantile(inside, 0.75)) < LEAST_DOWN:
        return None
    around = max(AROUND_S, interval_of(pedal.t, alone=0.1), step)
    at = np.stack([pedal.at(t + shift, max_gap_s=1.0) for shift in (-around, 0.0, around)])
    shut = np.where(_first_press(np.all(at >= DOWN * top, axis=0)), closed, 0.0)
    held = held_above(t, shut, max(HELD_S, step))
    return None if held is None else spread(t, shut, 0.8 * max(held.level, 1.0), held)


def _first_press(down: Bools) -> Bools:
    """Only until the foot is first lifted: what comes later is another pull."""
    lifted = np.flatnonzero(down[:-1] & ~down[1:])
    return down & (np.arange(len(down)) <= (lifted[0] if lifted.size else len(down)))


def _by_itself(pull: Pull, t: Array, closed: Array, step: float) -> Held | None:
    """Without a pedal: a part-closed angle that stands a while, the full one before and after."""
    if pull.log.has("pedal_position"):
        return None
    part = (closed > 100 * (1 - PARTLY[1])) & (closed < 100 * (1 - PARTLY[0]))
    found: list[Held] = []
    for a, b in zip(*runs(part), strict=True):
        here = Held(median_sorted(closed[a:b]), float(t[a]), float(t[b - 1]))
        back = closed[b : b + max(2, int(0.5 / step))]
        if here.seconds + step < STANDS_S or a == 0 or not len(back) or back.min() > 5.0:
            continue
        middle = closed[a:b][(b - a) // 4 :]
        stands = quantile(middle, 0.9) - quantile(middle, 0.1) <= STANDS_PCT
        if stands and _pulls_on(pull, here):
            found.append(here)
    return max(found, key=lambda held: held.level, default=None)


def _pulls_on(pull: Pull, here: Held) -> bool:
    """Does boost stay and engine speed climb meanwhile?"""
    rpm, boost = (pull.believed(name, tail_s=TAIL_S) for name in ("engine_speed", "boost"))
    held = boost.within(here.start_s, here.end_s).value
    speed = np.interp((here.start_s, here.end_s), rpm.t, rpm.value)
    return len(held) > 0 and median_sorted(held) > 10.0 and bool(speed[1] > speed[0])


def _innocent(pull: Pull, found: Held, rpm: Series) -> bool:
    """The limiter, or a shift: engine speed falls by a gear's step as the throttle closes."""
    before = rpm.within(found.start_s - 0.3, found.start_s + 0.1).value
    after = rpm.within(found.start_s, found.start_s + 0.8).value
    brief = found.seconds < 0.8 and len(before) and len(after)
    shifted = brief and after.min() < SHIFT_FALL * before.max()
    return bool(shifted) or at_limiter(pull, found.start_s, rpm)
