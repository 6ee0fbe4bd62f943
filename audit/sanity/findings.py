"""Troubles into findings: how bad, and the sentence. Severity policy stands in one place, here.

A channel that a required check stands on, or that shows what melts an engine, is a 'hold' where it
cannot be believed for a real part of a wide-open stretch; others, and all that happens elsewhere,
are at most a 'watch'. Lone glitches are a 'note', trains of them a 'watch'.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from audit.declared import holding_channels
from audit.model import Finding, Log, base_of
from audit.sanity.trouble import Trouble
from audit.tables import channel_row

REAL_SHARE = 0.02  # of a channel's samples in pulls
HOLE_S = 0.5  # of a pull, as a gap in the rows: time enough for a charge to burn lean
LONG_S = 3.0  # anywhere: worth a look
TRAIN = 3  # events from which glitches are a train


def is_needed(log: Log, channel: str) -> bool:
    """Does a required check stand on this channel?"""
    if channel in ("throttle_position", "pedal_position"):
        return channel == (
            "throttle_position" if log.has("throttle_position") else "pedal_position"
        )
    return base_of(channel) in holding_channels()


def finding_of(trouble: Trouble, log: Log, together: Sequence[str] = ()) -> Finding:
    """The finding of one trouble. together: other channels that glitch at the same moments."""
    row = channel_row(trouble.channel)
    needed = is_needed(log, trouble.channel) or (row is not None and row.damage)
    if trouble.channel == "manifold_pressure" and not _throttle_tells(log):
        # nothing else tells when it was wide open, so wherever it fails a pull may have been
        trouble = replace(trouble, loaded=trouble.count, loaded_s=trouble.seconds)
    unit = row.unit if row is not None else None
    if trouble.code == "sensor.rate_of_change" and unit:
        unit = f"{unit}/s" if unit != "1" else "1/s"
    message = _message(trouble, unit or "")
    if together:
        others = listed([name.replace("_", " ") for name in together])
        others = others[0].upper() + others[1:]
        message += (
            f" {others} glitch{'es' if len(together) == 1 else ''} at the same moments: a shared "
            "ground or supply."
        )
    return Finding(
        code=trouble.code,
        severity=trouble.severity or _severity(trouble, needed=needed),
        message=message,
        channel=trouble.channel,
        start_s=trouble.start_s,
        end_s=trouble.end_s,
        value=trouble.value,
        limit=trouble.limit,
        unit=_value_unit(trouble, unit),
    )


def _throttle_tells(log: Log) -> bool:
    return log.has("throttle_position") or log.has("pedal_position")


def _value_unit(trouble: Trouble, unit: str | None) -> str | None:
    if trouble.value is None:
        return None
    if trouble.code == "sensor.disagree":
        of_time = {"throttle_position": "s", "vehicle_speed": "%"}
        return of_time.get(trouble.channel, "K" if unit == "°C" else unit)
    return unit


def _severity(trouble: Trouble, *, needed: bool) -> str:
    """What happens outside wide-open stretches holds nothing; sensors that contradict each other do
    anywhere.
    """
    if trouble.code == "sensor.disagree":
        return "hold" if needed else "watch"
    if needed and _takes_evidence(trouble):
        return "hold"
    lasting = trouble.seconds >= LONG_S or trouble.loaded_s >= HOLE_S
    if trouble.code in ("sensor.flat_line", "sensor.rail"):
        return "watch" if lasting else "note"
    if trouble.code in ("sensor.range", "sensor.dropout"):
        return "watch" if lasting or trouble.count >= TRAIN else "note"
    return "watch" if trouble.count >= TRAIN else "note"


def _takes_evidence(trouble: Trouble) -> bool:
    """Is so much of a wide-open stretch not believed that something may have happened unseen?"""
    if trouble.code == "sensor.spike":
        return trouble.loaded_share >= REAL_SHARE and trouble.loaded >= TRAIN
    if trouble.code == "sensor.rate_of_change":
        # a train of leaps: the sensor or its wiring is loose, whatever the share of samples
        return trouble.loaded >= TRAIN
    return trouble.loaded_s >= HOLE_S


def _message(trouble: Trouble, unit: str) -> str:
    name = trouble.channel.replace("_", " ")
    when = _when(trouble)
    if trouble.text:
        return (
            f"{trouble.text[0].upper()}{trouble.text[1:]} ({when})."
            if trouble.code == "sensor.disagree"
            else (f"{name[0].upper()}{name[1:]}: {trouble.text} ({when}).")
        )
    value = "" if trouble.value is None else _figure(trouble.value, unit)
    limit = "" if trouble.limit is None else _figure(trouble.limit, unit)
    times = "once" if trouble.count == 1 else f"{trouble.count} times"
    said = {
        "sensor.range": (
            f"reads {value}, beyond the believable {limit}, {times} for {trouble.seconds:.1f} s "
            "in all"
        ),
        "sensor.rail": (
            f"stands pinned at {value}, {times} for {trouble.seconds:.1f} s in all: that is an "
            "end of the sensor or its wiring, no reading"
        ),
        "sensor.flat_line": (
            f"stands still at {value} for {trouble.seconds:.1f} s while the engine works: it is "
            "frozen"
        ),
        "sensor.spike": f"leaps off and straight back {times}, to {value} at first",
        "sensor.rate_of_change": (
            f"changes faster than it can {times}: {value}, {limit} is believable"
        ),
        "sensor.dropout": f"leaps to {value} and back {times}, {trouble.seconds:.1f} s in all",
    }[trouble.code]
    return f"{name[0].upper()}{name[1:]} {said} ({when}). These samples are not believed."


def _figure(value: float, unit: str) -> str:
    digits = 2 if abs(value) < 10 else 1 if abs(value) < 100 else 0
    return f"{value:.{digits}f}" + ("" if unit in ("1", "") else f" {unit}")


def _when(trouble: Trouble) -> str:
    if trouble.end_s - trouble.start_s < 0.05:
        return f"at {trouble.start_s:.1f} s"
    return f"from {trouble.start_s:.1f} s to {trouble.end_s:.1f} s"


def listed(names: Sequence[str]) -> str:
    """Names in a sentence: 'a', 'a and b', 'a, b and c'."""
    return names[0] if len(names) == 1 else ", ".join(names[:-1]) + " and " + names[-1]


def together_with(
    troubles: Sequence[Trouble], *, within_s: float = 0.06, least: int = 3
) -> dict[str, tuple[str, ...]]:
    """For each channel with a train of spikes or dropouts: the other channels that share three of
    its moments.
    """
    trains: dict[str, list[float]] = {}
    for trouble in troubles:
        if trouble.code in ("sensor.spike", "sensor.dropout") and len(trouble.times) >= least:
            trains.setdefault(trouble.channel, []).extend(trouble.times)
    shared: dict[str, tuple[str, ...]] = {}
    for name, times in trains.items():
        others = [
            other
            for other, theirs in trains.items()
            if other != name
            and sum(any(abs(a - b) <= within_s for b in theirs) for a in times) >= least
        ]
        if others:
            shared[name] = tuple(others)
    return shared
