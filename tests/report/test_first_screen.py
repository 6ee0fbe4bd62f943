"""The first screen tells the figures of its finding as its sentence does, and pictures what it saw."""

import html
import re

import pytest

from audit.archive.step.decide import response_tonight, with_decision
from audit.model import CheckResult
from audit.report.display import as_written, localise
from audit.report.html import render
from audit.report.page.content import page_of
from audit.report.words import decision_line, duty_set
from audit.service.web.pages.usual import history_of
from tests.report.nights import full_night, sample

KPA_PER_PSI = 6.894757  # NIST SP 811 (2008), appendix B.8


def figure_of(text):
    return float(re.match(r"-?[\d.]+", text)[0])


def worst_of(name, *, us=None):
    return page_of(with_decision(sample(name, us=us)))["first"]["worst"]


@pytest.mark.parametrize("us", [True, False])
@pytest.mark.parametrize(
    "name",
    [
        "alder/2025-05-17_lean_top",
        "alder/2025-05-24_overshoot",
        "alder/2025-06-14_heat_soak",
        "quince/2025-05-25_oscillation",
        "rowan/2025-06-20_hose_off",
    ],
)
def test_a_figure_and_its_limit_read_as_in_the_sentence(name, us):
    worst = worst_of(name, us=us)
    told = str(worst["message"])
    assert worst["value"] in told and worst["limit"] in told
    assert worst["chart"] is not None


@pytest.mark.parametrize(
    ("value", "unit", "message", "us", "wanted"),
    [
        (92.6, "%", "93 % of it within 0.5 s", False, "93 %"),
        (92.6, "%", "lost 92.6 % of it", False, "92.6 %"),
        (1.0316, "", "came to 1.032 (air-fuel ratio 15.2)", False, "1.032"),
        (30.0, "kPa", "the stop limit of 30 kPa", True, "4.4 psi"),
        (92.6, "%", "91 % of it, 93 kPa", False, ""),
        (5.0, "", "5 times for 2.0 s", False, ""),
    ],
)
def test_a_figure_is_found_in_a_sentence_by_value_and_unit(value, unit, message, us, wanted):
    assert as_written(value, unit, message, us=us) == wanted
    assert wanted in localise(message, us=us)


def test_heat_that_builds_up_from_pull_to_pull_is_pictured_by_pull():
    """The starts that the finding tells are those of the picture and of the pulls table."""
    page = page_of(with_decision(sample("alder/2025-06-14_heat_soak")))
    worst = page["first"]["worst"]
    lines = [layer for layer in worst["chart"]["layers"] if layer["kind"] == "line"]
    starts = lines[0]["y"]
    told = re.search(r"(\d+) °F at first, (\d+) °F and (\d+) °F at last", str(worst["message"]))
    assert [f"{starts[i]:.0f}" for i in (0, 4, 5)] == list(told.groups())
    assert [c["row"]["start"] for c in page["cards"]] == [f"{y:.0f}" for y in starts]
    assert len(starts) == 6 and starts[4] - starts[0] >= figure_of(worst["value"])


def test_a_picture_ends_with_its_pull():
    """Vacuum after the lift would press a swing of boost flat."""
    night = with_decision(sample("quince/2025-05-25_oscillation"))
    chart = page_of(night)["first"]["worst"]["chart"]
    line = next(layer for layer in chart["layers"] if layer["kind"] == "line")
    pull = night.logs[0].pulls[0].pull
    assert pull.start_s - 0.01 <= min(line["x"]) and max(line["x"]) <= pull.end_s + 0.01


def test_a_log_that_was_not_read_has_no_figures():
    import dataclasses

    night = full_night(pulls=1)
    lost = dataclasses.replace(
        night.logs[0], path="photo.csv", status="rejected", error="no log", log=None, pulls=()
    )
    page = render(dataclasses.replace(night, logs=(*night.logs, lost)))
    table = page[page.index('<table class="logs') :]
    told = [re.findall(r'<td class="num"[^>]*>(.*?)</td>', r) for r in table.split("<tr>")[2:4]]
    assert told[0][3] == "1" and told[1] == ["–"] * 4


def test_the_sheet_tells_duty_as_the_table_does_and_the_lean_limits_of_every_pull():
    from audit.report.page.measures import Usual, sheet

    night = sample("alder/2025-05-24_overshoot", us=True)
    card = page_of(night)["cards"][0]
    rows = {row["label"]: row for _, group in card["measures"] for row in group}
    assert rows["mean solenoid duty"]["value"] == f"{card['row']['duty']} %"
    held = rows["leanest held under boost"]
    assert all(re.fullmatch(r"≥ 0\.\d\d", limit) for limit in held["limits"])
    assert figure_of(held["value"]) < figure_of(held["limits"][0][2:])
    volts = next(
        r
        for _, g in sheet(night.logs[0].pulls[0], Usual(), us=True)
        for r in g
        if "volt" in r["label"]
    )
    assert volts["limits"] == ("≤ 13.0", "≤ 12.4", "≤ 11.0")


