"""Where a check's measure() writes down what it finds, one figure at a time."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from audit.checks.kit.base import Measured
from audit.signal.held import Held


@dataclass
class Sheet:
    """Figures with when they were seen, the message's first sentence, what must be said beside it,
    and under which figure they were seen where their limit goes by one; see Measured.
    """

    values: dict[str, float | None] = field(default_factory=dict)
    at: dict[str, tuple[float, float]] = field(default_factory=dict)
    texts: dict[str, str] = field(default_factory=dict)
    said: dict[str, str] = field(default_factory=dict)
    under: dict[str, float] = field(default_factory=dict)
    room: dict[str, float] = field(default_factory=dict)
    unable: tuple[str, str] | None = None

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

    def measured(
        self, channels: Mapping[str, str] | str, *, unable: tuple[str, str] | None = None
    ) -> Measured:
        """The sheet as the result of measure(). channels: the channel of each figure, or of all of
        them.
        """
        of = dict.fromkeys(self.values, channels) if isinstance(channels, str) else channels
        return Measured(
            values=self.values,
            at=self.at,
            said=self.said,
            texts=self.texts,
            channels=of,
            unable=unable or self.unable,
            room=self.room,
            under=self.under,
        )
