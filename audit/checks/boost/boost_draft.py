"""A Measured in the making: the boost checks put one figure after the other into it. No check."""

from __future__ import annotations

from dataclasses import dataclass, field

from audit.checks.kit.base import Measured


@dataclass
class Draft:
    """values, at, said, texts, room as in Measured; unable stays None unless set."""

    values: dict[str, float | None] = field(default_factory=dict)
    at: dict[str, tuple[float, float]] = field(default_factory=dict)
    said: dict[str, str] = field(default_factory=dict)
    texts: dict[str, str] = field(default_factory=dict)
    unable: tuple[str, str] | None = None
    room: dict[str, float] = field(default_factory=dict)

    def put(
        self,
        name: str,
        value: float | None,
        *,
        at: tuple[float, float] | None = None,
        text: str = "",
        said: str = "",
    ) -> None:
        """Note one measure with where it was seen and what to say of it."""
        self.values[name] = None if value is None else float(value)
        if at is not None:
            self.at[name] = at
        if text:
            self.texts[name] = text
        if said:
            self.said[name] = f"{self.said[name]}; {said}" if name in self.said else said

    def measured(self, channel: str) -> Measured:
        """The finished Measured; every figure is of one channel."""
        return Measured(
            self.values,
            self.at,
            self.said,
            self.texts,
            dict.fromkeys(self.values, channel),
            self.unable,
            self.room,
        )
