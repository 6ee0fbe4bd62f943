"""Which header names a clock: words for time in several languages, and words that only look like
it.
"""

from __future__ import annotations

import re
from functools import lru_cache

from audit.intake.raw import RawColumn
from audit.tables import toml_table

_WORDS = toml_table("words.toml")["clock"]
TIME_WORDS = frozenset(_WORDS["time"])
TICKS = frozenset(_WORDS["ticks"])
_WEAK = frozenset(_WORDS["weak"])
_BESIDE = frozenset(_WORDS["beside"])
DATE_WORDS = frozenset(_WORDS["date"])
DECOYS = frozenset(_WORDS["decoys"])
NOT_TIME = frozenset(_WORDS["no_time"])
DISTANCE = frozenset(_WORDS["distance"])
UNIT_OF = {word: unit for unit, words in _WORDS["units"].items() for word in words.split()}
PART_OF = {word: part for part, words in _WORDS["parts"].items() for word in words.split()}


@lru_cache(maxsize=4096)
def words_of(name: str) -> frozenset[str]:
    spaced = re.sub(r"(?<=[a-zäöüéè0-9])(?=[A-Z])", " ", name)
    return frozenset(
        w for w in re.split(r"[^\w]+|_|(?<=\D)(?=\d)|(?<=\d)(?=\D)", spaced.lower()) if w
    )


def name_score(column: RawColumn, made_up: bool, first: bool) -> float:
    """3 a plain name for time, 2 time among other words, below 1 a decoy, 0 no name for it."""
    words = {w for w in words_of(column.name) if not w.isdigit()}
    unit_words = words & set(UNIT_OF)
    timely = words & TIME_WORDS
    if not timely and words and words <= set(UNIT_OF) - {"d", "h", "min", "day"}:
        return 2.0  # a column called 'ms'
    if not timely:
        near = {
            w
            for w in words
            if len(w) == 4 and sum(a != b for a, b in zip(w, "time", strict=True)) == 1
        }  # a typing slip
        timely = near
    if not timely:
        if made_up or not words:
            return 1.5 if first else 0.0
        has_unit = column.unit.lower() in UNIT_OF and UNIT_OF[column.unit.lower()] in (
            "s",
            "ms",
            "us",
        )
        return 0.6 if has_unit and not words & (NOT_TIME | DECOYS) else 0.0
    decoys = words & DECOYS
    if words & NOT_TIME and timely <= _WEAK and not timely & TICKS:
        return 0.0
    score = 2.2 if words - TIME_WORDS - unit_words - _BESIDE else 3.0
    if timely <= _WEAK and len(words) > 1:
        score -= 0.4
    if decoys:
        score = 0.9 if len(decoys) < 2 else 0.7
    return score
