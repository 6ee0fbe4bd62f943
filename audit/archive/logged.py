"""What the archive's rows tell of how a car was logged: its air, a moving duty, its mixture."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import polars as pl

    from audit.archive.store.store import Archive

BAY_WARMING_K = 10.0  # common practice, no published source
LED_PCT = 4.0  # duty at the peak this far from the pull's mean was moved by a controller


def outside_c() -> pl.Expr:
    """Outside air of a pull, °C: logged, else as warm as the intake before it less the bay's
    warming, for that follows the weather.
    """
    import polars as pl

    return pl.coalesce("ambient_c", pl.col("intake_start_c") - BAY_WARMING_K)


def duty_led() -> pl.Expr:
    """Whether a controller moved the duty in a pull; not where that is not known."""
    import polars as pl

    return (pl.col("duty_at_peak_pct") - pl.col("duty_mean_pct")).abs().fill_null(0.0) > LED_PCT


def logged_afr(kept: Archive, car: str) -> float | None:
    """Air-fuel ratio for one of lambda, where the car's newest log gave that; else None."""
    rows = kept.logs(car, columns=("channels",))["channels"].drop_nulls()
    columns = json.loads(rows[-1]) if len(rows) else []
    given = [str(c.get("source_unit") or "") for c in columns if c.get("name") == "lambda"]
    return kept.car(car).stoichiometric_afr if given and given[0].startswith("AFR") else None
