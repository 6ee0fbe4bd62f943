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
GLITCHES = ("sensor.spike", "sensor.dropout")
SAID = {
    "sensor.range": "reads {value}, beyond the believable {limit}, {times} for {seconds} in all",
    "sensor.rail": "stands pinned at {value}, {times} for {seconds} in all: that is an end of the "
    "sensor or its wiring, no reading",
    "sensor.flat_line": "stands still at {value} for {seconds} while the engine works: it is "
    "frozen",
    "sensor.spike": "leaps off and straight back {times}, to {value} at first",
    "sensor.rate_of_change": "changes faster than it can {times}: {value}, {limit} is believable",
    "sensor.dropout": "leaps to {value} and back {times}, {seconds} in all",
}


def is_needed(log: Log, channel: str) -> bool:
    """Does a required check stand on this channel?"""
    if channel == "pedal_position":
        return not log.has("throttle_position")
    if channel == "throttle_position":
        return log.has("throttle_position")
    return base_of(channel) in holding_channels()


def finding_of(trouble: Trouble, log: Log, together: Sequence[str] = ()) -> Finding:
    """The finding of one trouble. together: other channels that glitch at the same moments."""
    row = channel_row(trouble.channel)
    needed = is_needed(log, trouble.channel) or (row is not None and row.damage)
    told = log.has("throttle_position") or log.has("pedal_position")
    if trouble.channel == "manifold_pressure" and not told:
        # nothing else tells when it was wide open, so wherever it fails a pull may have been
        trouble = replace(trouble, loaded=trouble.count, loaded_s=trouble.seconds)
    unit = row.unit if row is not None else None
    if trouble.code == "sensor.rate_of_change" and unit:
        unit = f"{unit}/s"
    message = _message(trouble, unit or "")
    if together:
        others = capital(listed([plain(name) for name in together]))
        glitch = "glitches" if len(together) == 1 else "glitch"
        message += f" {others} {glitch} at the same moments: a shared ground or supply."
    return Finding(
        code=trouble.code,
        severity=_severity(trouble, needed=needed),
        message=message,
        channel=trouble.channel,
        start_s=trouble.start_s,
        end_s=trouble.end_s,
        value=trouble.value,
        limit=trouble.limit,
        unit=_value_unit(trouble, unit),
    )


def _value_unit(trouble: Trouble, unit: str | None) -> str | None:
    if trouble.value is None:
        return None
    if trouble.code == "sensor.disagree":
        of_time = {"throttle_position": "s", "vehicle_speed": "%"}
        return of_time.get(trouble.channel, "K" if unit == "°C" else unit)
    return unit


def _severity(trouble: Trouble, *, needed: bool) -> str:
    """What happens outside wide-open stretches holds nothing; a contradiction does anywhere."""
    if trouble.code == "sensor.disagree":
        return "hold" if needed else "watch"
    if needed and _takes_evidence(trouble):
        return "hold"
    lasting = trouble.seconds >= LONG_S or trouble.loaded_s >= HOLE_S
    train = trouble.count >= TRAIN
    if trouble.code in ("sensor.flat_line", "sensor.rail"):
        train = False
    elif trouble.code not in ("sensor.range", "sensor.dropout"):
        lasting = False
    return "watch" if lasting or train else "note"


def _takes_evidence(trouble: Trouble) -> bool:
    """Is so much of a wide-open stretch not believed that something may have happened unseen?"""
    if trouble.code == "sensor.spike":
        return trouble.loaded_share >= REAL_SHARE and trouble.loaded >= TRAIN
    if trouble.code == "sensor.rate_of_change":
        # a train of leaps: the sensor or its wiring is loose, whatever the share of samples
        return trouble.loaded >= TRAIN
    return trouble.loaded_s >= HOLE_S


def _message(trouble: Trouble, unit: str) -> str:
    name, when = capital(plain(trouble.channel)), _when(trouble)
    if trouble.code == "sensor.disagree":
        return f"{capital(trouble.text)} ({when})."
    if trouble.text:
        return f"{name}: {trouble.text} ({when})."
    said = SAID[trouble.code].format(
        value=_figure(trouble.value, unit),
        limit=_figure(trouble.limit, unit),
        times="once" if trouble.count == 1 else f"{trouble.count} times",
        seconds=f"{trouble.seconds:.1f} s",
    )
    return f"{name} {said} ({when}). These samples are not believed."


def _figure(value: float | None, unit: str) -> str:
    if value is None:
        return ""
    digits = 2 if abs(value) < 10 else 1 if abs(value) < 100 else 0
    return f"{value:.{digits}f}" + ("" if unit in ("1", "") else f" {unit}")


def _when(trouble: Trouble) -> str:
    if trouble.end_s - trouble.start_s < 0.05:
        return f"at {trouble.start_s:.1f} s"
    return f"from {trouble.start_s:.1f} s to {trouble.end_s:.1f} s"


def plain(name: str) -> str:
    """A channel's name in a sentence."""
    return name.replace("_", " ")


def capital(text: str) -> str:
    """The text as a sentence begins."""
    return text[0].upper() + text[1:]


def listed(names: Sequence[str]) -> str:
    """Names in a sentence: 'a', 'a and b', 'a, b and c'."""
    return names[0] if len(names) == 1 else ", ".join(names[:-1]) + " and " + names[-1]


def together_with(
    troubles: Sequence[Trouble], *, within_s: float = 0.06, least: int = 3
) -> dict[str, tuple[str, ...]]:
    """For each train of glitches: the other channels that share three of its moments."""
    trains: dict[str, list[float]] = {}
    for trouble in troubles:
        if trouble.code in GLITCHES and len(trouble.times) >= least:
            trains.setdefault(trouble.channel, []).extend(trouble.times)

    def share(times: list[float], theirs: list[float]) -> bool:
        return sum(any(abs(a - b) <= within_s for b in theirs) for a in times) >= least

    shared = {
        name: tuple(n for n, theirs in trains.items() if n != name and share(times, theirs))
        for name, times in trains.items()
    }
    return {name: others for name, others in shared.items() if others}
