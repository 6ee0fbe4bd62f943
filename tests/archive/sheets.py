"""Rows of an archive for the duty sheet, by hand: nights of pulls at fixed duties."""

from __future__ import annotations

from types import SimpleNamespace

import polars as pl

from audit.archive.step.response import Response
from audit.model import Car

CAR = Car(
    name="Alder", target_kpa=96.0, boost_limit_kpa=125.0, spring_kpa=48.0, sensor_top_kpa=300.0
)
WIGGLE = (0.4, -0.5, 0.2, -0.1)  # the spread of pulls, fixed so that nothing is left to chance


def line(duty: float) -> float:
    """A plain car: 12 % dead band, then 1.6 kPa a percent."""
    return 48.0 + 1.6 * max(duty - 12.0, 0.0)


class Sheet:
    """Add nights, then ask."""

    def __init__(self, boost=line):
        self.boost = boost
        self.pulls: list[dict] = []
        self.nights: list[dict] = []

    def night(
        self,
        *duties: float,
        verdict: str = "clear",
        gear: int | None = 3,
        setting: str = "",
        over: float = 2.0,
        **measures,
    ) -> Sheet:
        number = len(self.nights)
        name, date = f"night{number}", f"2026-03-{number + 1:02d}"
        reasons = ["Night 1, pull 1: lambda reached 0.93."] if verdict != "clear" else []
        self.nights.append(
            {
                "night_id": name,
                "date": date,
                "setting": setting,
                "verdict": verdict,
                "reasons": reasons,
                "added_at": f"{date}T23:00:00",
                "us_units": False,
            }
        )
        for i, duty in enumerate(duties):
            settled = self.boost(duty) + WIGGLE[(number + i) % 4]
            row = {
                "night_id": name,
                "date": date,
                "log_id": f"{name}-{i}",
                "setting": setting,
                "index": 1,
                "gear": gear,
                "barometric_kpa": 99.0,
                "ambient_c": 25.0,
                "boost_settled_kpa": settled,
                "boost_peak_kpa": settled + over,
                "boost_overshoot_kpa": over,
                "duty_mean_pct": duty,
                "duty_at_peak_pct": duty,
                "boost_ceiling_s": 0.0,
            }
            self.pulls.append(
                {**row, **{k: v(settled) if callable(v) else v for k, v in measures.items()}}
            )
        return self

    def steps(self, *duties: float, pulls: int = 2, **more) -> Sheet:
        """A night a duty."""
        for duty in duties:
            self.night(*[duty] * pulls, **more)
        return self

    def ask(self, car: Car = CAR, **how) -> Response:
        nights = (
            pl.DataFrame(self.nights, infer_schema_length=None) if self.nights else EMPTY_NIGHTS
        )
        pulls = (
            pl.DataFrame(self.pulls, infer_schema_length=None)
            if self.pulls
            else pl.DataFrame(schema={"night_id": pl.String})
        )
        return Response.gather(pulls, nights, car=car, **how)


EMPTY_NIGHTS = pl.DataFrame(
    schema=dict.fromkeys(("night_id", "date", "setting", "verdict", "added_at"), pl.String)
)


def gear_at(base, curve, *, bounds, overshoot, air, lines=(), evenings=1):
    """A gear that the next step is asked of, all of it known: evenings so far at the base duty."""
    return SimpleNamespace(
        gear=curve.gear,
        base=base,
        curve=curve,
        bounds=bounds,
        overshoot=overshoot,
        lines=lines,
        found=SimpleNamespace(air=air),
        evenings=lambda duty: evenings,
    )
