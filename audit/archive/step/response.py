"""Boost against duty for a car as its archive has it, gear by gear, and the next step up."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from audit.archive.step.curve import Curve, fit_curves
from audit.archive.step.evidence import COLUMNS, DIRECTION, LINES, Evidence, gather, was_tested
from audit.archive.step.first import first_duty
from audit.archive.step.projected import lines_of, not_projected
from audit.archive.step.refuse import (
    BASE_RUN_PCT,
    nothing_logged,
    over_spring,
    refusal,
    too_few,
)
from audit.archive.step.step import Air, Bounds, Overshoot, Step, worded
from audit.archive.step.step_table import choices, figures, words
from audit.archive.step.step_up import next_step
from audit.archive.step.valve import Valve, examine_valve
from audit.archive.step.watches import decided_from_rows, watched_again
from audit.archive.trend.air_density import REFERENCE_PRESSURE_KPA, at_reference
from audit.model import Car, Decision
from audit.night.decision import SET_WITHIN, as_set
from audit.tables import limits_for

if TYPE_CHECKING:
    import polars as pl

    from audit.archive.store.journal import JournalNote
    from audit.archive.store.store import Archive

NIGHT_COLUMNS = ("setting", "verdict", "reasons", "added_at", "us_units")
MEASURED = ("duty_mean_pct", "boost_settled_kpa", "relative", "night_order")
MIDDLE_POWER = choices("air_power")[1]  # of air density, to look at the valve by
OVERSHOOT_SHARE_FROM = (
    0.6  # of the gear's highest boost: overshoot low down is a large share of little
)


@dataclass(frozen=True)
class GearResponse:
    """One gear. gear: 0 for unknown; curve: None without pulls in any gear; rows: its pulls that
    count.
    spring_kpa: (lower, median, upper) boost at no duty in the reference air, 90 %. hooked_up_kpa:
    highest boost peak without wheelspin, slipped_kpa: lowest with it, gauge, None where not seen.
    wanted: (target, duty low, median, high, how it is known: 'logged', 'beyond the data' or
    'guessed from other gears'); None without a target.
    """

    gear: int
    pulls: int
    rows: pl.DataFrame
    curve: Curve
    valve: Valve
    spring_kpa: tuple[float, float, float]
    overshoot: Overshoot
    step: Step
    wanted: tuple[float, float | None, float | None, float | None, str] | None
    hooked_up_kpa: float | None
    slipped_kpa: float | None


@dataclass(frozen=True)
class Response:
    """gears: those with pulls, then those guessed. main: the gear most pulled last night, None
    without any.
    step: of the main gear, or the refusal; other_gears: (gear, its next duty in %) of those with
    pulls, where there is one. nights: how many; notes: sentences on what was taken for granted.
    """

    car: Car
    setting: str
    nights: int
    evidence: Evidence
    gears: tuple[GearResponse, ...]
    main: int | None
    step: Step
    air: Air
    notes: tuple[str, ...]
    us_units: bool = False
    decision: Decision | None = None
    other_gears: tuple[tuple[int, float], ...] = ()


def response(
    archive: Archive,
    car: Car,
    *,
    target_kpa: float | Mapping[int, float] | None = None,
    setting: str | None = None,
    only_step: bool = False,
    only_driven: bool = False,
    until: str | None = None,
) -> Response:
    """What the archive says of one car's boost against duty.

    target_kpa: boost wanted, gauge, for all gears or by gear; else the car file's. setting: 'dyno'
    or 'street'; None takes the newest night's. only_step: as response_of, and nothing of what is
    watched; quicker. only_driven: no sheets of gears that were never pulled. until: a night, as it
    was after which; None for the newest. Raises ArchiveError where the archive cannot be read.
    """
    pulls = archive.pulls(car.name, columns=COLUMNS)
    nights = _in_order(archive.nights(car.name, columns=NIGHT_COLUMNS))
    notes = archive.journal.of(car.name)
    if until is not None:
        nights = nights.head(nights["night_id"].to_list().index(until) + 1)
        pulls = pulls.filter(pulls["night_id"].is_in(nights["night_id"].to_list()))
        last = (nights["date"][-1], nights["added_at"][-1])
        notes = tuple(note for note in notes if (note.day, note.added_at) < last)
    return response_of(
        pulls,
        nights,
        car=car,
        logs=archive.logs(car.name, columns=("log_id", "wall_start", "path")),
        notes=notes,
        target_kpa=target_kpa,
        setting=setting,
        findings=None if only_step else archive.findings(car.name),
        only_step=only_step,
        only_driven=only_driven,
    )


def response_of(
    pulls: pl.DataFrame,
    nights: pl.DataFrame,
    *,
    car: Car,
    logs: pl.DataFrame | None = None,
    notes: Sequence[JournalNote] = (),
    target_kpa: float | Mapping[int, float] | None = None,
    setting: str | None = None,
    findings: pl.DataFrame | None = None,
    only_step: bool = False,
    only_driven: bool = False,
) -> Response:
    """As response, from rows of the archive's pulls, nights and findings. only_step: no sheets of
    gears.
    """
    nights = _in_order(nights)
    found = gather(pulls, nights, logs=logs, notes=notes, setting=setting)
    us = car.units == "us" or (
        car.units is None and bool(nights.height) and bool(nights["us_units"][-1])
    )
    targets = _targets(car, target_kpa)
    again = watched_again(nights, findings)
    gears: tuple[GearResponse, ...] = ()
    others: tuple[tuple[int, float], ...] = ()
    main: int | None = None
    if found.n == 0:
        step, air = nothing_logged(found, nights, first=first_duty(car)), _air(found)
    else:
        maker = _Maker(found, nights, car, targets, notes, again, only_step or only_driven)
        main, air = maker.main(), maker.air
        if not only_step:
            driven = found.gears() if only_driven else maker.gears
            gears = tuple(maker.gear(gear) for gear in driven)
        steps = {g.gear: g.step for g in gears}
        step = steps.get(main) or maker.step(main)
        if step.action != "refuse":
            others = _duties({g: steps.get(g) or maker.step(g) for g in found.gears() if g != main})
    decision = decided_from_rows(nights, findings, step=step, again=again)
    if decision is not None and decision.state != "no_step":
        decision = replace(decision, other_gears=others)
    said = _notes(found, car)
    return Response(
        car,
        found.setting,
        nights.height,
        found,
        gears,
        main,
        step,
        air,
        said,
        us,
        decision,
        others,
    )


def _duties(steps: Mapping[int, Step]) -> tuple[tuple[int, float], ...]:
    """The next duty of each gear that is known and has one."""
    return tuple(
        (gear, step.duty)
        for gear, step in steps.items()
        if gear and step.duty is not None and step.action != "refuse"
    )


def _in_order(nights: pl.DataFrame) -> pl.DataFrame:
    return nights.sort([c for c in ("date", "added_at", "night_id") if c in nights.columns])


def _targets(car: Car, given: float | Mapping[int, float] | None) -> Mapping[int, float | None]:
    class _All(dict[int, float | None]):
        def __missing__(self, gear: int) -> float | None:
            if isinstance(given, Mapping):
                return given.get(gear, car.target_for(gear or None))
            return given if given is not None else car.target_for(gear or None)

    return _All()


def _air(found: Evidence) -> Air:
    """Of the last night that counts: medians."""
    if found.n == 0:
        return Air(1.0, REFERENCE_PRESSURE_KPA)
    last = found.rows.filter(found.rows["night_id"] == found.rows["night_id"][-1])
    pressure = last["barometric_kpa"].drop_nulls()
    relative = float(last["relative"].median())  # type: ignore[arg-type]
    if not len(pressure):
        return Air(relative, REFERENCE_PRESSURE_KPA)
    return Air(relative, float(pressure.median()))  # type: ignore[arg-type]


def _notes(found: Evidence, car: Car) -> tuple[str, ...]:
    said, over = words("note"), figures("step")["strict_over_target"]
    told = [said["because"].format(**vars(found))] if found.because else []
    for why, count in found.left_out.items():
        pulls = "pull" if count == 1 else "pulls"
        told.append(said["left_out"].format(count=count, pulls=pulls, why=why))
    unknown = {
        "air": found.n > 0 and not found.air_known,
        "no_limit": car.boost_limit_kpa is None,
        "no_sensor_top": car.sensor_top_kpa is None,
    }
    return (*told, *(said[name].format(over=over) for name, holds in unknown.items() if holds))


@dataclass
class _Maker:
    """One response in the making: the fit of all gears, then each gear's sheet."""

    found: Evidence
    nights: pl.DataFrame
    car: Car
    targets: Mapping[int, float | None]
    notes: Sequence[JournalNote]
    again: str
    alone: bool

    def __post_init__(self) -> None:
        car, seen = self.car, self.found.gears()
        guessed = [g for g in range(1, len(car.gear_ratios) + 1) if self.targets[g] is not None]
        self.gears = [*seen, *sorted({*car.target_by_gear_kpa, *guessed} - set(seen))]
        self.air = _air(self.found)
        self.tested = was_tested(self.notes)
        self.direction = was_tested(self.notes, what=DIRECTION)
        self.lines_tested = was_tested(self.notes, what=LINES)
        self._curves: dict[int, Curve] = {}

    def curve(self, gear: int) -> Curve:
        """The curve of a gear, fitted when it is first wanted: with those that have pulls alone,
        for a step alone.
        """
        if gear not in self._curves:
            wanted = self.gears
            if self.alone:  # nothing borrowed is asked for
                wanted = self.found.gears() if gear in self.found.gears() else [gear]
            self._curves |= fit_curves(self.found.points(), wanted, spring_kpa=self.car.spring_kpa)
        return self._curves[gear]

    def main(self) -> int:
        """The gear most pulled in the last night that counts."""
        last = self.found.rows.filter(
            self.found.rows["night_id"] == self.found.rows["night_id"][-1]
        )
        gears, counts = np.unique(last["gear"].to_numpy(), return_counts=True)
        return int(gears[int(np.argmax(counts))])

    def step(self, gear: int) -> Step:
        """The step of one gear; the curve is only fitted where it is wanted."""
        rows = self.found.of_gear(gear)
        return self._step(gear, rows, self._valve(rows), _overshoot(rows))

    def _valve(self, rows: pl.DataFrame) -> Valve:
        duty, boost, relative, night, peak = (
            np.asarray(rows[name].cast(float).fill_null(np.nan).to_numpy(), dtype=np.float64)
            for name in (*MEASURED, "boost_peak_kpa")
        )
        corrected = at_reference(boost, relative, power=MIDDLE_POWER)
        return examine_valve(
            duty, corrected, night, peak=peak, tested=self.tested, direction=self.direction
        )

    def gear(self, gear: int) -> GearResponse:
        """All that is said of one gear."""
        rows, curve = self.found.of_gear(gear), self.curve(gear)
        valve, overshoot = self._valve(rows), _overshoot(rows)
        hooked, slipped = self._traction(gear)
        return GearResponse(
            gear,
            rows.height,
            rows,
            curve,
            valve,
            curve.interval(0.0, pull=False),
            overshoot,
            self._step(gear, rows, valve, overshoot),
            self._wanted(gear, curve),
            hooked,
            slipped,
        )

    def _step(self, gear: int, rows: pl.DataFrame, valve: Valve, overshoot: Overshoot) -> Step:
        step = self._allowed(gear, rows, valve, overshoot)
        base = step.from_duty
        if not self.again or base is None or step.duty is None or step.duty <= base + 0.25:
            return step
        low, expected, high = self.curve(gear).interval(base, relative=self.air.relative)
        said = worded("watch", "stay", gear, say={"base": base, "again": self.again})
        known: dict[str, Any] = {"duty": base, "expected": expected, "low": low, "high": high}
        told = {name: getattr(said, name) for name in ("action", "sentence", "binds", "log_next")}
        return replace(step, **known, **told)

    def _followed(self, valve: Valve) -> bool:
        """Boost was seen to follow duty, in this gear or another."""
        others = (self._valve(self.found.of_gear(g)) for g in self.found.gears())
        return valve.responds or any(other.responds for other in others)

    def _allowed(self, gear: int, rows: pl.DataFrame, valve: Valve, overshoot: Overshoot) -> Step:
        target = self.targets[gear]
        base = self._base(rows)
        held = refusal(
            self.found, self.nights, gear=gear, valve=valve, target=target, last_clear=base
        )
        if held is not None or target is None:
            assert held is not None
            return held
        if not self.lines_tested and (loose := over_spring(gear, valve, self.car)) is not None:
            return replace(loose, target=target)
        bounds = bounds_of(self.car, target)
        top = 0.0 if rows.is_empty() else float(rows["duty_mean_pct"].max())  # type: ignore[arg-type]
        followed = self._followed(valve)
        if not followed and not self.tested and top <= figures("valve")["unproven"]:
            bounds = replace(bounds, unproven_pct=figures("valve")["unproven"])
        known = followed or bounds.unproven_pct is not None
        if known and not bounds.assumed and not self._held_over(rows, base):
            driven = top - base if base is not None else 0.0  # and clear: no new ground
            bounds = replace(bounds, large_pct=max(figures("step")["large_duty"], driven))
        few = too_few(rows, gear, overshoot=overshoot, bounds=bounds)
        if few is not None:
            return few
        if base is None:
            return worded("no_clear_night", "refuse", gear, target=target)
        if (step := self._once_more(gear, rows, valve, base, bounds)) is not None:
            return step
        lines = lines_of(rows, self.car, self.notes)
        return next_step(
            self.curve(gear),
            base,
            bounds=bounds,
            overshoot=overshoot,
            lines=lines,
            air=self.air,
            evenings=_evenings(rows, base),
        )

    def _once_more(
        self, gear: int, rows: pl.DataFrame, valve: Valve, base: float, bounds: Bounds
    ) -> Step | None:
        """Another evening where boost fell as duty rose, but not surely, which tells a backwards
        valve, or did not surely follow by the most that is advised unproven, which tells a dead
        one: at the lowest or the highest duty, which has fewer, the highest first. None where it
        is told already.
        """
        setting = figures("valve")
        late = bounds.unproven_pct is not None and valve.levels[-1].duty >= setting["named_by"]
        if valve.fell_kpa is None and not late:
            return None
        first, second = valve.levels[0].duty, valve.levels[-1].duty
        seen = _evenings(rows, first), _evenings(rows, second)
        if seen[1] >= int(setting["evenings"]):
            return None
        duty = first if seen[0] < seen[1] else second
        duty = round(duty / figures("step")["least"]) * figures("step")["least"]
        low, expected, high = self.curve(gear).interval(duty, relative=self.air.relative)
        say: dict[str, Any] = {"first": first, "second": second, "fell": valve.fell_kpa}
        say["lead"] = "Stay at" if abs(duty - base) < 0.25 else "Back to"
        say["tested"] = f"; {words('mend')['tested']}" if late else "."
        return worded(
            "not_followed" if valve.fell_kpa is None else "fell",
            "stay",
            gear,
            "unproven" if late else "fell",
            say=say,
            from_duty=base,
            duty=duty,
            expected=expected,
            low=low,
            high=high,
            limit=bounds.limit_kpa,
            target=bounds.target_kpa,
        )

    def _base(self, rows: pl.DataFrame) -> float | None:
        """Highest duty of the newest clear night with pulls in this gear; a base run after others
        is a look at the spring, from which no step is counted.
        """
        clear = rows.filter(rows["verdict"] == "clear")
        above = clear.filter(clear["duty_mean_pct"] > BASE_RUN_PCT)
        clear = clear if above.is_empty() else above
        if clear.is_empty():
            return None
        last = clear.filter(clear["night_id"] == clear["night_id"][-1])
        return as_set(float(last["duty_mean_pct"].max()))  # type: ignore[arg-type]

    def _held_over(self, rows: pl.DataFrame, base: float | None) -> bool:
        """Whether a night that was not clear lies over a duty: up to it only in usual steps."""
        held = rows.filter(
            (rows["verdict"] != "clear") & (rows["duty_mean_pct"] > (base or 0.0) + SET_WITHIN)
        )
        return not held.is_empty()

    def _wanted(
        self, gear: int, curve: Curve
    ) -> tuple[float, float | None, float | None, float | None, str] | None:
        target = self.targets[gear]
        if target is None:
            return None
        low, middle, high = curve.duty_for(target, relative=self.air.relative)
        if not curve.data:
            how = "guessed from other gears"
        elif middle is not None and curve.data[0] - 1.0 <= middle <= curve.data[1] + 1.0:
            how = "logged"
        else:
            how = "beyond the data"
        return target, low, middle, high, how

    def _traction(self, gear: int) -> tuple[float | None, float | None]:
        every = self.found.every
        if every is None:
            return None, None
        watch = limits_for(self.car).row("traction.wheelspin", "wheelspin_pct").watch
        rows = every.filter(
            (every["gear"] == gear)
            & every["wheelspin_pct"].is_not_null()
            & every["boost_peak_kpa"].is_not_null()
        )
        spun = rows["wheelspin_pct"] >= watch
        held, slipped = rows.filter(~spun)["boost_peak_kpa"], rows.filter(spun)["boost_peak_kpa"]
        lowest = float(slipped.min()) if len(slipped) else None  # type: ignore[arg-type]
        return (float(held.max()) if len(held) else None), lowest  # type: ignore[arg-type]


