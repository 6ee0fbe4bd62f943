"""Conversions and units, in one place: 'psi(g)', 'degF', '°CA', 'rpm x 1000' (schemas/units.toml).

Factors: NIST SP 811 (2008), appendix B.8, exact where exact by definition.
"""

from __future__ import annotations

import math
import re
import unicodedata
from functools import cache, lru_cache
from typing import NamedTuple

import numpy as np

from audit.model import Array
from audit.tables import toml_table

KPA_PER_PSI = 6.894757293168
KMH_PER_MPH = 1.609344
M_PER_FT = 0.3048
STANDARD_PRESSURE_KPA = 101.325

_DROP = re.compile(r"[\s\[\]{}.]+")
_WORD_REFERENCE = re.compile(
    r"(gauge|gage|relativ\w*|\brel\b|uberdruck|ueberdruck|\(g\)|boost)|(absol\w*|\babs\b|\(a\))"
)
_ACCENTS = re.compile("[\u0300-\u036f\u3099\u309a]+")
# Letters that Unicode takes for no accented ones, and other spellings of one sign.
_LETTERS = str.maketrans(
    {"μ": "u", "ϕ": "φ", "ł": "l", "ø": "o", "æ": "ae", "å": "a", "ı": "i", "đ": "d"}
)


def psi(kpa: float) -> float:
    """kPa to psi."""
    return kpa / KPA_PER_PSI


def fahrenheit(celsius: float) -> float:
    """°C to °F."""
    return celsius * 1.8 + 32.0


def mph(kmh: float) -> float:
    """km/h to mile/h."""
    return kmh / KMH_PER_MPH


def standard_pressure_kpa(height_m: float) -> float:
    """Pressure of the standard atmosphere at a geometric height below 11 km.

    p = 101.325 (1 - 0.0065 H / 288.15)^5.25588, H the geopotential height of the geometric one.
    Source: ISO 2533:1975.
    """
    geopotential = height_m * 6356766.0 / (6356766.0 + height_m)
    return float(STANDARD_PRESSURE_KPA * (1.0 - 0.0065 * geopotential / 288.15) ** 5.25588)


def injector_duty_pct(pulse_ms: float, rpm: float) -> float:
    """Injector duty of a four-stroke, one shot a cycle: pulse × rpm / 1200, % (ms, rpm)."""
    return pulse_ms * rpm / 1200.0


@lru_cache(maxsize=4096)
def fold(text: str) -> str:
    """Lower case without accents; μ as u, ł as l, full-width as plain, λ kept."""
    if text.isascii():
        return text.lower()
    return _ACCENTS.sub("", unicodedata.normalize("NFKD", text).casefold()).translate(_LETTERS)


class Unit(NamedTuple):
    """A way to read a column: a row of schemas/units.toml, or what became of one. canonical = scale
    * value + offset, unless special. reference: 'gauge' or 'absolute' when it is said or taken so.
    """

    key: str
    said: str
    quantity: str
    scale: float = 1.0
    offset: float = 0.0
    reference: str = ""
    special: str = ""

    def turned(self, value: float) -> float:
        """One source value in the canonical unit."""
        if self.special == "reciprocal":
            return 1.0 / value if value else math.nan
        if self.special == "inhg_psi" and value < 0:
            return units()["inhg"].scale * value + self.offset
        return self.scale * value + self.offset


def turned(values: Array, unit: Unit) -> Array:
    """Source values in the canonical unit; NaN where they mean nothing."""
    if unit.special == "reciprocal":
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.where(values > 0, 1.0 / values, np.nan)
    if unit.special == "inhg_psi":
        below = units()["inhg"].scale * values
        return np.where(values < 0, below, unit.scale * values) + unit.offset
    if unit.scale == 1.0 and unit.offset == 0.0:
        return values
    return values * unit.scale + unit.offset


@cache
def units() -> dict[str, Unit]:
    """All units by key."""
    rows = toml_table("units.toml")["unit"]
    fields = frozenset(Unit._fields)
    return {k: Unit(k, **{f: v for f, v in row.items() if f in fields}) for k, row in rows.items()}


@cache
def spelt() -> tuple[dict[str, tuple[Unit, ...]], frozenset[str]]:
    """The units that each folded word may mean; the words that are a unit by themselves."""
    table = toml_table("units.toml")
    meant: dict[str, tuple[Unit, ...]] = {}
    alone = set(table["elsewhere"]["words"].split())
    for key, row in table["unit"].items():
        own = row.get("words", "").split()
        alone |= set(own)
        for word in [*own, *row.get("beside", "").split()]:
            plain = _DROP.sub("", fold(word))
            meant[plain] = (*meant.get(plain, ()), units()[key])
    return meant, frozenset(alone)


@cache
def units_of(quantity: str) -> tuple[Unit, ...]:
    """The units a quantity of the channel table may come in."""
    wanted = quantity.removesuffix("_absolute").removesuffix("_gauge")
    return tuple(u for u in units().values() if u.quantity == wanted)


@lru_cache(maxsize=4096)
def read_unit(text: str) -> tuple[Unit, ...]:
    """The units a text may mean (V is a voltage or a throttle's), () when it is none.

    A gauge or absolute word beside a pressure unit is kept in reference.
    """
    text, meant = text.strip(), spelt()[0]
    folded, exact = fold(text), toml_table("units.toml")["exact"]
    plain = _DROP.sub("", folded)
    found = meant.get(plain) or meant.get(plain.strip("()-_:")) or _with_reference(folded)
    if text in exact:  # case matters: the row's own unit first, then what else it may be
        first = units()[exact[text]]
        return (first, *(u for u in found if u is not first))
    return found


def _with_reference(folded: str) -> tuple[Unit, ...]:
    """'kPa absolute', 'rel. bar': the bare unit, with the word as its reference."""
    spaced = folded.replace("_", " ")
    match = _WORD_REFERENCE.search(spaced)
    if not match:
        return ()
    rest = _DROP.sub("", _WORD_REFERENCE.sub("", spaced)).strip("()-_:,/")
    reference = "gauge" if match[1] else "absolute"
    bare = next((u for u in spelt()[0].get(rest, ()) if u.quantity == "pressure"), None)
    if bare is None:
        return ()
    own = bare._replace(said=f"{bare.said} {reference}", reference=reference, special="")
    return (units().get(f"{bare.key}_{reference}", own),)
