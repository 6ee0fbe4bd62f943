"""The nouns of a car's trends: one measure over its nights, how it is told, and all of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from audit.archive.trend.alarm import SIGN, Shift
from audit.archive.trend.charts import Forecast, Slope, cusum, ewma, ewma_sigma, forecast
from audit.archive.watched import Watched, chart_settings, watched
from audit.model import Array, Finding, Limit
from audit.signal.arrays import median
from audit.tables import toml_table

if TYPE_CHECKING:
    from audit.archive.store.journal import JournalNote

LATE_NIGHTS = 5  # what "of late" is told from: the nights that the moving average weighs most


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

    # --- charts ----------------------------------------------------------------------------------

    @property
    def first(self) -> int:
        """The first night that is charted; a signature's parts have had theirs."""
        return 0 if self.measure.parts else int(chart_settings()["least_nights"])

    @property
    def _charted(self) -> Array:
        clip = chart_settings()["clip"]
        scores = np.array(self.scores[self.first :], dtype=np.float64)
        return np.minimum(np.maximum(scores, -clip), clip)

    @cached_property
    def ewma(self) -> tuple[float, ...]:
        """Moving average of the scores from the first charted night on."""
        return floats(ewma(self._charted, weight=chart_settings()["ewma_weight"]))

    @property
    def ewma_limit(self) -> float:
        """Of the moving average, either side."""
        setting = chart_settings()
        return setting["ewma_limit"] * ewma_sigma(setting["ewma_weight"])

    def cusum(self, side: str) -> tuple[float, ...]:
        """The quick sum of a side from the first charted night on."""
        return floats(cusum(SIGN[side] * self._charted, k=self.measure.sums["quick"][0]))

    # --- what they say ---------------------------------------------------------------------------

    @property
    def shift(self) -> Shift | None:
        """The shift that stands."""
        return next((s for s in self.shifts[-1:] if s.ended is None), None)

    @property
    def baseline(self) -> float:
        """The level before the first shift."""
        end = self.shifts[0].onset if self.shifts else len(self.values)
        return 0.0 if self.measure.parts else median(self.values[: max(end, self.first)])

    @property
    def level(self) -> float:
        """The middle of the last nights."""
        return median(self.values[-LATE_NIGHTS:])

    @property
    def forecast(self) -> Forecast | None:
        """When the slope reaches the limit, if that is sure enough to say."""
        return forecast(self.slope, self.limit.hold if self.limit else None)

    @property
    def state(self) -> str:
        """'few' (too few nights to say), 'shifted', 'drifting' (a sure slope), 'past_limit' (of the
        car, with no shift or slope that explains it), 'not_sure' (the moving average is past its
        own limit, and no more) or 'steady'.
        """
        if len(self.dates) <= self.first:
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

    @property
    def _told_as(self) -> str:
        """Its row of `means` and `look_at`; "" where it has not moved."""
        alone = f"{self.side}_alone"
        return alone if self.alone and alone in self.measure.means else self.side or ""

    @property
    def meaning(self) -> str:
        """What that usually means, the likeliest first."""
        return self.measure.means.get(self._told_as, "")

    @property
    def look_at(self) -> tuple[str, ...]:
        """What to look at, likeliest first."""
        return tuple(self.measure.look_at.get(self._told_as, ()))

    @property
    def shift_night(self) -> str | None:
        """The night of the standing shift's onset."""
        return self.dates[self.shift.onset] if self.shift else None

    @property
    def said(self) -> str:
        """The trend in a sentence."""
        m, shift, slope, ahead = self.measure, self.shift, self.slope, self.forecast
        late = self.residuals[-LATE_NIGHTS:]
        off = sum(late) / len(late)
        numbers = {"off": abs(off), "matters": m.matters}
        numbers |= {"amount": abs(shift.amount)} if shift else {}
        paces = ("per_night", "low", "high")
        numbers |= {f"ten_{name}": 10 * getattr(slope, name) for name in paces} if slope else {}
        figures = {name: _figure(value, m) for name, value in numbers.items()}
        figures |= {"level": _level(self.level, m), "ahead": ""}
        if self.limit and self.limit.hold is not None:
            figures["limit"] = _level(self.limit.hold, m)
        if ahead:
            limit = f"{ahead.limit:g} {m.unit}".removesuffix(" 1")
            told = asdict(ahead) | {"nights": counted(ahead.nights), "limit": limit}
            figures["ahead"] = _words("ahead", **told)
        row = "together" if self.parts else self.state
        if row == "not_sure" and ("up" if off > 0.0 else "down") not in m.sides:
            row = "better"
        return _words(
            row,
            name=m.label.capitalize(),
            nights=counted(len(self.dates)),
            since=f" since '{self.because}'" if self.because else "",
            night=self.shift_night,
            way=_way(SIGN[shift.side] if shift else off),
            parts=_listed(self.parts),
            **figures,
        )


def _words(row: str, **figures: object) -> str:
    return str(toml_table("trends.toml")["said"][row].format(**figures))


def _listed(parts: Mapping[str, float]) -> str:
    """'boost at the same duty 13.2 kPa lower and time to boost 0.07 s higher'."""
    told = [
        f"{m.label} {_figure(abs(parts[m.name]), m)} {_way(parts[m.name])}"
        for m in watched()
        if m.name in parts
    ]
    return " and ".join([", ".join(told[:-1]), *told[-1:]][len(told) < 2 :])


def _way(amount: float) -> str:
    return "higher" if amount > 0.0 else "lower"


def _figure(value: float, measure: Watched) -> str:
    """A difference with its unit; that of two temperatures is in K."""
    return _level(value, measure).replace(" °C", " K")


def _level(value: float, measure: Watched) -> str:
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
