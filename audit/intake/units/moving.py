"""Units told by what the car does: air flow by the engine it would need, acceleration by the change
of speed.

Windows: common practice, no published source. Does not see: either of them without engine and road
speed.
"""

from __future__ import annotations

import numpy as np

from audit.intake.names.unit_text import Unit
from audit.intake.units.decide import Decision, Scored, decide, window
from audit.intake.units.plain_units import scored_units
from audit.intake.units.scene import Scene, quantile
from audit.model import Array
from audit.signal.arrays import median

LITRES = (1.0, 4.2)  # swept volume of a turbocharged car's engine
GRAMS_PER_LITRE_KPA = 0.85 / (
    0.28705 * 298.0
)  # density of air at 1 kPa and 25 °C (ideal gas), cylinders filled to 85 %


def mass_flow(
    values: Array,
    scene: Scene,
    manifold_kpa: Array | None,
    *,
    stated: Unit | None,
    stated_from: str,
) -> Decision:
    """g/s, kg/h, lb/min or lb/h: by the swept volume that the flow would need, flow = litres * rpm
    / 120 * density.
    """
    finite = np.sort(values[np.isfinite(values)])
    high = quantile(finite, 0.995) if len(finite) else 1.0
    scored = scored_units(
        ("gs", "kgh", "lbmin", "lbh"), stated, {"kgh": -1.0, "lbmin": -1.5, "lbh": -3.0}
    )
    swept = _swept_litres(values, scene, manifold_kpa)
    for one in scored:
        one.add(
            window(
                one.candidate.turned(high),
                12.0,
                600.0,
                8.0 if one.candidate.turned(high) < 12.0 else 120.0,
                12.0,
            ),
            "its highest value is no air flow",
        )
        if swept is not None:
            litres = float(np.log(max(swept * one.candidate.scale, 1e-9)))
            one.add(
                window(litres, float(np.log(LITRES[0])), float(np.log(LITRES[1])), 0.25, 10.0),
                "no car engine breathes that much or so little",
            )
    return decide(scored, stated=stated, stated_from=stated_from, typical=high or 1.0)


def _swept_litres(values: Array, scene: Scene, manifold_kpa: Array | None) -> float | None:
    """The swept volume, litres, that would breathe this flow, were it in g/s; None without speed
    and pressure.
    """
    if scene.rpm is None or manifold_kpa is None:
        return None
    ok = np.isfinite(values) & (scene.rpm > 1200.0) & (manifold_kpa > 40.0) & (values > 0)
    if ok.sum() < 10:
        return None
    density = manifold_kpa[ok] * GRAMS_PER_LITRE_KPA
    return median(values[ok] * 120.0 / (scene.rpm[ok] * density))


def acceleration(
    values: Array, scene: Scene, speed_kmh: Array | None, *, stated: Unit | None, stated_from: str
) -> Decision:
    """m/s² or g: by the change of road speed, else by size."""
    finite = np.sort(np.abs(values[np.isfinite(values)]))
    high = quantile(finite, 0.98) if len(finite) else 1.0
    scored = scored_units(("ms2", "g_n"), stated, {})
    for one in scored:
        size = float(np.log(max(one.candidate.turned(high), 1e-6)))
        one.add(
            window(size, float(np.log(1.2)), float(np.log(13.0)), 0.35, 10.0),
            "no car speeds up or brakes like that",
        )
    slope = _slope(values, scene, speed_kmh)
    if slope is not None:
        for one in scored:
            _weigh_slope(one, slope)
    return decide(scored, stated=stated, stated_from=stated_from, typical=high or 1.0)


def _weigh_slope(one: Scored, slope: float) -> None:
    away = abs(float(np.log(max(abs(slope), 1e-6) * one.candidate.scale)))
    one.add(-min(0.5 * (away / 0.5) ** 2, 8.0), "it does not go with the change of road speed")


def _slope(values: Array, scene: Scene, speed_kmh: Array | None) -> float | None:
    """The column over the change of road speed, m/s²; None where they do not go together."""
    if speed_kmh is None or len(scene.time) < 30:
        return None
    reach = max(
        1, round(1.0 / max(median(np.diff(scene.time)), 1e-3))
    )  # about a second to either side
    if len(values) <= 4 * reach:
        return None
    change = (
        (speed_kmh[2 * reach :] - speed_kmh[: -2 * reach])
        / 3.6
        / (scene.time[2 * reach :] - scene.time[: -2 * reach])
    )
    totals = np.cumsum(np.concatenate([[0.0], np.nan_to_num(values)]))
    felt = (totals[2 * reach + 1 :] - totals[: -2 * reach - 1]) / (2 * reach + 1)
    ok = np.isfinite(change) & np.isfinite(felt) & (np.abs(change) > 0.4)
    if ok.sum() < 10 or float(np.corrcoef(change[ok], felt[ok])[0, 1]) < 0.6:
        return None
    return float(np.dot(change[ok], felt[ok]) / np.dot(change[ok], change[ok]))
