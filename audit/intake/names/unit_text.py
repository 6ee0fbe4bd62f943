"""The units in the headers of channels, and which texts spell a unit at all, one of no channel's
too ('Nm', 'km').
"""

from __future__ import annotations

import re
from functools import lru_cache

from audit.tables import row_of, toml_table
from audit.units import Unit, fold, read_unit, spelt, units_of

_QUALIFIER = re.compile(
    r"[\s_.(-]*(abs|absolute|a|gauge|gage|g|rel|relative|vac|vacuum|boost)\.?\)?$", re.IGNORECASE
)
NEUTRAL = frozenset(toml_table("words.toml")["neutral"])
# too common in names to count as a unit unless in brackets or a units row
_WEAK = frozenset(toml_table("words.toml")["unit_in_brackets"])


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
    return not words.isdisjoint(spelt()[1])


def is_strong_unit(text: str) -> bool:
    """Whether the text is a unit even where it stands bare at the end of a name."""
    return is_unit(text) and text.strip().lower() not in _WEAK
