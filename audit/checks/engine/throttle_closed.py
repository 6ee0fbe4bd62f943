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
AROUND_S = (
    0.12  # the pedal must be down this long before and after too: the two are not read at once
)
STANDS_S = 0.3  # without a pedal: it stands this long
STANDS_PCT = 4.0  # within this, and
PARTLY = (0.3, 0.9)  # between these shares of its opening
SHIFT_FALL = 0.92  # engine speed that falls to this share was a shift


def measure(pull: Pull, limits: LimitTable) -> Measured:  # noqa: ARG001 - the shape of every check
    """throttle_closed_pct: by how much of its opening the throttle was taken back, 0 where it was
    not.
    """
    throttle = pull.believed("throttle_position", tail_s=TAIL_S)
    inside = throttle.within(pull.start_s, pull.end_s).value
    if len(inside) < 4:
        return cannot("too_short", "too few believed samples of throttle in the pull")
    top = quantile(inside, 0.9)
    opened = np.maximum.accumulate(throttle.value >= OPEN * top)
    closed = np.where(opened, 100.0 * (1.0 - throttle.value / max(top, 1.0)), 0.0)
    found = _by_pedal(pull, throttle, closed)
    how = "though the pedal was down"
    if found is None:
        how = "and opened again, while engine speed climbed on and boost stayed"
        found = _by_itself(pull, throttle, closed)
    sheet = Measured({"throttle_closed_pct": 0.0})
    rpm = pull.believed("engine_speed", lead_s=1.0, tail_s=TAIL_S)
    if found is not None and len(rpm.t) > 2 and not _innocent(pull, found, rpm):
        sheet.put(
            "throttle_closed_pct",
            max(found.level, 0.0),
            f"The throttle closed by {found.level:.0f} % of its opening near "
            f"{np.interp(found.start_s, rpm.t, rpm.value):.0f} rpm {how}, for "
            f"{found.end_s - found.start_s + interval_of(throttle.t, alone=0.1):.1f} s",
            at=found,
        )
    return sheet.of("throttle_position")


judge = by_rows(CODES)


def _by_pedal(pull: Pull, throttle: Series, closed: Array) -> Held | None:
    """The most that the throttle was closed for a while with the pedal down; None without a
    pedal.
    """
    pedal = pull.believed("pedal_position", lead_s=0.5, tail_s=TAIL_S + 0.5)
    pedal = Series(pedal.t, without_singles(pedal.value))
    inside = pedal.within(pull.start_s, pull.end_s).value
    if len(inside) < 3 or (top := quantile(inside, 0.75)) < LEAST_DOWN:
        return None
    around = max(AROUND_S, interval_of(pedal.t, alone=0.1), interval_of(throttle.t, alone=0.1))
    down = np.ones(len(throttle.t), dtype=np.bool_)
    for shift in (-around, 0.0, around):
        at = np.nan_to_num(pedal.at(throttle.t + shift, max_gap_s=1.0), nan=0.0)
        down &= at >= DOWN * top
    shut = np.where(_first_press(down), closed, 0.0)
    held = held_above(throttle.t, shut, max(HELD_S, interval_of(throttle.t, alone=0.1)))
    return None if held is None else spread(throttle.t, shut, 0.8 * max(held.level, 1.0), held)


def _first_press(down: Bools) -> Bools:
    """Only until the foot is first lifted: what comes later is another pull."""
    lifted = np.flatnonzero(down[:-1] & ~down[1:])
    return down & (np.arange(len(down)) <= (lifted[0] if lifted.size else len(down)))


def _by_itself(pull: Pull, throttle: Series, closed: Array) -> Held | None:
    """Without a pedal: a part-closed angle that stands for a while, with the full one before and
    after it.
    """
    if pull.log.has("pedal_position"):
        return None
    t = throttle.t
    rpm = pull.believed("engine_speed", tail_s=TAIL_S)
    boost = pull.believed("boost", tail_s=TAIL_S)
    part = (closed > 100 * (1 - PARTLY[1])) & (closed < 100 * (1 - PARTLY[0]))
    best: Held | None = None
    step = interval_of(t, alone=0.1)
    for a, b in zip(*runs(part), strict=True):
        start, end = float(t[a]), float(t[b - 1])
        back = closed[b : b + max(2, int(0.5 / step))]
        if end - start + step < STANDS_S or a == 0 or not len(back) or back.min() > 5.0:
            continue
        middle = closed[a:b][(b - a) // 4 :]
        stands = quantile(middle, 0.9) - quantile(middle, 0.1) <= STANDS_PCT
        speed = np.interp((start, end), rpm.t, rpm.value)
        held_boost = boost.within(start, end).value
        stays = len(held_boost) > 0 and float(np.median(held_boost)) > 10.0
        if stands and stays and speed[1] > speed[0]:
            level = median_sorted(closed[a:b])
            if best is None or level > best.level:
                best = Held(level, start, end)
    return best


def _innocent(pull: Pull, found: Held, rpm: Series) -> bool:
    """The limiter at the top, or a shift: engine speed falls by a gear's step as the throttle
    closes.
    """
    before = rpm.within(found.start_s - 0.3, found.start_s + 0.1).value
    after = rpm.within(found.start_s, found.start_s + 0.8).value
    short = found.end_s - found.start_s < 0.8 and len(before) and len(after)
    if short and after.min() < SHIFT_FALL * before.max():
        return True
    return at_limiter(pull, found.start_s, rpm)
