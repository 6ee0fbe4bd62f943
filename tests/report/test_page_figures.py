"""Every figure on the page is one of the JSON document, within the page's own rounding."""

from __future__ import annotations

import html
import re

import pytest

from audit.archive.step.decide import with_decision
from audit.declared import all_declared
from audit.report.document import document
from audit.report.html import render
from tests.report.nights import sample

NIGHTS = ("alder/2025-05-24_overshoot", "alder/2025-05-10_duty_steps", "alder/2025-05-17_lean_top")
NUMBER = r"[-+]?\d+(?:\.\d+)?"
WITH_UNIT = re.compile(
    rf"(?<![\w.])({NUMBER})[ \u00a0](psi|kPa|°F|°C|%|rpm|rpm/s|s|Hz|V|°)(?![\w/°])"
)
SUM = re.compile(r"level of ([\d.]+) \w+ gauge by ([\d.]+) \w+ \(\d+ %\), to ([\d.]+) ")
# The unit that a key of the document ends in.
ENDS = {
    "start": "rpm",
    "end": "rpm",
    "kpa": "kPa",
    "pct": "%",
    "s": "s",
    "rpm": "rpm",
    "c": "°C",
    "hz": "Hz",
    "v": "V",
    "deg": "°",
}
PSI = 1 / 6.894757  # NIST SP 811 (2008), appendix B.8


def shown_as(value, unit, *, us):
    """(figure, unit) pairs that a reader may be shown for a canonical figure; a °C may be a difference."""
    if not us or unit not in ("kPa", "°C", "K"):
        return [(value, "°C" if unit == "K" else unit)]
    if unit == "kPa":
        return [(value * PSI, "psi")]
    return [(value * 1.8, "°F"), *([(value * 1.8 + 32, "°F")] if unit == "°C" else [])]


def typed(tree, key="", unit=None):
    """(figure, canonical unit) of every number in the document, those in its sentences too."""
    if isinstance(tree, bool) or tree is None:
        return
    if isinstance(tree, (int, float)):
        yield float(tree), unit or ENDS.get(key.rpartition("_")[2], "1")
    elif isinstance(tree, str):
        for figure, said in re.findall(rf"({NUMBER}) (kPa|°C|K|%|rpm|s|Hz|V|°)(?![\w/])", tree):
            yield float(figure), said
    elif isinstance(tree, dict):
        for name, part in tree.items():
            own = tree.get("unit") if name in ("value", "limit") else None
            inner = name if isinstance(part, (int, float, str)) or part is None else key
            yield from typed(
                part, inner if not isinstance(part, (dict, list)) else name, own or unit
            )
    else:
        for part in tree:
            yield from typed(part, key, unit)


def pool(trees, car, *, us):
    """Every (figure, unit) that a part of the page may show."""
    found = [pair for tree in trees for pair in typed(tree)]
    targets = (car.target_for(gear) for gear in (None, *range(1, 9)))
    found += [(v, "kPa") for v in (car.boost_limit_kpa, *targets) if v]
    return [pair for value, unit in found for pair in shown_as(value, unit, us=us)]


def near(figure, value):
    return abs(float(figure) - value) <= 0.5 * 10.0 ** -len(figure.partition(".")[2]) + 1e-6


