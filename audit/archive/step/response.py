"""Boost against duty for a car as its archive has it, gear by gear, and the next step up."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

from audit.archive.step.evidence import COLUMNS, ORDER, Evidence
from audit.archive.step.gear import Gear, expects
from audit.archive.step.refuse import nothing_logged, refusal
from audit.archive.step.step import Step, figures, said, worded
from audit.archive.step.step_up import next_step
from audit.model import Car, Decision
from audit.night.decision import decided, first_look, repeated, watched

if TYPE_CHECKING:
    import polars as pl

    from audit.archive.store.store import Archive

NIGHT_COLUMNS = ("setting", "verdict", "reasons", "added_at", "us_units")


@dataclass(frozen=True, eq=False)
class GearResponse(Gear):
    """What is known of one gear and advised in it. again: what is watched repeatedly, '' for
    nothing.
    """

    again: str = ""

    @cached_property
    def step(self) -> Step:
        """The next step, or why there is none."""
        step = refusal(self) or next_step(self)
        base = step.from_duty
        if not self.again or base is None or step.duty is None or step.duty <= base + 0.25:
            return step
        stay = worded("watch", self.gear, say={"base": base, "again": self.again})
        told = {name: getattr(stay, name) for name in ("action", "sentence", "binds", "log_next")}
        return replace(step, **told, **expects(self, base))


@dataclass(frozen=True, eq=False)
class Response(Evidence):
    """What an archive says of one car. Each gear is worked out when it is asked for.

    target_kpa: boost wanted, gauge, for all gears or by gear; None takes the car file's. findings:
    of the kept nights, None where what is watched is not asked for.
    """

    target_kpa: float | Mapping[int, float] | None = None
    findings: pl.DataFrame | None = None

    @property
    def nights(self) -> int:
        return self.kept.height

    @property
    def us_units(self) -> bool:
        """Those of the car file, else of the newest night."""
        if self.car.units is not None:
            return self.car.units == "us"
        return bool(self.nights) and bool(self.kept["us_units"][-1])

    @cached_property
    def gears(self) -> tuple[GearResponse, ...]:
        """Those with pulls, then those with a target, which are guessed; none without any pull."""
        car, seen = self.car, self.driven
        ratios = range(1, len(car.gear_ratios) + 1)
        guessed = {*car.target_by_gear_kpa, *(g for g in ratios if self.target(g) is not None)}
        every = (*seen, *sorted(guessed - set(seen))) if seen else ()
        return tuple(GearResponse(g, self, self.target(g), self._again) for g in every)

    def target(self, gear: int) -> float | None:
        """The boost wanted in a gear, kPa gauge; None for none."""
        given = self.target_kpa
        if isinstance(given, Mapping):
            given = given.get(gear)
        return self.car.target_for(gear or None) if given is None else given

    @property
    def main_gear(self) -> GearResponse | None:
        """The sheet of that gear."""
        return next((gear for gear in self.gears if gear.gear == self.main), None)

    @cached_property
    def step(self) -> Step:
        """Of the main gear, or the refusal."""
        return self.main_gear.step if self.main_gear else nothing_logged(self)

    def with_others(self, decision: Decision) -> Decision:
        """A decision with the next duty of each other gear with pulls that has one, where it is one
        about a step and the main gear's is none that was refused.
        """
        if decision.state == "no_step" or self.step.action == "refuse":
            return decision
        others = (
            (g.gear, g.step) for g in self.gears if g.gear and g.pulls and g.gear != self.main
        )
        duties = ((g, s.duty) for g, s in others if s.action != "refuse" and s.duty is not None)
        return replace(decision, other_gears=tuple(duties))

    @cached_property
    def decision(self) -> Decision | None:
        """The one after the newest kept night; None without any."""
        if not self.nights:
            return None
        night = self.kept.row(-1, named=True)
        rows = _rows(self.findings, night["night_id"])
        first = first_look(((r["severity"], r["look_at"] or ()) for r in rows), night["verdict"])
        reason = next(iter(night["reasons"] or ()), "")
        made = decided(night["verdict"], reason, first, step=self.step, again=self._again)
        return self.with_others(made)

    @cached_property
    def _again(self) -> str:
        """What is watched in two pulls of the newest night, or there and on the night before."""
        *before, last = self.kept["night_id"].to_list()[-2:] or ("",)
        earlier = watched_of(self.findings, before[0]) if before else {}
        return repeated(watched_of(self.findings, last), earlier)

    @property
    def notes(self) -> tuple[str, ...]:
        """Sentences on what was taken for granted."""
        told, changed, over = [], self.changed, figures("step")["strict_over_target"]
        if changed is not None:
            told.append(said("note", "because", since=changed.day, because=changed.text))
        for why, count in self.left_out.items():
            pulls = "pull" if count == 1 else "pulls"
            told.append(said("note", "left_out", count=count, pulls=pulls, why=why))
        unknown = {
            "air": any(self.rows[name].null_count() for name in ("barometric_kpa", "air_c")),
            "no_limit": self.car.boost_limit_kpa is None,
            "no_sensor_top": self.car.sensor_top_kpa is None,
        }
        return (*told, *(said("note", name, over=over) for name, holds in unknown.items() if holds))


def response(
    archive: Archive,
    car: Car,
    *,
    target_kpa: float | Mapping[int, float] | None = None,
    setting: str | None = None,
    only_step: bool = False,
    until: str | None = None,
) -> Response:
    """What the archive says of one car's boost against duty.

    target_kpa: as of a Response. setting: 'dyno' or 'street'; None takes the newest night's.
    only_step: nothing of what is watched, for whoever knows that. until: a night, as it was after
    which; None for the newest. Raises ArchiveError where the archive cannot be read.
    """
    pulls = archive.pulls(car.name, columns=COLUMNS)
    nights = archive.nights(car.name, columns=NIGHT_COLUMNS).sort(ORDER)
    notes = archive.journal.of(car.name)
    if until is not None:
        nights = nights.head(nights["night_id"].to_list().index(until) + 1)
        pulls = pulls.filter(pulls["night_id"].is_in(nights["night_id"].to_list()))
        last = (nights["date"][-1], nights["added_at"][-1])
        notes = tuple(note for note in notes if (note.day, note.added_at) < last)
    return Response.gather(
        pulls,
        nights,
        car=car,
        logs=archive.logs(car.name, columns=("log_id", "wall_start", "path")),
        notes=notes,
        target_kpa=target_kpa,
        setting=setting,
        findings=None if only_step else archive.findings(car.name),
    )


def watched_of(findings: pl.DataFrame | None, night_id: str) -> dict[str, int]:
    """In how many pulls of a kept night each family is watched."""
    return watched(
        (r["code"], r["severity"], (r["log_id"], r["index"]) if r["level"] == "pull" else None)
        for r in _rows(findings, night_id)
    )


def _rows(findings: pl.DataFrame | None, night_id: str) -> Iterator[dict[str, Any]]:
    if findings is not None and not findings.is_empty():
        yield from findings.filter(findings["night_id"] == night_id).iter_rows(named=True)
