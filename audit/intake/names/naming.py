"""Which column is which channel: trade words scored, values as tie-break and veto, one assignment.

Does not see: a channel whose header says nothing at all ('Analog 3'); the car file's [channels]
names those.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from audit.errors import did_you_mean
from audit.intake.names.assign import best_assignment
from audit.intake.names.unit_text import Unit, read_unit, unit_for, unit_in_words, units_of
from audit.intake.names.words import Read, read_header, split
from audit.intake.raw import RawColumn
from audit.model import Array, ColumnWord, Note
from audit.tables import channel_rows, row_of, toml_table

LEAST_SCORE = 0.45
LEFT_OVER = 0.8  # a word that means nothing
NUMBERED = 0.97  # the second sensor of its kind, each further one less
UNFIT = 0.5  # values that fit the channel under no unit
EMPTY_COLUMN = 0.3
MIXTURE_SCALES = (1.0, 1 / 14.7, 1 / 9.8, 0.01)
OTHER_QUANTITY = 0.42  # a stated unit of another quantity, as MAP in volts: below any acceptance
ANY_UNIT = {"knock_level", "knock_count", "gear"}
STILL = 0.8  # constant, where the channel always moves
NAMES_TOO = ("v", "g_n")  # 'Batt V', 'Long G': as much a name as a unit, and its size tells
NO_NAME = "no channel goes by this name"
SAYS = {"pressure": "pressure", "temperature": "temp"}
NAMED_BY_UNIT = {"rotation": "engine_speed", "speed": "vehicle_speed"}  # 'rev/min', 'km/h', no more
BY_UNIT_ALONE = 0.7
EXACT = 1.03  # named exactly, nothing beside it


@dataclass(frozen=True, slots=True)
class Pattern:
    """A row of the pattern table: a channel, what a header needs for it, what may stand beside
    that.
    """

    channel: str
    needs: frozenset[str]
    also: frozenset[str]
    score: float


@dataclass(frozen=True, slots=True)
class Named:
    """What one column is called. channel: canonical name or ''; unit: from the header's words."""

    channel: str
    why: str
    nearest: str = ""
    unit: Unit | None = None
    unit_from: str = ""
    hints: frozenset[str] = frozenset()  # 'gauge', 'absolute', the header's ideas
    also: str = ""  # the channel that it reads as, when another column has it
    points: float = 0.0  # how well it reads as that


@lru_cache(maxsize=1)
def patterns() -> tuple[Pattern, ...]:
    """The patterns of schemas/names.toml."""
    rows = []
    for channel, listed in toml_table("names.toml")["pattern"].items():
        for row in listed:
            score, needs, also = [*row.split("|"), ""][:3]
            rows.append(
                Pattern(channel, frozenset(needs.split()), frozenset(also.split()), float(score))
            )
    return tuple(rows)


@lru_cache(maxsize=1)
def _whole() -> Mapping[str, str]:
    return {
        " ".join(split(key)): channel for key, channel in toml_table("names.toml")["whole"].items()
    }


@lru_cache(maxsize=8192)
def header_scores(header: str, unit: str) -> tuple[tuple[str, float], ...]:
    """(channel, score) pairs of a header, best first; score 0 to about 1."""
    words = split(header)
    whole = _whole().get(" ".join(words))
    if whole is None and len(words) > 1 and read_unit(words[-1]):
        whole = _whole().get(" ".join(words[:-1]))
    if whole is None and len(words) > 2 and read_unit("/".join(words[-2:])):
        whole = _whole().get(" ".join(words[:-2]))
    if whole is not None:
        return ((whole, 0.9),) if whole else ()
    alone = {u.quantity for u in read_unit(header)}
    if len(alone) == 1 and (channel := NAMED_BY_UNIT.get(alone.pop())):
        return ((channel, BY_UNIT_ALONE),)
    read = read_header(header)
    if unit and not read_unit(unit):  # brackets that hold a word, not a unit
        extra = read_header(unit)
        read = Read(
            read.ideas | extra.ideas,
            read.sure * extra.sure,
            read.left,
            max(read.number, extra.number),
            read.words,
        )
    read = _with_what_the_unit_says(read, unit)
    best: dict[str, float] = {}
    for pattern in patterns():
        if pattern.needs <= read.ideas:
            score = _score(pattern, read) * _unit_factor(pattern.channel, read, unit)
            if score > best.get(pattern.channel, 0.0):
                best[pattern.channel] = score
    return tuple(sorted(best.items(), key=lambda pair: -pair[1]))


def _with_what_the_unit_says(read: Read, unit: str) -> Read:
    """'Oil [psi]' is an oil pressure and 'Coolant °C' a temperature, though no word says so."""
    found = read_unit(unit) if unit else read_unit(read.words[-1]) if len(read.words) > 1 else ()
    idea = (
        SAYS.get(found[0].quantity, "") if found and len({u.quantity for u in found}) == 1 else ""
    )
    if not idea or idea in read.ideas:
        return read
    return Read(read.ideas | {idea}, read.sure * 0.97, read.left, read.number, read.words)


