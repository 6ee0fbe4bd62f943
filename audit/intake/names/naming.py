"""Which column is which channel: trade words scored, values as tie-break and veto, one assignment;
and which further columns are sensors of the same quantity.

Does not see: a channel whose header says nothing at all ('Analog 3'); the car file's [channels]
names those.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from functools import cache, lru_cache
from typing import NamedTuple

import numpy as np

from audit.errors import did_you_mean
from audit.intake.names.assign import best_assignment
from audit.intake.names.unit_text import unit_for, unit_in_words
from audit.intake.names.words import Read, read_header, split
from audit.intake.raw import RawColumn
from audit.intake.said import note
from audit.model import Array, ColumnWord, Note, base_of
from audit.signal.arrays import both_finite, median, quantile
from audit.tables import channel_rows, row_of, toml_table
from audit.units import Unit, read_unit, units_of

CAR_FILE = "car file"
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
WHOLE = 0.9  # named by a whole header of the table
EXACT = 1.03  # named exactly, nothing beside it
MOST = 16  # sensors of one quantity
NO_SENSOR = frozenset(("filtered", "model"))  # ideas of a header that is no sensor's own reading
ROUNDING = 0.75  # of the sum of both columns' steps: what is left between a column and its copy
MOVES = 20.0  # steps of its own that a column must cover before a copy of it can be told
LEAST_ROWS = 12
ZERO_SHARE = 0.02  # of a pressure's range: a cut on the axis that is none
# ideas by which a name alone says manifold pressure, however the column moves; 'intake pressure'
# may be the airbox's
SAYS_MANIFOLD = frozenset(("boost", "manifold", "charge"))
TOGETHER = 0.5  # correlation of two sensors of one quantity, where the first moves


class Pattern(NamedTuple):
    """A channel, what a header needs for it and what may stand beside that."""

    channel: str
    needs: frozenset[str]
    also: frozenset[str]
    score: float


class Named(NamedTuple):
    """What one column is called. channel: canonical name or ''; unit: from the header's words."""

    channel: str
    why: str
    nearest: str = ""
    unit: Unit | None = None
    unit_from: str = ""
    hints: frozenset[str] = frozenset()  # 'gauge', 'absolute', the header's ideas
    also: str = ""  # the channel that it reads as, when another column has it
    points: float = 0.0  # how well it reads as that


@cache
def patterns() -> tuple[Pattern, ...]:
    """The patterns of schemas/names.toml."""
    rows = []
    for channel, listed in toml_table("names.toml")["pattern"].items():
        for row in listed:
            score, needs, also = [*row.split("|"), ""][:3]
            of_row = frozenset(needs.split()), frozenset(also.split())
            rows.append(Pattern(channel, *of_row, float(score)))
    return tuple(rows)


@cache
def _whole() -> Mapping[str, str]:
    whole = toml_table("names.toml")["whole"]
    return {" ".join(split(key)): channel for key, channel in whole.items()}


@lru_cache(maxsize=8192)
def header_scores(header: str, unit: str) -> tuple[tuple[str, float], ...]:
    """(channel, score) pairs of a header, best first; score 0 to about 1."""
    words = split(header)
    for end in range(len(words), max(len(words) - 3, 0), -1):  # without a unit of up to two words
        whole = _whole().get(" ".join(words[:end]))
        if whole is not None and (end == len(words) or read_unit("/".join(words[end:]))):
            return ((whole, WHOLE),) if whole else ()
    alone = {u.quantity for u in read_unit(header)}
    if len(alone) == 1 and (channel := NAMED_BY_UNIT.get(alone.pop())):
        return ((channel, BY_UNIT_ALONE),)
    read = _with_what_the_unit_says(_read(header, unit), unit)
    best: dict[str, float] = {}
    for pattern in patterns():
        if pattern.needs <= read.ideas:
            score = _score(pattern, read) * _unit_factor(pattern.channel, read, unit)
            if score > best.get(pattern.channel, 0.0):
                best[pattern.channel] = score
    return tuple(sorted(best.items(), key=lambda pair: -pair[1]))


