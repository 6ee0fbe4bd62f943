"""Where a check's measure() writes down what it finds, one figure at a time."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from audit.checks.kit.base import Measured


@dataclass
class Sheet:
    """Figures with when they were seen, the message's first sentence, and what must be said beside it."""

    values: dict[str, float | None] = field(default_factory=dict)
    at: dict[str, tuple[float, float]] = field(default_factory=dict)
    texts: dict[str, str] = field(default_factory=dict)
    said: dict[str, str] = field(default_factory=dict)

    def put(
        self,
        name: str,
        value: float,
        text: str = "",
        *,
        at: tuple[float, float] | None = None,
        said: str = "",
    ) -> None:
        """Write one figure."""
        self.values[name] = value
        for book, word in ((self.texts, text), (self.said, said)):
            if word:
                book[name] = word
        if at is not None:
            self.at[name] = at

    def measured(
        self, channels: Mapping[str, str], *, unable: tuple[str, str] | None = None
    ) -> Measured:
        """The sheet as the result of measure()."""
        return Measured(self.values, self.at, self.said, self.texts, channels, unable)
