"""Headers to ideas: fold, split, and look each word up in the table of trade words.

Does not see: a word that is neither in schemas/names.toml, nor a prefix, a consonant skeleton or
one slip away from one; such a word is left over and lowers the score.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

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
_BARE = {"c", "f", "k", "g", "s", "v", "w"}  # a unit or a size mark standing alone: says nothing
_GLUED_UNITS = tuple(toml_table("words.toml")["glued_units"])
LEAST_PREFIX = 4
LEAST_PIECE = 3


@dataclass(frozen=True, slots=True)
class Read:
    """A header as ideas: which, how surely (0 to 1), and the words that meant nothing."""

    ideas: frozenset[str]
    sure: float
    left: tuple[str, ...]
    number: int  # a sensor's number, 1 when none is given
    words: tuple[str, ...]


@dataclass(frozen=True)
class Vocabulary:
    """word -> ideas; skeleton -> ideas; the words of four letters and more, sorted, for
    prefixes.
    """

    words: Mapping[str, tuple[str, ...]]
    skeletons: Mapping[str, tuple[str, ...]]
    long: tuple[str, ...]


def fold(text: str) -> str:
    """Lower case without accents; μ as u, ł as l, full-width as plain, λ kept."""
    text = unicodedata.normalize("NFKD", text).casefold().translate(_LETTERS)
    return "".join(c for c in text if not unicodedata.combining(c))


def spellings(word: str) -> set[str]:
    """A table word as logs spell it: kühl -> kuhl and kuehl."""
    if word.isascii():
        return {word}
    low = unicodedata.normalize("NFC", word).casefold()
    return {fold(low), fold(low.translate(_UMLAUT))}


@lru_cache(maxsize=1)
def vocabulary() -> Vocabulary:
    """The words of schemas/names.toml."""
    table = toml_table("names.toml")
    words: dict[str, tuple[str, ...]] = {}
    for idea, listed in table["ideas"].items():
        for word in listed.split():
            for spelt in spellings(word):
                words.setdefault(spelt, (idea,))
    for short, ideas in table["short"].items():
        for spelt in spellings(short):
            words[spelt] = tuple(ideas.split())
    skeletons: dict[str, tuple[str, ...]] = {}
    for word, meant in words.items():
        bones = _skeleton(word)
        if len(word) > 4 and len(bones) >= 3:
            skeletons[bones] = meant if skeletons.get(bones, meant) == meant else ()
    return Vocabulary(words, skeletons, tuple(sorted(w for w in words if len(w) > LEAST_PREFIX)))


def _skeleton(word: str) -> str:
    return word[:1] + re.sub(r"[aeiouy]", "", word[1:])


@lru_cache(maxsize=4096)
def split(header: str) -> tuple[str, ...]:
    """Words of a header, folded: 'CoolantTemp_C' -> coolant, temp, c."""
    if header.isupper() or header.islower():
        return _found(header)
    plain = unicodedata.normalize("NFKC", header)
    words = _found(_CAMEL.sub(" ", plain))
    if all(_meaning(w)[0] is not None or len(w) < 2 for w in words):
        return words
    for other in (_found(_CAMEL.sub(" ", _ABBREVIATED.sub(r"\1 \2", plain))), _found(plain)):
        if all(_meaning(w)[0] is not None or len(w) < 2 for w in other):
            return other
    return words


def _found(text: str) -> tuple[str, ...]:
    words = _SPLIT.findall(_OR.sub(" ", _ELIDED.sub(" ", fold(text))))
    return tuple(part for word in words for part in _unit_apart(word))


@lru_cache(maxsize=4096)
def _unit_apart(word: str) -> tuple[str, ...]:
    """A word with its unit glued on as two: 'mafgs' -> maf, gs."""
    known = vocabulary().words
    unit = next((u for u in _GLUED_UNITS if word.endswith(u) and word[: -len(u)] in known), "")
    return (word,) if not unit or word in known else (word[: -len(unit)], unit)


@lru_cache(maxsize=4096)
def read_header(header: str) -> Read:
    """The ideas in a header."""
    return read_words(split(header))


def read_words(words: tuple[str, ...]) -> Read:
    """The ideas in split words."""
    ideas: set[str] = set()
    left: list[str] = []
    sure, number = 1.0, 1
    for word in words:
        meant, how = _meaning(word)
        if meant is None:
            digits = word.strip("#'/+")
            if digits.isdigit():
                number = max(number, min(int(digits), 99))
            elif digits in _SENSOR_LETTERS:
                number = max(number, _SENSOR_LETTERS[digits])
            elif digits and digits not in ("°", "%") and digits not in _BARE:
                left.append(word)
            continue
        found, last = meant
        ideas.update(found)
        number = max(number, last)
        sure *= how
    if "gauge" in ideas and not any(_meaning(w)[0] == (("absolute",), 1) for w in words):
        ideas.discard("absolute")  # 'MAP' only implies it
    return Read(frozenset(ideas), sure, tuple(left), number, words)


@lru_cache(maxsize=8192)
def _meaning(word: str) -> tuple[tuple[tuple[str, ...], int] | None, float]:
    """(ideas, sensor number) of one word and how sure that is; None for a word that means
    nothing.
    """
    known = vocabulary().words
    if word in known:
        return (known[word], 1), 1.0
    stem = word.rstrip("0123456789")
    if stem in known and stem != word:
        return (known[stem], min(int(word[len(stem) :]), 99)), 1.0
    bank = _BANK.match(word)
    if bank and _meaning(bank.group(1))[0] is not None:
        found, sure = _meaning(bank.group(1))
        return (found[0] if found else (), int(bank.group(2))), sure
    parts = _DIGITS.split(word)
    if len(parts) > 1:
        return _numbered(parts)
    for look, sure in ((_glued, 0.985), (_prefix, 0.95), (_bones, 0.93), (_slip, 0.9)):
        meant = look(word)
        if meant:
            return (meant, 1), sure
    return None, 1.0


def _numbered(parts: list[str]) -> tuple[tuple[tuple[str, ...], int] | None, float]:
    """'lambda1', 'o2s2', '2lambda': the words and the highest number."""
    found: list[str] = []
    number, sure = 1, 1.0
    for part in parts:
        if part.isdigit():
            number = max(number, min(int(part), 99))
            continue
        meant, how = _meaning(part)
        if meant is None:
            if len(part) > 1:
                return None, 1.0
            continue
        found += meant[0]
        sure *= how
    return ((tuple(found), number), sure) if found else (None, 1.0)


def _glued(word: str) -> tuple[str, ...]:
    """'coolanttemp' -> coolant, temp: the split into fewest known words of three letters and
    more.
    """
    known = vocabulary().words
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
    from bisect import bisect_left

    vocab = vocabulary()
    if len(word) < LEAST_PREFIX:
        return ()
    at = bisect_left(vocab.long, word)
    meant = {vocab.words[w] for w in vocab.long[at : at + 12] if w.startswith(word)}
    if len(meant) == 1:
        return meant.pop()
    for cut in (1, 2):
        if len(word) - cut > LEAST_PREFIX and word[:-cut] in vocab.words:
            return vocab.words[word[:-cut]]
    return ()


def _bones(word: str) -> tuple[str, ...]:
    """A word without its vowels: 'clnt', 'prssr'."""
    if len(word) < 3 or any(c in "aeiou" for c in word[1:]):
        return ()
    return vocabulary().skeletons.get(word, ())


def _slip(word: str) -> tuple[str, ...]:
    """One letter wrong, missing, doubled or swapped, in a word of six letters and more."""
    if len(word) < 6:
        return ()
    meant: set[tuple[str, ...]] = set()
    vocab = vocabulary()
    for known in vocab.long:
        if abs(len(known) - len(word)) <= 1 and len(known) >= 6 and _one_apart(word, known):
            meant.add(vocab.words[known])
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