def column_scores(column: RawColumn) -> tuple[tuple[str, float], ...]:
    """The scores of a column by its header without the unit, or whole where the unit is part of the
    name.
    """
    short = header_scores(header_of(column), column.unit)
    whole = _strip_brackets(column.header)
    if (short and short[0][1] >= LEAST_SCORE) or whole == header_of(column):
        return short
    return header_scores(whole, column.unit) or short


def _score(pattern: Pattern, read: Read) -> float:
    soft: Mapping[str, float] = toml_table("names.toml")["soft"]
    score = pattern.score * read.sure * LEFT_OVER ** len(read.left)
    extra = read.ideas - pattern.needs
    for idea in extra:
        if idea in pattern.also:
            continue
        if idea not in soft:
            return 0.0
        score *= soft[idea]
    if read.number > 1:
        score *= NUMBERED ** min(read.number - 1, 4)
    return score * EXACT if not extra and not read.left and read.number == 1 else score


def _unit_factor(channel: str, read: Read, unit: str) -> float:
    """A stated unit of another quantity speaks against the channel; its own, for it."""
    if unit:
        found = read_unit(unit)
        if not found:
            return 1.0
        return (
            1.02 if unit_for(unit, channel) is not None or channel in ANY_UNIT else OTHER_QUANTITY
        )
    return 1.01 if unit_in_words(read.words, channel) is not None else 1.0


@lru_cache(maxsize=64)
def _fit_ranges(channel: str) -> tuple[tuple[float, float], ...]:
    """For each unit of a channel, the source values that its range allows."""
    row = row_of(channel)
    low, high = row.usual or row.range
    if row.quantity == "pressure_absolute":
        low = -105.0
    ends = (
        ((low - u.offset) / u.scale, (high - u.offset) / u.scale)
        for u in units_of(row.quantity)
        if not u.special
    )
    return tuple((min(pair), max(pair)) for pair in ends)


def _fit(channel: str, low: float, mid: float, high: float) -> float:
    if channel in (
        "lambda",
        "lambda_target",
    ):  # as lambda, AFR or percent; zero stands for 'no reading'
        return (
            1.0
            if mid == 0.0 or any(0.45 <= mid * scale <= 2.2 for scale in MIXTURE_SCALES)
            else UNFIT
        )
    ranges = _fit_ranges(channel)
    if not any(
        a <= mid <= b and high <= b + 0.3 * abs(b) and low >= a - 0.3 * abs(a) for a, b in ranges
    ):
        return UNFIT
    if high > low:
        return 1.0
    return (
        STILL if row_of(channel).flat_s is not None else 0.985
    )  # a column that moves is the better one


def header_of(column: RawColumn) -> str:
    """The header as naming reads it: without its unit."""
    return column.name or _strip_brackets(column.header)


def _strip_brackets(header: str) -> str:
    return re.sub(r"[\[(]\s*[\])]", " ", header).strip() or header


def name_columns(
    columns: Sequence[RawColumn],
    samples: Sequence[Array],
    car: Mapping[str, ColumnWord],
    *,
    skip: frozenset[int] = frozenset(),
    broken: frozenset[int] = frozenset(),
) -> tuple[list[Named], list[Note]]:
    """The channel of each column. samples: finite values of each, a few hundred are enough.

    car: the car file's [channels], which wins. skip: columns not to name (the clock's). broken:
    columns of error words, which are channels that nothing is known of.
    """
    ruled, notes = _ruled_by_car(columns, car)
    free = [
        i for i in range(len(columns)) if i not in skip and i not in ruled and columns[i].numeric
    ]
    names = [n for n in channel_rows() if n != "time"]
    row_of = {name: r for r, name in enumerate(names)}
    said = {i: column_scores(columns[i]) for i in range(len(columns))}
    score = np.zeros((len(names), len(free)))
    spread = {i: _three(samples[i]) for i in free if said[i]}
    for c, i in enumerate(free):
        for channel, points in said[i]:
            if channel in row_of and points > 0:
                empty = 1.0 if i in broken else EMPTY_COLUMN
                fit = _fit(channel, *spread[i]) if len(samples[i]) else empty
                score[row_of[channel], c] = points * fit
    score[score < LEAST_SCORE] = 0.0
    open_to_all = score.copy()
    open_to_all[[row_of[n] for n in ruled.values() if n in row_of]] = 0.0
    taken = {free[c]: (names[r], float(score[r, c])) for r, c in best_assignment(open_to_all)}
    owner = {channel: i for i, (channel, _) in taken.items()} | {
        channel: i for i, channel in ruled.items()
    }
    named = [
        _said(i, columns, said[i], taken=taken, ruled=ruled, owner=owner)
        for i in range(len(columns))
    ]
    for c, i in enumerate(free):
        channel = named[i].nearest
        if not named[i].channel and channel in owner and score[row_of[channel], c] > 0:
            fits = len(samples[i]) > 0 and _fit(channel, *spread[i]) > UNFIT
            if fits:
                points = float(score[row_of[channel], c])
                named[i] = replace(named[i], also=channel, points=points)
    return [
        _if_empty(one, columns[i], samples[i]) if i not in skip else one
        for i, one in enumerate(named)
    ], notes


