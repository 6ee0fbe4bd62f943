"""Unit text to units: 'psi(g)', 'degF', '°CA', 'rpm x 1000'; and which texts spell a unit at all,
one of no channel's too ('Nm', 'km').
"""

from __future__ import annotations

import math
import re
from functools import cache, lru_cache
from typing import NamedTuple

import numpy as np

from audit.intake.names.words import fold
from audit.model import Array
from audit.tables import row_of, toml_table

_DROP = re.compile(r"[\s\[\]{}.]+")
_WORD_REFERENCE = re.compile(
    r"(gauge|gage|relativ\w*|\brel\b|uberdruck|ueberdruck|\(g\)|boost)|(absol\w*|\babs\b|\(a\))"
)
_QUALIFIER = re.compile(
    r"[\s_.(-]*(abs|absolute|a|gauge|gage|g|rel|relative|vac|vacuum|boost)\.?\)?$", re.IGNORECASE
)
NEUTRAL = frozenset(toml_table("words.toml")["neutral"])
# too common in names to count as a unit unless in brackets or a units row
_WEAK = frozenset(toml_table("words.toml")["unit_in_brackets"])


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
def _spelt() -> tuple[dict[str, tuple[Unit, ...]], frozenset[str]]:
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
    text, meant = text.strip(), _spelt()[0]
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
    bare = next((u for u in _spelt()[0].get(rest, ()) if u.quantity == "pressure"), None)
    if bare is None:
        return ()
    own = bare._replace(said=f"{bare.said} {reference}", reference=reference, special="")
    return (units().get(f"{bare.key}_{reference}", own),)


@lru_cache(maxsize=4096)
def unit_for(text: str, channel: str) -> Unit | None:
    """The unit a text means for one canonical channel, or None when it fits none."""
    fitting = units_of(row_of(channel).quantity)
    quantity = fitting[0].quantity if fitting else ""
    return next((u for u in read_unit(text) if u.quantity == quantity), None)


@lru_cache(maxsize=4096)
def unit_in_words(words: tuple[str, ...], channel: str) -> Unit | None:
    """A unit among the last words of a header ('iat_deg_c', 'boost psi', 'speed_kmh'), for its
    channel, else in the middle ('boost psi actual', two letters and more).
    """
    if row_of(channel).quantity == "mixture":  # AFR and lambda are names there
        return None
    tails = [
        joint.join(words[-count:])
        for count in (3, 2, 1)
        if count < len(words)
        for joint in ("", "/")
    ]
    found = (unit_for(tail, channel) for tail in tails if not tail.isdigit())
    inner = (unit_for(w, channel) for w in words[1:-1] if len(w) > 1 and not w.isdigit())
    # rpm is a name as well: 'Engine RPM' may be in thousands
    last = next((u for u in found if u is not None and u.key != "rpm"), None)
    return last or next((u for u in inner if u is not None), None)


def is_unit(text: str) -> bool:
    """Whether the text is the spelling of a unit, with or without 'abs' or 'gauge'."""
    whole = text.strip().lower().replace(" ", "")
    bare = _QUALIFIER.sub("", text.strip()).lower().replace(" ", "")
    words = {whole, fold(whole)} | ({bare, fold(bare)} if len(bare) > 1 else set())
    return not words.isdisjoint(_spelt()[1])


def is_strong_unit(text: str) -> bool:
    """Whether the text is a unit even where it stands bare at the end of a name."""
    return is_unit(text) and text.strip().lower() not in _WEAK
