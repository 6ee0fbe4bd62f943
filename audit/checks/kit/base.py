"""What every check is made of: Measured, Judged, Across, and judging by table rows.

A check is a module of this package with
    DECLARED         its row of schemas/checks.toml: name, needs with their least rate, codes,
                     measures (a check runs again for each further sensor of what it needs or is
                     helped by, 'lambda_2', unless it names one itself)
    NAME, CODES      of that row; modules of one name are parts of one check, each with its own
                     needs
    measure(pull, limits) -> Measured        no limit of a finding in it (settings are allowed)
    judge(measured, limits) -> Judged        no signal in it; most are by_rows(CODES)
and where it looks further than one pull
    across(pulls, measures, limits) -> Across           over all pulls of the night
    whole_log(log, sanity, car, limits) -> Judged       over a log, pulls or not
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple, Protocol

from audit.declared import Declared
from audit.model import SEVERITIES, Finding, Limit, Pull, Series
from audit.model import LimitTable as LimitTable  # noqa: PLC0414 - checks take it from here
from audit.signal.arrays import interval_of
from audit.signal.held import Held, spread


@dataclass
class Measured:
    """What measure() writes down, one figure at a time (put), and judge() reads.

    values: measure -> figure in its canonical unit, None where it could not be had.
    at: measure -> (start_s, end_s), where it was seen. said: measure -> a clause for the message
    (the band, an error bound). unable: (cause, sentence) when the pull cannot be judged at all,
    cause being too_short, too_slow, missing or not_believed. texts: measure -> the message's first
    sentence. room: measure -> how far the figure may be off either way for the ambient pressure it
    hangs on. under: measure -> the figure (boost, kPa gauge) that it was seen under, where its
    limit goes by one."""

    values: dict[str, float | None] = field(default_factory=dict)
    at: dict[str, tuple[float, float]] = field(default_factory=dict)
    said: dict[str, str] = field(default_factory=dict)
    texts: dict[str, str] = field(default_factory=dict)
    channels: dict[str, str] = field(default_factory=dict)
    unable: tuple[str, str] | None = None
    room: dict[str, float] = field(default_factory=dict)
    under: dict[str, float] = field(default_factory=dict)

    def put(
        self,
        name: str,
        value: float | None,
        text: str = "",
        *,
        at: tuple[float, float] | Held | None = None,
        said: str = "",
        under: float | None = None,
    ) -> None:
        """Write one figure; what was said of it before is kept in front."""
        self.values[name] = None if value is None else float(value)
        if text:
            self.texts[name] = text
        if said:
            self.said[name] = f"{self.said[name]}; {said}" if name in self.said else said
        if at is not None:
            self.at[name] = (at.start_s, at.end_s) if isinstance(at, Held) else at
        if under is not None:
            self.under[name] = under

    def of(
        self, channels: dict[str, str] | str, *, unable: tuple[str, str] | None = None
    ) -> Measured:
        """Itself, with the channel of each figure, or of all of them."""
        if isinstance(channels, str):
            channels = dict.fromkeys(self.values, channels)
        self.channels = channels
        self.unable = unable or self.unable
        return self


def cannot(cause: str, why: str) -> Measured:
    """What measure() gives for a pull that cannot be judged; see Measured.unable."""
    return Measured(unable=(cause, why))


class Judged(NamedTuple):
    """score: 0 to 100, None when nothing could be scored."""

    score: float | None
    findings: tuple[Finding, ...] = ()


class Across(NamedTuple):
    """Findings over several pulls, each with the indices (into the pulls given) of its evidence.

    unable as in Measured: nothing to compare is no fault of the night, so it makes no finding."""

    score: float | None = None
    findings: tuple[tuple[Finding, tuple[int, ...]], ...] = ()
    unable: tuple[str, str] | None = None


Judgement = tuple[float | None, Finding | None]
Together = tuple[Judgement, tuple[int, ...]]  # of some pulls, and their indices


def gathered(found: Sequence[Together], nothing: str, cause: str = "too_short") -> Across:
    """Judgements over several pulls as one. nothing: why, where not one could be made."""
    if not found:
        return Across(unable=(cause, nothing))
    scores = [score for (score, _), _ in found if score is not None]
    findings = [(finding, rows) for (_, finding), rows in found if finding is not None]
    return Across(min(scores, default=None), tuple(findings))


class Check(Protocol):
    """A check module, as the registry sees it (across and whole_log may be absent)."""

    NAME: str
    DECLARED: Declared
    CODES: tuple[str, ...]

    def measure(self, pull: Pull, limits: LimitTable) -> Measured: ...
    def judge(self, measured: Measured, limits: LimitTable) -> Judged: ...


def judge_row(row: Limit, measured: Measured) -> Judgement:
    """Score and, when a level is reached, the finding of one table row.

    A hold (or else stop) limit that the figure reaches at the far end of its room holds."""
    name = row.measure
    value, room = measured.values.get(name), measured.room.get(name, 0.0)
    row = row.when(measured.under.get(name))
    severity, far = row.severity(value), False
    if value is not None and room > 0 and severity in (None, "watch"):
        far = row.severity(value - room if row.below else value + room) in ("hold", "stop")
    if value is None or (severity is None and not far):
        return row.score(value), None
    limit = row.reached(value)
    if far or severity is None:
        severity, limit = "hold", row.stop if row.hold is None else row.hold
    text = measured.texts.get(name) or f"{name.replace('_', ' ')}: {value:.3g} {row.unit}"
    side = "at or below" if row.below else "at or above"
    if far:
        off = f"{room:.1f}{_unit(row.unit)}"
        side = f"and may be off by {off} for its ambient pressure, so that it may be {side}"
    message = f"{text.rstrip('.')}, {side} the {severity} limit of {_limit(limit, row.unit)}."
    if said := measured.said.get(name):
        message += f" {said.rstrip('.')}."
    start, end = measured.at.get(name, (None, None))
    return row.score(value), Finding(
        code=row.code,
        severity=severity,
        message=message,
        channel=measured.channels.get(name),
        start_s=start,
        end_s=end,
        value=value,
        limit=limit,
        unit=row.unit,
    )


def _limit(limit: float | None, unit: str) -> str:
    """A limit with its unit; a ratio to the three decimals that its figures have."""
    return f"{limit:.3g}" if unit == "1" else f"{limit:.4g}{_unit(unit)}"


def _unit(unit: str) -> str:
    return "" if unit == "1" else f" {unit}"


def judge_figure(
    row: Limit,
    value: float,
    text: str,
    channel: str,
    *,
    at: tuple[float, float] | Held | None = None,
    said: str = "",
) -> Judgement:
    """One figure by its row, without a pull's other figures; see judge_row."""
    sheet = Measured()
    sheet.put(row.measure, value, text, at=at, said=said)
    return judge_row(row, sheet.of(channel))


