"""Log to flags: every test on every channel, the pairs, and what is to be said of them."""

from __future__ import annotations

import numpy as np

from audit.engine import State, gap_rows, state_of, true_samples
from audit.model import (
    GOOD,
    MISSING,
    NOT_EVALUATED,
    SUSPECT,
    Array,
    Car,
    Finding,
    FlagArray,
    Log,
    Sanity,
)
from audit.sanity.aggregate import of_channel
from audit.sanity.between import contradictions
from audit.sanity.channel import Examined, examine_channel
from audit.sanity.findings import finding_of, together_with
from audit.sanity.supply import clock_findings, doubtful, missing, slow
from audit.sanity.trouble import Trouble
from audit.signal.arrays import median
from audit.tables import channel_row

SPARSE = 0.9  # a channel with a sample in fewer rows than this has a rate of its own


def examine(log: Log, car: Car) -> Sanity:
    """A flag a sample and a test for each canonical channel of a log, its noise, and the findings.

    Nothing is changed or deleted in the log. A row between two samples of a slow channel is 9 and
    counts for nothing; a row that repeats a held value carries the flag of the sample it repeats.
    At the top of the manifold pressure sensor samples stay believed ('at least this'), the
    channel's rail test says 3.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        return _examine(log, car)


def _examine(log: Log, car: Car) -> Sanity:
    state = state_of(log)
    samples: dict[str, FlagArray] = {}
    tests: dict[str, dict[str, int]] = {}
    noise: dict[str, float] = {}
    troubles: list[Trouble] = []
    rates: dict[str, float] = {}
    for name in log.by_name:
        if name == "time" or channel_row(name) is None:
            continue
        examined, rows, rate = _one(log, car, name, state)
        samples[name] = rows
        tests[name] = dict(examined.tests)
        rates[name] = rate
        troubles += examined.troubles
        if examined.noise is not None:
            noise[name] = examined.noise
    pairs = contradictions(log, car, state)
    for trouble in pairs:
        tests[trouble.channel]["disagree"] = SUSPECT
    _clock_tests(log, tests)
    flags = {name: of_channel(of.values()) for name, of in tests.items()}
    findings = _findings(log, [*pairs, *troubles], samples, rates)
    return Sanity(samples=samples, tests=tests, flags=flags, noise=noise, findings=findings)


def _one(log: Log, car: Car, name: str, state: State) -> tuple[Examined, FlagArray, float]:
    """One channel: its tests, its flags row by row, and its rate, Hz.

    One that says nothing but the logger's zero, where no living sensor does, is not connected: as
    without a sample.
    """
    value = log.values(name)
    there = np.isfinite(value)
    channel = log.by_name[name]
    whole = bool(there.all())
    t, v = (log.time, value) if whole and not channel.held else true_samples(log, name)
    row = channel_row(name)
    assert row is not None, name
    if not len(t) or (row.never_zero and bool((v == channel.offset).all())):
        empty = Examined(np.empty(0, np.uint8), {"gross_range": MISSING}, None, [])
        return empty, np.full(log.rows, MISSING, dtype=np.uint8), 0.0
    top = car.sensor_top_kpa if row.name == "manifold_pressure" else None
    examined = examine_channel(
        name,
        row,
        t,
        v,
        state,
        source_zero=channel.offset,
        until_s=float(log.time[-1]),
        top=top,
    )
    if len(t) == log.rows:
        return examined, examined.flags, channel.rate_hz or log.rate_hz
    # each row takes the flag of the sample it is or repeats
    of = np.clip(np.searchsorted(t, log.time, side="right") - 1, 0, len(t) - 1)
    rows = examined.flags[of]
    rows[~there] = MISSING
    return examined, rows, _rate(log, channel.rate_hz, t, there)


def _rate(
    log: Log, stated: float, t: Array, there: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]
) -> float:
    """Samples a second. A held value that does not move says nothing, so intake's figure stands
    where there is one.
    """
    if stated > 0:
        return stated
    if there.mean() >= SPARSE or len(t) < 2:
        return log.rate_hz
    return 1.0 / median(np.diff(t))


def _clock_tests(log: Log, tests: dict[str, dict[str, int]]) -> None:
    """The row clock's own tests stand under 'time', where they touch no channel."""
    codes = {note.code for note in log.notes}
    clock = SUSPECT if "sensor.clock" in codes or log.breaks else GOOD
    gap = SUSPECT if "sensor.gap" in codes or gap_rows(log).size else GOOD
    tests["time"] = {"clock": clock, "gap": gap if log.rows >= 3 else NOT_EVALUATED}


def _findings(
    log: Log, troubles: list[Trouble], samples: dict[str, FlagArray], rates: dict[str, float]
) -> tuple[Finding, ...]:
    empty = frozenset(name for name, flags in samples.items() if (flags == MISSING).all())
    together = together_with(troubles)
    out = [
        finding_of(
            trouble,
            log,
            together.get(trouble.channel, ())
            if trouble.code in ("sensor.spike", "sensor.dropout")
            else (),
        )
        for trouble in troubles
    ]
    out += [
        *missing(log, empty),
        *slow({n: r for n, r in rates.items() if n not in empty}),
        *doubtful(log, empty),
        *clock_findings(log),
    ]
    return tuple(_one_a_code(out))


def _one_a_code(findings: list[Finding]) -> list[Finding]:
    """The worst finding of each code and channel; the rest of them say the same thing twice."""
    rank = ("stop", "hold", "watch", "note")
    best: dict[tuple[str, str | None], Finding] = {}
    for finding in sorted(findings, key=lambda f: rank.index(f.severity)):
        best.setdefault((finding.code, finding.channel), finding)
    return sorted(best.values(), key=lambda f: (rank.index(f.severity), f.start_s or 0.0))
