"""How soon trends find a fault, and how often they cry wolf: `python -m tests.archive.figures [runs] [--write]`.

Prints the table of docs/trends.md; with --write it puts it there. Seeds from 2,000,000 on, each used once; the charts
were tuned on seeds below 300,000.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from audit.archive.trend.trend import Trends
from audit.archive.trend.trends import finding_of, trends_of
from audit.model import Car
from tests.archive.histories import FAULTS, SHOWS_IN, History, history

REPORT_SEED = 2_000_000
WITHIN = 5
HEAD = "| history | found (95 % interval) | median night |"
Case = tuple[str, dict[str, float], str]
DOCS = Path(__file__).parents[2] / "docs" / "trends.md"


def trends_in(h: History) -> Trends:
    return trends_of(h.pulls, h.logs, car=Car())


def healthy_alarms(seed: int) -> list[str]:
    """Measures that had an alarm on any night of a healthy history, or a finding after the last."""
    return [t.measure.name for t in trends_in(history(seed)).trends if t.shifts or finding_of(t)]


def nights_to_find(h: History) -> float:
    """Nights with the fault until one of its measures had an alarm on its side (1: on the first), inf for never."""
    assert h.fault is not None
    assert h.onset is not None
    first, shows = h.dates[h.onset], SHOWS_IN[h.fault]
    found = [
        h.dates.index(t.dates[s.raised]) - h.onset + 1
        for t in trends_in(h).trends
        for s in t.shifts
        if shows.get(t.measure.name) == s.side and t.dates[s.raised] >= first
    ]
    return float(min(found, default=np.inf))


def share(hits: int, of: int) -> str:
    """A share in % with its 95 % interval (Wilson; NIST/SEMATECH e-Handbook 7.2.4.1)."""
    p, z = hits / of, 1.96
    middle, half = (p + z * z / (2 * of)), z * np.sqrt(p * (1 - p) / of + z * z / (4 * of * of))
    low, high = ((middle + sign * half) / (1 + z * z / of) for sign in (-1, 1))
    return f"{100 * p:.1f} % ({100 * low:.1f} to {100 * high:.1f})"


def table(runs: int, first: int) -> Iterator[str]:
    """The rows, as they are worked out; no seed is used twice."""
    yield from (HEAD, "| --- | --- | --- |")
    alarms = [healthy_alarms(first + i) for i in range(5 * runs // 2)]
    bad = sum(bool(a) for a in alarms)
    raised = ", ".join(
        f"{name} {n}" for name, n in Counter(name for a in alarms for name in a).most_common()
    )
    yield f"| healthy, {len(alarms)} histories of two years | none raised in {share(len(alarms) - bad, len(alarms))} | raised: {raised or 'none'} |"
    harder: list[Case] = [("leak", {"slows": 1.0}, ", slowing boost by no more than its share")]
    harder += [
        (f, {"noisy": 1.5}, ", nights half again as noisy") for f in FAULTS if f != "ageing sensor"
    ]
    usual: list[Case] = [(f, {"size": size}, "") for f in FAULTS for size in (1.0, 0.6, 0.4)]
    for place, (fault, how, words) in enumerate(usual + harder):
        size = how.get("size", 1.0)
        start, count = (
            first + 10_000 * (1 + place),
            runs if size == 1.0 and not words else runs // 4,
        )
        nights = np.array(
            [nights_to_find(history(start + i, fault=fault, **how)) for i in range(count)]
        )
        hits, middle = int(np.sum(nights <= WITHIN)), np.median(nights)
        yield f"| {fault}, size {size:g}{words}, {count} histories | within {WITHIN} nights in {share(hits, count)} | {middle:g} |"


def write(rows: list[str]) -> None:
    """Put the table where docs/trends.md has the last one."""
    text = DOCS.read_text(encoding="utf-8")
    start = text.index("| history |")
    end = text.index("\n\n", start)
    DOCS.write_text(text[:start] + "\n".join(rows) + text[end:], encoding="utf-8")


def main(runs: int = 400, first: int = REPORT_SEED, *, keep: bool = False) -> None:
    rows = []
    for row in table(runs, first):
        print(row, flush=True)
        rows.append(row)
    if keep:
        write(rows)


if __name__ == "__main__":
    main(*(int(a) for a in sys.argv[1:] if a != "--write"), keep="--write" in sys.argv)