def bounds_of(car: Car, target: float) -> Bounds:
    """The bounds of a car for a target in kPa gauge; strict where the car file gives no limit."""
    setting = figures("step")
    strict = car.boost_limit_kpa is None
    share = setting["strict_share"] if strict else 1.0
    limit = (
        target + setting["strict_over_target"]
        if car.boost_limit_kpa is None
        else car.boost_limit_kpa
    )
    assumed = "the strict limit taken for want of one in the car file" if strict else ""
    return Bounds(
        target,
        limit,
        assumed,
        car.sensor_top_kpa,
        car.duty_max_pct,
        setting["duty"] * share,
        setting["boost"] * share,
        duty_min_pct=car.duty_min_pct,
    )


def _evenings(rows: pl.DataFrame, duty: float) -> int:
    """On how many nights pulls of these rows were made at about a duty, %."""
    near = (rows["duty_mean_pct"] - duty).abs() < figures("step")["apart"]
    return int(rows.filter(near)["night_id"].n_unique())


def _overshoot(rows: pl.DataFrame) -> Overshoot:
    """The worst peak over the settled level in rows of one gear."""
    import polars as pl

    setting = figures("step")
    over = pl.max_horizontal(
        "boost_overshoot_kpa", pl.col("boost_peak_kpa") - pl.col("boost_settled_kpa")
    )
    seen = rows.select(over.alias("over"), "boost_settled_kpa").drop_nulls("over")
    if seen.is_empty():
        return Overshoot(setting["overshoot_unseen"], 0.0, setting["overshoot_spread"], seen=False)
    kpa, settled = (
        np.asarray(seen[n].to_numpy(), dtype=np.float64) for n in ("over", "boost_settled_kpa")
    )
    top = float(settled.max())
    high = settled >= min(OVERSHOOT_SHARE_FROM * top, top)
    share = float(np.max(kpa[high] / np.maximum(settled[high], 10.0)))
    spread = float(np.std(kpa[high], ddof=1)) if int(high.sum()) > 1 else 0.0
    return Overshoot(
        max(float(kpa.max()), 0.0),
        max(share, 0.0),
        max(spread, setting["overshoot_spread"]),
        seen=True,
    )


__all__ = ["GearResponse", "Response", "bounds_of", "not_projected", "response", "response_of"]
