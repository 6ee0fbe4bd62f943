"""What the car file says."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


def rpm_per_kmh(ratio: float, final_drive: float, circumference_m: float) -> float:
    """Engine speed over road speed in a gear, rpm per km/h: ratio × final drive / (0.06 ×
    circumference in m).
    """
    return ratio * final_drive / (0.06 * circumference_m)


@dataclass(frozen=True, slots=True)
class ColumnWord:
    """The car file's word on one channel: the column that holds it and, if given, its unit."""

    column: str
    unit: str | None = None


@dataclass(frozen=True)
class Car:
    """What the car file says. Every field may be absent; pressures kPa, boost in kPa gauge."""

    name: str = "unnamed car"
    path: str | None = None
    units: str | None = None  # us, metric
    fuel: str = "petrol"  # petrol, e1 to e99, ethanol, methanol
    ethanol_pct: float | None = 0.0  # of the fuel's volume; None for methanol
    stoichiometric_afr: float = 14.7
    altitude_m: float | None = None
    altitude_tonight: bool = False  # said for this call, not only the car file's usual place
    injection: str = "port"  # port, direct
    engine_limit_rpm: float | None = None
    cylinders: int = 4
    not_fitted: tuple[str, ...] = ()  # channels that the logger writes, without a sensor
    boost_limit_kpa: float | None = None
    sensor_top_kpa: float | None = None
    spring_kpa: float | None = None
    target_kpa: float | None = None
    target_by_gear_kpa: Mapping[int, float] = field(default_factory=dict)
    injector_duty_limit_pct: float | None = None
    gear_ratios: tuple[float, ...] = ()
    final_drive: float | None = None
    circumference_m: float | None = None
    solenoid_ports: int = 3
    solenoid_frequency_hz: float | None = None
    duty_min_pct: float = 0.0
    duty_max_pct: float = 100.0
    channels: Mapping[str, ColumnWord] = field(default_factory=dict)
    thresholds: Mapping[str, Mapping[str, float]] = field(default_factory=dict)

    @property
    def rpm_per_kmh(self) -> tuple[float, ...]:
        """Engine speed over road speed in each gear, rpm per km/h; () where the car file does not
        tell.
        """
        if not (self.gear_ratios and self.final_drive and self.circumference_m):
            return ()
        return tuple(
            rpm_per_kmh(g, self.final_drive, self.circumference_m) for g in self.gear_ratios
        )

    def target_for(self, gear: int | None) -> float | None:
        """The boost wanted in this gear, kPa gauge, if the car file tells."""
        if gear is not None and gear in self.target_by_gear_kpa:
            return self.target_by_gear_kpa[gear]
        return self.target_kpa
