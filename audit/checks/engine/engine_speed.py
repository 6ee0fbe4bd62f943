"""engine_speed: was the engine turned over its limit, or far faster than in any other pull?

Does not see: what happens between slow samples; a missed shift shorter than two of them.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from audit.checks.kit.base import (
    Across,
    Judged,
    LimitTable,
    Measured,
    by_rows,
    cannot,
    gathered,
    judge_figure,
    judge_rows,
)
from audit.declared import declared
from audit.model import Car, Log, Measures, Pull, Sanity, believed_series
from audit.signal.held import Held, held_above

DECLARED = declared(__name__)
NAME, CODES = DECLARED.name, DECLARED.codes

HELD_S = 0.05
TAIL_S = 0.5  # the engine runs on into the shift
LEAST_OTHERS = 3
ALIKE = 0.02  # the other pulls end within this share of their highest
SHUT_PCT = 50.0  # a throttle more open than this belongs to a pull


def measure(pull: Pull, limits: LimitTable) -> Measured:  # noqa: ARG001 - the shape of every check
    """engine_top_rpm: highest speed held by two samples; overspeed_pct: that over the limit, %."""
    top = held_above(*pull.believed("engine_speed", tail_s=TAIL_S), HELD_S)
    if top is None:
        return cannot("too_short", "fewer than two believed samples of engine speed")
    sheet = Measured({"engine_top_rpm": top.level})
    if pull.car.engine_limit_rpm is None:
        why = "the car file gives no highest engine speed (engine.limit_rpm)"
        return sheet.of("engine_speed", unable=("missing", why))
    return _over(sheet, top, pull.car.engine_limit_rpm)


def _over(sheet: Measured, top: Held, limit: float, where: str = "") -> Measured:
    by = 100.0 * (top.level / limit - 1.0)
    text = f"The engine turned {top.level:.0f} rpm, {by:+.1f} % of the {limit:.0f} rpm that the car"
    sheet.put("overspeed_pct", by, f"{text} file allows{where}", at=top)
    return sheet.of("engine_speed")


judge = by_rows(CODES)


def across(pulls: Sequence[Pull], measures: Sequence[Measures], limits: LimitTable) -> Across:
    """Without a limit in the car file: a pull that ends far over where all others end alike."""
    tops = sorted((float(v), i) for i, m in enumerate(measures) if (v := m.get("engine_top_rpm")))
    known = any(pull.car.engine_limit_rpm is not None for pull in pulls)
    if known or len(tops) < LEAST_OTHERS + 1:
        return Across(unable=("too_short", "too few pulls to tell where they usually end"))
    (top, index), usual = tops[-1], tops[-2][0]
    if tops[0][0] < (1 - ALIKE) * usual:
        return Across(unable=("too_short", "the pulls end at unlike engine speeds"))
    over = 100.0 * (top / usual - 1.0)
    judged = judge_figure(
        limits.row("engine.overspeed", "overspeed_unlike_pct"),
        over,
        f"The engine turned {top:.0f} rpm in this pull, {over:.0f} % more than in any other, which "
        f"end near {usual:.0f} rpm",
        "engine_speed",
        said="Give the car file engine.limit_rpm",
    )
    return gathered([(judged, (index,))], "")


def whole_log(log: Log, sanity: Sanity, car: Car, limits: LimitTable) -> Judged:
    """Outside the pulls too: a gear too low taken on the overrun. What is wide open is a pull's."""
    limit = car.engine_limit_rpm
    rpm, throttle = (
        believed_series(log, sanity, name, 0.0, log.duration_s)
        for name in ("engine_speed", "throttle_position")
    )
    if limit is None or len(rpm.t) < 2 or rpm.value.max() < limit:
        return Judged(None)
    wide = throttle.at(rpm.t, max_gap_s=1.5) >= SHUT_PCT
    wide |= throttle.at(rpm.t - TAIL_S) >= SHUT_PCT  # the pull's own end is the pull's
    top = held_above(rpm.t[~wide], rpm.value[~wide], HELD_S)
    if top is None:
        return Judged(None)
    shut = throttle.at(np.array([top.start_s]))[0] < SHUT_PCT
    where = ", with the throttle shut" if shut else ", outside the pulls"
    return judge_rows(CODES, _over(Measured(), top, limit, where), limits)
