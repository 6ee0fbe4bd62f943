"""Faults of heat, knock, engine speed, supply and oil."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

import numpy as np

from families import limits as lim
from families.drive import PULL_STEP_S

from .base import Fault, smooth

if TYPE_CHECKING:
    from families.night import Spec


class _Signal(Fault):
    """Faults of one signal."""

    channel: ClassVar[str] = ""

    @classmethod
    def fits(cls, spec: Spec) -> bool:
        return spec.has(cls.channel)

    def peak(self) -> float:
        """Highest reading of the signal in any pull."""
        return float(np.max(self.night.signals[self.channel][self.night.plant.pulling]))


class IntakeHot(_Signal):
    """Charge too hot, in one of two ways drawn by the seed.

    Level (an intercooler starved of air, all night): true value = the peak in a pull, petrol
    60 + (size - 1) x 20 C. Rise (an intercooler that soaks in the pull and recovers before the
    next): true value = from the start of a pull to its hottest, 25 + (size - 1) x 20 K.
    """

    code = "heat.intake"
    channel = "intake_air_temp"

    def level(self) -> lim.Level:
        return lim.intake_c(self.night.car.fuel)

    def rises(self) -> list[float]:
        """From the start of each pull to its hottest [K]."""
        parts = [self.night.signals[self.channel][p.span] for p in self.night.trace.pulls]
        return [float(np.max(part) - part[0]) for part in parts]

    def signals(self) -> None:
        heat, time = self.night.signals[self.channel], self.night.plant.t
        if self.dice[0] < 0.5:
            heat += self.level().at(self.size) - self.peak()
            return
        for pull, rise in zip(self.night.trace.pulls, self.rises(), strict=True):
            since = time - time[pull.first]
            length = since[pull.last - 1]
            up = np.clip(since / length, 0.0, 1.0)
            down = np.exp(-np.maximum(0.0, since - length) / 3.5)
            heat += (lim.INTAKE_RISE_K.at(self.size) - rise) * up * down * (since >= 0.0)

    def true_size(self) -> float:
        if self.dice[0] < 0.5:
            return self.level().size(self.peak())
        return lim.INTAKE_RISE_K.size(max(self.rises()))


class Soak(_Signal):
    """The intercooler no longer recovers between pulls.

    True value: in the second half of the night the pulls start hotter than the hottest start of the
    first half, by 10 + (size - 1) x 10 K.
    """

    code = "heat.soak"
    channel = "intake_air_temp"

    @classmethod
    def fits(cls, spec: Spec) -> bool:
        return super().fits(spec) and sum(len(p.pulls) for p in spec.logs) >= 3

    def step(self) -> float:
        """How much hotter the second half starts [K]."""
        heat, half = self.night.signals[self.channel], (self.n_pulls + 1) // 2
        starts = [float(heat[p.first]) for p in self.night.trace.pulls]
        return max(starts[half:]) - max(starts[:half])

    def signals(self) -> None:
        time, pulls = self.night.plant.t, self.night.trace.pulls
        half = (self.n_pulls + 1) // 2
        from_s, to_s = time[pulls[half - 1].last], time[pulls[half].first]
        lift = lim.INTAKE_START_STEP_K.at(self.size) - self.step()
        self.night.signals[self.channel] += lift * smooth((time - from_s) / (0.7 * (to_s - from_s)))

    def true_size(self) -> float:
        return lim.INTAKE_START_STEP_K.size(self.step())


class CoolantHot(_Signal):
    """Coolant climbs over the night. True value: its peak in a pull = 108 + (size - 1) x 12 C."""

    code = "heat.coolant"
    channel = "coolant_temp"

    def signals(self) -> None:
        heat, time, last = self.night.signals["coolant_temp"], self.night.plant.t, None
        last = self.night.trace.pulls[-1]
        more = lim.COOLANT_C.at(self.size) - float(np.max(heat[last.span]))
        heat += more * np.clip((time - time[0]) / (time[last.first] - time[0]), 0.0, 1.0)

    def true_size(self) -> float:
        return lim.COOLANT_C.size(self.peak())


class PulledCold(_Signal):
    """Pulled before it was warm. True value: mean coolant of the first pull = 65 - (size - 1) x 20.

    Oil, where logged, in step: 60 - (size - 1) x 30 C. The engine warms up as the night goes on.
    """

    code = "heat.cold"
    channel = "coolant_temp"

    def signals(self) -> None:
        self._cool("coolant_temp", lim.COLD_COOLANT_C.at(self.size))
        if self.night.spec.has("oil_temp"):
            self._cool("oil_temp", lim.COLD_OIL_C.at(self.size))

    def _cool(self, channel: str, goal: float) -> None:
        heat, time = self.night.signals[channel], self.night.plant.t
        first = self.night.trace.pulls[0]
        less = float(np.mean(heat[first.span])) - goal
        after = np.maximum(0.0, time - time[first.last])
        before = np.maximum(0.0, time[first.first] - time)
        heat -= less * np.exp(-after / 150.0) + 0.15 * before

    def true_size(self) -> float:
        first = self.night.trace.pulls[0]
        mean = float(np.mean(self.night.signals["coolant_temp"][first.span]))
        return lim.COLD_COOLANT_C.size(mean)


class ExhaustHot(_Signal):
    """Exhaust too hot. True value: the thermocouple's peak in a pull = 950 + (size - 1) x 100 C."""

    code = "heat.exhaust"
    channel = "exhaust_gas_temp"

    def signals(self) -> None:
        gas, peak = self.night.signals[self.channel], self.peak()
        share = np.clip((gas - 500.0) / (peak - 500.0), 0.0, 1.0)
        gas += (lim.EXHAUST_C.at(self.size) - peak) * share

    def true_size(self) -> float:
        return lim.EXHAUST_C.size(self.peak())