def with_findings(night, finding, every):
    """A finding in each of some pulls, the later the worse."""
    import dataclasses

    log = night.logs[0]
    pulls = tuple(
        dataclasses.replace(
            p,
            findings=(dataclasses.replace(finding, value=0.93 + i / 1000),),
            checks={**p.checks, "lean_under_load": CheckResult("lean_under_load", "fail", 30.0)},
        )
        if i in every
        else p
        for i, p in enumerate(log.pulls)
    )
    return dataclasses.replace(night, logs=(dataclasses.replace(log, pulls=pulls),))


def lean():
    from audit.model import Finding

    said = "Lambda came to 0.930, at or above the hold limit of 0.92."
    return Finding("mixture.lean", "hold", said, "lambda", 24.0, 26.0, 0.93, 0.92, "1")


@pytest.mark.parametrize(("pulls", "folded"), [(16, 0), (17, 6)])
def test_of_many_pulls_with_one_finding_the_worst_stays_open(pulls, folded):
    night = with_findings(full_night(pulls=pulls, rate=20.0), lean(), range(2, 9))
    cards = page_of(night)["cards"]
    assert [c["again"] for c in cards].count("mixture lean") == folded
    assert cards[8]["again"] == "" and not cards[8]["shut"]  # the leanest
    assert all(c["shut"] for c in cards if c["quiet"])


@pytest.mark.parametrize(("pulls", "folded"), [(16, 0), (30, 11)])
def test_the_table_of_many_pulls_folds_those_that_passed_but_for_twelve(pulls, folded):
    night = with_findings(full_night(pulls=pulls, rate=20.0), lean(), range(20, 27))
    page = page_of(night)
    assert len(page["rest"]) == folded
    assert all(c["quiet"] and c["row"]["says"] == "pass" for c in page["rest"])


@pytest.mark.parametrize("name", ["alder/2025-05-03_healthy", "alder/2025-05-17_lean_top"])
def test_a_phone_has_duty_and_boost_of_each_pull(name):
    assert {"duty", "peak"} <= page_of(sample(name))["caused"]


def test_pulls_over_each_other_have_the_limits_of_mixture_and_heat():
    page = page_of(sample("alder/2025-06-14_heat_soak", us=True))
    panels = {p["id"]: p for p in page["overlay"]["panels"]}
    (key,) = [k for k in panels["mixture"]["series"] if "limit" in k]
    assert page["overlay"]["series"][key]["role"] == "lean hold"
    assert panels["heat"]["lines"] == [
        {"y": pytest.approx(140.0), "text": "hold limit 140 °F", "role": "limit"}  # 60 °C
    ]
    assert "gear 3, 66.3 %" in page["overlay"]["series"]["p0_boost"]["label"]


def head_of(night, date):
    """The first screen as text, and its markup."""
    page = render(night, date=date)
    markup = page[page.index('<header class="verdict') : page.index("</header>")]
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", markup))), markup


def test_the_first_screen_has_all_that_one_decides_by():
    text, markup = head_of(
        with_decision(sample("alder/2025-05-24_overshoot", us=True)), "2025-05-24"
    )
    wanted = (
        "2025-05-24", "alder", "Hold", "No step up", "duty tonight set to about 66.5 % gear 3",
        "next duty no step up", "hold 3.0 psi limit 2.0 psi", "Look at first: Duty at the peak",
        "copy for my tuner",
    )  # fmt: skip
    assert [w for w in wanted if w not in text] == []
    assert '<figure class="chart"' in markup  # its picture


def test_the_first_screen_of_a_step_has_the_next_duty_and_the_boost_to_expect():
    text, _ = head_of(with_decision(sample("alder/2025-05-10_duty_steps", us=True)), "2025-05-10")
    wanted = (
        "2025-05-10", "Clear", "Step up", "duty tonight set to about 59.0 % gear 3", "next duty 66.5 %",
        "boost expected 12.7 psi 12.1 to 13.3, nine in ten", "Look at first:",
    )  # fmt: skip
    assert [w for w in wanted if w not in text] == []


