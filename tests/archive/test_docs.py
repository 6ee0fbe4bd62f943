"""docs/trends.md tells of every measure as the table has it."""

from pathlib import Path

from audit.archive.trend.alarm import LATE_SHARE
from audit.archive.watched import chart_settings, signatures, watched

DOCS = Path(__file__).parents[2] / "docs"


def measures_table() -> str:
    """The followed measures as the table of docs/trends.md."""
    rows = [
        "| measure | unit | corrected for | watch | hold | usually |",
        "| --- | --- | --- | --- | --- | --- |",
    ]
    for m in watched():
        seen = [*(["gear"] if m.by_gear else []), *(c.column for c in m.corrections)]
        means = "; ".join(f"{side}: {m.means[side]}" for side in m.means)
        rows.append(
            f"| {m.label} | {m.unit} | {', '.join(seen) or 'nothing'} | {m.matters:g} | "
            f"{m.serious:g} | {means} |"
        )
    return "\n".join(rows)


def test_the_table_of_measures_is_the_schemas():
    assert measures_table() in (DOCS / "trends.md").read_text(encoding="utf-8")


def test_the_charts_settings_are_those_told():
    text = " ".join((DOCS / "trends.md").read_text(encoding="utf-8").split())
    s = chart_settings()
    assert f"k {s['quick_k']:g}, h {s['quick_h']:g}" in text
    assert {f"(k {k:g}, h {h:g})" in text for k, h in (m.sums["quick"] for m in signatures())} == {
        True
    }
    own = [m for m in watched() if m.sums["quick"][1] != s["quick_h"]]
    assert own
    assert all(f"{m.label} h {m.sums['quick'][1]:g}" in text for m in own)
    assert f"{LATE_SHARE:g} times that" in text
    assert f"k {s['slow_k']:g}, h {s['slow_h']:g}" in text
