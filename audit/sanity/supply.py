"""What the log does not carry: channels missing, too slow or in doubt, and a clock that broke."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from audit.declared import needed_channels, pull_channels, required
from audit.engine import GAP_S, gap_rows
from audit.model import Channel, Finding, Log, Note
from audit.sanity.findings import capital, is_needed, listed, plain
from audit.tables import ChannelRow, channel_row

# What a logger writes where a sensor gives no reading; common practice, no published source.
WORDS = "err error fault failed fail invalid bad nan inf ovr overflow short #error #n/a"
NO_READING = frozenset(WORDS.split())
DRIVER = ("throttle_position", "pedal_position")  # what says how far it was opened
MEND = "Log it, or name its column under [channels] in the car file."
SHORT_OF_DUE = 0.95  # a clock that jitters reads a little slow


def missing(log: Log, empty: frozenset[str], not_fitted: Sequence[str]) -> list[Finding]:
    """What a night cannot be cleared without. empty: logged, but without a sample of a sensor;
    not_fitted: channels that the car file knows to have none."""
    needed = needed_channels()
    there = {name for name in (*needed, *DRIVER) if log.has(name) and name not in empty}
    out = [_lacks(log, name) for name in needed if name not in there]
    out += [
        _without_a_sample(log, channel, row, fitted=channel.name not in not_fitted)
        for channel in log.channels
        if (row := channel_row(channel.name if channel.known else channel.nearest)) is not None
        and row.damage
        and channel.name not in needed
        and (channel.name in empty if channel.known else _only_words(log, channel, row))
    ]
    if not there & set(DRIVER):
        text = (
            "Neither throttle nor pedal is in the log: a lift, a throttle that the engine computer "
            f"closes and a charge hose that came off all look alike without one. {MEND}"
        )
        out.append(Finding("sensor.missing", "hold", text, channel="throttle_position"))
    return out


def _lacks(log: Log, name: str) -> Finding:
    how = "is in the log but has no sample" if log.has(name) else "is not in the log"
    said = "lambda or air-fuel ratio" if name == "lambda" else plain(name)
    text = f"{capital(said)} {how}: {_cannot_without(name)}. {MEND}"
    return Finding("sensor.missing", "hold", text, channel=name)


def _cannot_without(channel: str) -> str:
    if channel in pull_channels()[0]:
        return "no pull can be found without it"
    checks = [plain(row.name) for row in required() if channel in row.channels]
    return f"{listed(checks)} cannot be judged"


def _wanted_rates(channel: str) -> dict[str, float]:
    """Samples a second that finding a pull, or a required check by its name, needs of a channel."""
    pulls, least = pull_channels()
    finding = {"finding a pull": least} if channel in pulls else {}
    return finding | {row.name: row.least_rate_hz for row in required() if channel in row.channels}


def _only_words(log: Log, channel: Channel, row: ChannelRow) -> bool:
    """Does a column named like an unlogged channel hold nothing but words for no reading?"""
    words = _words(log, channel)
    return not log.has(row.name) and bool(words) and words <= NO_READING


def _words(log: Log, channel: Channel) -> set[str]:
    """What stands in the cells of a column of text; empty for numbers."""
    cells = log.frame.get_column(channel.stored_as or channel.name).drop_nulls()
    if cells.dtype.is_numeric():
        return set()
    return {word for cell in cells.unique()[:20] if (word := str(cell).strip().lower())}


def _without_a_sample(log: Log, channel: Channel, row: ChannelRow, *, fitted: bool) -> Finding:
    """A note where a damage channel's column is blank; a hold where it says that it is broken, by
    its words or by nothing but zeros. A second sensor of nothing but zeros is an input without one.
    """
    words = _words(log, channel)
    what = f'Column "{channel.source}" ({plain(row.name)})'
    if words and words <= NO_READING:
        only = f"{what} holds nothing but {', '.join(sorted(words))}"
        text = f"{only}: the sensor is logged and does not read. Mend it."
        return Finding("sensor.missing", "hold", text, channel=row.name)
    cells = log.frame.get_column(channel.stored_as or channel.name)
    zeros = cells.dtype.is_numeric() and cells.drop_nulls().len() > 0
    how = "has nothing but zeros, as where none is connected" if zeros else "has not one sample"
    if zeros and fitted and channel.name == row.name:
        mend = (
            "Connect or mend the sensor; where this car has none, write "
            f'not_fitted = ["{row.name}"] in the car file, above all [tables].'
        )
        text = f"{what} {how}: what it would have shown is unknown. {mend}"
        return Finding("sensor.missing", "hold", text, channel=row.name)
    text = f"{what} {how}: it counts as not logged."
    return Finding("sensor.missing", "note", text, channel=row.name)


def slow(rates: dict[str, float]) -> list[Finding]:
    """A finding for each channel that comes too slowly for the required check that stands on it."""
    out = []
    for name in needed_channels():
        rate = rates.get(name)
        wanted = _wanted_rates(name)
        least = max(wanted.values())
        if rate is None or rate <= 0 or rate >= SHORT_OF_DUE * least:
            continue
        starved = [who for who, hz in wanted.items() if rate < SHORT_OF_DUE * hz]
        checks = listed([plain(who) for who in sorted(starved, key=lambda who: -wanted[who])])
        need = f"need{'s' if len(starved) == 1 else ''} {least:g}"
        comes = f"{capital(plain(name))} comes {rate:.2g} times a second; {checks} {need}"
        text = f"{comes}. Log fewer channels, or faster."
        found = Finding("sensor.slow", "hold", text, channel=name, value=rate, unit="Hz")
        out.append(replace(found, limit=least))
    return out


def doubtful(log: Log, empty: frozenset[str]) -> list[Finding]:
    """A finding for each channel whose unit is a guess that might be wrong.

    It holds where a required check stands on the channel, and where what melts an engine shows in
    it: low oil pressure in bar may pass for a sound one in another unit. empty: logged, but without
    a sample of a sensor."""
    out = []
    for channel in log.channels:
        if not (channel.known and channel.doubtful):
            continue
        other = f"; it could be {channel.runner_up}" if channel.runner_up else ""
        why = f" ({channel.unit_why})" if channel.unit_why else ""
        text = (
            f'Column "{channel.source}" was taken for '
            f"{channel.source_unit or channel.unit}{why}{other}. Name its unit in the car file."
        )
        name, row = channel.name, channel_row(channel.name)
        damage = row is not None and row.damage and name not in empty
        severity = "hold" if is_needed(log, name) or damage else "note"
        sure = channel.confidence
        out.append(Finding("sensor.unit_doubt", severity, text, channel=name, value=sure, unit="1"))
    return out


def clock_findings(log: Log) -> list[Finding]:
    """Findings of intake's notes that carry a sensor code, and of gaps in the rows."""
    coded = [(note.code or "", note) for note in log.notes]
    sensor = [(c, n) for c, n in coded if c.startswith("sensor.") and c != "sensor.gap"]
    return [*(_of_note(code, note) for code, note in sensor), *_gaps(log)]


