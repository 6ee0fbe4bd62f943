"""What the archive adds to a night joins it once and leaves the rest as it was."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pytest

from audit.carfile import load_car
from audit.discover import find_logs
from audit.model import Finding
from audit.night.screen import screen_night, with_findings

CAR = Path(__file__).parents[1] / "sample_data" / "alder"


def night_of(name: str):
    return screen_night(find_logs([CAR / name]).files, car=load_car(CAR / "car.toml"), workers=1)


def codes(night) -> Counter[str]:
    logs = night.logs
    return Counter(
        f.code
        for f in [
            *night.findings,
            *(f for a in logs for f in a.findings),
            *(f for a in logs for p in a.pulls for f in p.findings),
        ]
    )


def test_findings_over_several_pulls_are_not_placed_twice():
    night = night_of("2025-06-14_heat_soak")
    assert codes(night)["heat.soak"] >= 1
    more = with_findings(
        night, [Finding("electrical.voltage", "watch", "Supply is falling from night to night.")]
    )
    assert codes(more) == codes(night) + Counter(["electrical.voltage"])


@pytest.mark.parametrize(
    ("severity", "verdict"),
    [("note", "clear"), ("watch", "clear"), ("hold", "hold"), ("stop", "stop")],
)
def test_what_is_added_weighs_by_its_severity(severity, verdict):
    more = with_findings(
        night_of("2025-05-03_healthy"),
        [Finding("electrical.voltage", severity, "Supply is falling.")],
    )
    assert more.verdict == verdict
    assert more.checks["electrical"].status == {"note": "pass", "watch": "watch"}.get(
        severity, "fail"
    )
    assert more.checks["oscillation"].status == "pass"
