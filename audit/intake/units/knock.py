"""Which sign timing is taken out with: told by how many readings stand to either side of nought,
never by how far the furthest goes.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from audit.intake.names.unit_text import units
from audit.intake.units.decide import Candidate, Decision, Source
from audit.model import Array

OFF_ZERO = 0.3  # °: nearer to nought a reading tells no sign
STRAYS, STRAY_SHARE, FEW = 3, 0.02, 0.25  # most readings of the other sign, also by their share


def retard(source: Source, every: Sequence[Array]) -> Decision:
    """Timing taken out, positive; a column that goes negative, but for strays, is turned over.

    every: the columns of all knock sensors, which tell for one that has nothing to tell itself.
    """
    below, above = _either_side([source.values])
    if not below and not above:
        below, above = _either_side(every)
    negative, less, more = below > above, min(below, above), max(below, above)
    mixed = less > max(STRAYS, STRAY_SHARE * more) or (less > 0 and less >= FEW * more)
    unit = units()["deg_negative"] if negative else source.stated or units()["deg"]
    count = f"{below:.0f} readings below nought, {above:.0f} above"
    why = f"negative means taken out: {count}" if negative else ""
    if mixed:
        why = f"it goes to both sides of nought: {count}"
    elif above and not negative:
        why = f"positive means taken out: {count}"
    said = "° (both signs, the commoner taken as taken out)" if mixed else unit.said
    return Decision(
        Candidate(unit, said, -1.0 if negative else 1.0),
        "physics" if negative else source.stated_from or "assumed",
        why,
        0.6 if mixed else 1.0,
        "the other sign" if mixed else "",
        mixed,
    )


def _either_side(columns: Sequence[Array]) -> tuple[int, int]:
    """How many readings stand below nought and how many above."""
    with np.errstate(invalid="ignore"):
        return (
            sum(int((column < -OFF_ZERO).sum()) for column in columns),
            sum(int((column > OFF_ZERO).sum()) for column in columns),
        )