def _of_note(code: str, note: Note) -> Finding:
    severity = "watch" if code == "sensor.clock" or note.count >= 3 else "note"
    where = f" (line {note.line})" if note.line is not None else ""
    text = f"{note.message.rstrip('.')}{where}."
    return Finding(code, severity, text, channel="time", start_s=note.start_s, end_s=note.end_s)


def _gaps(log: Log) -> list[Finding]:
    """One finding for the gaps in the rows; what they take of a pull is told with the pulls."""
    rows = gap_rows(log)
    if not rows.size:
        return []
    t = log.time
    lengths = t[rows] - t[rows - 1]
    total, longest = float(lengths.sum()), float(lengths.max())
    how = "one gap" if len(rows) == 1 else f"{len(rows)} gaps"
    many = len(rows) >= 3 or total >= max(2.0, 0.02 * log.duration_s)
    lengths_said = f"{total:.1f} s in all, the longest {longest:.1f} s"
    return [
        Finding(
            "sensor.gap",
            "watch" if many else "note",
            f"The rows have {how}, {lengths_said}; no pull is read across one.",
            channel="time",
            start_s=float(t[rows[0] - 1]),
            end_s=float(t[rows[-1]]),
            value=longest,
            limit=GAP_S,
            unit="s",
        )
    ]
