"""Types of arrays, and the words that findings, checks and verdicts are ranked by."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


Bools = npt.NDArray[np.bool_]


FlagArray = npt.NDArray[np.uint8]


# Flags of the QARTOD data-quality scheme (U.S. IOOS, flags manual).
GOOD, NOT_EVALUATED, SUSPECT, FAIL, MISSING = 1, 2, 3, 4, 9


# Severities and check states, by rank (worst last).
SEVERITIES = ("note", "watch", "hold", "stop")


VERDICTS = ("clear", "hold", "stop")


# The score at each level of a limit, and so the best that a finding of that level leaves.
SCORE_AT = {"watch": 70.0, "hold": 40.0, "stop": 10.0}


REQUIRED_CHECKS = ("boost_overshoot", "lean_under_load", "heat_soak", "oscillation")


def worst_severity(severities: Sequence[str]) -> str | None:
    """The worst of them, or None for none."""
    return max(severities, key=SEVERITIES.index) if severities else None
