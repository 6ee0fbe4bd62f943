"""Headers to ideas: fold, split, and look each word up in the table of trade words.

Does not see: a word that is neither in schemas/names.toml, nor a prefix, a consonant skeleton or
one slip away from one; such a word is left over and lowers the score.
"""

from __future__ import annotations

import math
import re
import unicodedata
from bisect import bisect_left
from collections.abc import Mapping
from functools import cache, lru_cache
from typing import NamedTuple

from audit.tables import toml_table

_SPLIT = re.compile(r"[a-z0-9λφ°%/'+]+")
_CAMEL = re.compile(r"(?<=[a-zà-ÿ])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-zà-ÿ]{2,})")
_ABBREVIATED = re.compile(r"\b([A-Z]{3,5})([a-z]{3,})")  # RPMlimit, IATsensor
_BANK = re.compile(r"^([a-z]{2,})(?:b|bank|s)([12])(?:s[1-4])?$")  # stftb1, afrb2s1
_OR = re.compile(r"(?<=[a-z]{3})/(?=[a-z]{3})")  # air/fuel, but not a/f or km/h
_ELIDED = re.compile(r"\b[dl]['’]|°(?=[a-z]{3})")  # d'air, l'huile
_DIGITS = re.compile(r"(?<=[a-zλ])(?=\d)|(?<=\d)(?=[a-zλ])")
# Letters that Unicode takes for no accented ones, and other spellings of one sign.
_LETTERS = str.maketrans(
    {"μ": "u", "ϕ": "φ", "ł": "l", "ø": "o", "æ": "ae", "å": "a", "ı": "i", "đ": "d"}
)
_UMLAUT = str.maketrans({"ä": "ae", "ö": "oe", "ü": "ue", "ß": "ss"})
# Throttle B, pedal D, the left and the right bank; c and f are units.
_SENSOR_LETTERS = {"a": 1, "b": 2, "d": 4, "e": 5, "left": 1, "right": 2, "lh": 1, "rh": 2}
_BARE = {"c", "f", "k", "g", "s", "v", "w", "°", "%"}  # a unit or a size mark alone: says nothing
_GLUED_UNITS = tuple(toml_table("words.toml")["glued_units"])
LEAST_PREFIX = 4
LEAST_PIECE = 3


class Read(NamedTuple):
    """A header as ideas: which, how surely (0 to 1), and the words that meant nothing."""

    ideas: frozenset[str]
    sure: float
    left: tuple[str, ...]
    number: int  # a sensor's number, 1 when none is given
    words: tuple[str, ...]


class Meaning(NamedTuple):
    """What a word means: its ideas, the number of a sensor, and how sure that is."""

    ideas: tuple[str, ...]
    number: int = 1
    sure: float = 1.0


class _Plain(dict[int, int | str | None]):
    """For str.translate: no accents, and letters as _LETTERS has them; each looked up once."""

    def __missing__(self, code: int) -> int | None:
        found = self[code] = None if unicodedata.combining(chr(code)) else code
        return found


_PLAIN = _Plain(_LETTERS)


def fold(text: str) -> str:
    """Lower case without accents; μ as u, ł as l, full-width as plain, λ kept."""
    if text.isascii():
        return text.lower()
    return unicodedata.normalize("NFKD", text).casefold().translate(_PLAIN)


def spellings(word: str) -> set[str]:
    """A table word as logs spell it: kühl -> kuhl and kuehl."""
    if word.isascii():
        return {word}
    low = unicodedata.normalize("NFC", word).casefold()
    return {fold(low), fold(low.translate(_UMLAUT))}


@cache
def _vocabulary() -> Mapping[str, tuple[str, ...]]:
    """The words of schemas/names.toml, each with its ideas."""
    table = toml_table("names.toml")
    words: dict[str, tuple[str, ...]] = {}
    for idea, listed in table["ideas"].items():
        for word in listed.split():
            for spelt in spellings(word):
                words.setdefault(spelt, (idea,))
    for short, ideas in table["short"].items():
        for spelt in spellings(short):
            words[spelt] = tuple(ideas.split())
    return words


@cache
def _skeletons() -> Mapping[str, tuple[str, ...]]:
    """The same by their consonants; () for what two words of other ideas share."""
    found: dict[str, tuple[str, ...]] = {}
    for word, meant in _vocabulary().items():
        bones = _skeleton(word)
        if len(word) > 4 and len(bones) >= 3:
            found[bones] = meant if found.get(bones, meant) == meant else ()
    return found


@cache
def _long() -> tuple[str, ...]:
    """The words of five letters and more, sorted."""
    return tuple(sorted(w for w in _vocabulary() if len(w) > LEAST_PREFIX))


def _skeleton(word: str) -> str:
    return word[:1] + re.sub(r"[aeiouy]", "", word[1:])


@lru_cache(maxsize=4096)
def split(header: str) -> tuple[str, ...]:
    """Words of a header, folded: 'CoolantTemp_C' -> coolant, temp, c."""
    if header.isupper() or header.islower():
        return _found(header)
    plain = unicodedata.normalize("NFKC", header)
    if all(w in _vocabulary() or len(w) < 2 for w in _found(plain)):  # tHROTTLE
        return _found(plain)
    apart = _ABBREVIATED.sub(r"\1 \2", plain)
    ways = [_found(text) for text in (_CAMEL.sub(" ", plain), _CAMEL.sub(" ", apart), plain)]
    known = (way for way in ways if all(_meaning(w) is not None or len(w) < 2 for w in way))
    return next(known, ways[0])


def _found(text: str) -> tuple[str, ...]:
    words = _SPLIT.findall(_OR.sub(" ", _ELIDED.sub(" ", fold(text))))
    return tuple(part for word in words for part in _unit_apart(word))


