"""Log to flags: every test on every channel, the pairs, and what is to be said of them."""

from __future__ import annotations

import numpy as np

from audit.engine import State, gap_rows, state_of, true_samples
from audit.model import (
    GOOD,
    MISSING,
    NOT_EVALUATED,
    SUSPECT,
    Car,
    Finding,
    FlagArray,
    Log,
    Sanity,
)
from audit.sanity.aggregate import of_channel
from audit.sanity.between import contradictions
from audit.sanity.channel import Examined, examine_channel
from audit.sanity.findings import GLITCHES, finding_of, together_with
from audit.sanity.supply import clock_findings, doubtful, missing, slow
from audit.sanity.trouble import Trouble
from audit.signal.arrays import interval_of
from audit.tables import channel_row, row_of

SPARSE = 0.9  # a channel with a sample in fewer rows than this has a rate of its own
WORST_FIRST = ("stop", "hold", "watch", "note")


def examine(log: Log, car: Car) -> Sanity:
    """A flag a sample and a test for each canonical channel of a log, its noise, and the findings.

    Nothing is changed or deleted in the log. A row between two samples of a slow channel is 9 and
    counts for nothing; a row that repeats a held value carries the flag of the sample it repeats.
    At the top of the manifold pressure sensor samples stay believed ('at least this'), the
    channel's rail test says 3."""
    with np.errstate(invalid="ignore", divide="ignore"):
        return _examine(log, car)


def _examine(log: Log, car: Car) -> Sanity:
    state = state_of(log)
    names = [n for n in log.by_name if n != "time" and channel_row(n) is not None]
    every = {name: _one(log, car, name, state) for name in names}
    samples = {name: rows for name, (_, rows, _) in every.items()}
    tests = {name: dict(examined.tests) for name, (examined, _, _) in every.items()}
    noise = {name: e.noise for name, (e, _, _) in every.items() if e.noise is not None}
    pairs = contradictions(log, car, state)
    for trouble in pairs:
        tests[trouble.channel]["disagree"] = SUSPECT
    tests["time"] = _clock_tests(log)
    flags = {name: of_channel(of.values()) for name, of in tests.items()}
    troubles = [*pairs, *(t for examined, _, _ in every.values() for t in examined.troubles)]
    rates = {name: rate for name, (_, _, rate) in every.items()}
    findings = _findings(log, car, troubles, samples, rates)
    return Sanity(samples=samples, tests=tests, flags=flags, noise=noise, findings=findings)


def _one(log: Log, car: Car, name: str, state: State) -> tuple[Examined, FlagArray, float]:
    """One channel: its tests, its flags row by row, and its rate, Hz.

    One that says nothing but the logger's zero, where no living sensor does, is not connected: as
    without a sample."""
    value, channel, row = log.values(name), log.by_name[name], row_of(name)
    there = np.isfinite(value)
    whole = bool(there.all()) and not channel.held
    t, v = (log.time, value) if whole else true_samples(log, name)
    if not len(t) or (row.never_zero and bool((v == channel.offset).all())):
        empty = Examined(np.empty(0, np.uint8), {"gross_range": MISSING}, None, [])
        return empty, np.full(log.rows, MISSING, dtype=np.uint8), 0.0
    examined = examine_channel(
        name,
        row,
        t,
        v,
        state,
        source_zero=channel.offset,
        until_s=float(log.time[-1]),
        top=car.sensor_top_kpa if row.name == "manifold_pressure" else None,
    )
    if len(t) == log.rows:
        return examined, examined.flags, channel.rate_hz or log.rate_hz
    # each row takes the flag of the sample it is or repeats
    rows = examined.flags[np.clip(np.searchsorted(t, log.time, side="right") - 1, 0, len(t) - 1)]
    rows[~there] = MISSING
    # a held value that does not move says nothing of its rate, so intake's figure stands
    sparse = there.mean() < SPARSE and len(t) > 1
    own = 1.0 / interval_of(t) if sparse else log.rate_hz
    return examined, rows, channel.rate_hz if channel.rate_hz > 0 else own


def _clock_tests(log: Log) -> dict[str, int]:
    """The row clock's own tests: they touch no channel."""
    codes = {note.code for note in log.notes}
    clock = SUSPECT if "sensor.clock" in codes or log.breaks else GOOD
    gap = SUSPECT if "sensor.gap" in codes or gap_rows(log).size else GOOD
    return {"clock": clock, "gap": gap if log.rows >= 3 else NOT_EVALUATED}


def _findings(
    log: Log,
    car: Car,
    troubles: list[Trouble],
    samples: dict[str, FlagArray],
    rates: dict[str, float],
) -> tuple[Finding, ...]:
    """The worst finding of each code and channel: the rest of them say the same thing twice."""
    empty = frozenset(name for name, flags in samples.items() if (flags == MISSING).all())
    beside = together_with(troubles)
    others = [beside.get(t.channel, ()) if t.code in GLITCHES else () for t in troubles]
    found = [
        *(finding_of(t, log, names) for t, names in zip(troubles, others, strict=True)),
        *missing(log, empty, car.not_fitted),
        *slow({n: r for n, r in rates.items() if n not in empty}),
        *doubtful(log, empty),
        *clock_findings(log),
    ]
    worst: dict[tuple[str, str | None], Finding] = {}
    for finding in sorted(found, key=lambda f: WORST_FIRST.index(f.severity)):
        worst.setdefault((finding.code, finding.channel), finding)
    order = sorted(worst.values(), key=lambda f: (WORST_FIRST.index(f.severity), f.start_s or 0.0))
    return tuple(order)
