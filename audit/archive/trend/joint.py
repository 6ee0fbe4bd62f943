"""Faults that move several measures at once, charted by what these say together.

A small leak moves boost by two of its spreads and the time to it by two of its own: neither chart
hurries, their sum does. The scores of a signature's measures, each signed so that the fault is up,
are added and put over the spread that the sum had on the nights before, so measures that rise and
fall together count for no more than they tell.
Source: with equal expected shifts and equal correlations the sum is the best linear detector
(Healy, A note on multivariate CUSUM procedures, Technometrics 29 (1987), 409-412, from memory).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from audit.archive.trend.alarm import Interval, Shift, find_shifts, placed
from audit.archive.trend.trend import Trend
from audit.archive.watched import Watched, chart_settings
from audit.model import Array
from audit.tables import toml_table

LEAST_PARTS = 2
PRIOR_NIGHTS = 12.0  # nights that the sum's spread without correlation counts for
SPREAD_CLIP = 2.5  # a night adds at most this many spreads, squared, to the spread
GUARD = 4.0  # a sum of scores (after 1 off each) over this stops the learning of the spread


@dataclass(frozen=True, slots=True)
class Signature:
    """Measures that one fault moves together. parts: measure -> side; told: the name that it is
    shown under;
    worth: the least mean shift of the parts, in shifts that matter, and least the same of each of
    two.
    """

    told: Watched
    parts: Mapping[str, str]
    worth: float
    least: float


@dataclass(frozen=True)
class Joint:
    """What the parts of a signature say together. score: a night each; shifts: alarms; amounts:
    mean shift of each
    part since the last alarm's onset, in its unit.
    """

    dates: tuple[str, ...]
    score: Array
    shifts: tuple[Shift, ...]
    amounts: Mapping[str, float]


@lru_cache(maxsize=1)
def signatures() -> tuple[Signature, ...]:
    """All signatures of schemas/trends.toml."""
    return tuple(
        _signature(name, row) for name, row in toml_table("trends.toml")["signature"].items()
    )


def _signature(name: str, row: dict) -> Signature:  # type: ignore[type-arg]
    told = Watched(
        name=name,
        label=row["label"],
        unit="sigma",
        digits=1,
        kind="joint",
        column="",
        noise=1.0,
        matters=1.0,
        serious=float("inf"),
        bad="up",
        code={"up": row["code"]},
        means={"up": row["means"]},
        channel=row.get("channel", ""),
        look_at={"up": tuple(row["look_at"])},
    )
    return Signature(told, dict(row["parts"]), float(row["worth"]), float(row["least"]))


def joint_of(signature: Signature, trends: Sequence[Trend]) -> Joint | None:
    """The signature's chart over the nights that had two of its parts past their first nights; None
    for none.
    """
    parts = {t.measure.name: t for t in trends if t.measure.name in signature.parts}
    if len(parts) < LEAST_PARTS:
        return None
    dates = tuple(sorted({day for t in parts.values() for day in t.dates}))
    score = np.vstack([_signed(t, signature, t.scores, dates) for t in parts.values()])
    shift = np.vstack([_signed(t, signature, t.residuals, dates) for t in parts.values()])
    keep = np.isfinite(score).sum(axis=0) >= LEAST_PARTS
    if not keep.any():
        return None
    dates, score, shift = (
        tuple(d for d, k in zip(dates, keep, strict=True) if k),
        score[:, keep],
        shift[:, keep],
    )
    together = _together(score)
    matters = np.array([t.measure.matters for t in parts.values()])[:, None]
    found = _alarms(together, shift / matters, signature)
    amounts = (
        {} if not found else dict(zip(parts, _means(shift[:, found[-1].onset :]), strict=True))
    )
    signed = {
        name: float(v) if signature.parts[name] == "up" else -float(v)
        for name, v in amounts.items()
        if np.isfinite(v)
    }
    return Joint(dates, together, tuple(found), signed)


def _signed(
    trend: Trend, signature: Signature, values: Sequence[float], dates: Sequence[str]
) -> Array:
    """A part's values on all dates, up for the fault; nan where it has none or too few nights
    before.
    """
    sign = 1.0 if signature.parts[trend.measure.name] == "up" else -1.0
    least = int(chart_settings()["least_nights"])
    have = dict(zip(trend.dates[least:], values[least:], strict=True))
    return np.array([sign * have.get(day, np.nan) for day in dates])


def _together(score: Array) -> Array:
    """The sum of the parts' scores over the spread that it is expected to have: one value a
    night.
    """
    clip = chart_settings()["clip"]
    clipped = np.clip(score, -clip, clip)
    count = np.isfinite(clipped).sum(axis=0)
    plain = np.nansum(clipped, axis=0) / np.sqrt(count)  # variance 1 if the parts are independent
    squares, nights, up, out = PRIOR_NIGHTS, PRIOR_NIGHTS, 0.0, []
    for value in plain:
        spread2 = max(1.0, squares / nights)  # parts that cancel are no licence to be surer
        out.append(value / spread2**0.5)
        up = max(0.0, up + out[-1] - 1.0)
        if up < GUARD:
            squares += min(value**2, SPREAD_CLIP**2 * spread2)
            nights += 1.0
    return np.array(out)


def _alarms(together: Array, shares: Array, signature: Signature) -> list[Shift]:
    setting = chart_settings()

    def worth(zero: int, night: int, _side: str) -> float | None:
        means = np.sort(_means(shares[:, zero : night + 1]))[::-1]
        means = means[np.isfinite(means)]
        enough = (
            len(means) >= LEAST_PARTS
            and means.mean() >= signature.worth
            and means[LEAST_PARTS - 1] >= signature.least
        )
        return float(np.mean(together[zero : night + 1])) if enough else None

    quick = Interval("quick", setting["joint_k"], setting["joint_h"])
    found = find_shifts(together, together, worth=worth, first=0, intervals=(quick,), sides=("up",))
    return [placed(s, together, together, first=0) for s in found]


def _means(rows: Array) -> Array:
    """Mean of the finite values of each row, nan for none."""
    there = np.isfinite(rows)
    total, count = np.where(there, rows, 0.0).sum(axis=1), there.sum(axis=1)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)