@lru_cache(maxsize=4096)
def _unit_apart(word: str) -> tuple[str, ...]:
    """A word with its unit glued on as two: 'mafgs' -> maf, gs."""
    known = _vocabulary()
    unit = next((u for u in _GLUED_UNITS if word.endswith(u) and word[: -len(u)] in known), "")
    return (word,) if not unit or word in known else (word[: -len(unit)], unit)


@lru_cache(maxsize=4096)
def read_header(header: str) -> Read:
    """The ideas in a header."""
    ideas: set[str] = set()
    left: list[str] = []
    sure, number, words = 1.0, 1, split(header)
    for word in words:
        meant = _meaning(word)
        if meant is not None:
            ideas.update(meant.ideas)
            number, sure = max(number, meant.number), sure * meant.sure
            continue
        bare = word.strip("#'/+")
        if bare.isdigit():
            number = max(number, min(int(bare), 99))
        elif bare in _SENSOR_LETTERS:
            number = max(number, _SENSOR_LETTERS[bare])
        elif bare and bare not in _BARE:
            left.append(word)
    if "gauge" in ideas and not any(_meaning(w) == Meaning(("absolute",)) for w in words):
        ideas.discard("absolute")  # 'MAP' only implies it
    return Read(frozenset(ideas), sure, tuple(left), number, words)


@lru_cache(maxsize=8192)
def _meaning(word: str) -> Meaning | None:
    """What one word means; None for a word that means nothing."""
    known = _vocabulary()
    if word in known:
        return Meaning(known[word])
    stem = word.rstrip("0123456789")
    if stem in known:
        return Meaning(known[stem], min(int(word[len(stem) :]), 99))
    bank = _BANK.match(word)
    if bank and (meant := _meaning(bank.group(1))) is not None:
        return meant._replace(number=int(bank.group(2)))
    parts = _DIGITS.split(word)
    if len(parts) > 1:
        return _numbered(parts)
    for look, sure in ((_glued, 0.985), (_prefix, 0.95), (_bones, 0.93), (_slip, 0.9)):
        if ideas := look(word):
            return Meaning(ideas, 1, sure)
    return None


def _numbered(parts: list[str]) -> Meaning | None:
    """'lambda1', 'o2s2', '2lambda': the words and the highest number."""
    found = [(part, _meaning(part)) for part in parts if not part.isdigit()]
    meant = [m for _, m in found if m is not None]
    if not meant or any(m is None and len(part) > 1 for part, m in found):
        return None
    number = max(min(int(part), 99) for part in parts if part.isdigit())
    ideas = tuple(idea for m in meant for idea in m.ideas)
    return Meaning(ideas, max(number, 1), math.prod(m.sure for m in meant))


def _glued(word: str) -> tuple[str, ...]:
    """'coolanttemp' -> coolant, temp: the split into fewest known words of three letters and
    more.
    """
    known = _vocabulary()
    n = len(word)
    if n < 2 * LEAST_PIECE - 1:
        return ()
    best: list[tuple[int, tuple[str, ...]] | None] = [None] * (n + 1)
    best[0] = (0, ())
    for end in range(2, n + 1):
        for start in range(max(0, end - 22), end - 1):
            before = best[start]
            piece = word[start:end]
            short = end - start < LEAST_PIECE
            if before is None or piece not in known or (short and piece not in _SHORT_PIECES):
                continue
            cost = before[0] + (3 if short else 1)
            here = best[end]
            if here is None or cost < here[0]:
                best[end] = (cost, before[1] + known[piece])
        if (
            best[end] is None
            and end > LEAST_PIECE
            and word[end - 1] == "s"
            and best[end - 1] is not None
        ):
            best[end] = best[end - 1]  # a linking s: Einspritzungszeit
    last = best[n]
    return last[1] if last is not None and last[0] <= 6 else ()


_SHORT_PIECES = frozenset(
    {"bc", "dc", "pw", "wg", "kr", "tp", "o2", "ol", "ic", "ft", "af", "wb", "de", "st", "lt"}
)


def _prefix(word: str) -> tuple[str, ...]:
    """A word cut short: 'manif', 'temperatu'; or one with an ending of its own."""
    if len(word) < LEAST_PREFIX:
        return ()
    known, at = _vocabulary(), bisect_left(_long(), word)
    meant = {known[w] for w in _long()[at : at + 12] if w.startswith(word)}
    if len(meant) == 1:
        return meant.pop()
    for cut in (1, 2):
        if len(word) - cut > LEAST_PREFIX and word[:-cut] in known:
            return known[word[:-cut]]
    return ()


def _bones(word: str) -> tuple[str, ...]:
    """A word without its vowels: 'clnt', 'prssr'."""
    if len(word) < 3 or any(c in "aeiou" for c in word[1:]):
        return ()
    return _skeletons().get(word, ())


def _slip(word: str) -> tuple[str, ...]:
    """One letter wrong, missing, doubled or swapped, in a word of six letters and more."""
    if len(word) < 6:
        return ()
    meant = {
        _vocabulary()[known]
        for known in _long()
        if abs(len(known) - len(word)) <= 1 and len(known) >= 6 and _one_apart(word, known)
    }
    return meant.pop() if len(meant) == 1 else ()


def _one_apart(a: str, b: str) -> bool:
    head = 0
    while head < min(len(a), len(b)) and a[head] == b[head]:
        head += 1
    if len(a) == len(b):
        return a[head + 1 :] == b[head + 1 :] or (
            a[head : head + 2] == b[head : head + 2][::-1] and a[head + 2 :] == b[head + 2 :]
        )
    if len(a) > len(b):
        a, b = b, a
    return a[head:] == b[head + 1 :]