def judge_rows(codes: Sequence[str], measured: Measured, limits: LimitTable) -> Judged:
    """Every row of the codes; the score is the worst row's, a code's finding its worst row's."""
    return judge_these((row for code in codes for row in limits.rows(code)), measured)


def judge_these(rows: Iterable[Limit], measured: Measured) -> Judged:
    """As judge_rows, with the rows themselves."""
    every = [judge_row(row, measured) for row in rows]
    scores = [score for score, _ in every if score is not None]
    return Judged(min(scores, default=None), worst_of_each(f for _, f in every if f is not None))


def by_rows(codes: Sequence[str]) -> Callable[[Measured, LimitTable], Judged]:
    """The judge() of a check that has nothing to add to the rows of its codes."""
    return functools.partial(judge_rows, codes)


def worst_of_each(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """The worst finding of each code, the first of equals."""
    worst: dict[str, Finding] = {}
    for finding in findings:
        known = worst.setdefault(finding.code, finding)
        if SEVERITIES.index(finding.severity) > SEVERITIES.index(known.severity):
            worst[finding.code] = finding
    return tuple(worst.values())


def passed(row: Limit, series: Series, held: Held) -> tuple[Held, float]:
    """All of the stretch round a held level in which the limit that it reaches was passed, and how
    long that was, s: the last sample stands for an interval too."""
    limit, sign = row.reached(held.level), -1.0 if row.below else 1.0
    t, value = series
    whole = held if limit is None else spread(t, sign * value, sign * limit, held)
    return whole, whole.seconds + interval_of(t)
