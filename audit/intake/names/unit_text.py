"""Unit text to units: 'psi(g)', 'degF', '°CA', 'rpm x 1000'; and which texts spell a unit at all,
one of no channel's too ('Nm', 'km').
"""

from __future__ import annotations

import math
import re
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from audit.intake.names.words import fold
from audit.model import Array
from audit.tables import row_of, toml_table

_DROP = re.compile(r"[\s\[\]{}.]+")
_WORD_REFERENCE = re.compile(
    r"(gauge|gage|relativ\w*|\brel\b|uberdruck|ueberdruck|\(g\)|boost)|(absol\w*|\babs\b|\(a\))"
)
_TABLE = toml_table("words.toml")
# spellings with a stroke ('varv/min', 'kg/min') are those of schemas/units.toml: none is a name
_PER = {
    word
    for row in toml_table("units.toml")["unit"].values()
    for word in row["words"].split()
    if "/" in word and not word.startswith("a/f")
}
UNIT_WORDS = frozenset(_TABLE["unit"]) | _PER
NEUTRAL = frozenset(_TABLE["neutral"])
# too common in names to count as a unit unless in brackets or a units row
_WEAK = frozenset(_TABLE["unit_in_brackets"])
_QUALIFIER = re.compile(
    r"[\s_.(-]*(abs|absolute|a|gauge|gage|g|rel|relative|vac|vacuum|boost)\.?\)?$", re.IGNORECASE
)


class Unit(NamedTuple):
    """One row of schemas/units.toml. canonical = scale * value + offset, unless special."""

    key: str
    said: str
    quantity: str
    scale: float = 1.0
    offset: float = 0.0
    reference: str = ""  # 'gauge' or 'absolute' when the text says it
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


QUANTITY = {"pressure_absolute": "pressure", "pressure_gauge": "pressure"}


@lru_cache(maxsize=1)
def units() -> dict[str, Unit]:
    """All units by key."""
    rows = toml_table("units.toml")["unit"]
    return {
        key: Unit(key=key, **{k: v for k, v in row.items() if k != "words"})
        for key, row in rows.items()
    }


@lru_cache(maxsize=1)
def _words() -> dict[str, tuple[Unit, ...]]:
    rows = toml_table("units.toml")["unit"]
    found: dict[str, tuple[Unit, ...]] = {}
    for key, row in rows.items():
        for word in row["words"].split():
            plain = _DROP.sub("", fold(word))
            found[plain] = (*found.get(plain, ()), units()[key])
    return found


@lru_cache(maxsize=64)
def units_of(quantity: str) -> tuple[Unit, ...]:
    """The units a quantity of the channel table may come in."""
    wanted = QUANTITY.get(quantity, quantity)
    return tuple(u for u in units().values() if u.quantity == wanted)


@lru_cache(maxsize=4096)
def read_unit(text: str) -> tuple[Unit, ...]:
    """The units a text may mean (V is a voltage or a throttle's), () when it is none.

    A gauge or absolute word beside a pressure unit is kept in reference.
    """
    text = text.strip()
    exact = toml_table("units.toml")["exact"]
    if text in exact:  # case matters: the row's own unit first, then what else it may be
        first = units()[exact[text]]
        return (first, *(u for u in _words().get(_DROP.sub("", fold(text)), ()) if u is not first))
    folded = fold(text)
    plain = _DROP.sub("", folded)
    if plain in _words():
        return _words()[plain]
    plain = plain.strip("()-_:")
    if plain in _words():
        return _words()[plain]
    return _with_reference(folded)


def _with_reference(folded: str) -> tuple[Unit, ...]:
    """'kPa absolute', 'rel. bar': the bare unit, with the word as its reference."""
    match = _WORD_REFERENCE.search(folded.replace("_", " "))
    if not match:
        return ()
    rest = _DROP.sub("", _WORD_REFERENCE.sub("", folded.replace("_", " "))).strip("()-_:,/")
    reference = "gauge" if match.group(1) else "absolute"
    bare = next((u for u in _words().get(rest, ()) if u.quantity == "pressure"), None)
    if bare is None:
        return ()
    known = units().get(f"{bare.key}_{reference}")
    return (
        known
        or Unit(
            bare.key, f"{bare.said} {reference}", "pressure", bare.scale, bare.offset, reference
        ),
    )


@lru_cache(maxsize=4096)
def unit_for(text: str, channel: str) -> Unit | None:
    """The unit a text means for one canonical channel, or None when it fits none."""
    quantity = row_of(channel).quantity
    wanted = QUANTITY.get(quantity, quantity)
    return next((u for u in read_unit(text) if u.quantity == wanted), None)


@lru_cache(maxsize=4096)
def unit_in_words(words: tuple[str, ...], channel: str) -> Unit | None:
    """A unit among the last words of a header ('iat_deg_c', 'boost psi', 'speed_kmh'), for its
    channel.
    """
    if len(words) < 2 or row_of(channel).quantity == "mixture":  # AFR and lambda are names there
        return None
    for count in (3, 2, 1):
        if count < len(words):
            for joint in ("", "/"):
                tail = joint.join(words[-count:])
                if not tail.isdigit():
                    found = unit_for(tail, channel)
                    if (
                        found is not None and found.key != "rpm"
                    ):  # a name as well: 'Engine RPM' may be in thousands
                        return found
    for word in words[1:-1]:  # a unit in the middle: 'boost psi actual', two letters and more
        if len(word) > 1 and not word.isdigit():
            found = unit_for(word, channel)
            if found is not None:
                return found
    return None


def is_unit(text: str) -> bool:
    """Whether the text is the spelling of a unit, with or without 'abs' or 'gauge'."""
    word = text.strip().lower().replace(" ", "")
    if word in UNIT_WORDS:
        return True
    bare = _QUALIFIER.sub("", text.strip()).lower().replace(" ", "")
    return bool(bare) and bare != word and bare in UNIT_WORDS and len(bare) > 1


def is_strong_unit(text: str) -> bool:
    """Whether the text is a unit even where it stands bare at the end of a name."""
    return is_unit(text) and text.strip().lower() not in _WEAK