def _read(header: str, unit: str) -> Read:
    """The ideas of a header, and of its brackets where they hold a word, not a unit."""
    read = read_header(header)
    if not unit or read_unit(unit):
        return read
    extra = read_header(unit)
    ideas, sure = read.ideas | extra.ideas, read.sure * extra.sure
    return read._replace(ideas=ideas, sure=sure, number=max(read.number, extra.number))


def _with_what_the_unit_says(read: Read, unit: str) -> Read:
    """'Oil [psi]' is an oil pressure and 'Coolant °C' a temperature, though no word says so."""
    quantities = {u.quantity for t in ([unit] if unit else read.words[1:]) for u in read_unit(t)}
    idea = SAYS.get(quantities.pop(), "") if len(quantities) == 1 else ""
    if not idea or idea in read.ideas:
        return read
    return read._replace(ideas=read.ideas | {idea}, sure=read.sure * 0.97)


def column_scores(column: RawColumn) -> tuple[tuple[str, float], ...]:
    """The scores of a column by its header without the unit, else by the whole of it."""
    short = header_scores(header_of(column), column.unit)
    whole = _strip_brackets(column.header)
    if (short and short[0][1] >= LEAST_SCORE) or whole == header_of(column):
        return short
    return header_scores(whole, column.unit) or short


def _score(pattern: Pattern, read: Read) -> float:
    soft: Mapping[str, float] = toml_table("names.toml")["soft"]
    score = pattern.score * read.sure * LEFT_OVER ** len(read.left)
    extra = read.ideas - pattern.needs
    for idea in extra - pattern.also:
        score *= soft.get(idea, 0.0)
    if read.number > 1:
        return score * NUMBERED ** min(read.number - 1, 4)
    return score if extra or read.left else score * EXACT


def _unit_factor(channel: str, read: Read, unit: str) -> float:
    """A stated unit of another quantity speaks against the channel; its own, for it."""
    if not unit:
        return 1.01 if unit_in_words(read.words, channel) is not None else 1.0
    if not read_unit(unit):
        return 1.0
    own = unit_for(unit, channel) is not None or channel in ANY_UNIT
    return 1.02 if own else OTHER_QUANTITY


@cache
def _fit_ranges(channel: str) -> tuple[tuple[float, ...], ...]:
    """For each unit of a channel, the source values that its range allows."""
    row = row_of(channel)
    low, high = row.usual or row.range
    low = -105.0 if row.quantity == "pressure_absolute" else low
    plain = [u for u in units_of(row.quantity) if not u.special]
    return tuple(tuple(sorted((x - u.offset) / u.scale for x in (low, high))) for u in plain)


