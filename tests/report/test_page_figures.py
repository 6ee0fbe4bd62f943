"""Every figure on the page is one of the JSON document, within the page's own rounding."""

from __future__ import annotations

import html
import re

import pytest

from audit.archive.step.decide import with_decision
from audit.report.document import document
from audit.report.html import render
from audit.report.page.quantities import linear
from tests.report.nights import sample

NIGHTS = ("alder/2025-05-24_overshoot", "alder/2025-05-10_duty_steps", "alder/2025-05-17_lean_top")
FIGURE = re.compile(r"(?<![\w.])[-+]?\d+(?:\.\d+)?")


def numbers_in(value):
    """Every number of a JSON tree."""
    if isinstance(value, bool) or value is None:
        return
    if isinstance(value, (int, float)):
        yield float(value)
    elif isinstance(value, dict):
        for part in value.values():
            yield from numbers_in(part)
    elif isinstance(value, list):
        for part in value:
            yield from numbers_in(part)


def in_readers_units(numbers, *, us):
    """Each number as it is, and as each unit would show it."""
    for scale, offset in {linear(u, us=us) for u in ("1", "kPa", "°C", "K", "km/h")}:
        yield from (scale * n + offset for n in numbers)


def figures_of(page, pattern):
    for part in re.findall(pattern, page, flags=re.DOTALL):
        text = html.unescape(re.sub(r"<[^>]+>", " ", part))
        yield from ((f, text) for f in FIGURE.findall(text.replace("–", " – ")))


@pytest.mark.parametrize("name", NIGHTS)
@pytest.mark.parametrize("us", [True, False])
def test_every_figure_of_the_page_is_in_the_document(name, us):
    night = with_decision(sample(name, us=us))
    page = render(night)
    told = list(in_readers_units(list(numbers_in(document(night))), us=us))
    places = (r'<dl class="facts">.*?</dl>', r'<td class="num[^"]*">.*?</td>')
    body = re.sub(r'<details class="over">.*?</details>', "", page, flags=re.DOTALL)
    body = re.sub(r'<section aria-labelledby="h-sensors">.*?</section>', "", body, flags=re.DOTALL)
    seen = 0
    for pattern in places:
        for figure, text in figures_of(body, pattern):
            half = 0.5 * 10.0 ** -len(figure.partition(".")[2]) + 1e-9
            assert any(abs(abs(float(figure)) - abs(n)) <= half for n in told), (figure, text)
            seen += 1
    assert seen > 40


def test_a_figure_that_is_not_in_the_document_is_found():
    """The test above can fail: a figure of no measure is told apart."""
    night = with_decision(sample(NIGHTS[0], us=True))
    told = list(in_readers_units(list(numbers_in(document(night))), us=True))
    assert not any(abs(987.65 - abs(n)) <= 0.005 for n in told)


def test_the_tuners_text_is_that_of_the_command():
    from audit.report.message import message

    night = with_decision(sample(NIGHTS[0], us=True))
    page = render(night, date="2025-05-24")
    text = html.unescape(re.search(r'<pre id="message">(.*?)</pre>', page, flags=re.DOTALL)[1])
    assert text.splitlines() == message(night, date="2025-05-24")


@pytest.mark.parametrize(
    ("state", "following", "drawn"),
    [("step", 70.0, True), ("stay", 70.0, False), ("no_step", 70.0, False), ("step", 45.0, False)],
)
def test_a_next_duty_is_drawn_only_where_the_decision_is_a_step_up(state, following, drawn):
    """45 % is below what was pulled that night, 59 %."""
    import dataclasses

    from audit.model import Decision

    decision = Decision(state, "why.", "first.", 59.0, following, (80.0, 85.0, 90.0), 3)
    page = render(dataclasses.replace(sample(NIGHTS[1], us=True), decision=decision))
    assert (f"next {following:.1f} %" in page) == drawn


def test_the_pulls_table_shows_the_measures_of_the_document():
    night = with_decision(sample(NIGHTS[0], us=True))
    table = re.search(r'<table class="overview">.*?</table>', render(night), flags=re.DOTALL)[0]
    rows = re.findall(r"<tr><th scope=\"row\">.*?</tr>", table, flags=re.DOTALL)
    pulls = [p for log in document(night)["logs"] for p in log["pulls"]]
    assert len(rows) == len(pulls) > 1
    psi = 1 / 6.894757  # NIST SP 811 (2008), appendix B.8
    for row, pull in zip(rows, pulls, strict=True):
        cells = [re.sub(r"<[^>]+>", "", c) for c in re.findall(r"<td.*?</td>", row)]
        gear, duty, peak, settled, over = cells[1:6]
        m = pull["measures"]
        assert int(gear) == pull["gear"]
        assert abs(float(duty) - m["duty_mean_pct"]) <= 0.05
        assert abs(float(peak) - m["boost_peak_kpa"] * psi) <= 0.0501
        assert abs(float(settled) - m["boost_settled_kpa"] * psi) <= 0.0501
        assert abs(float(over.split()[0]) - m["boost_overshoot_kpa"] * psi) <= 0.0501


def test_the_sheet_flags_what_was_found_and_names_its_limits():
    page = render(sample(NIGHTS[0], us=True))
    row = re.search(r'<tr><th scope="row">overshoot</th>.*?</tr>', page, flags=re.DOTALL)[0]
    told = re.sub(r"<[^>]+>", " ", row)
    assert "hold" in told and "watch from 1.0, hold from 2.0" in told  # 7 and 14 kPa


def test_the_sheet_has_last_night_and_the_usual_range_where_they_are_known():
    from audit.report.page.history import History, Usual

    night = sample(NIGHTS[0], us=False)
    gear = night.logs[0].pulls[0].pull.gear
    usual = Usual({"boost_peak_kpa": (88.0, 96.0)}, {"boost_peak_kpa": 91.25})
    page = render(night, history=History("2025-05-17", {gear: usual}))
    row = re.search(r'<tr><th scope="row">peak</th>.*?</tr>', page, flags=re.DOTALL)[0]
    assert "88.0 to 96.0" in row and ("91.2" in row) and "2025-05-17" in page
    assert "nine in ten" not in render(night).partition('class="sheet"')[2]


def test_the_lean_limit_follows_boost():
    """Its line falls from 0.92 at 35 kPa to 0.84 at 140 kPa, as its row does (port injection, petrol)."""
    import numpy as np

    from audit.report.page.traces import _lean_limit, load_chart
    from audit.tables import limits_for
    from tests.report.nights import full_night

    audit = full_night(pulls=1).logs[0].pulls[0]
    chart = load_chart(audit, limits_for(audit.pull.car), us=False)
    hold = next(level for level in chart["limits"] if level["name"] == "hold")
    assert hold["x"][0] == 35.0 and hold["y"][0] == pytest.approx(0.92)
    assert 70.0 in hold["x"] and hold["y"][hold["x"].index(70.0)] == pytest.approx(0.88)
    t = audit.pull.log.time
    limit = _lean_limit(audit, t, limits_for(audit.pull.car))
    inside = np.isfinite(limit)
    assert limit[inside].max() > 0.90 and limit[inside].min() < 0.88
    assert not np.isfinite(limit[t < audit.pull.start_s]).any()
