"""How soon trends find a fault, and how often they cry wolf: `python -m tests.archive.figures [runs]`.

Prints the table of docs/trends.md. Seeds from 50000 on; the charts were tuned on seeds below 20000.
"""

from __future__ import annotations

import sys
from collections import Counter

import numpy as np

from audit.archive.advice import finding_of
from audit.archive.trends import trends_of
from audit.model import Car
from tests.archive.histories import FAULTS, SHOWS_IN, history

REPORT_SEED = 50_000
WITHIN = 5


def healthy_alarms(seed: int) -> list[str]:
    """Measures that had an alarm on any night of a healthy history, or a finding after the last."""
    h = history(seed)
    found = trends_of(h.pulls, h.logs, car=Car()).trends
    return [t.measure.name for t in found if t.shift or t.past or finding_of(t)]


def nights_to_find(seed: int, fault: str, size: float = 1.0) -> float:
    """Nights with the fault until one of its measures had an alarm (1: on the first), inf for never."""
    h = history(seed, fault=fault, size=size)
    found = [
        s.raised - _place(t.dates, h.dates[h.onset]) + 1
        for t in trends_of(h.pulls, h.logs, car=Car()).trends
        if t.measure.name in SHOWS_IN[fault]
        for s in (*t.past, *((t.shift,) if t.shift else ()))
        if t.dates[s.raised] >= h.dates[h.onset]
    ]
    return float(min(found, default=np.inf))


def _place(dates: tuple[str, ...], day: str) -> int:
    """Index of the first night from a day on."""
    return sum(d < day for d in dates)


def main(runs: int = 200, first: int = REPORT_SEED) -> None:
    print("| history | found | median night |\n| --- | --- | --- |")
    alarms = [healthy_alarms(first + i) for i in range(2 * runs)]
    bad = sum(bool(a) for a in alarms)
    print(f"| healthy, {2 * runs} histories of two years | none raised in {100 * (1 - bad / (2 * runs)):.1f} % | |")
    if bad:
        print(f"    (raised: {dict(Counter(name for a in alarms for name in a))})")
    for fault in FAULTS:
        for size in (1.0, 0.6, 0.4):
            count = runs if size == 1.0 else runs // 4
            nights = np.array([nights_to_find(first + 10_000 + i, fault, size) for i in range(count)])
            within = 100 * np.mean(nights <= WITHIN)
            middle = np.median(nights)
            print(f"| {fault}, size {size:g}, {count} histories | within {WITHIN} nights in {within:.1f} % | median {middle:g} |", flush=True)


if __name__ == "__main__":
    main(*(int(a) for a in sys.argv[1:]))
