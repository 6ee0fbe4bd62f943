"""One night of one family: drive it, read the sensors, write the files."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import Literal
from zlib import crc32

import numpy as np

from .car import Car, Phase, Weather, standard_pressure
from .drive import Road, Trace
from .faults import FAULTS, Healthy
from .limits import Array
from .logger import Column, Dialect, clock_cells, column_cells
from .signals import SIMPLE, Plant

KPA_PER_PSI = 6.894757


@dataclass(frozen=True)
class LogPlan:
    """One recording: how it starts, its pulls (gear, rpm from, rpm to) and how it ends.

    ``restart``: engine and logger stopped and started again after the first pull, in one file;
    ``cut_off``: the last line was never finished (in cruise).
    """

    pulls: tuple[tuple[int, float, float], ...]
    start: Literal["off", "idle", "cruise"] = "idle"
    rest_s: float = 9.0
    tail_s: float = 4.0
    restart: bool = False
    cut_off: bool = False


@dataclass(frozen=True)
class Spec:
    """A family: its car, its way of driving, its logger and what its owner writes down.

    ``ambient`` names what tells the air pressure: a barometer, an engine-stopped start, the altitude
    in the car file, or a gauge sensor that needs none. ``limit_as``: the limit stands in the car
    file, or is said on the command line in psi or bar.
    """

    name: str
    description: str
    rate_hz: float
    car: Car
    columns: tuple[Column, ...]
    logs: tuple[LogPlan, ...]
    dialect: Dialect
    limit_kpa: float
    limit_as: Literal["file", "psi", "bar"] = "file"
    target_in_file: bool = False
    limit_rpm: float | None = None
    ambient: Literal["baro", "key_on", "altitude", "gauge"] = "altitude"
    altitude_in_file: bool = True
    args: tuple[str, ...] = ()
    lambda_top: float = 1.8
    can_clear: bool = True

    def has(self, signal: str) -> bool:
        """Whether a signal is among the logged columns."""
        return any(c.signal == signal for c in self.columns)

    @property
    def has_pressure(self) -> bool:
        """Whether any manifold pressure is logged."""
        return self.has("manifold_pressure") or self.has("manifold_gauge")

    @property
    def target_known(self) -> bool:
        """Whether the boost aimed at is logged or in the car file."""
        return self.has("boost_target") or self.target_in_file

    @cached_property
    def carries(self) -> frozenset[str]:
        """Codes that this family can carry."""
        return frozenset(code for code, fault in FAULTS.items() if fault.fits(self))


@dataclass
class _Marks:
    """Where the clock of each log starts anew [s of the night]."""

    restarts: dict[int, float] = field(default_factory=dict)


class Night:
    """A night of a family, with one fault or none."""

    def __init__(self, spec: Spec, seed: int, code: str = "", size: float = 0.0) -> None:
        """Drive the night. Raises KeyError for a code that the family cannot carry."""
        if code and code not in spec.carries:
            raise KeyError(f"{spec.name} cannot carry {code}")
        self.spec = spec
        key = crc32(spec.name.encode())
        self.rng = np.random.default_rng([key, seed])
        self.car = self._jitter(spec.car)
        air = standard_pressure(spec.car.altitude_m)
        air += float(np.clip(self.rng.normal(0.0, 0.5), -1.0, 1.0))
        self.weather = Weather(air, float(self.rng.uniform(8.0, 22.0)))
        self.limit_kpa: float | None = spec.limit_kpa
        self.altitude_m: float | None = spec.car.altitude_m if spec.altitude_in_file else None
        self.duty_gain = 1.0
        self.skip_off = False
        self.pull_tops: dict[int, float] = {}
        kind = FAULTS[code] if code else Healthy
        self.fault = kind(self, size, np.random.default_rng([key, seed, crc32(code.encode())]))
        self.fault.prepare()
        self.marks = _Marks()
        self.trace = self._drive()
        self.plant = Plant(self.car, self.weather, self.trace, self.rng)
        self.signals = self._signals()
        self.fault.signals()
        self.fault.papers()

    def _jitter(self, car: Car) -> Car:
        r = self.rng.uniform(-1.0, 1.0, 6)
        turbo = replace(
            car.turbo,
            lag_s=car.turbo.lag_s * (1.0 + 0.08 * r[0]),
            spool_rpm=car.turbo.spool_rpm + 60.0 * r[1],
            gate_lag_s=car.turbo.gate_lag_s * (1.5 + 0.8 * r[4]),
            growth_per_krpm=0.01 + 0.03 * r[5],
        )
        line = replace(car.line, mass_kg=car.line.mass_kg * (1.0 + 0.04 * r[2]))
        control = car.control
        if not control.closed:
            control = replace(control, level_kpa=control.level_kpa + 2.0 * r[3])
        return replace(car, turbo=turbo, line=line, control=control)

    def _drive(self) -> Trace:
        road = Road(self.car, self.weather, lambda step: step * self.duty_gain)
        steps = self.car.control.steps_pct
        count = 0
        for number, plan in enumerate(self.spec.logs):
            phases: list[Phase] = []
            if plan.start == "off" and not self.skip_off:
                phases.append(Phase("off", 2.0))
            if plan.start != "cruise":
                phases.append(Phase("idle", 3.0 + self.rng.uniform(0.0, 2.0)))
            for i, (gear, low, high) in enumerate(plan.pulls):
                rest = plan.rest_s + float(self.rng.uniform(0.0, 2.0))
                phases.append(Phase("cruise", rest if i else 3.0 + rest / 4.0, gear, low))
                top = self.pull_tops.get(count, high + float(self.rng.normal(0.0, 40.0)))
                phases.append(
                    Phase(
                        "pull",
                        0.0,
                        gear,
                        top,
                        float(np.clip(self.rng.normal(0.0, 0.005), -0.01, 0.01)),
                        float(np.clip(self.rng.normal(0.0, 0.6), -1.2, 1.2)),
                        steps[count % len(steps)] if steps else 0.0,
                    )
                )
                phases.append(Phase("overrun", 1.5 + float(self.rng.uniform(0.0, 1.0))))
                count += 1
                if plan.restart and i == 0:
                    phases.append(Phase("cruise", 3.0, 2, 2000.0))
                    phases.append(Phase("idle", 9.0))
                    phases.append(Phase("off", 2.0))
                    phases.append(Phase("idle", 3.0))
            gear, low, _ = plan.pulls[-1]
            phases.append(Phase("cruise", plan.tail_s, gear, low))
            first = len(road.rows)
            road.log(phases, self.fault.disturb, float(self.rng.uniform(40.0, 90.0)))
            if plan.restart:
                # the logger's clock starts anew with the ignition, once the engine has stopped
                stopped = [r[0] for r in road.rows[first + 200 :] if r[1] == 0.0]
                self.marks.restarts[number] = stopped[0]
        return road.trace()

    def _signals(self) -> dict[str, Array]:
        made: dict[str, Array] = {}
        wanted = [c.signal for c in self.spec.columns]
        for name in wanted:
            if name in SIMPLE:
                made[name] = SIMPLE[name](self.plant)
            elif name.startswith("knock_retard"):
                made[name] = self._quiet_knock()
        if "lambda" in wanted:
            banks = [n for n in wanted if n in ("lambda", "lambda_2")]
            first = self.plant.lambda_burnt()
            burnt = [first + 0.004 * i * self.plant.small[6] for i in range(len(banks))]
            self.fault.mixture(burnt)
            for name, bank in zip(banks, burnt, strict=True):
                made[name] = self.plant.lambda_read(bank, self.spec.lambda_top)
        if "wastegate_duty" in made and self.car.control.closed:
            # the loop answers what it measures, as far as its trim reaches
            made["wastegate_duty"] = np.clip(
                made["wastegate_duty"]
                + np.clip(-0.6 * self.trace.data["added"], -8.0, 8.0) * self.plant.pulling,
                0.0,
                self.car.control.top_duty_pct,
            )
        return made

    def _quiet_knock(self) -> Array:
        """A flicker of a few tenths of a degree now and then, as healthy engines show."""
        out = np.zeros(len(self.plant.t))
        for pull in self.trace.pulls:
            if self.rng.uniform() < 0.15:
                at = self.plant.t[pull.settled] + self.rng.uniform(0.2, 1.0)
                since = self.plant.t - at
                out += np.where(since >= 0.0, np.maximum(0.0, 0.4 - 0.8 * since), 0.0)
        return out

    # files ---------------------------------------------------------------------------------
    def write(self, folder: Path) -> tuple[str, ...]:
        """Write the logs and the car file into a folder; return the extra arguments."""
        folder.mkdir(parents=True, exist_ok=True)
        for number, (start, end) in enumerate(self.trace.logs):
            text = self._log_text(number, start, end)
            name = f"run_{number + 1:02d}{self.spec.dialect.suffix}"
            (folder / name).write_bytes(text.encode(self.spec.dialect.encoding))
        (folder / "car.toml").write_text(self._car_file(), encoding="utf-8")
        return self.spec.args + self._limit_args()

    def _limit_args(self) -> tuple[str, ...]:
        if self.limit_kpa is None:
            return ()
        if self.spec.limit_as == "psi":
            return ("--limit", f"{self.limit_kpa / KPA_PER_PSI:.2f} psi")
        if self.spec.limit_as == "bar":
            return ("--limit", f"{self.limit_kpa / 100.0:.4f} bar")
        return ()

    def _car_file(self) -> str:
        spec = self.spec
        lines = [f'name = "{spec.name.replace("_", " ")}"', f'fuel = "{spec.car.fuel}"']
        if self.altitude_m is not None:
            lines.append(f"altitude_m = {self.altitude_m:.0f}")
        if spec.car.engine.cylinders != 4:
            lines.append(f"cylinders = {spec.car.engine.cylinders}")
        if spec.car.direct:
            lines.append('injection = "direct"')
        boost = []
        if spec.limit_as == "file" and self.limit_kpa is not None:
            boost.append(f"limit_kpa = {self.limit_kpa:.2f}")
        if spec.target_in_file:
            boost.append(f"target_kpa = {spec.car.control.level_kpa:.1f}")
        if boost:
            lines += ["", "[boost]", *boost]
        if spec.limit_rpm is not None:
            lines += ["", "[engine]", f"limit_rpm = {spec.limit_rpm:.0f}"]
        return "\n".join(lines) + "\n"

    def _log_text(self, number: int, start: float, end: float) -> str:
        spec, dialect, rng = self.spec, self.spec.dialect, self.rng
        step = 1.0 / spec.rate_hz
        when = np.arange(start, end - step, step)
        when = when + rng.uniform(-0.04, 0.04, len(when)) * step
        data = self.trace.data
        inside = (data["t"] >= start - 1e-9) & (data["t"] <= end + 1e-9)
        time = data["t"][inside]
        shown = when - when[0]
        again = self.marks.restarts.get(number)
        if again is not None:
            later = when >= again
            shown[later] = when[later] - when[np.argmax(later)]
        of_day = 3600.0 * rng.uniform(9.0, 21.0)
        cells = [clock_cells(dialect, shown, of_day)]
        for column in spec.columns:
            cells.append(
                column_cells(
                    column,
                    dialect,
                    when,
                    time,
                    self.signals[column.signal][inside],
                    rng,
                    lambda s, t, v: self.fault.read(number, s, t, v),
                )
            )
        kept = self.fault.keep(number, when).tolist()
        table = zip(*cells, strict=True)
        rows = [dialect.delimiter.join(r) for r, k in zip(table, kept, strict=True) if k]
        if spec.logs[number].cut_off:
            rows[-1] = rows[-1][: len(rows[-1]) // 2]
        body = dialect.newline.join(rows)
        if dialect.decimal != ".":
            body = body.replace(".", dialect.decimal)
        head = dialect.newline.join([*dialect.preamble, *dialect.headings(spec.columns)])
        tail = "" if spec.logs[number].cut_off else dialect.newline
        return head + dialect.newline + body + tail
