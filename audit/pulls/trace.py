"""The engine speed of one wide-open stretch: where it climbs, falls, and stands at its ceiling."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from audit.model import Array
from audit.signal.arrays import finite, median, quantile

# share of engine speed lost that is a shift (closest gears are some 12 % apart) or a grip regained
FALL = 0.09
FALL_RPM = 300.0
SAME_GEAR = 0.07  # ratios nearer than this are one gear
CEILING = 0.022  # a limiter holds engine speed within this share of its top
CEILING_S = 0.4
TURN_S = 0.25
SPIN = 0.05  # ratio this far over the calm one: the wheels spin
WAIT_S = 0.6  # engine speed that stood for longer before it climbed was held, on a launch or a dyno
CLIMB = 60.0  # rpm/s: less is a hill or a dyno that holds
LEAST_CLIMB = 0.05  # of engine speed, over the whole pull


class Piece(NamedTuple):
    """Samples first to stop (one past the last), and what ended them ('': the stretch's end)."""

    first: int
    stop: int
    ended_by: str = ""


def pull_pieces(t: Array, rpm: Array, ratio: Array | None, *, ceiling: float = 0.0) -> list[Piece]:
    """Cut a wide-open stretch at its shifts and its limiter; each piece with a climbing engine
    speed.

    t: s, n samples; rpm: n; ratio: engine speed over road speed, n, NaN where unknown, or None;
    ceiling: rpm below which there is no limiter. A fall of
    engine speed is no shift where the ratio comes back to where it was before it rose: grip
    regained."""
    speed = steadied(rpm)
    found = []
    cuts = _falls(t, speed, ratio)
    edges = [0, *[c for pair in cuts for c in pair], len(t)]
    for i in range(0, len(edges), 2):
        first, stop = edges[i], edges[i + 1]
        ended = "shift" if i + 2 < len(edges) else ""
        if stop - first < 3:
            continue
        limited = _may_limit(speed, ratio, first, stop, ceiling=ceiling)
        piece = _trimmed(t, speed, Piece(first, stop, ended), limited=limited)
        if piece is not None:
            found.append(piece)
    return found


def steadied(rpm: Array) -> Array:
    """Running median of three: a lone wild sample is no shift."""
    if len(rpm) < 3:
        return rpm
    left, here = rpm[:-2], rpm[1:-1]
    middle = np.maximum(np.minimum(left, here), np.minimum(np.maximum(left, here), rpm[2:]))
    return np.concatenate((rpm[:1], middle, rpm[-1:]))


def _falls(t: Array, speed: Array, ratio: Array | None) -> list[tuple[int, int]]:
    """(one past the last sample of the old gear, first of the new one) of each shift."""
    high = np.maximum.accumulate(speed)
    fell = speed < np.minimum((1 - FALL) * high, high - FALL_RPM)
    cuts: list[tuple[int, int]] = []
    i = 0
    while i < len(t) and fell[i:].any():
        deep = i + int(np.argmax(fell[i:]))
        top = i + int(np.argmax(speed[i : deep + 1]))
        if deep > top:
            top = deep - 1 - int(np.argmax(speed[top:deep][::-1] >= 0.985 * speed[top]))
        low = _bottom(t, speed, deep)
        if not _grip(t, ratio, i, top, low):
            cuts.append((top + 1, low))
        i = max(low, i + 1)
        high[i:] = np.maximum.accumulate(speed[i:])
        fell[i:] = speed[i:] < np.minimum((1 - FALL) * high[i:], high[i:] - FALL_RPM)
    return cuts


def _bottom(t: Array, speed: Array, deep: int) -> int:
    """Where the fall ends: the lowest sample before engine speed climbs again, within 1.5 s."""
    end = int(np.searchsorted(t, t[deep] + 1.5, side="right"))
    window = speed[deep:end]
    return deep + int(np.argmin(window))


def _grip(t: Array, ratio: Array | None, first: int, top: int, low: int) -> bool:
    """Did the ratio only come back to what it was before engine speed ran away?"""
    if ratio is None:
        return False
    before = finite(ratio[first : top + 1])
    after = finite(ratio[low : int(np.searchsorted(t, t[low] + 0.8, side="right")) + 1])
    if len(before) < 3 or len(after) < 1:
        return False
    calm = quantile(before, 0.15)
    return bool(abs(median(after) / calm - 1) < SAME_GEAR)


def _may_limit(speed: Array, ratio: Array | None, first: int, stop: int, *, ceiling: float) -> bool:
    """A limiter works at the top of the log's speeds, on gripping wheels (else they spin)."""
    peak = first + int(np.argmax(speed[first:stop]))
    if speed[peak] < ceiling:
        return False
    if ratio is None:
        return True
    whole = finite(ratio[first:stop])
    near = finite(ratio[max(first, peak - 2) : min(stop, peak + 3)])
    if len(whole) < 5 or not len(near):
        return True
    return bool(median(near) < (1 + SPIN) * quantile(whole, 0.15))


def _trimmed(t: Array, speed: Array, piece: Piece, *, limited: bool) -> Piece | None:
    """The climbing part, less a wait before and a limiter after it; None where none climbs."""
    a, b = piece.first, piece.stop
    span = speed[a:b]
    top = float(np.max(span))
    at_top = np.flatnonzero(span >= (1 - CEILING) * top)
    ended = piece.ended_by
    reached = a + int(at_top[0])
    late, before = slice(reached, b), slice(a, reached + 1)
    long = t[b - 1] - t[reached] >= CEILING_S
    if limited and long and _stands(t[late], speed[late], t[before], speed[before]):
        at_ceiling = int(np.argmax(speed[late] >= (1 - 0.3 * CEILING) * top))
        b, ended = min(max(a + 2, reached + 1 + at_ceiling), piece.stop), "limiter"
    elif limited and (peak := _turned(t[a:b], speed[a:b])) is not None:
        b, ended = a + peak + 1, "limiter"
    base = float(np.min(speed[a : min(b, a + max(3, (b - a) // 2))]))
    low = np.flatnonzero(speed[a:b] <= base * 1.015 + 15.0)
    if low.size and t[a + low[-1]] - t[a] > WAIT_S and _stood(speed[a : a + low[-1] + 1]):
        a = a + int(low[-1])
    if b - a < 3:
        return None
    gain = float(median(speed[b - min(3, b - a) : b]) - median(speed[a : a + min(3, b - a)]))
    length = float(t[b - 1] - t[a])
    if gain < max(120.0, LEAST_CLIMB * float(speed[a])) or gain < CLIMB * length:
        return None
    return Piece(a, b, ended)


def _stands(t: Array, late: Array, t_before: Array, before: Array) -> bool:
    """Has engine speed stopped climbing abruptly? A tall gear's climb slows long before."""
    if len(late) < 3:
        return False
    window = before[t_before >= t_before[-1] - 1.0]
    if len(window) < 2:
        return False
    was = float(window[-1] - window[0]) / max(float(t_before[-1] - t_before[-len(window)]), 1e-3)
    half = len(late) // 2
    now = float(np.mean(late[half:]) - np.mean(late[:half])) / max(float(t[-1] - t[0]) / 2, 1e-3)
    return was > 4 * CLIMB and now < 0.2 * was


def _turned(t: Array, speed: Array) -> int | None:
    """The top of a brisk climb that turns into a lasting fall, wide open: the fuel is cut."""
    peak = int(np.argmax(speed))
    before = int(np.searchsorted(t, t[peak] - 1.0))
    if t[-1] - t[peak] < TURN_S or len(t) - peak < 3 or peak - before < 2:
        return None
    was = (speed[peak] - speed[before]) / (t[peak] - t[before])
    return peak if was > 4 * CLIMB and speed[-1] < speed[peak] - 0.002 * speed[peak] else None


def _stood(wait: Array) -> bool:
    return float(np.ptp(wait)) < 0.06 * float(np.max(wait)) + 60.0
