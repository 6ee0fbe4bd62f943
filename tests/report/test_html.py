import dataclasses
import json
import re

import numpy as np
import pytest

from audit.errors import UsageError
from audit.model import Car, CheckResult, Decision, Finding, LogAudit
from audit.report import html as pages
from audit.report.html import render, write_report
from tests.report.nights import full_night, sample

NASTY = "<script>alert(1)</script><img src=x onerror=alert(2)>\"'&\u2028"
LEAN = Finding(
    "mixture.lean",
    "stop",
    "Lambda stayed at or above 1.010 for 0.30 s at 95.8 kPa boost.",
    "lambda",
    24.0,
    25.0,
    1.01,
    0.95,
    "1",
)


def without_scripts(page):
    return re.sub(r"<script(?! type=).*?</script>", "", page, flags=re.DOTALL)


def policy(page):
    return re.search(r'http-equiv="Content-Security-Policy" content="([^"]*)"', page)[1].replace(
        "&#39;", "'"
    )


def packets(page):
    return [
        json.loads(text)
        for text in re.findall(
            r'<script type="application/json"[^>]*>(.*?)</script>', page, flags=re.DOTALL
        )
    ]


def pull_packets(page):
    return [p for p in packets(page) if p["id"].startswith("pull-")]


def test_six_pulls_of_24_channels_stay_within_700_kb():
    page = render(full_night())
    found = pull_packets(page)
    assert len(found) == 6
    assert all(len(set(p["series"]) - {"lean_limit"}) == 24 for p in found)
    assert len(page.encode()) <= 700_000


def test_sixty_pulls_of_24_channels_stay_within_1300_kb():
    page = render(full_night(pulls=60, rate=20.0))
    assert len(pull_packets(page)) == 60 and len(page.encode()) <= 1_300_000


def test_many_pulls_are_thinned_rather_than_growing_without_end():
    one, many = (render(full_night(pulls=n)) for n in (1, 12))
    assert len(many) - len(one) < 500_000


def test_the_page_names_nothing_to_fetch():
    page = without_scripts(render(full_night()))
    assert not re.search(r"""(?:src|href|action|data)=["'](?!#)""", page)
    assert "url(" not in page and "@import" not in page


def test_the_policy_lets_only_our_own_scripts_run():
    page = render(full_night())
    allowed = policy(page)
    assert allowed.startswith("default-src 'none'; script-src 'sha256-")
    assert "unsafe" not in allowed and "http" not in allowed
    scripts = re.findall(r"<script>(.*?)</script>", page, flags=re.DOTALL)
    assert [pages.digest(s) for s in scripts] == re.search(r"script-src ([^;]*)", allowed)[
        1
    ].split()


def test_the_same_night_gives_the_same_page():
    assert render(full_night()) == render(full_night())


@pytest.mark.parametrize("where", ["car", "file", "message"])
def test_what_comes_from_the_log_is_text(where):
    findings = (
        (Finding("sensor.spike", "watch", NASTY, "lambda", 24.0, 24.5, likely=(NASTY,)),)
        if where == "message"
        else ()
    )
    night = full_night(
        car=Car(name=NASTY) if where == "car" else None,
        name=NASTY if where == "file" else "run.csv",
        findings=findings,
    )
    page = without_scripts(render(night))
    assert (
        "<script>alert" not in page
        and "<img" not in page
        and "onerror=alert(2)>" not in page.replace("&gt;", "").replace("&lt;", "")
    )
    assert "&lt;img src=x onerror" in page


def test_numbers_in_the_page_cannot_end_their_script_element():
    assert (
        pages.json_for_html({"a": "</script><!--\u2028&'"})
        == '{"a":"\\u003c/script\\u003e\\u003c!--\\u2028\\u0026\\u0027"}'
    )


def test_our_script_cannot_end_its_own_element():
    assert "</script" not in pages.script().lower() and "<!--" not in pages.script()


def test_a_finding_is_marked_at_its_place_with_its_limit():
    page = render(full_night(findings=(LEAN,)))
    mark = pull_packets(page)[0]["marks"][0]
    assert (mark["panel"], mark["start"], mark["end"]) == ("mixture", 24.0, 25.0)
    assert mark["limits"] == [{"y": 0.95, "text": "stop limit 0.95"}]
    assert f'href="#mark-{mark["n"]}"' in page and f'data-marks="{mark["n"]}"' in page