@pytest.mark.parametrize("us", [True, False])
def test_one_settled_level_a_pull_wherever_it_is_told(us):
    """Table, sheet, finding, band of the traces, picture of duty and the sheet of `response`."""
    night = with_decision(sample("alder/2025-05-24_overshoot", us=us))
    found = response_tonight(night)
    page = page_of(night, history=history_of(None, "", found))
    scale, unit = (1 / KPA_PER_PSI, "psi") if us else (1.0, "kPa")
    told = {
        c["row"]["settled"]
        for c in page["cards"]
        for f in c["findings"]
        if f"settled level of {c['row']['settled']} {unit} gauge" in str(f["message"])
    }
    bands = [
        b["level"] for c in page["cards"] for p in c["traces"]["panels"] for b in p.get("bands", ())
    ]
    sheets = [
        r["value"]
        for c in page["cards"]
        for _, rows in c["measures"]
        for r in rows
        if r["label"] == "settled"
    ]
    drawn = next(l for l in page["duty"]["layers"] if l.get("shape") == "square")["y"]
    settled = [c["row"]["settled"] for c in page["cards"]]
    raw = [p.measures["boost_settled_kpa"] * scale for a in night.logs for p in a.pulls]
    assert len(told) >= 2 and bands == [f"settled {s} {unit}" for s in settled]
    assert sheets == [f"{s} {unit}" for s in settled] and drawn == pytest.approx(raw, abs=2e-3)
    gears = {g.gear: sorted(g.rows["boost_settled_kpa"]) for g in found.gears}
    own = [(p.pull.gear, p.measures["boost_settled_kpa"]) for a in night.logs for p in a.pulls]
    assert gears == {g: sorted(v for gear, v in own if gear == g) for g in gears}


def test_boost_against_duty_has_every_pull_its_peak_and_what_the_other_gears_need():
    night = with_decision(sample("alder/2025-05-03_healthy", us=True))
    page = page_of(night, history=history_of(None, "", response_tonight(night)))
    shapes = {l["shape"]: len(l["x"]) for l in page["duty"]["layers"] if l["kind"] == "points"}
    assert shapes == {"square": 5, "diamond": 5}
    kinds = {l.get("role", l["kind"]) for l in page["duty"]["layers"]}
    assert {"area", "line", "target", "limit"} <= kinds
    found = response_tonight(night)
    other = next(g for g in found.gears if g.gear != found.main)
    duty = f"{other.wanted[2]:.1f}"
    assert page["duty"]["also"] == f"The other gears, gear 2: target 12.8 psi, needs {duty} %."


def test_a_difference_between_pulls_is_that_of_the_figures_in_the_table():
    page = page_of(with_decision(sample("alder/2025-05-24_overshoot", us=True)))
    heads = [label for label, _ in page["differences"]["heads"]]
    rows = dict(page["differences"]["rows"])
    first, second = (next(rows[n] for n in rows if n.startswith(f"pull {k},")) for k in (1, 2))
    for label, of in (("settled", "settled"), ("peak", "peak"), ("duty", "duty")):
        a, b = (float(page["cards"][k]["row"][of].split()[0]) for k in (0, 1))
        assert float(first[heads.index(label)].split()[0]) == a
        assert float(second[heads.index(label)]) == pytest.approx(b - a, abs=1e-6)


def test_tonights_duty_is_told_as_it_was_set_beside_pulls_that_were_measured():
    """Pulls at 66.2 to 66.4 %, set to 66.5: nobody shall take it for a measured figure."""
    night = with_decision(sample("alder/2025-05-24_overshoot", us=True))
    page = page_of(night)
    rows = {label: value for label, value, _ in page["first"]["rows"]}
    assert rows["duty tonight"] == "set to about 66.5 %"
    assert "66.5" not in [c["row"]["duty"] for c in page["cards"]]
    assert "now at about 66.5 % duty" in decision_line(night.decision.plain(), us=True)
    assert duty_set(0.0) == "0.0 %"  # the solenoid unplugged: nothing to be about


def test_boost_expected_reads_the_same_on_page_picture_and_terminal():
    """87.249 kPa is 12.65 psi, and 87.2 kPa, as sentences have it, 12.647: 12.7 and 12.6 by themselves."""
    import dataclasses

    from audit.model import Decision

    decision = Decision("step", "why.", "first.", 59.0, 70.0, (80.0, 87.249, 95.0), 3)
    night = dataclasses.replace(sample("alder/2025-05-10_duty_steps", us=True), decision=decision)
    page = page_of(night)
    rows = {label: value for label, value, _ in page["first"]["rows"]}
    assert rows["boost expected"] == "12.6 psi"
    assert "expect 12.6 psi (11.6 to 13.8)" in decision_line(decision.plain(), us=True)
    assert "Boost expected there: 12.6 psi, 11.6 to 13.8." in page["duty"]["told"]
