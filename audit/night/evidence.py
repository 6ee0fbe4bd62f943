"""Evidence that is not there: damage channels not believed in a pull, and pulls of which a part is
missing.

What is not known never passes for fine: each of these is a finding that holds the night.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Sequence

import numpy as np

from audit.checks.kit.run import LEAST_SPAN, plain
from audit.model import Array, Finding, LogAudit, Pull, PullAudit, Series, Tear
from audit.sanity.findings import HOLE_S
from audit.signal.arrays import interval_of, median
from audit.tables import channel_row

HOLE_SAMPLES = 3.5  # a hole is wider than this many of the channel's own intervals
SAME_DUTY = 2.0  # %: two pulls within it are of one duty
SAME_RPM = (
    150.0  # a pull shows the whole of another if it begins and ends as low and as high as this
)
# One gear up or down changes how fast engine speed climbs by the square of a step of 1.3 and more.
ALIKE = (0.65, 1.5)
WHOLE = frozenset({"lift", "shift", "limiter"})
HOW = {
    "gap": "the rows have a gap",
    "restart": "the logger started anew",
    "cut off": "the file is cut off",
    "log end": "the log ends",
    "log start": "the log begins",
}


def unseen(pull: Pull) -> tuple[Finding, ...]:
    """A hold for each damage channel that the log has and that cannot be believed in a part of the
    pull.

    A channel without one sample in the whole log, or with nothing but zeros, is not logged; one
    that comes too slowly for a pull says nothing in either direction.
    """
    found = (_unseen(pull, name) for name in pull.log.by_name)
    return tuple(finding for finding in found if finding is not None)


def _unseen(pull: Pull, name: str) -> Finding | None:
    row = channel_row(name)
    if row is None or not row.damage:
        return None
    rate = pull.log.by_name[name].rate_hz or pull.log.rate_hz
    length = pull.end_s - pull.start_s
    value = pull.log.values(name)
    if rate * length < 1.5 or pull.sanity.says_nothing(name) or not np.isfinite(value).any():
        return None
    series = pull.believed(name)
    least = max((1.0 - LEAST_SPAN) * length if row.slow else HOLE_S, HOLE_SAMPLES / rate)
    hole = _hole(pull, series, least)
    few = len(series.t) < LEAST_SPAN * length * rate - 1
    if not few and hole is None:
        return None
    start, end = (pull.start_s, pull.end_s) if few or hole is None else hole
    inside = slice(*np.searchsorted(pull.log.time, (start - 1e-9, end + 1e-9)))
    blank = np.isfinite(value[inside]).sum() < 0.5 * rate * (end - start)
    share = 100.0 * min(1.0, len(series.t) / max(length * rate, 1.0))
    said = "has no sample" if blank else "cannot be believed"
    return Finding(
        "sensor.dropout" if blank else _code(pull, name, start, end),
        "hold",
        f"{plain(name).capitalize()} {said} from {start:.1f} s to {end:.1f} s in the pull "
        f"({share:.0f} % of its samples are good): what it would have shown there is unknown. "
        "Mend the sensor or its logging, and log the pull again.",
        channel=name,
        start_s=start,
        end_s=end,
        value=end - start,
        limit=least,
        unit="s",
    )


def _hole(pull: Pull, series: Series, least_s: float) -> tuple[float, float] | None:
    """The widest of the holes of least_s or more between believed samples, or to the pull's ends,
    with rows in them.
    """
    edges = np.concatenate(([pull.start_s], series.t, [pull.end_s]))
    wide = np.flatnonzero(np.diff(edges) >= least_s - 1e-9)
    if not wide.size:
        return None
    t = pull.log.time[pull.span.start : pull.span.stop]
    usual = interval_of(t)
    holes = [(float(edges[i]), float(edges[i + 1])) for i in wide]
    told = [hole for hole in holes if _covered(t, hole, usual) >= 0.8 * least_s]
    return max(told, key=lambda hole: hole[1] - hole[0], default=None)


def _covered(t: Array, hole: tuple[float, float], usual: float) -> float:
    """Seconds of a hole in which there are rows."""
    steps = np.diff(t[slice(*np.searchsorted(t, (hole[0] - 1e-9, hole[1] + 1e-9)))])
    return float(steps[steps <= 3.0 * usual].sum())


def _code(pull: Pull, name: str, start_s: float, end_s: float) -> str:
    """The code under which the sensor tests took the samples out."""
    order = ("hold", "watch", "note")
    told = [
        f
        for f in pull.sanity.findings
        if f.channel == name
        and f.severity in order
        and (f.start_s is None or f.start_s <= end_s)
        and (f.end_s is None or f.end_s >= start_s)
    ]
    return min(told, key=lambda f: order.index(f.severity)).code if told else "sensor.range"


def torn(logs: Sequence[LogAudit]) -> list[tuple[int, int | None, Finding]]:
    """(log, pull index or None, finding) of each wide-open stretch of which a part is missing.

    It holds, unless a whole pull of the night, of the same gear and duty, reaches as low and as
    high in engine speed; then a note says so. A file cut off elsewhere is a note.
    """
    unfinished = {(i, k) for i, log in enumerate(logs) for tear in log.tears for k in tear.pulls}
    whole = [
        (log, pull)
        for i, log in enumerate(logs)
        for pull in log.pulls
        if (i, pull.pull.index) not in unfinished and pull.pull.span.ended_by in WHOLE
    ]
    out: list[tuple[int, int | None, Finding]] = []
    for i, log in enumerate(logs):
        for tear in log.tears:
            shown = next(((a, p) for a, p in whole if _shows(p, tear)), None)
            index = tear.pulls[0] if tear.pulls else None
            out.append((i, index, _finding(tear, shown)))
        if log.log is not None and log.log.cut_off_s is not None and not _cut(log.tears):
            out.append((i, None, _cut_elsewhere(log.log.cut_off_s)))
    return out


def _cut(tears: Iterable[Tear]) -> bool:
    return any(tear.how == "cut off" for tear in tears)


def _shows(audit: PullAudit, tear: Tear) -> bool:
    """Does this whole pull show what the torn one would have: same gear, same duty, and all of its
    engine speeds?
    """
    pull = audit.pull
    lost = any(f.severity == "hold" and f.code.startswith("sensor.") for f in audit.findings)
    if pull.gear != tear.gear or lost:
        return False
    span = pull.span
    if span.rpm_start > tear.rpm_low + SAME_RPM or span.rpm_end < tear.rpm_high - SAME_RPM:
        return False
    if tear.gear is None and not _climbs_alike(pull, tear):
        return False
    duty = _duty(pull, tear.rpm_low, tear.rpm_high)
    if duty is None or tear.duty_pct is None:
        return duty is None and tear.duty_pct is None
    return abs(duty - tear.duty_pct) <= SAME_DUTY


def _climbs_alike(pull: Pull, tear: Tear) -> bool:
    """Where no gear is known: does the pull take as long over these engine speeds as the torn one
    did?
    """
    rpm = pull.believed("engine_speed")
    inside = rpm.t[(rpm.value >= tear.rpm_low) & (rpm.value <= tear.rpm_high)]
    took = float(inside[-1] - inside[0]) if len(inside) > 1 else 0.0
    return ALIKE[0] * took <= tear.end_s - tear.start_s <= ALIKE[1] * took


def _duty(pull: Pull, rpm_low: float, rpm_high: float) -> float | None:
    """Median duty where the pull has these engine speeds, %."""
    if not pull.log.has("wastegate_duty"):
        return None
    duty = pull.believed("wastegate_duty")
    rpm = pull.believed("engine_speed").at(duty.t)
    inside = duty.value[(rpm >= rpm_low - SAME_RPM) & (rpm <= rpm_high + SAME_RPM)]
    return median(inside) if len(inside) else None


def _finding(tear: Tear, shown: tuple[LogAudit, PullAudit] | None) -> Finding:
    text = (
        f"At {tear.at_s:.1f} s {HOW[tear.how]} with the throttle wide open or just shut "
        f"({tear.rpm_low:.0f} to {tear.rpm_high:.0f} rpm): a part of the pull is missing"
    )
    if shown is not None:
        log, pull = shown
        name = log.path.replace("\\", "/").rsplit("/", 1)[-1]
        text += f"; pull {pull.pull.index} of {name} shows the whole at the same setting."
    else:
        text += ", and no other pull of the same gear and duty shows the whole. Log it again."
    return Finding(
        "sensor.gap",
        "note" if shown is not None else "hold",
        text,
        channel="time",
        start_s=tear.start_s,
        end_s=tear.end_s,
    )


def _cut_elsewhere(at_s: float) -> Finding:
    return Finding(
        "sensor.gap",
        "note",
        (
            f"The file is cut off at {at_s:.1f} s, with no pull under way: what came after is not "
            "in it."
        ),
        channel="time",
        start_s=at_s,
        end_s=at_s,
    )


def with_torn(logs: Sequence[LogAudit]) -> list[LogAudit]:
    """The logs with these findings, each at its pull, else at its log."""
    out = list(logs)
    for i, index, finding in torn(logs):
        audit = out[i]
        if index is None:
            out[i] = dataclasses.replace(audit, findings=(*audit.findings, finding))
            continue
        pulls = tuple(
            dataclasses.replace(p, findings=(*p.findings, finding)) if p.pull.index == index else p
            for p in audit.pulls
        )
        out[i] = dataclasses.replace(audit, pulls=pulls)
    return out
