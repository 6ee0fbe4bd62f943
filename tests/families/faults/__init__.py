"""Faults of a stated size. Each class says what its true value is, as a driver would measure it.

Sizes are in units of the hold limits of :mod:`limits`. A fault acts at the place where it arises:
in the pull (boost, slip, throttle, cut), in the mixture, in a signal, in a sensor's readings, in
the rows of the file, or in what the car file says. Codes whose limit is 'any' are the same at every
size >= 1; below 1 they leave a harmless look-alike.
"""

from __future__ import annotations

from .base import Fault, Healthy
from .boost import (
    Creep,
    Fade,
    Lost,
    NoLimit,
    Oscillation,
    OverLimit,
    Overshoot,
    OverTarget,
    SensorCeiling,
    UnderTarget,
    Uneven,
)
from .control import NoResponse, Reversed, Saturated, ThrottleClosed
from .engine import (
    CoolantHot,
    ExhaustHot,
    IntakeHot,
    KnockCount,
    KnockRetard,
    OilPressure,
    Overspeed,
    PulledCold,
    Soak,
    Voltage,
)
from .fuel import FuelCut, InjectorLimit, PressureDrop
from .mixture import BanksDiffer, DriftsLean, Lean, LeanSpike, Rich
from .sensor import AmbientDoubt, Disagree, Dropout, FlatLine, Gap, Spike
from .traction import ClutchSlip, Wheelspin

__all__ = ["FAULTS", "Fault", "Healthy"]

FAULTS: dict[str, type[Fault]] = {
    cls.code: cls
    for cls in (
        Overshoot,
        OverTarget,
        UnderTarget,
        OverLimit,
        Creep,
        Fade,
        Lost,
        Uneven,
        Oscillation,
        SensorCeiling,
        NoLimit,
        NoResponse,
        Reversed,
        ThrottleClosed,
        Saturated,
        Lean,
        LeanSpike,
        Rich,
        DriftsLean,
        BanksDiffer,
        PressureDrop,
        InjectorLimit,
        FuelCut,
        IntakeHot,
        Soak,
        CoolantHot,
        PulledCold,
        ExhaustHot,
        KnockRetard,
        KnockCount,
        Overspeed,
        Voltage,
        OilPressure,
        Wheelspin,
        ClutchSlip,
        FlatLine,
        Dropout,
        Spike,
        Gap,
        Disagree,
        AmbientDoubt,
    )
}
