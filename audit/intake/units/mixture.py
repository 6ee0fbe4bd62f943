"""Mixture by physics: lambda, AFR on the petrol scale or the fuel's own, or phi = 1/lambda.

Evidence: cruise and idle lie near lambda 1, full load of a turbo petrol engine near 0.72 to 0.92.
Common practice, no published source. Does not see: lambda against phi in a log that never leaves 1.
"""

from __future__ import annotations

import numpy as np

from audit.intake.names.unit_text import Unit, units
from audit.intake.units.decide import MARGIN, STATED, Candidate, Decision, Scored, decide, window
from audit.intake.units.scene import Scene, quantile
from audit.model import Array

PETROL_AFR = 14.7
ETHANOL_AFR = 9.8  # E85


def mixture(
    values: Array,
    scene: Scene,
    *,
    stated: Unit | None,
    stated_from: str,
    hints: frozenset[str],
    words: tuple[str, ...],
    stoichiometric_afr: float,
    car_says: bool = False,
) -> Decision:
    """How to read a mixture column as lambda. values: thinned source values; free-air readings
    allowed.

    stoichiometric_afr turns AFR into lambda; car_says: it is the car file's word, and stands unless
    the values plainly contradict it (an E85 car's gauge on the petrol scale cruises at 14.7, not
    9.8).
    """
    finite = values[np.isfinite(values) & (values > 0)]
    ordered = np.sort(finite) if len(finite) else np.array([1.0])
    mid, low = quantile(ordered, 0.5), quantile(ordered, 0.1)
    steady = scene.level(values, scene.steady)
    idle = scene.level(values, scene.idle)
    wide = scene.level(values, scene.wide)
    scored = []
    for candidate, prior in _candidates(
        stated, hints, words, afr=stoichiometric_afr, car_says=car_says
    ):
        one = Scored(candidate, prior)
        one.add(window(candidate.turned(mid), 0.62, 1.75, 0.08, 14.0), "its values are no mixture")
        one.add(window(candidate.turned(low), 0.5, 1.6, 0.08, 6.0))
        calm = steady if steady is not None else idle
        if calm is not None and calm > 0:
            one.add(
                window(candidate.turned(calm), 0.95, 1.06, 0.07, 3.5),
                "light load does not lie near lambda 1",
            )
        if wide is not None and wide > 0:
            one.add(window(candidate.turned(wide), 0.68, 0.95, 0.05, 5.0), "full load is not rich")
            if 0.68 <= candidate.turned(wide) <= 0.95:
                one.why.append("full load is rich, as it should be")
        scored.append(one)
    if car_says:
        scored = _by_the_car(scored, stoichiometric_afr)
    return decide(scored, stated=stated, stated_from=stated_from, typical=wide or mid)


def _by_the_car(scored: list[Scored], afr: float) -> list[Scored]:
    """Drop the other AFR scales, unless one of them fits better by more than the margin."""
    scales = [s for s in scored if s.candidate.unit.key == "afr"]
    own = next(s for s in scales if abs(s.candidate.scale * afr - 1.0) < 1e-9)
    others = [s for s in scales if s is not own]
    if any(s.total - own.total > MARGIN for s in others):
        return [s for s in scored if s is not own]
    return [s for s in scored if s not in others]


def _candidates(
    stated: Unit | None,
    hints: frozenset[str],
    words: tuple[str, ...],
    *,
    afr: float,
    car_says: bool,
) -> list[tuple[Candidate, float]]:
    """Ways to read the column, with what the file says for each. phi only where a name or unit says
    so.
    """
    table = units()
    says_phi = bool({"phi", "φ", "richesse", "eqr"} & set(words))
    says_afr = "afr" in hints or ("ratio" in hints and "air" in hints and "equiv" not in hints)
    usual = {"lambda": 0.0, "afr": 0.0 if says_afr else -0.5, "phi": 2.0 if says_phi else -1.5}

    def prior(key: str) -> float:
        if stated is not None:
            return 0.0 if stated.key == key else -STATED
        return usual[key]

    rows = [(Candidate(table["lambda"], "lambda", 1.0), prior("lambda"))]
    if says_phi or "equiv" in hints or (stated is not None and stated.key == "phi"):
        rows.append(
            (Candidate(table["phi"], table["phi"].said, 1.0, special="reciprocal"), prior("phi"))
        )
    rows.append((Candidate(table["afr"], f"AFR (lambda = AFR/{afr:g})", 1.0 / afr), prior("afr")))
    if not _near(afr, PETROL_AFR):  # a gauge on the petrol scale whatever the fuel
        rows.append(
            (
                Candidate(table["afr"], f"AFR (lambda = AFR/{PETROL_AFR:g})", 1.0 / PETROL_AFR),
                prior("afr") - 0.7,
            )
        )
    elif not car_says:
        rows.append(
            (
                Candidate(table["afr"], f"AFR (lambda = AFR/{ETHANOL_AFR:g})", 1.0 / ETHANOL_AFR),
                prior("afr") - 3.0,
            )
        )
    if stated is not None and stated.key in ("afr_own", "lambda_pct"):
        own = ETHANOL_AFR if _near(afr, PETROL_AFR) else afr
        rows.append(
            (
                Candidate(
                    stated, stated.said, 1.0 / own if stated.key == "afr_own" else stated.scale
                ),
                0.0,
            )
        )
    return rows


def _near(afr: float, other: float) -> bool:
    """The same scale for all purposes: petrol with 10 % of ethanol lies 4 % off petrol."""
    return abs(afr / other - 1.0) <= 0.06