def text_of(part):
    part = re.sub(r"<(script|style|pre).*?</\1>", " ", part, flags=re.DOTALL)
    return html.unescape(re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", part)))


def cells_of(row):
    return [
        text_of(c).strip() for c in re.findall(r"<t[dh][^>]*>.*?</t[dh]>", row, flags=re.DOTALL)
    ]


def rows_of(part, table):
    found = re.search(rf'<table class="{table}".*?</table>', part, flags=re.DOTALL)
    return [] if found is None else re.findall(r"<tr>.*?</tr>", found[0], flags=re.DOTALL)


def as_shown(measures, name, unit, digits, *, us):
    """A measure as it must stand on the page; the overshoot is the difference of what is shown."""
    if name == "boost_overshoot_kpa":
        ends = [
            round(measures[k] * (PSI if us else 1), 1)
            for k in ("boost_peak_kpa", "boost_settled_kpa")
        ]
        return [f"{ends[0] - ends[1]:.1f}"]
    value = measures[name]
    if unit == "°C" and us:
        return [f"{value * 1.8 + 32:.0f}"]
    figures = [v for v, _ in shown_as(value, unit, us=us)]
    return [f"{v:.{max(digits, 1) if us and unit == 'kPa' else digits}f}" for v in figures]


def scores_off(part, checks):
    """Scores of the tables of checks in a part that are not those of the document."""
    out = []
    for table in re.findall(r'<table class="checks">.*?</table>', part, flags=re.DOTALL):
        for line in re.findall(r"<tr>.*?</tr>", table, flags=re.DOTALL):
            name, _, score = cells_of(line)[:3]
            said = checks.get(name.replace(" ", "_"), {}).get("score")
            right = "–" if said is None else f"{min(max(said, 0), 100):.0f}"
            out += [f"score of {name}: {score}"] if name != "check" and score != right else []
    return out


def wrong_on(page, night, *, us):
    """What of the page's figures is not in the document, or not at its place, each as a sentence."""
    doc = document(night)
    pulls = [p for log in doc["logs"] for p in log["pulls"]]
    cards = re.split(r'(?=<section class="card)', page)[1:]
    cards[-1] = cards[-1].partition('<section aria-labelledby="h-not"')[0]
    wrong = []
    table = [r for r in rows_of(page, "overview") if 'scope="row"' in r]
    if not len(table) == len(cards) == len(pulls):
        return ["pulls are missing"]
    named = {m.label: m for row in all_declared() for m in row.measures}
    columns = (
        ("duty_mean_pct", "%", 1), ("boost_peak_kpa", "kPa", 1), ("boost_settled_kpa", "kPa", 1),
        ("boost_overshoot_kpa", "kPa", 1), ("lambda_max", "1", 2),
    )  # fmt: skip
    for row, card, pull in zip(table, cards, pulls, strict=True):
        m, cells = pull["measures"], cells_of(row)
        for (name, unit, digits), cell in zip(columns, cells[3:8], strict=True):
            if cell.split()[0] not in as_shown(m, name, unit, digits, us=us):
                wrong.append(f"{name} in the table: {cell}")
        share = (
            ""
            if "0" in (cells[6].strip("0."), f"{m['boost_overshoot_pct']:.0f}")
            else f"({m['boost_overshoot_pct']:.0f} %)"
        )
        if cells[6].partition(" ")[2] != share:
            wrong.append(f"share: {cells[6]}")
        ends = "–".join(as_shown(m, f"intake_{e}_c", "°C", 0, us=us)[-1] for e in ("start", "peak"))
        speeds = f"{pull['rpm_start']:.0f}–{pull['rpm_end']:.0f}"
        if cells[2] != str(pull["gear"]) or cells[8:10] != [ends, speeds]:
            wrong.append(f"gear, air or speed: {cells}")
        for line in rows_of(card, "sheet"):
            if len(own := cells_of(line)) < 2 or own[0] not in named:
                continue
            measure = named[own[0]]
            if own[1].split()[0] not in as_shown(
                m, measure.name, measure.unit, measure.digits, us=us
            ):
                wrong.append(f"{measure.name} in the sheet: {own[1]}")
        wrong += scores_off(card, pull["checks"])
        if f"{pull['rpm_start']:.0f} to {pull['rpm_end']:.0f} rpm." not in text_of(card):
            wrong.append("speeds under the head")
    head = page.partition('<section class="card')[0]
    wrong += scores_off(head, doc["checks"])
    for low, by, high in SUM.findall(text_of(page)):
        if abs(float(high) - float(low) - float(by)) > 1e-6:
            wrong.append(f"{low} and {by} are not {high}")
    for where, part, trees in [
        ("head", head, [doc]),
        *(("pull", *pair) for pair in zip(cards, ([p] for p in pulls), strict=True)),
    ]:
        allowed = pool(trees, night.car, us=us)
        for pull in pulls if where == "head" else trees:
            over = as_shown(pull["measures"], "boost_overshoot_kpa", "kPa", 1, us=us)[0]
            allowed.append((float(over), "psi" if us else "kPa"))
            for f in pull["findings"]:
                if (
                    f["code"] == "boost.overshoot"
                ):  # its limit lies that much over the settled level
                    level = pull["measures"]["boost_settled_kpa"] + f["limit"]
                    allowed += shown_as(level, "kPa", us=us)
        prose = re.sub(r"<table.*?</table>", " ", part, flags=re.DOTALL)
        for figure, unit in WITH_UNIT.findall(text_of(prose)):
            if not any(said == unit and near(figure, value) for value, said in allowed):
                wrong.append(f"{where}: {figure} {unit}")
    return wrong


@pytest.mark.parametrize("name", NIGHTS)
@pytest.mark.parametrize("us", [True, False])
def test_every_figure_of_the_page_is_that_of_the_document(name, us):
    """Each figure in its place: tables by pull and measure, sentences by what their pull, or the night, holds."""
    night = with_decision(sample(name, us=us))
    assert wrong_on(render(night), night, us=us) == []


def test_a_figure_that_is_off_by_its_last_digit_is_found():
    """Figures of tables, sheets and sentences, each made one larger in its last digit."""
    night = with_decision(sample(NIGHTS[0], us=True))
    page = render(night)
    assert wrong_on(page, night, us=True) == []
    body = page.partition('<section aria-labelledby="h-not"')[0]
    body = re.sub(r"<(script|style|pre).*?</\1>", lambda m: " " * len(m[0]), body, flags=re.DOTALL)
    over = re.search(r'<details class="over">.*?</details>', body, flags=re.DOTALL)
    places = [
        m
        for m in re.finditer(
            rf"(?<=>)({NUMBER})(?=[ <])|(?<= )({NUMBER})(?= (?:psi|rpm|s)\b)", body
        )
        if not over.start() < m.start() < over.end()
        and not body[: m.start()].endswith(('class="badge">', '<th scope="row">'))  # no figures
    ]
    found = 0
    tried = places[:: max(1, len(places) // 80)]
    for m in tried:
        step = 10.0 ** -len(m[0].partition(".")[2])
        other = f"{float(m[0]) + step:.{len(m[0].partition('.')[2])}f}"
        found += bool(wrong_on(page[: m.start()] + other + page[m.end() :], night, us=True))
    assert len(tried) > 60 and found >= 0.9 * len(tried)


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
    told = re.sub(r"<[^>]+>", " ", row).split()
    assert "hold" in told and told[-4:] == ["≥", "1.0", "≥", "2.0"]  # 7 and 14 kPa


def test_the_sheet_has_last_night_and_the_usual_range_where_they_are_known():
    from audit.report.page.measures import History, Usual

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

    from audit.report.page.traces import Drawing
    from tests.report.nights import full_night

    audit = full_night(pulls=1).logs[0].pulls[0]
    chart = Drawing(audit, us=False).load()
    hold = next(level for level in chart["limits"] if level["name"] == "hold")
    assert hold["x"][0] == 35.0 and hold["y"][0] == pytest.approx(0.92)
    assert 70.0 in hold["x"] and hold["y"][hold["x"].index(70.0)] == pytest.approx(0.88)
    t = audit.pull.log.time
    limit = Drawing(audit, us=False).lean_limit(t)
    inside = np.isfinite(limit)
    assert limit[inside].max() > 0.90 and limit[inside].min() < 0.88
    assert not np.isfinite(limit[t < audit.pull.start_s]).any()