def _if_empty(named: Named, column: RawColumn, values: Array) -> Named:
    """A column without a value says so, not that its name is unknown."""
    if named.channel or not column.numeric or len(values):
        return named
    return replace(named, why="no value in this column")


def _three(values: Array) -> tuple[float, float, float]:
    if len(values) == 0:
        return 0.0, 0.0, 0.0
    ordered = np.sort(values)
    n = len(ordered) - 1
    return float(ordered[round(0.02 * n)]), float(ordered[n // 2]), float(ordered[round(0.98 * n)])


def _ruled_by_car(
    columns: Sequence[RawColumn], car: Mapping[str, ColumnWord]
) -> tuple[dict[int, str], list[Note]]:
    """Column index -> channel as the car file says; a Note for each column it names that is not
    there.
    """
    ruled: dict[int, str] = {}
    notes = []
    for channel, word in car.items():
        at = _find(columns, word.column)
        if at is None:
            near = did_you_mean(word.column, [c.header for c in columns][:40])
            notes.append(
                Note(
                    f"The car file names the column '{word.column}' for {channel}, but this log "
                    f"has no such column. {near}"
                )
            )
        else:
            ruled[at] = channel
    return ruled, notes


def _find(columns: Sequence[RawColumn], wanted: str) -> int | None:
    def squeezed(text: str) -> str:
        return re.sub(r"[\W_]+", "", text.casefold())

    for test in (
        lambda c: c.header == wanted,
        lambda c: c.header.strip().casefold() == wanted.strip().casefold(),
        lambda c: squeezed(c.header) == squeezed(wanted),
        lambda c: squeezed(header_of(c)) == squeezed(wanted),
    ):
        hit = [i for i, c in enumerate(columns) if test(c)]
        if hit:
            return hit[0]
    return None


def _said(
    i: int,
    columns: Sequence[RawColumn],
    scores: tuple[tuple[str, float], ...],
    *,
    taken: Mapping[int, tuple[str, float]],
    ruled: Mapping[int, str],
    owner: Mapping[str, int],
) -> Named:
    """The words for people on how column i got, or did not get, its channel."""
    column = columns[i]
    header = header_of(column)
    words = split(header)
    hints = read_header(header).ideas
    if column.unit and not read_unit(column.unit):
        hints = hints | read_header(column.unit).ideas
    if i in ruled or i in taken:
        channel = ruled.get(i) or taken[i][0]
        unit, unit_from = _stated_unit(column, channel, words)
        why = (
            "the car file says so"
            if i in ruled
            else f"the header '{header}' reads as {channel} ({min(taken[i][1], 1.0):.0%})"
        )
        if i in taken and taken[i][1] < 0.7:
            why += "; not a sure match"
        return Named(channel, why, unit=unit, unit_from=unit_from, hints=hints)
    best = scores[0][0] if scores and scores[0][1] > 0 else ""
    if best in owner and owner[best] != i and scores[0][1] >= LEAST_SCORE:
        unit, unit_from = _stated_unit(column, best, words)
        why = (
            f"reads as {best} too, but '{columns[owner[best]].header}' is the better column for it"
        )
        return Named("", why, nearest=best, unit=unit, unit_from=unit_from, hints=hints)
    return Named(
        "", NO_NAME if column.numeric else "not numbers", nearest=best or _near(hints), hints=hints
    )


def _stated_unit(
    column: RawColumn, channel: str, words: tuple[str, ...]
) -> tuple[Unit | None, str]:
    if column.unit:
        found = unit_for(column.unit, channel)
        if found is not None:
            return found, column.unit_from or "header"
    alone = unit_for(header_of(column), channel) if channel in NAMED_BY_UNIT.values() else None
    found = alone or unit_in_words(words, channel)
    if (
        found is not None
        and found.key in NAMES_TOO
        and not read_header(header_of(column)).ideas & {"acceleration", "pedal"}
    ):  # accel_x_g
        found = None
    return (found, "header") if found is not None else (None, "")


def _near(ideas: frozenset[str]) -> str:
    """The channel that shares most ideas with a header, '' when none shares two."""
    best, most = "", 0.0
    for pattern in patterns():
        shared = len(pattern.needs & ideas)
        if shared and shared / len(pattern.needs | ideas) > most:
            best, most = pattern.channel, shared / len(pattern.needs | ideas)
    return best if most >= 0.25 else ""
