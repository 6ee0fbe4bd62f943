"""A season at a glance: one line a night of one car."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from audit.archive.trend.text import METRIC, Shown
from audit.archive.trend.trend import counted
from audit.archive.watched import chart_settings

if TYPE_CHECKING:
    import polars as pl

FEW = 3  # nights that make a season readable
BEST = ("duty_mean_pct", "boost_settled_kpa", "lambda_max", "intake_peak_c")  # of a night's pulls
HEAD = "{:<10} {:<7} {:>2} {:>4} {:>6} {:>6} {:>5}"  # 46 columns


def season_lines(
    nights: pl.DataFrame,
    pulls: pl.DataFrame,
    *,
    shown: Shown = METRIC,
    afr: float | None = None,
) -> list[str]:
    """Date, verdict, pulls, highest duty, boost of the best pull, leanest, hottest intake air; 46
    columns.

    nights, pulls: the car's rows of the archive. afr: the mixture is told as air-fuel ratio, so
    much of it for one of lambda.
    """
    told: tuple[Callable[[float], str], ...] = (
        lambda duty: f"{round(duty, 1):g}",
        lambda boost: shown.number(boost, "kPa", 1),
        lambda lean: f"{lean:.2f}" if afr is None else f"{lean * afr:.1f}",
        lambda air: shown.number(air, "°C", 0),
    )
    mixture = "lambda" if afr is None else "AFR"
    units = "", "", "", "%", shown.unit("kPa"), "max", shown.unit("°C")
    lines = [HEAD.format("night", "verdict", "n", "duty", "boost", mixture, "air")]
    lines.append(HEAD.format(*units))
    order = [c for c in ("date", "added_at", "night_id") if c in nights.columns]
    for night in nights.sort(order).iter_rows(named=True):
        rows = pulls.filter(pulls["night_id"] == night["night_id"])
        most = (rows[c].cast(float).max() if c in rows.columns else None for c in BEST)
        said = ("–" if v is None else tell(v) for tell, v in zip(told, most, strict=True))  # type: ignore[arg-type]
        lines.append(HEAD.format(night["date"], night["verdict"], rows.height, *said))
    if (more := FEW - nights.height) > 0:
        lines.append(f"{more} more {counted(more).split()[1]} and this shows a direction.")
    least = int(chart_settings()["least_nights"]) + 1
    if nights.height < least:
        lines.append(f"Trends are charted from {least} nights on: {least - nights.height} more.")
    return lines
