"""What the highest sample may have missed."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from audit.signal.arrays import FloatArray, clean


def peak_bound(t: ArrayLike, y: ArrayLike) -> float | None:
    """Highest value that the signal can have had beside its highest sample; None under 3 samples.

    Where the signal is concave about its peak, it lies below the straight lines through the two
    samples before and the two after: their meeting point bounds the true peak. Beside the ends only
    one line is there. Noise widens the bound; a spike narrower than two intervals can exceed it.
    Source: a concave function lies below the extension of its chords.
    """
    clock, values = clean(t, y)
    if values.size < 3:
        return None
    i = int(np.argmax(values))
    return max(_between(clock, values, i - 1), _between(clock, values, i))


def _between(t: FloatArray, y: FloatArray, i: int) -> float:
    """Bound on the interval from sample i to i + 1."""
    if i < 0 or i + 1 >= t.size:
        return float(y[min(max(i, 0), t.size - 1)])
    width = t[i + 1] - t[i]
    up = (y[i] - y[i - 1]) / (t[i] - t[i - 1]) if i >= 1 else None
    down = (y[i + 2] - y[i + 1]) / (t[i + 2] - t[i + 1]) if i + 2 < t.size else None
    ends = max(y[i], y[i + 1])
    if up is None and down is None:
        return float(ends)
    if up is None:
        return float(max(ends, y[i + 1] - min(down or 0.0, 0.0) * width))
    if down is None:
        return float(max(ends, y[i] + max(up, 0.0) * width))
    if up <= down:
        return float(ends)
    meet = float(np.clip((y[i + 1] - y[i] - down * width) / (up - down), 0.0, width))
    return float(max(ends, min(y[i] + up * meet, y[i + 1] + down * (meet - width))))