def _fit(channel: str, sample: Array) -> float:
    """How well the values of a column fit a channel in any unit."""
    ordered = np.sort(sample)
    last = len(ordered) - 1
    low, mid, high = ordered[[round(0.02 * last), last // 2, round(0.98 * last)]].tolist()
    if row_of(channel).quantity == "mixture":  # zero stands for 'no reading'
        fits = mid == 0.0 or any(0.45 <= mid * scale <= 2.2 for scale in MIXTURE_SCALES)
        return 1.0 if fits else UNFIT
    if not any(
        a <= mid <= b and high <= b + 0.3 * abs(b) and low >= a - 0.3 * abs(a)
        for a, b in _fit_ranges(channel)
    ):
        return UNFIT
    if high > low:
        return 1.0
    # a column that moves is the better one
    return STILL if row_of(channel).flat_s is not None else 0.985


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
    owner, notes = _ruled_own(columns, car)
    ruled = set(owner.values())
    free = [i for i, c in enumerate(columns) if c.numeric and i not in skip and i not in ruled]
    row = {name: r for r, name in enumerate(n for n in channel_rows() if n != "time")}
    said = [column_scores(column) for column in columns]
    empty = [1.0 if i in broken else EMPTY_COLUMN for i in range(len(columns))]
    fits = {
        (channel, i): points * (_fit(channel, samples[i]) if len(samples[i]) else empty[i])
        for i in free
        for channel, points in said[i]
        if channel in row
    }
    score = np.zeros((len(row), len(columns)))
    for (channel, i), points in fits.items():
        if points >= LEAST_SCORE and channel not in owner:
            score[row[channel], i] = points
    names = list(row)
    owner |= {names[r]: i for r, i in best_assignment(score)}
    of_column = {i: channel for channel, i in owner.items()}
    named = []
    for i, column in enumerate(columns):
        hints = _read(header_of(column), column.unit).ideas
        best, points = said[i][0] if said[i] else ("", 0.0)
        if channel := of_column.get(i, ""):
            (unit, unit_from), why = _stated_unit(column, channel), "the car file says so"
            if i not in ruled:
                why = _reads(column, channel, fits[channel, i])
                why += "; not a sure match" if fits[channel, i] < 0.7 else ""
            word = car[channel].unit if channel in car else None
            if word and (own := unit_for(word, channel)):
                unit, unit_from = own, CAR_FILE
            elif word:
                known = ", ".join(u.said for u in units_of(row_of(channel).quantity) if u.said)
                notes.append(note("car_unit", unit=word, channel=channel, known=known))
            one = Named(channel, why, "", unit, unit_from, hints)
        elif best in owner and points >= LEAST_SCORE:
            better = columns[owner[best]].header
            why = f"reads as {best} too, but '{better}' is the better column for it"
            one = Named("", why, best, *_stated_unit(column, best), hints)
            points = fits.get((best, i), 0.0)
            if points >= LEAST_SCORE and len(samples[i]) and _fit(best, samples[i]) > UNFIT:
                one = one._replace(also=best, points=points)
        else:
            why = NO_NAME if column.numeric else "not numbers"
            one = Named("", why, best or _near(hints), hints=hints)
        if not one.channel and column.numeric and not len(samples[i]) and i not in skip:
            one = one._replace(why="no value in this column")
        named.append(one)
    return named, notes


def _reads(column: RawColumn, channel: str, points: float) -> str:
    return f"the header '{header_of(column)}' reads as {channel} ({min(points, 1.0):.0%})"


def _ruled_own(
    columns: Sequence[RawColumn], car: Mapping[str, ColumnWord]
) -> tuple[dict[str, int], list[Note]]:
    """Channel -> column index as the car file says; a Note for each that is not there."""
    ruled: dict[str, int] = {}
    notes = []
    for channel, word in car.items():
        at = _find(columns, word.column)
        if at is None:
            near = did_you_mean(word.column, [c.header for c in columns][:40])
            notes.append(note("car_column", column=word.column, channel=channel, near=near))
        else:
            ruled = {c: i for c, i in ruled.items() if i != at} | {channel: at}
    return ruled, notes


def _find(columns: Sequence[RawColumn], wanted: str) -> int | None:
    """The column of a header: as it stands, in any case, by its letters, without its unit."""

    def squeezed(text: str) -> str:
        return re.sub(r"[\W_]+", "", text.casefold())

    headers, bare = [c.header for c in columns], [header_of(c) for c in columns]
    ways = ((headers, str), (headers, lambda text: text.strip().casefold()))
    for texts, form in (*ways, (headers, squeezed), (bare, squeezed)):
        formed = [form(text) for text in texts]
        if form(wanted) in formed:
            return formed.index(form(wanted))
    return None


def _stated_unit(column: RawColumn, channel: str) -> tuple[Unit | None, str]:
    header = header_of(column)
    if column.unit and (found := unit_for(column.unit, channel)) is not None:
        return found, column.unit_from or "header"
    alone = unit_for(header, channel) if channel in NAMED_BY_UNIT.values() else None
    found = alone or unit_in_words(split(header), channel)
    names_too = found is not None and found.key in NAMES_TOO
    if names_too and not read_header(header).ideas & {"acceleration", "pedal"}:  # accel_x_g
        found = None
    return found, "header" if found else ""


@lru_cache(maxsize=1024)
def _near(ideas: frozenset[str]) -> str:
    """The channel that shares most ideas with a header, '' when none shares two."""
    shares = [(len(p.needs & ideas) / len(p.needs | ideas or {""}), p.channel) for p in patterns()]
    most, best = max(shares, key=lambda pair: pair[0])
    return best if most >= 0.25 else ""


def further_sensors(
    named: Sequence[Named], columns: Sequence[RawColumn], thinned: Sequence[Array | None]
) -> list[Named]:
    """The columns with NAME_2, NAME_3, ... where they are further sensors of a channel already
    taken, in the order of how well they read as it; else why they are none.

    Left out: a filtered, modelled or averaged column, a copy of another column in the same or
    another scale, and a pressure that may be the airbox's by its name and does not move with the
    first. A sensor is never left out for being bad: a frozen one is kept, to be judged so. Does not
    see: a copy that comes some rows late. thinned: rows of evidence of each column, None for one
    without numbers.
    """
    out = list(named)
    kept: dict[str, list[int]] = {}
    for i, one in sorted(enumerate(named), key=lambda pair: pair[1].channel):
        if one.channel:  # the car file may name further sensors itself
            kept.setdefault(base_of(one.channel), []).append(i)
    free = [i for i, n in enumerate(named) if not n.channel and n.also]
    for i in sorted(free, key=lambda i: (-named[i].points, i)):
        channel, own = named[i].also, kept.get(named[i].also, [])
        taken = {n.channel for n in out}
        number = next(n for n in range(2, len(out) + 3) if f"{channel}_{n}" not in taken)
        if not row_of(channel).several or not own or number > MOST:
            continue
        if why := _no_sensor(i, own, channel, columns, thinned):
            out[i] = named[i]._replace(why=f"reads as {channel} too, but {why}")
            continue
        why = f"{_reads(columns[i], channel, named[i].points)}, beside '{columns[own[0]].header}'"
        out[i] = named[i]._replace(channel=f"{channel}_{number}", why=why, nearest="")
        own.append(i)
    return out


def _no_sensor(
    i: int,
    others: Sequence[int],
    channel: str,
    columns: Sequence[RawColumn],
    thinned: Sequence[Array | None],
) -> str:
    """Why a column is no sensor of its own; '' when it is one."""
    reads, headers = [read_header(header_of(c)) for c in columns], [c.header for c in columns]
    values, own, first = thinned[i], reads[i], thinned[others[0]]
    if own.ideas & NO_SENSOR:
        return f"'{headers[others[0]]}' is the better column for it"
    if values is None or not np.isfinite(values).any():
        return "there is no value in it"
    manifold = channel == "manifold_pressure"
    for other in others:
        beside, numbers = thinned[other], {own.number, reads[other].number}
        if beside is None or len(numbers) > 1:
            continue  # a number of its own: a sensor of its own, however alike
        if _copy(beside, values, shifted=manifold):
            return f"it is a copy of '{headers[other]}'"
    airbox = manifold and own.number == 1 and not own.ideas & SAYS_MANIFOLD
    if first is not None and airbox and not _together(first, values):
        return f"it does not move with '{headers[others[0]]}'"
    return ""


def _copy(x: Array, y: Array, *, shifted: bool) -> bool:
    """Whether y is x in the same or another scale, but for rounding.

    shifted: a column over another zero counts as one of its own (gauge beside absolute pressure).
    """
    x, y = both_finite(x, y)
    if len(x) < LEAST_ROWS:
        return False
    if np.array_equal(x, y):
        return True
    step_x, step_y = _step(x), _step(y)
    reach = float(np.ptp(x))
    if reach < MOVES * step_x or reach <= 0 or float(np.ptp(y)) <= 0:
        return False
    slope, cut = np.polyfit(x, y, 1).tolist()
    left = np.abs(y - (slope * x + cut))
    if slope <= 0 or quantile(left, 0.98) > ROUNDING * (slope * step_x + step_y):
        return False
    return not (shifted and abs(cut) > ZERO_SHARE * float(np.abs(y).max()))


def _step(values: Array) -> float:
    """The smallest step between two values of a column."""
    steps = np.diff(np.sort(values))
    return float(steps[steps > 1e-9 * max(np.abs(values).max(), 1e-9)].min(initial=np.inf))


def _together(x: Array, y: Array) -> bool:
    """Whether two columns rise and fall together; True where the first hardly moves."""
    x, y = both_finite(x, y)
    if len(x) < LEAST_ROWS or float(np.ptp(x)) < 0.3 * abs(median(x)):
        return True
    return float(np.ptp(y)) > 0 and float(np.corrcoef(x, y)[0, 1]) >= TOGETHER
