"""What the log does not carry: channels missing, too slow or in doubt, and a clock that broke."""

from __future__ import annotations

from audit.declared import needed_channels, pull_channels, required
from audit.engine import GAP_S, gap_rows
from audit.model import Finding, Log, Note
from audit.sanity.findings import is_needed, listed
from audit.tables import ChannelRow, channel_row

# What a logger writes where a sensor gives no reading; common practice, no published source.
NO_READING = frozenset(
    [
        "err",
        "error",
        "fault",
        "failed",
        "fail",
        "invalid",
        "bad",
        "nan",
        "inf",
        "ovr",
        "overflow",
        "short",
        "#error",
        "#n/a",
    ]
)
DRIVER = ("throttle_position", "pedal_position")  # what says how far it was opened
MEND = "Log it, or name its column under [channels] in the car file."
SHORT_OF_DUE = 0.95  # a clock that jitters reads a little slow


def missing(log: Log, empty: frozenset[str]) -> list[Finding]:
    """A finding for each channel without which the night cannot be cleared. empty: logged, but
    without a sample.
    """
    out = []
    needed = needed_channels()
    for name in needed:
        if log.has(name) and name not in empty:
            continue
        why = _cannot_without(name)
        how = "is in the log but has no sample" if log.has(name) else "is not in the log"
        plain = "lambda or air-fuel ratio" if name == "lambda" else name.replace("_", " ")
        out.append(
            Finding(
                "sensor.missing",
                "hold",
                f"{plain[0].upper()}{plain[1:]} {how}: {why}. {MEND}",
                channel=name,
            )
        )
    out += [
        _without_a_sample(log, channel.source, channel.stored_as or channel.name, row)
        for channel in log.channels
        if (row := channel_row(channel.name if channel.known else channel.nearest)) is not None
        and row.damage
        and channel.name not in needed
        and (channel.name in empty if channel.known else _only_words(log, channel.name, row))
    ]
    if not any(log.has(name) and name not in empty for name in DRIVER):
        text = (
            "Neither throttle nor pedal is in the log: a lift, a throttle that the engine computer "
            f"closes and a charge hose that came off all look alike without one. {MEND}"
        )
        out.append(Finding("sensor.missing", "hold", text, channel="throttle_position"))
    return out


def _cannot_without(channel: str) -> str:
    if channel in pull_channels()[0]:
        return "no pull can be found without it"
    checks = [row.name.replace("_", " ") for row in required() if channel in row.channels]
    return f"{listed(checks)} cannot be judged"


def _wanted_rates(channel: str) -> dict[str, float]:
    """Samples a second of a channel that finding a pull or a required check cannot do without, by
    its name.
    """
    pulls, least = pull_channels()
    finding = {"finding a pull": least} if channel in pulls else {}
    return finding | {row.name: row.least_rate_hz for row in required() if channel in row.channels}


def _only_words(log: Log, column: str, row: ChannelRow) -> bool:
    """Does a column that goes by the name of an unlogged channel hold nothing but words for no
    reading?
    """
    return not log.has(row.name) and bool(_words(log, column)) and _words(log, column) <= NO_READING


def _words(log: Log, column: str) -> set[str]:
    """What stands in the cells of a column of text; empty for numbers."""
    cells = log.frame.get_column(column).drop_nulls()
    if cells.dtype.is_numeric():
        return set()
    return {word for cell in cells.unique()[:20] if (word := str(cell).strip().lower())}


def _without_a_sample(log: Log, source: str, column: str, row: ChannelRow) -> Finding:
    """A note where a damage channel's column is blank; a hold where it says that the sensor does
    not read.
    """
    words = _words(log, column)
    what = f'Column "{source}" ({row.name.replace("_", " ")})'
    if words and words <= NO_READING:
        text = (
            f"{what} holds nothing but {', '.join(sorted(words))}: the sensor is logged and does "
            "not read. Mend it."
        )
        return Finding("sensor.missing", "hold", text, channel=row.name)
    cells = log.frame.get_column(column)
    zeros = cells.dtype.is_numeric() and cells.drop_nulls().len() > 0
    how = "has nothing but zeros, as where none is connected" if zeros else "has not one sample"
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
        checks = listed(sorted(starved, key=lambda who: -wanted[who]))
        plain = name.replace("_", " ")
        text = (
            f"{plain[0].upper()}{plain[1:]} comes {rate:.2g} times a second; {checks} "
            f"need{'s' if len(starved) == 1 else ''} {least:g}. Log fewer channels, or faster."
        )
        out.append(
            Finding("sensor.slow", "hold", text, channel=name, value=rate, limit=least, unit="Hz")
        )
    return out


def doubtful(log: Log, empty: frozenset[str]) -> list[Finding]:
    """A finding for each channel whose unit is a guess that might be wrong.

    It holds where a required check stands on the channel, and where what melts an engine shows in
    it: low oil pressure in bar may pass for a sound one in another unit. empty: logged, but without
    a sample of a sensor.
    """
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
        row = channel_row(channel.name)
        damage = row is not None and row.damage and channel.name not in empty
        holds = is_needed(log, channel.name) or damage
        severity = "hold" if holds else "note"
        out.append(
            Finding(
                "sensor.unit_doubt",
                severity,
                text,
                channel=channel.name,
                value=channel.confidence,
                unit="1",
            )
        )
    return out


def clock_findings(log: Log) -> list[Finding]:
    """Findings of intake's notes that carry a sensor code, and of gaps in the rows."""
    coded = [
        n
        for n in log.notes
        if n.code is not None and n.code.startswith("sensor.") and n.code != "sensor.gap"
    ]
    return [*(_of_note(note) for note in coded), *_gaps(log)]


def _of_note(note: Note) -> Finding:
    severity = "watch" if note.code == "sensor.clock" or note.count >= 3 else "note"
    where = f" (line {note.line})" if note.line is not None else ""
    return Finding(
        note.code or "",
        severity,
        note.message.rstrip(".") + where + ".",
        channel="time",
        start_s=note.start_s,
        end_s=note.end_s,
    )


def _gaps(log: Log) -> list[Finding]:
    """One finding for the gaps in the rows. Those that take a part of a pull are told with the
    night's pulls.
    """
    rows = gap_rows(log)
    if not rows.size:
        return []
    t = log.time
    lengths = t[rows] - t[rows - 1]
    total, longest = float(lengths.sum()), float(lengths.max())
    how = "one gap" if len(rows) == 1 else f"{len(rows)} gaps"
    return [
        Finding(
            "sensor.gap",
            "watch" if len(rows) >= 3 or total >= max(2.0, 0.02 * log.duration_s) else "note",
            (
                f"The rows have {how}, {total:.1f} s in all, the longest {longest:.1f} s; no pull "
                "is read across one."
            ),
            channel="time",
            start_s=float(t[rows[0] - 1]),
            end_s=float(t[rows[-1]]),
            value=longest,
            limit=GAP_S,
            unit="s",
        )
    ]