class KnockRetard(Fault):
    """Knock on one cylinder (or sensor). True value: most degrees taken out in a pull.

    In one pull: size x 3 degrees; in every pull: size x 2.5 degrees. Held 0.35 s, then given back
    at 1.5 degrees a second.
    """

    code = "knock.retard"

    @classmethod
    def fits(cls, spec: Spec) -> bool:
        return spec.has("knock_retard")

    def channel(self) -> str:
        """The cylinder that knocks."""
        names = [c.signal for c in self.night.spec.columns if c.signal.startswith("knock_retard")]
        return names[int(self.dice[1] * len(names))]

    def hold(self) -> float:
        """The hold limit [deg] for as many pulls as knock."""
        many = self.everywhere and self.n_pulls > 1
        return lim.KNOCK_MORE_PULLS_DEG if many else lim.KNOCK_ONE_PULL_DEG

    def signals(self) -> None:
        retard = self.night.signals[self.channel()]
        for pull in self.hit_pulls():
            start = (0.2 + 0.3 * self.dice[2]) * (pull.last - pull.settled) * PULL_STEP_S
            since = self.window(pull) - start
            given_back = 1.5 * np.maximum(0.0, since - 0.35)
            knocks = np.maximum(0.0, self.size * self.hold() - given_back) * (since >= 0.0)
            np.maximum(retard, knocks, out=retard)

    def true_size(self) -> float:
        retard = self.night.signals[self.channel()]
        return max(float(np.max(retard[p.span])) for p in self.hit_pulls()) / self.hold()


class KnockCount(Fault):
    """Three to six knock events counted in every pull; below size 1 one count, off load."""

    code = "knock.count"
    graded = False

    @classmethod
    def fits(cls, spec: Spec) -> bool:
        return spec.has("knock_count")

    def signals(self) -> None:
        count, time = self.night.signals["knock_count"], self.night.plant.t
        if not self.present:
            count += time > time[self.night.trace.pulls[0].first] - 3.0
            return
        for pull in self.night.trace.pulls:
            held = time[pull.last - 1] - time[pull.settled]
            for _ in range(int(self.rng.integers(3, 7))):
                count += time >= time[pull.settled] + self.rng.uniform(0.1, 0.85) * held

    def true_size(self) -> float:
        count = self.night.signals["knock_count"]
        counted = [float(count[p.last - 1] - count[p.first]) for p in self.night.trace.pulls]
        return self.size if (min(counted) >= 3.0) == self.present else 0.0


class Overspeed(Fault):
    """One pull goes over the car file's limit. True value: 3 + (size - 1) x 6 % over it."""

    code = "engine.overspeed"

    @classmethod
    def fits(cls, spec: Spec) -> bool:
        return spec.limit_rpm is not None

    def prepare(self) -> None:
        limit = self.night.spec.limit_rpm
        assert limit is not None
        top = limit * (1.0 + lim.OVERSPEED_PCT.at(self.size) / 100.0)
        self.night.pull_tops[self.one] = top

    def true_size(self) -> float:
        limit = self.night.spec.limit_rpm
        assert limit is not None
        return lim.OVERSPEED_PCT.size(100.0 * (float(np.max(self.night.plant.rpm)) / limit - 1.0))


class Voltage(_Signal):
    """Supply sags in the pulls. True value: the least reading = 12.4 - (size - 1) x 1.2 V."""

    code = "electrical.voltage"
    channel = "battery_voltage"

    def least(self) -> float:
        return float(np.min(self.night.signals[self.channel][self.night.plant.pulling]))

    def signals(self) -> None:
        volts, time = self.night.signals[self.channel], self.night.plant.t
        goal = lim.SUPPLY_V.at(self.size)
        for pull in self.night.trace.pulls:
            since = time - time[pull.first]
            length = since[pull.last - 1]
            share = smooth(since / min(1.0, 0.5 * length)) * smooth((length + 0.4 - since) / 0.4)
            volts += share * (goal - volts)

    def true_size(self) -> float:
        return lim.SUPPLY_V.size(self.least())


class OilPressure(_Signal):
    """Worn pump, warm oil. True value: least kPa per 1000 rpm in the pulls = 55 - (size - 1) x 30.

    Engine speed counts to 5500 rpm at most.
    """

    code = "oil.pressure"
    channel = "oil_pressure"

    def least(self) -> float:
        pulling = self.night.plant.pulling
        krpm = np.minimum(self.night.plant.rpm[pulling] / 1000.0, 5.5)
        return float(np.min(self.night.signals[self.channel][pulling] / krpm))

    def signals(self) -> None:
        self.night.signals[self.channel] *= lim.OIL_KPA_PER_KRPM.at(self.size) / self.least()

    def true_size(self) -> float:
        return lim.OIL_KPA_PER_KRPM.size(self.least())
