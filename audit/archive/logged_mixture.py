"""How a car's logger gives mixture."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from audit.archive.store.store import Archive


def logged_afr(kept: Archive, car: str) -> float | None:
    """Air-fuel ratio for one of lambda, where the car's newest log gave that; else None."""
    rows = kept.logs(car, columns=("channels",))["channels"].drop_nulls()
    columns = json.loads(rows[-1]) if len(rows) else []
    given = [str(c.get("source_unit") or "") for c in columns if c.get("name") == "lambda"]
    return kept.car(car).stoichiometric_afr if given and given[0].startswith("AFR") else None
