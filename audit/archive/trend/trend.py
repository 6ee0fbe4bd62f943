"""The nouns of a car's trends: one measure over its nights, how it is told, and all of them."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from functools import cached_property
from typing import Any

import numpy as np

from audit.archive.store.journal import JournalNote
from audit.archive.trend.alarm import LATE_NIGHTS, SIGN, Shift
from audit.archive.trend.charts import Forecast, Slope, cusum, ewma, ewma_sigma, forecast
from audit.archive.watched import Watched, chart_settings, watched
from audit.model import Array, Finding, Limit
from audit.signal.arrays import mean, median
from audit.tables import toml_table


@dataclass(frozen=True)
class Trend:
    """One measure of one car over the nights of its present baseline, or a signature of several.

    values: a night each, at the reference conditions, in the measure's unit; residuals: what each
    was off what was expected from the nights before, in its unit; scores: the same as normal
    scores. shifts: all alarms. slope: None for none. limit: the car's of the measure. because: the
    note that the baseline starts with. parts: of a signature that stands, the mean shift of each
    measure. alone: it has moved, and nothing that faults move with it has.
    """

    measure: Watched
    dates: tuple[str, ...]
    values: tuple[float, ...]
    residuals: tuple[float, ...]
    scores: tuple[float, ...]
    shifts: tuple[Shift, ...]
    slope: Slope | None = None
    limit: Limit | None = None
    because: str = ""
    parts: Mapping[str, float] = field(default_factory=dict)
    alone: bool = False

    @property
    def _charted(self) -> Array:
        clip = chart_settings()["clip"]
        return np.clip(np.array(self.scores[self.measure.first :], dtype=np.float64), -clip, clip)

    @cached_property
    def ewma(self) -> tuple[float, ...]:
        """Moving average of the scores from the first charted night on."""
        return floats(ewma(self._charted, weight=chart_settings()["ewma_weight"]))

    @property
    def ewma_limit(self) -> float:
        """Of the moving average, either side."""
        return chart_settings()["ewma_limit"] * ewma_sigma(chart_settings()["ewma_weight"])

    def cusum(self, side: str) -> tuple[float, ...]:
        """The quick sum of a side from the first charted night on."""
        return floats(cusum(SIGN[side] * self._charted, k=self.measure.sums["quick"][0]))

    @property
    def shift(self) -> Shift | None:
        """The shift that stands."""
        return next((s for s in self.shifts[-1:] if s.ended is None), None)

    @property
    def baseline(self) -> float:
        """The level before the first shift."""
        end = self.shifts[0].onset if self.shifts else len(self.values)
        return 0.0 if self.measure.parts else median(self.values[: max(end, self.measure.first)])

    @property
    def level(self) -> float:
        """The middle of the last nights."""
        return median(self.values[-LATE_NIGHTS:])

    @property
    def forecast(self) -> Forecast | None:
        """When the slope reaches the limit, if that is sure enough to say."""
        return forecast(self.slope, self.limit.hold if self.limit else None)

    @cached_property
    def state(self) -> str:
        """'few' (too few nights to say), 'shifted', 'drifting' (a sure slope), 'past_limit' (of the
        car, with no shift or slope that explains it), 'not_sure' (the moving average is past its
        own limit, and no more) or 'steady'.
        """
        if len(self.dates) <= self.measure.first:
            return "few"
        if self.shift:
            return "shifted"
        if self.slope and self.slope.sure:
            return "drifting"
        if self.limit and self.limit.severity(self.level) in ("hold", "stop"):
            return "past_limit"
        off = self.ewma[-1] if self.measure.parts else abs(self.ewma[-1])
        return "not_sure" if off > self.ewma_limit else "steady"

    @property
    def side(self) -> str | None:
        """'up', 'down' or None: which way the measure has moved."""
        if self.shift:
            return self.shift.side
        return self.slope.side if self.slope and self.state == "drifting" else None

    def _told(self, by_side: Mapping[str, Any]) -> Any:
        """Of what the measure has by side, that of the way it has moved; None for none."""
        alone = self.alone and by_side.get(f"{self.side}_alone")
        return alone or by_side.get(self.side or "")

    @property
    def meaning(self) -> str:
        """What that usually means, the likeliest first."""
        return self._told(self.measure.means) or ""

    @property
    def look_at(self) -> tuple[str, ...]:
        """What to look at, likeliest first."""
        return tuple(self._told(self.measure.look_at) or ())

    @property
    def said(self) -> str:
        """The trend in a sentence, by its row of schemas/trends.toml."""
        m, shift, ahead = self.measure, self.shift, self.forecast
        off = shift.amount if shift else mean(np.array(self.residuals[-LATE_NIGHTS:]))
        row = "together" if self.parts else self.state
        if row == "not_sure" and m.parts:
            row = "leaning"
        elif row == "not_sure" and ("up" if off > 0.0 else "down") not in m.sides:
            row = "better"
        elif row == "not_sure" and abs(off) >= m.matters:
            row = "new"
        to = f"{ahead.limit:g} {m.unit}".removesuffix(" 1") if ahead else ""
        then = asdict(ahead) | {"nights": counted(ahead.nights), "limit": to} if ahead else {}
        hold = self.limit.hold if self.limit else None
        paces = {n: 10 * getattr(self.slope, n, 0.0) for n in ("per_night", "low", "high")}
        return words(
            row,
            name=m.label.capitalize(),
            nights=counted(len(self.dates)),
            since=f" since '{self.because}'" if self.because else "",
            night=self.dates[shift.onset] if shift else "",
            off=_off(abs(off), m),
            way=_way(SIGN[shift.side] if shift else off),
            matters=_off(m.matters, m),
            level=_figure(self.level, m),
            limit="" if hold is None else _figure(hold, m),
            ahead=words("ahead", **then) if then else "",
            parts=_listed(self.parts),
            leaning=labels(m.parts),
            **{f"ten_{name}": _off(pace, m) for name, pace in paces.items()},
        )


def words(row: str, **figures: object) -> str:
    """A sentence of schemas/trends.toml, filled in."""
    return str(toml_table("trends.toml")["said"][row].format(**figures))


def labels(names: Collection[str]) -> str:
    """'boost at the same duty and time to boost'."""
    return " and ".join(m.label for m in watched() if m.name in names)


def _listed(parts: Mapping[str, float]) -> str:
    """'boost at the same duty 13.2 kPa lower and time to boost 0.07 s higher'."""
    known = [(m, parts[m.name]) for m in watched() if m.name in parts]
    told = [f"{m.label} {_off(abs(amount), m)} {_way(amount)}" for m, amount in known]
    return " and ".join(filter(None, (", ".join(told[:-1]), *told[-1:])))


def _way(amount: float) -> str:
    return "higher" if amount > 0.0 else "lower"


def _off(value: float, measure: Watched) -> str:
    """A difference with its unit; that of two temperatures is in K."""
    return _figure(value, measure).replace(" °C", " K")


def _figure(value: float, measure: Watched) -> str:
    return f"{value:.{measure.digits}f} {measure.unit}".removesuffix(" 1")


def counted(nights: int) -> str:
    """'1 night', '9 nights'."""
    return f"{nights} night{'' if nights == 1 else 's'}"


def floats(values: Array) -> tuple[float, ...]:
    """As a tuple, for what is kept and compared."""
    return tuple(values.tolist())


@dataclass(frozen=True)
class Trends:
    """All measures of a car that any night had. findings: what the next night should hear of."""

    car: str
    dates: tuple[str, ...]
    trends: tuple[Trend, ...]
    findings: tuple[Finding, ...]
    notes: Sequence[JournalNote] = ()
