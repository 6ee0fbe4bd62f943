"""Amounts as people write them: '18 psi', '1.2 bar', '3900 ft', '85 °F', 'e85'; a wrong one is told
with the mend.
"""

from __future__ import annotations

import re
from typing import NamedTuple

from audit.errors import did_you_mean
from audit.units import KPA_PER_PSI, M_PER_FT, STANDARD_PRESSURE_KPA, Unit, read_unit

_AMOUNT = re.compile(r"\s*([+-]?\d+(?:[.,]\d+)?)\s*(.*?)\s*")
_LENGTHS = {"m": 1.0, "metre": 1.0, "meter": 1.0, "metres": 1.0, "meters": 1.0, "km": 1000.0}
_LENGTHS |= dict.fromkeys(("ft", "feet", "foot", "'"), M_PER_FT)
# What each quantity is called, and two ways to write one, the first from an unlabelled figure.
_SAID = {
    "pressure": ("a pressure", ("{} psi", "{} bar", "{} kPa")),
    "height": ("a height", ("{} m", "{} ft")),
    "temperature": ("a temperature", ("{} °C", "{} °F")),
    "percent": ("a share", ("{} %",)),
}
EXAMPLE = {"pressure": "18 psi", "height": "1200 ft", "temperature": "85 °F", "percent": "35 %"}


class WrongAmount(ValueError):
    """An amount that cannot be taken, as a sentence with the mend."""


def _unit(word: str) -> Unit | None:
    """The unit that a word means, of the quantities that a person states."""
    length = _LENGTHS.get(re.sub(r"[\s.]", "", word.lower()))
    if length is not None:
        return Unit(word, word, "height", length)
    return next((u for u in read_unit(word) if u.quantity in _SAID and not u.special), None)


def amount(
    text: str, quantity: str, *, least: float | None = None, most: float | None = None
) -> float:
    """The amount in kPa (gauge), m, °C or %.

    quantity: 'pressure', 'height', 'temperature' or 'percent'. least, most: bounds in that unit.
    Raises WrongAmount with the right way to write it: no unit, the unit of another quantity, an
    absolute pressure where boost is meant, out of bounds.
    """
    match = _AMOUNT.fullmatch(text)
    if match is None:
        raise WrongAmount(f'"{text}" is no amount: write it as "{EXAMPLE[quantity]}"')
    figure, word = match[1].replace(",", "."), match[2]
    if not word:
        raise WrongAmount(f'"{text}" has no unit: {_either(figure, quantity)}')
    unit = _unit(word)
    if unit is None:
        known = [w.format("").strip() for w in _SAID[quantity][1]]
        raise WrongAmount(f'"{text}": no such unit. {did_you_mean(word, known).rstrip(".")}')
    if unit.quantity != quantity:
        is_a, wanted = _SAID[unit.quantity][0], _SAID[quantity][0]
        raise WrongAmount(
            f'"{text}" is {is_a}, and this is {wanted}: write it as "{EXAMPLE[quantity]}"'
        )
    value = float(figure) * unit.scale + unit.offset
    if unit.reference == "absolute":
        boost = (value - STANDARD_PRESSURE_KPA) / unit.scale
        gauge = word.lower().removesuffix("absolute").removesuffix("abs").strip()
        gauge = gauge.removesuffix("a") if gauge.endswith(("ia", "ra")) else gauge
        raise WrongAmount(
            f'"{text}" is absolute pressure, and boost is over ambient: '
            f'at sea level that is "{boost:.3g} {gauge}"'
        )
    for wrong, bound, says in (
        (least is not None and value < least, least, "less than"),
        (most is not None and value > most, most, "more than"),
    ):
        if wrong and bound is not None:
            there = (bound - unit.offset) / unit.scale
            figure = f"{there:.0f}" if abs(there) >= 1000 else f"{there:.3g}"
            raise WrongAmount(f'"{text}" is {says} the {figure} {word} that this can be')
    return value


def _either(figure: str, quantity: str) -> str:
    ways = [f'"{way.format(figure)}"' for way in _SAID[quantity][1]]
    more = ""
    if quantity == "pressure":
        more = f" ({figure} psi is {float(figure) * KPA_PER_PSI:.3g} kPa)"
    if quantity == "height":
        more = f" ({figure} ft is {float(figure) * M_PER_FT:.0f} m)"
    return f"write {' or '.join(ways)}{more}"


class Fuel(NamedTuple):
    """name: petrol, e1 to e99, ethanol or methanol. ethanol_pct: of its volume; None: methanol."""

    name: str
    ethanol_pct: float | None


_FUELS = {
    "petrol": Fuel("petrol", 0.0),
    "gasoline": Fuel("petrol", 0.0),
    "gas": Fuel("petrol", 0.0),
    "ethanol": Fuel("ethanol", 100.0),
    "methanol": Fuel("methanol", None),
}


def fuel(text: str) -> Fuel:
    """The fuel that a word means. Raises WrongAmount for a word that means none."""
    word = text.strip().lower().replace(" ", "")
    if word in _FUELS:
        return _FUELS[word]
    share = re.fullmatch(r"e-?(\d{1,3})(?:%|pct)?", word)
    if share is None or int(share[1]) > 100:
        known = ("petrol", "gasoline", "e10", "e50", "e85", "ethanol", "methanol")
        raise WrongAmount(
            f'"{text}" is no fuel that is known. {did_you_mean(word, known)} '
            "Ethanol in petrol is written by its share, as e10 or e85."
        )
    pct = int(share[1])
    if pct in (0, 100):
        return _FUELS["ethanol" if pct else "petrol"]
    return Fuel(f"e{pct}", float(pct))


# Mass of air for one of fuel. petrol: Heywood, Internal Combustion Engine Fundamentals, fuel table
# (14.6 to 14.7, from memory); ethanol and methanol from balanced combustion in dry air.
PETROL_AFR, ETHANOL_AFR, METHANOL_AFR = 14.7, 9.0, 6.47
PETROL_DENSITY, ETHANOL_DENSITY = 0.745, 0.789  # kg/l at 15 and 20 °C: EN 228's middle; handbooks


def stoichiometric_afr(of: Fuel) -> float:
    """Mass of air that burns one mass of fuel; a blend by the masses of its shares of volume."""
    if of.ethanol_pct is None:
        return METHANOL_AFR
    share = of.ethanol_pct / 100.0
    ethanol, petrol = share * ETHANOL_DENSITY, (1.0 - share) * PETROL_DENSITY
    air = (ethanol * ETHANOL_AFR + petrol * PETROL_AFR) / (ethanol + petrol)
    return round(air, 1)  # as gauges and handbooks give it
