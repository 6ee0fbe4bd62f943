"""White noise and resolution of a channel, cheaply: from a sample of its second differences."""

from __future__ import annotations

import numpy as np

from audit.model import Array
from audit.signal.robust import MAD_TO_SIGMA

MOST = 800  # triples looked at; the estimate is then good to some 4 %


def noise_and_step(t: Array, value: Array) -> tuple[float | None, float]:
    """White-noise sigma (None under 8 samples) and resolution (0 where none is seen), in the
    value's unit.

    Each sample against the line between its neighbours, over triples spread evenly through the log;
    scale by the median absolute deviation, then root mean square within 3.5 of it. Where most
    triples lie on one level the resolution's own sigma, step / sqrt(12), stands in.
    Does not see: noise slower than a few samples. Source: as signal.robust.noise_sigma."""
    n = len(value)
    if n < 8:
        return None, 0.0
    i = np.arange(1, n - 1, max(1, (n - 2) // MOST))
    left, right = t[i] - t[i - 1], t[i + 1] - t[i]
    share = right / (left + right)
    d = (value[i] - share * value[i - 1] - (1 - share) * value[i + 1]) / np.sqrt(
        1 + share**2 + (1 - share) ** 2
    )
    size = np.abs(d)
    step = _step(value[i])
    half = len(size) // 2
    scale = max(MAD_TO_SIGMA * float(np.partition(size, half)[half]), 0.4 * step)
    kept = d[size <= 3.5 * scale]
    sigma = float(np.sqrt(np.mean(kept**2))) if len(kept) else 0.0
    return max(sigma, step / 12**0.5), step


def _step(value: Array) -> float:
    """Smallest distance between levels, where they are few and so it is a resolution."""
    ordered = np.sort(value)
    gaps = np.diff(ordered)
    gaps = gaps[gaps > 1e-9 * max(1.0, abs(float(ordered[-1])))]
    if not 2 <= len(gaps) <= 0.7 * len(value):
        return float(gaps[0]) if len(gaps) == 1 else 0.0
    # lower decile: a conversion's rounding puts a few levels closer together than the true step
    return float(np.partition(gaps, len(gaps) // 10)[len(gaps) // 10])
