"""Candidates and their scores to one decision: unit, confidence, runner-up, doubt."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from audit.intake.names.unit_text import Unit, units
from audit.model import Array

MARGIN = 2.0  # log-likelihood by which the best must lead, about 7 to 1
STATED = 6.0  # what a unit stated in the file weighs against another
CAR_FILE = "car file"
CONTRADICTED = -7.0  # evidence against a stated unit from here on is worth a doubt
SAME = 0.04  # two readings that differ by less are one


class Source(NamedTuple):
    """One named column, thinned and forward-filled, with what the file says of its unit.

    still: it shows one value all through.
    """

    values: Array
    stated: Unit | None
    stated_from: str
    hints: frozenset[str]
    words: tuple[str, ...]
    still: bool = False


class Candidate(NamedTuple):
    """One way to read a column. canonical = scale * source + offset, unless special."""

    unit: Unit
    said: str
    scale: float
    offset: float = 0.0
    special: str = ""
    reference: str = ""  # pressures: 'gauge' or 'absolute'

    def turned(self, value: float) -> float:
        """One source value in the canonical unit."""
        if self.special == "reciprocal":
            return 1.0 / value if value else math.nan
        if self.special == "inhg_psi" and value < 0:
            return units()["inhg"].scale * value + self.offset
        return self.scale * value + self.offset


@dataclass(slots=True)
class Scored:
    """A candidate with its score: prior (what the file says) and evidence (what the values say)."""

    candidate: Candidate
    prior: float
    evidence: float = 0.0
    why: list[str] = field(default_factory=list)

    def add(self, points: float, why: str = "") -> None:
        """Put points on; why is kept when it weighs something."""
        self.evidence += points
        if why and abs(points) >= 1.0:
            self.why.append(why)

    @property
    def total(self) -> float:
        return self.prior + self.evidence


class Decision(NamedTuple):
    """How a column's unit was decided."""

    candidate: Candidate
    unit_from: str
    why: str
    confidence: float = 1.0
    runner_up: str = ""
    doubtful: bool = False


def decide(
    scored: Sequence[Scored], source: Source, *, typical: float, safest: bool = False
) -> Decision:
    """The best candidate, with its margin to the next one that would give another value.

    typical: a high source value, at which two candidates are the same when within SAME. safest:
    below the margin take the candidate that gives the highest value instead of the likeliest. What
    the car file states stands; so does what the file states of a column that never moves, since a
    broken sensor is no evidence of a unit.
    """
    stated = source.stated
    if stated is not None and (source.stated_from == CAR_FILE or source.still):
        scored = _only_stated(scored, stated)
    ranked = sorted(scored, key=lambda s: -s.total)
    best = ranked[0]
    others = [s for s in ranked[1:] if _differs(best.candidate, s.candidate, typical)]
    rival = others[0] if others else None
    near = [s for s in others if best.total - s.total < MARGIN]
    doubtful = bool(near)
    if doubtful and safest:
        pick = max([best, *near], key=lambda s: s.candidate.turned(typical))
        if pick is not best:
            best, rival = pick, best
    total = sum(math.exp(s.total - ranked[0].total) for s in [ranked[0], *others])
    confidence = math.exp(min(best.total - ranked[0].total, 0.0)) / max(total, 1e-12)
    why = "; ".join([*dict.fromkeys(best.why)][:3])
    said_so = stated is not None and _same_size(best.candidate.unit, stated)
    if stated is not None and (not said_so or best.evidence <= CONTRADICTED):
        doubtful = True
        why = f"the {source.stated_from} says {stated.said}, but the values do not fit it" + (
            f"; {why}" if why else ""
        )
        confidence = min(confidence, 0.6)
    told = best.evidence > -STATED and (best.why or rival is not None)
    return Decision(
        best.candidate,
        source.stated_from if said_so else "physics" if told else "assumed",
        why,
        round(min(confidence, 1.0), 3),
        rival.candidate.said if rival else "",
        doubtful,
    )


def plain(unit: Unit) -> Candidate:
    """A unit taken as it is."""
    return Candidate(unit, unit.said, unit.scale, unit.offset, unit.special, unit.reference)


def _only_stated(scored: Sequence[Scored], stated: Unit) -> Sequence[Scored]:
    """What is said wins: only candidates of its unit, and of its reference where it gives one."""
    kept = [s for s in scored if _same_size(s.candidate.unit, stated)]
    referenced = [s for s in kept if stated.reference in ("", s.candidate.reference)]
    return referenced or kept or [Scored(plain(stated), 0.0)]


def _same_size(a: Unit, b: Unit) -> bool:
    return a.key == b.key or (
        abs(a.scale - b.scale) <= 1e-12 and a.offset == b.offset and a.special == b.special
    )


def _differs(a: Candidate, b: Candidate, typical: float) -> bool:
    x, y = a.turned(typical), b.turned(typical)
    low_x, low_y = a.turned(0.0), b.turned(0.0)
    size = max(abs(x), abs(y), 1e-9)
    if not math.isfinite(x) or not math.isfinite(y):
        return True
    return abs(x - y) > SAME * size or (
        math.isfinite(low_x) and math.isfinite(low_y) and abs(low_x - low_y) > SAME * size
    )
