"""Spellings of units as they stand in headers, units rows and cells. What they mean is decided
elsewhere.
"""

from __future__ import annotations

import re

from audit.tables import toml_table

_TABLE = toml_table("words.toml")
UNIT_WORDS = frozenset(_TABLE["unit"])
NEUTRAL = frozenset(_TABLE["neutral"])
# too common in names to count as a unit unless in brackets or a units row
_WEAK = frozenset(_TABLE["unit_in_brackets"])
_QUALIFIER = re.compile(
    r"[\s_.(-]*(abs|absolute|a|gauge|gage|g|rel|relative|vac|vacuum|boost)\.?\)?$", re.IGNORECASE
)


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
