"""What the log does not carry: channels missing, too slow or in doubt, and a clock that broke."""

from __future__ import annotations

import numpy as np

from audit.model import Finding, Log, Note
from audit.sanity.findings import is_needed
from audit.signal.arrays import median
from audit.tables import channel_row

# Rates below which a required check cannot be carried at all, with the check that needs them.
LEAST_RATES = (
    ("manifold_pressure", 8.0, "oscillation"),
    ("lambda", 1.0, "lean_under_load"),
    ("intake_air_temp", 1.0, "heat_soak"),
    ("engine_speed", 1.0, "finding a pull"),
)
OVERSHOOT_HZ = 4.0
WHY_NEEDED = {
    "engine_speed": "no pull can be found without it",
    "manifold_pressure": "boost_overshoot and oscillation cannot be judged",
    "lambda": "lean_under_load cannot be judged",
    "intake_air_temp": "heat_soak cannot be judged",
}
MEND = "Log it, or name its column under [channels] in the car file."
SHORT_OF_DUE = 0.95  # a clock that jitters reads a little slow
Rows = np.ndarray[tuple[int, ...], np.dtype[np.intp]]
GAP_S = 0.5
GAP_TIMES = 5.0


def missing(log: Log, empty: frozenset[str]) -> list[Finding]:
    """A finding for each channel without which the night cannot be cleared. empty: logged, but without a sample."""
    out = []
    for name, why in WHY_NEEDED.items():
        if log.has(name) and name not in empty:
            continue
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
    for name in sorted(empty):
        row = channel_row(name)
        if row is None or not row.damage or name in WHY_NEEDED:
            continue
        plain = name.replace("_", " ")
        text = f"{plain[0].upper()}{plain[1:]} has a column but not one sample: it counts as not logged."
        out.append(Finding("sensor.missing", "note", text, channel=name))
    drivers = ("throttle_position", "pedal_position", "manifold_pressure")
    if not any(log.has(name) and name not in empty for name in drivers):
        text = (
            "Neither throttle, pedal nor manifold pressure is in the log: nothing tells when it was wide open. "
            + MEND
        )
        out.append(Finding("sensor.missing", "hold", text, channel="throttle_position"))
    return out


def slow(rates: dict[str, float]) -> list[Finding]:
    """A finding for each channel that comes too slowly for the required check that stands on it."""
    out = []
    for name, least, check in LEAST_RATES:
        rate = rates.get(name)
        if rate is None or rate <= 0 or rate >= SHORT_OF_DUE * least:
            continue
        checks = (
            f"{check} and boost_overshoot"
            if name == "manifold_pressure" and rate < SHORT_OF_DUE * OVERSHOOT_HZ
            else check
        )
        plain = name.replace("_", " ")
        text = f"{plain[0].upper()}{plain[1:]} comes {rate:.2g} times a second; {checks} need{'' if ' and ' in checks else 's'} {least:g}. Log fewer channels, or faster."
        out.append(
            Finding("sensor.slow", "hold", text, channel=name, value=rate, limit=least, unit="Hz")
        )
    return out


def doubtful(log: Log) -> list[Finding]:
    """A finding for each channel whose unit is a guess that might be wrong."""
    out = []
    for channel in log.channels:
        if not (channel.known and channel.doubtful):
            continue
        other = f"; it could be {channel.runner_up}" if channel.runner_up else ""
        why = f" ({channel.unit_why})" if channel.unit_why else ""
        text = f'Column "{channel.source}" was taken for {channel.source_unit or channel.unit}{why}{other}. Name its unit in the car file.'
        severity = "hold" if is_needed(log, channel.name) else "note"
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
    """One finding for the gaps in the rows. Those that take a part of a pull are told with the night's pulls."""
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
            f"The rows have {how}, {total:.1f} s in all, the longest {longest:.1f} s; no pull is read across one.",
            channel="time",
            start_s=float(t[rows[0] - 1]),
            end_s=float(t[rows[-1]]),
            value=longest,
            limit=GAP_S,
            unit="s",
        )
    ]


def gap_rows(log: Log) -> Rows:
    """First row after each gap: longer than 0.5 s and five usual intervals, restarts of the clock left out."""
    if log.rows < 3:
        return np.empty(0, dtype=np.intp)
    dt = np.diff(log.time)
    rows = np.flatnonzero(dt > max(GAP_S, GAP_TIMES * median(dt))) + 1
    return np.setdiff1d(rows, np.asarray(log.breaks, dtype=np.intp))