def test_a_finding_without_a_time_has_no_mark_and_no_link_to_one():
    page = render(full_night(findings=(Finding("heat.soak", "watch", "Each pull starts hotter."),)))
    assert pull_packets(page)[0]["marks"] == [] and "#mark-" not in without_scripts(page)
    assert "Each pull starts hotter." in page


def test_the_verdict_its_reasons_and_the_cautions_are_there():
    page = without_scripts(render(sample("alder/2025-05-24_overshoot")))
    assert re.search(r'class="word">Hold<', page) and "overshot its settled level" in page
    assert "qualified tuner" in page and "local law" in page


@pytest.mark.parametrize(("us", "there", "gone"), [(True, "psi", "kPa"), (False, "kPa", "psi")])
def test_figures_are_in_the_cars_units(us, there, gone):
    page = without_scripts(render(sample("alder/2025-05-24_overshoot", us=us)))
    head, _, sensors = page.partition('id="h-sensors"')
    assert there in head and gone not in re.sub(r"<style.*?</style>", "", head, flags=re.DOTALL)
    assert "tests not passed" in sensors


def test_what_was_not_judged_is_said_with_its_reason():
    page = without_scripts(render(sample("alder/2025-05-24_overshoot")))
    assert "What was not judged" in page and "the log has no knock retard" in page


def test_where_the_car_was_is_not_sent_along():
    night = full_night()
    log = night.logs[0].log
    frame = log.frame.with_columns(
        latitude=np.full(log.rows, 51.123456), longitude=np.full(log.rows, 7.654321)
    )
    object.__setattr__(log, "frame", frame)
    assert "51.123" not in render(night)


def test_a_page_that_cannot_be_written_is_a_sentence(tmp_path):
    with pytest.raises(UsageError, match="cannot be written"):
        write_report(full_night(pulls=1), tmp_path / "no" / "night.html")


def test_writing_leaves_nothing_beside_the_page(tmp_path):
    write_report(full_night(pulls=1), tmp_path / "night.html")
    assert [p.name for p in tmp_path.iterdir()] == ["night.html"]


def test_the_folders_of_the_logs_are_not_sent_along(tmp_path):
    from audit.carfile import load_car
    from audit.night.screen import screen_night

    (tmp_path / "notes.csv").write_text("hello\nno log\n", encoding="utf-8")
    page = render(screen_night([tmp_path / "notes.csv"], car=load_car(None)))
    assert "notes.csv" in page and str(tmp_path) not in page


def test_a_long_file_name_is_whole_in_the_table_of_logs_only():
    name = "a" * 60 + ".csv"
    page = without_scripts(render(full_night(name=name, findings=(LEAN,))))
    head, _, logs = page.partition('id="h-logs"')
    assert name in logs and name not in head.partition('id="h-sensors"')[0]


def test_without_a_pull_checks_that_were_not_judged_are_told_once():

    none = {
        n: CheckResult(n, "not_evaluated", None, why="no pull to judge")
        for n in ("heat_soak", "knock", "oscillation")
    }
    page = render(dataclasses.replace(full_night(pulls=0), checks=none))
    assert (
        page.count("no pull to judge") == 1
        and "heat soak, knock, oscillation" in page
        and "No check could be judged" in page
    )


def test_a_pull_of_several_logs_is_named_as_its_findings_name_it():
    """Its number over the night is not the one in its log."""
    one = full_night(pulls=1, name="run_1.csv")
    second = dataclasses.replace(full_night(pulls=1, findings=(LEAN,)).logs[0], path="run_2.csv")
    both = render(dataclasses.replace(one, logs=(*one.logs, second)))
    row = re.search(r"Pull 2</a> <bdi class=\"inlog\">([^<]*)</bdi>", both)
    assert row is not None and row[1] == "run_2.csv, pull 1"
    assert "run_2.csv, pull 1</bdi></span>" in both.split('id="finding-1"')[1][:400]
    assert 'class="inlog"' not in render(one)


def test_the_name_of_a_file_at_the_start_of_a_reason_is_left_as_it_is():
    why = "run_1.csv could not be read, so what it holds is not judged: it is empty."
    bad = LogAudit("run_1.csv", "0" * 64, "rejected", error="it is empty.")
    decision = Decision("no_step", why, "The file.", None, None, None, None)
    night = full_night(pulls=1)
    page = render(
        dataclasses.replace(
            night, logs=(*night.logs, bad), verdict="hold", reasons=(why,), decision=decision
        )
    )
    assert "Run_1.csv" not in page and "<p><bdi>run_1.csv</bdi> could not be read" in page
