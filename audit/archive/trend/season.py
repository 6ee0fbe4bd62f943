"""A season at a glance: one line a night of one car."""

from __future__ import annotations

from typing import TYPE_CHECKING

from audit.archive.trend.text import METRIC, Shown
from audit.archive.watched import chart_settings

if TYPE_CHECKING:
    import polars as pl

FEW = 3  # nights that make a season readable


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
    boost, heat = shown.unit("kPa"), shown.unit("°C")
    mixture = "lambda" if afr is None else "AFR"
    lines = [
        f"{'night':<10} {'verdict':<7} {'n':>2} {'duty':>4} {'boost':>6} {mixture:>6} {'air':>5}",
        f"{'':<10} {'':<7} {'':>2} {'%':>4} {boost:>6} {'max':>6} {heat:>5}",
    ]
    order = [c for c in ("date", "added_at", "night_id") if c in nights.columns]
    for night in nights.sort(order).iter_rows(named=True):
        rows = pulls.filter(pulls["night_id"] == night["night_id"])
        duty, level, lean, air = (
            _most(rows, name)
            for name in ("duty_mean_pct", "boost_settled_kpa", "lambda_max", "intake_peak_c")
        )
        lines.append(
            f"{night['date']:<10} {night['verdict']:<7} {rows.height:>2} "
            f"{'–' if duty is None else f'{round(duty, 1):g}':>4} "
            f"{_shown(shown, level, 'kPa', 1):>6} {_mixture(lean, afr):>6} "
            f"{_shown(shown, air, '°C', 0):>5}"
        )
    if nights.height < FEW:
        more = FEW - nights.height
        lines.append(f"{more} more night{'s' if more > 1 else ''} and this shows a direction.")
    least = int(chart_settings()["least_nights"]) + 1
    if nights.height < least:
        lines.append(f"Trends are charted from {least} nights on: {least - nights.height} more.")
    return lines


def _most(rows: pl.DataFrame, name: str) -> float | None:
    if name not in rows.columns or rows.is_empty():
        return None
    value = rows[name].cast(float).max()
    return None if value is None else float(value)  # type: ignore[arg-type]


def _text(value: float | None, digits: int) -> str:
    return "–" if value is None else f"{value:.{digits}f}"


def _mixture(lean: float | None, afr: float | None) -> str:
    return _text(lean, 2) if lean is None or afr is None else _text(lean * afr, 1)


def _shown(shown: Shown, value: float | None, unit: str, digits: int) -> str:
    return "–" if value is None else shown.number(value, unit, digits)
