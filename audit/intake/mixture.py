"""Mixture by physics: lambda, AFR on the petrol scale or the fuel's own, or phi = 1/lambda.

Evidence: cruise and idle lie near lambda 1, full load of a turbo petrol engine near 0.72 to 0.92. Common
practice, no published source. Does not see: lambda against phi in a log that never leaves 1.
"""

from __future__ import annotations

import numpy as np

from audit.intake.decide import STATED, Candidate, Decision, Scored, decide, window
from audit.intake.scene import Scene, quantile
from audit.intake.unit_text import Unit, units
from audit.model import Array

PETROL_AFR = 14.7


def mixture(
    values: Array,
    scene: Scene,
    *,
    stated: Unit | None,
    stated_from: str,
    hints: frozenset[str],
    words: tuple[str, ...],
    stoichiometric_afr: float,
) -> Decision:
    """How to read a mixture column as lambda. values: thinned source values; free-air readings allowed.

    An AFR gauge shows lambda times a fixed figure, mostly 14.7 whatever the fuel; the car file's figure
    is tried beside it.
    """
    finite = values[np.isfinite(values) & (values > 0)]
    ordered = np.sort(finite) if len(finite) else np.array([1.0])
    mid, low = quantile(ordered, 0.5), quantile(ordered, 0.1)
    steady = scene.level(values, scene.steady)
    idle = scene.level(values, scene.idle)
    wide = scene.level(values, scene.wide)
    scored = []
    for candidate, prior in _candidates(stated, hints, words, stoichiometric_afr):
        one = Scored(candidate, prior)
        one.add(window(candidate.turned(mid), 0.62, 1.75, 0.08, 14.0), "its values are no mixture")
        one.add(window(candidate.turned(low), 0.5, 1.6, 0.08, 6.0))
        calm = steady if steady is not None else idle
        if calm is not None and calm > 0:
            one.add(window(candidate.turned(calm), 0.95, 1.06, 0.07, 3.5), "light load does not lie near lambda 1")
        if wide is not None and wide > 0:
            one.add(window(candidate.turned(wide), 0.68, 0.95, 0.05, 5.0), "full load is not rich")
            if 0.68 <= candidate.turned(wide) <= 0.95:
                one.why.append("full load is rich, as it should be")
        scored.append(one)
    return decide(scored, stated=stated, stated_from=stated_from, typical=wide or mid)


def _candidates(stated: Unit | None, hints: frozenset[str], words: tuple[str, ...], afr: float) -> list[tuple[Candidate, float]]:
    table = units()
    says_phi = bool({"phi", "φ", "richesse", "eqr"} & set(words))
    says_afr = "afr" in hints or ("ratio" in hints and "air" in hints and "equiv" not in hints)

    def prior(key: str) -> float:
        if stated is not None:
            return 0.0 if stated.key == key else -STATED
        if key == "afr":
            return 0.0 if says_afr else -0.5
        if key == "phi":
            return 2.0 if says_phi else -1.5 if "equiv" in hints else -4.0
        return 0.0 if key == "lambda" else -4.0

    rows = [(Candidate(table["lambda"], "lambda", 1.0), prior("lambda")), (Candidate(table["phi"], table["phi"].said, 1.0, special="reciprocal"), prior("phi"))]
    rows.append((Candidate(table["afr"], f"AFR (lambda = AFR/{PETROL_AFR:g})", 1.0 / PETROL_AFR), prior("afr") - (0.0 if _petrol(afr) else 0.7)))
    if not _petrol(afr):
        rows.append((Candidate(table["afr"], f"AFR (lambda = AFR/{afr:g})", 1.0 / afr), prior("afr")))
    else:
        rows[2] = (Candidate(table["afr"], f"AFR (lambda = AFR/{afr:g})", 1.0 / afr), prior("afr"))
        rows.append((Candidate(table["afr"], "AFR (lambda = AFR/9.8)", 1.0 / 9.8), prior("afr") - 3.0))
    if stated is not None and stated.key in ("afr_own", "lambda_pct"):
        scale = 1.0 / afr if stated.key == "afr_own" and not _petrol(afr) else 1.0 / 9.8 if stated.key == "afr_own" else stated.scale
        rows.append((Candidate(stated, stated.said, scale), 0.0))
    return rows


def _petrol(afr: float) -> bool:
    return abs(afr - PETROL_AFR) <= 0.5
