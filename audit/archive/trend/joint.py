"""Faults that move several measures at once, charted by what these say together.

A small leak moves boost by two of its spreads and the time to it by two of its own: neither chart
hurries, their sum does. The scores of a signature's measures, each signed so that the fault is up,
are added and put over the spread that the sum had on the nights before, so measures that rise and
fall together count for no more than they tell.
Source: with equal expected shifts and equal correlations the sum is the best linear detector
(Healy, A note on multivariate CUSUM procedures, Technometrics 29 (1987), 409-412, from memory).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from audit.archive.trend.alarm import LEAST_PARTS, SIGN, find_shifts, worth_of
from audit.archive.trend.corrections import KNOWN_NIGHTS, Spread
from audit.archive.trend.trend import Trend, floats
from audit.archive.watched import Watched, chart_settings
from audit.model import Array
from audit.signal.arrays import finite, mean


def joint_of(signature: Watched, trends: Sequence[Trend]) -> Trend | None:
    """The signature over the nights that had two of its parts past their first nights, its values
    the joint scores; None for none.
    """
    parts = [t for t in trends if t.measure.name in signature.parts]
    days = np.array(sorted({day for t in parts for day in t.dates[t.first :]}))
    scores, shares = np.full((2, len(parts), len(days)), np.nan)
    for score, share, t in zip(scores, shares, parts, strict=True):
        sign, at = SIGN[signature.parts[t.measure.name]], np.searchsorted(days, t.dates[t.first :])
        score[at] = sign * np.array(t.scores[t.first :])
        share[at] = sign * np.array(t.residuals[t.first :]) / t.measure.matters
    keep = np.isfinite(scores).sum(axis=0) >= LEAST_PARTS
    if not keep.any():
        return None
    score, shares = _together(scores[:, keep]), shares[:, keep]
    worth = worth_of(shares, share=signature.share, least=signature.least)
    shifts = find_shifts(score, score, signature, worth=worth, first=0)
    moved = {}
    if shifts and shifts[-1].ended is None:
        for t, share in zip(parts, shares, strict=True):
            if (since := finite(share[shifts[-1].onset :])).size:
                sign = SIGN[signature.parts[t.measure.name]]
                moved[t.measure.name] = sign * mean(since) * t.measure.matters
    told, because = floats(score), next((t.because for t in parts if t.because), "")
    dates = tuple(days[keep].tolist())
    return Trend(signature, dates, told, told, told, tuple(shifts), because=because, parts=moved)


def _together(scores: Array) -> Array:
    """The sum of the parts' scores over the spread that it is expected to have: one value a
    night. Parts that cancel are no licence to be surer than if they were independent.
    """
    clip, spread = chart_settings()["clip"], Spread(1.0, KNOWN_NIGHTS)
    plain = np.nansum(np.clip(scores, -clip, clip), axis=0)
    out = plain / np.sqrt(np.isfinite(scores).sum(axis=0))
    for night, value in enumerate(out):
        out[night] = value / max(1.0, spread.variance) ** 0.5
        spread.learns(out[night])
    return np.asarray(out, dtype=np.float64)
