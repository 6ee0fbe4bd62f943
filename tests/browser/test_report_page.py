"""The page to send on, in a real browser, from disk."""

import shutil
from pathlib import Path

import pytest

from audit.model import Car, Finding
from audit.report.html import render, write_report
from tests.report.nights import full_night, sample

NASTY = "<script>document.title='owned'</script><img src=x onerror=document.title='owned'>"
AA = ("wcag2a", "wcag2aa", "wcag21aa")
FIRST = "#pull-1 .traces"


@pytest.fixture(scope="module")
def overshoot(tmp_path_factory):
    path = tmp_path_factory.mktemp("page") / "night.html"
    write_report(sample("alder/2025-05-24_overshoot"), path)
    return path.as_uri()


def test_it_opens_from_disk_without_an_error_or_a_request(browser, overshoot):
    browser.open(overshoot)
    browser.drawn()
    assert browser.js("return document.querySelectorAll('.plot.ready').length") >= 12
    assert browser.errors() == []
    assert [u for u in browser.requests() if u != overshoot and not u.startswith("data:")] == []


def test_the_verdict_is_seen_first(browser, overshoot):
    browser.open(overshoot)
    box = browser.js(
        "const b=document.querySelector('h1 .word').getBoundingClientRect();return [b.top,b.bottom,b.height]"
    )
    assert 0 <= box[0] and box[1] < 400 and box[2] > 60


def span(browser):
    return browser.js(
        f"const d=document.querySelector('{FIRST}').dataset;return d.from?[Number(d.from),Number(d.to)]:null"
    )


def test_dragging_zooms_every_panel_of_the_pull(browser, overshoot):
    browser.open(overshoot)
    browser.drawn()
    plot = "#pull-1-boost .plot"
    browser.js(f"document.querySelector('{plot}').scrollIntoView({{block:'center'}})")
    for share, kind, buttons in (
        (0.4, "mouseMoved", 0),
        (0.4, "mousePressed", 1),
        (0.5, "mouseMoved", 1),
        (0.6, "mouseMoved", 1),
        (0.6, "mouseReleased", 0),
    ):
        browser.mouse(
            plot, share, kind, "left" if kind != "mouseMoved" or buttons else "none", buttons
        )
    low, high = browser.until(
        f"const d=document.querySelector('{FIRST}').dataset;return d.from?[Number(d.from),Number(d.to)]:null"
    )
    assert 2.0 < high - low < 3.5  # a fifth of some 12 s
    ranges = browser.js(
        f"return [...Traces.groups.get(document.querySelector('{FIRST}')).panels].filter(([id])=>id!=='load').map(([,p])=>p.x)"
    )
    assert len(ranges) >= 4
    assert all(abs(a - low) < 0.01 and abs(b - high) < 0.01 for a, b in ranges)


def test_buttons_and_keys_zoom_and_come_back(browser, overshoot):
    browser.open(overshoot)
    browser.drawn()
    browser.click(f"{FIRST} [data-do=all]")
    whole = span(browser)
    browser.click(f"{FIRST} [data-do=in]")
    half = span(browser)
    assert half[1] - half[0] == pytest.approx((whole[1] - whole[0]) / 2, rel=0.05)
    figure = browser.find("#pull-1-mixture")
    figure.send_keys("+")
    assert span(browser)[1] - span(browser)[0] == pytest.approx((whole[1] - whole[0]) / 4, rel=0.05)
    figure.send_keys("0")
    assert span(browser) == pytest.approx(whole)


def test_hovering_shows_the_values_of_all_panels(browser, overshoot):
    browser.open(overshoot)
    browser.drawn()
    plot = "#pull-1-boost .plot"
    browser.js(f"document.querySelector('{plot}').scrollIntoView({{block:'center'}})")
    browser.mouse(plot, 0.69)
    browser.mouse(plot, 0.7)
    browser.until(f"return document.querySelector('{FIRST}').dataset.cursor")
    values = browser.js(
        f"return Object.fromEntries([...document.querySelectorAll('{FIRST} output[data-series]')].map(o=>[o.dataset.series,o.textContent]))"
    )
    assert 12 < float(values["boost"]) < 18  # psi, settled near 14
    assert 0.7 < float(values["lambda"]) < 0.9
    assert 3000 < float(values["engine_speed"]) < 6600
    assert "rpm" in browser.js(f"return document.querySelector('{FIRST} .at').textContent")


def test_arrow_keys_move_the_cursor(browser, overshoot):
    browser.open(overshoot)
    browser.drawn()
    figure = browser.find("#pull-1-boost")
    figure.send_keys("\ue014")
    first = float(browser.js(f"return document.querySelector('{FIRST}').dataset.cursor"))
    figure.send_keys("\ue014")
    assert float(browser.js(f"return document.querySelector('{FIRST}').dataset.cursor")) > first


def test_engine_speed_can_be_laid_across(browser, overshoot):
    browser.open(overshoot)
    browser.drawn()
    browser.click(f"{FIRST} input[value=rpm]")
    low, high = span(browser)
    assert 2500 < low < 3000 and 6200 < high < 6700
    assert browser.errors() == []
    browser.click(f"{FIRST} input[value=time]")
    assert span(browser)[1] < 200


def test_a_findings_link_moves_to_its_mark(browser, overshoot):
    browser.open(overshoot)
    browser.drawn()
    browser.click("#finding-1 a.tomark")
    browser.until(
        "return document.activeElement && document.activeElement.id === 'mark-1'",
        what="the mark to have the focus",
    )
    top, bottom = browser.js(
        "const b=document.querySelector('#pull-1-boost').getBoundingClientRect();return [b.top,b.bottom]"
    )
    assert top < 900 and bottom > 0
    browser.until(f"return document.querySelector('{FIRST}').dataset.from", what="the zoom")
    start = float(browser.js("return document.getElementById('mark-1').dataset.start"))
    low, high = span(browser)
    assert low < start < high and high - low < 4


def test_a_mark_in_folded_traces_is_unfolded(browser, tmp_path):
    finding = Finding(
        "electrical.voltage",
        "watch",
        "Supply fell to 12.9 V.",
        "battery_voltage",
        24.0,
        25.0,
        12.9,
        13.0,
        "V",
    )
    path = tmp_path / "night.html"
    write_report(full_night(pulls=2, findings=(finding,)), path)
    browser.open(path.as_uri() + "#mark-1")
    browser.until("return document.activeElement && document.activeElement.id === 'mark-1'")
    assert browser.errors() == []


def test_what_comes_from_a_log_stays_text(browser, tmp_path):
    finding = Finding(
        "mixture.lean", "stop", NASTY, "lambda", 24.0, 25.0, 1.0, 0.95, "1", (NASTY,), (NASTY,)
    )
    path = tmp_path / "night.html"
    path.write_text(
        render(full_night(pulls=1, car=Car(name=NASTY), findings=(finding,))), encoding="utf-8"
    )
    browser.open(path.as_uri())
    browser.drawn()
    assert browser.js("return document.querySelectorAll('main img').length") == 0
    assert NASTY[:20] in browser.js("return document.querySelector('.who').textContent")
    assert NASTY in browser.js("return document.querySelector('#h-logs').parentElement.textContent")
    assert "owned" not in browser.js("return document.title").replace(NASTY, "")
    assert browser.errors() == []


def test_a_script_that_got_in_would_not_run(browser, tmp_path):
    path = tmp_path / "night.html"
    path.write_text(
        render(full_night(pulls=1)).replace("</main>", f"{NASTY}</main>"), encoding="utf-8"
    )
    browser.open(path.as_uri())
    browser.drawn()
    assert browser.js("return document.title") != "owned"
    assert any("Content Security Policy" in e for e in browser.errors())


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [1440, 768, 390, 320])
def test_it_can_be_read_by_everybody(browser, overshoot, sixty, scheme, width):
    browser.size(width, 900)
    browser.scheme(scheme)
    for page in (overshoot, sixty):
        browser.open(page)
        browser.js("document.querySelectorAll('details:not(.pull)').forEach(d=>{d.open=true})")
        browser.js("const d=document.querySelector('details.pull');if(d)d.open=true")
        browser.drawn()
        assert browser.axe(*AA) == [] and browser.too_wide() <= 0, page


def test_a_scheme_that_changes_redraws(browser, overshoot):
    browser.open(overshoot)
    browser.drawn()
    browser.scheme("dark")
    line = "return getComputedStyle(document.querySelector('#pull-1-boost .line')).stroke"
    browser.until(line + "==='rgb(86, 180, 233)'", what="dark plots")
    assert browser.errors() == []


def test_it_prints_with_its_traces(browser, overshoot):
    import base64

    browser.open(overshoot)
    browser.drawn()
    printed = base64.b64decode(browser.cdp("Page.printToPDF", printBackground=True)["data"])
    assert printed.startswith(b"%PDF") and 3 <= printed.count(b"/Type /Page\n") <= 20


def test_a_plot_is_one_stop_of_the_tab_key(browser, overshoot):
    browser.open(overshoot)
    browser.drawn()
    inside = "return [...document.querySelectorAll('.plot *')].filter(c=>c.tabIndex>=0).length"
    assert browser.js(inside) == 0
    assert browser.js(
        "return [...document.querySelectorAll('figure.panel')].every(f=>f.tabIndex===0&&f.querySelector('.aural').textContent.length>20)"
    )


@pytest.mark.parametrize("width", [1440, 390])
def test_limits_are_named_beside_the_frame(browser, overshoot, width):
    browser.size(width, 900)
    browser.open(overshoot)
    browser.drawn()
    said = browser.js(
        "return [...document.querySelectorAll('#pull-1-boost .aside')].map(t=>t.textContent)"
    )
    assert ("car's limit 17.1 psi" in said) == (width == 1440)
    assert ("17.1" in said) == (width == 390)
    shown = browser.js(
        "return getComputedStyle(document.querySelector('#pull-1-boost .levels')).position"
    )
    assert (shown == "static") == (width == 390)


def finding(code, channel, start, end, value, limit, unit, severity="watch"):
    return Finding(code, severity, f"{code} seen.", channel, start, end, value, limit, unit)


def test_a_mark_is_named_by_the_axis_that_is_shown(browser, overshoot):
    browser.open(overshoot)
    browser.drawn()
    said = "return document.querySelector('#mark-1 [data-when]').textContent"
    assert browser.js(said).endswith(" s")
    browser.click(f"{FIRST} input[value=rpm]")
    assert browser.js(said).endswith(" rpm") and 3000 < float(browser.js(said).split()[-2]) < 5000


def test_a_mark_is_as_long_as_what_it_marks(browser, tmp_path):
    path = tmp_path / "night.html"
    lean = finding("mixture.lean", "lambda", 24.0, 26.0, 0.93, 0.92, "1")
    write_report(full_night(pulls=1, findings=(lean,)), path)
    browser.open(path.as_uri())
    browser.drawn()
    width, per_s = browser.js(
        f"const p=Traces.groups.get(document.querySelector('{FIRST}')).panels.get('mixture');"
        "return [Number(document.querySelector('#pull-1-mixture .mark').getAttribute('width')),p.inner/(p.x[1]-p.x[0])]"
    )
    assert width / per_s == pytest.approx(2.0, abs=0.05)


def test_samples_that_are_not_believed_are_grey_crosses_and_do_not_stretch_the_plot(
    browser, tmp_path
):
    import dataclasses

    import numpy as np

    night = full_night(pulls=1)
    log = night.logs[0]
    flags = np.ones(log.rows, np.uint8)
    flags[2400:2420] = 4
    frame = log.log.frame.with_columns(
        log.log.frame["lambda"].to_frame().to_series().scatter(list(range(2400, 2420)), 9.0)
    )
    made = dataclasses.replace(log.log, frame=frame)
    sanity = dataclasses.replace(log.sanity, samples={**log.sanity.samples, "lambda": flags})
    pulls = tuple(
        dataclasses.replace(p, pull=dataclasses.replace(p.pull, log=made, sanity=sanity))
        for p in log.pulls
    )
    path = tmp_path / "night.html"
    write_report(
        dataclasses.replace(night, logs=(dataclasses.replace(log, log=made, pulls=pulls),)), path
    )
    browser.open(path.as_uri())
    browser.drawn()
    top, crosses = browser.js(
        f"const p=Traces.groups.get(document.querySelector('{FIRST}')).panels.get('mixture');"
        "return [p.y[1],document.querySelectorAll('#pull-1-mixture .doubted').length]"
    )
    assert top < 1.2 and crosses == 1
    assert "not believed" in browser.js(
        "return document.querySelector('#pull-1-mixture').innerText"
    )


def test_keys_and_buttons_go_from_finding_to_finding(browser, overshoot):
    browser.open(overshoot)
    body = browser.find("body")
    here = "return document.activeElement.id"
    body.send_keys("n")
    first = browser.js(here)
    assert first == "finding-1"
    browser.find("#finding-1").send_keys("n")
    second = browser.js(here)
    browser.find(f"#{second}").send_keys("p")
    assert second.startswith("finding-") and second != first and browser.js(here) == first
    browser.click("[data-step='1']")
    assert browser.js(here).startswith("finding-")


def test_copying_says_that_it_was_done(browser, overshoot):
    browser.open(overshoot)
    browser.find("[data-copies]").send_keys("\ue007")  # a real key, without which nothing is copied
    browser.until("return document.querySelector('.copying [role=status]').textContent.length > 5")


@pytest.fixture(scope="module")
def sixty(tmp_path_factory):
    path = tmp_path_factory.mktemp("many") / "night.html"
    write_report(full_night(pulls=60, rate=20.0), path)
    return path.as_uri()


def test_of_sixty_pulls_only_what_is_seen_is_drawn(browser, sixty):
    browser.open(sixty)
    assert browser.js("return document.querySelectorAll('details.pull:not([open])').length") == 60
    assert browser.rested("return document.querySelectorAll('svg.drawing').length") < 6
    assert browser.errors() == []


def test_a_passing_pull_has_its_sheet_and_checks_once_it_is_unfolded(browser, sixty):
    browser.open(sixty)
    assert browser.js("return document.querySelectorAll('.sheet, .allchecks table').length") == 0
    browser.click("#pull-2 summary")
    browser.until("return !!document.querySelector('#pull-2 .sheet td')", what="the sheet")
    assert "92.0 kPa" in browser.js("return document.querySelector('#pull-2 .sheet').innerText")
    browser.click("#pull-2 .allchecks summary")
    browser.until("return !!document.querySelector('#pull-2 .checks td')", what="the checks")
    assert browser.js("return document.querySelectorAll('.sheet').length") == 1


def test_without_scripts_a_passing_pull_has_its_sheet_in_its_fold(browser, sixty):
    browser.cdp("Emulation.setScriptExecutionDisabled", value=True)
    try:
        browser.open(sixty)
        root = browser.cdp("DOM.getDocument")["root"]["nodeId"]
        found = browser.cdp(
            "DOM.querySelectorAll", nodeId=root, selector="#pull-2 .sheet td, #pull-2 .checks td"
        )
    finally:
        browser.cdp("Emulation.setScriptExecutionDisabled", value=False)
    assert len(found["nodeIds"]) > 20


def test_of_many_pulls_each_figure_of_the_table_is_on_paper(browser, tmp_path):
    """A passing pull has them in its cell, the others in the table; afterwards the table is whole again."""
    path = tmp_path / "night.html"
    lean = finding("mixture.lean", "lambda", 24.0, 26.0, 0.93, 0.92, "1")
    write_report(full_night(pulls=14, rate=20.0, findings=(lean,)), path)
    browser.open(path.as_uri())
    rows = "[...document.querySelectorAll('.overview tbody tr:not(.unseen)')]"
    whole = browser.js(
        f"return {rows}.map(r=>[...r.cells].slice(2).map(c=>c.textContent.trim()).join(' '))"
    )
    left, told = browser.js(
        "window.dispatchEvent(new Event('beforeprint'));"
        f"const left={rows}.length,told=[...document.querySelectorAll('svg.cells text:not(.aside)')].map(t=>t.textContent.replaceAll(';',''));"
        "window.dispatchEvent(new Event('afterprint'));return [left,told]"
    )
    assert left == 1 and len(whole) == 14
    assert [" ".join(told[k : k + 2]) for k in range(0, 8, 2)] == whole[1:5]
    assert browser.js(f"return {rows}.length") == 14


def test_on_paper_no_heading_stands_alone(browser, sixty):
    browser.open(sixty)
    seen = "return document.querySelector('#h-sensors').checkVisibility()"
    assert browser.js(seen)
    browser.scheme("light", media="print")
    assert not browser.js(seen)
    assert browser.js("return document.querySelector('#h-logs').checkVisibility()")


def test_beside_a_narrow_plot_stands_the_figure_of_a_level_and_not_that_of_its_unit(browser, sixty):
    browser.open(sixty)
    said = "return Plots.beside('baseline -0.7 kPa per 1000 rpm', true)"
    assert browser.js(said) == "-0.7"


def lines_printed(browser):
    """(figures, plots drawn, cells of passing pulls) of the page as it goes to paper."""
    return browser.js(
        "window.dispatchEvent(new Event('beforeprint'));"
        "const f=[...document.querySelectorAll('figure.panel,figure.chart')].filter(f=>!f.closest('.unseen'));"
        "const drawn=f.filter(f=>f.querySelector('.plot > svg.drawing path')).length;"
        "const cells=document.querySelectorAll('.contact svg.cells .aside').length;"
        "window.dispatchEvent(new Event('afterprint'));return [f.length,drawn,cells]"
    )


@pytest.mark.parametrize("pulls", [6, 60])
def test_every_chart_is_on_paper_and_passing_pulls_are_cells_there(browser, tmp_path, pulls):
    path = tmp_path / "night.html"
    lean = finding("mixture.lean", "lambda", 24.0, 26.0, 0.93, 0.92, "1")
    write_report(full_night(pulls=pulls, rate=20.0, findings=(lean,)), path)
    browser.open(path.as_uri())
    figures, drawn, cells = lines_printed(browser)
    assert figures == drawn >= 20  # one pull with a finding, whole; all of them over each other
    assert cells == pulls - 1
    assert browser.js("return document.querySelectorAll('svg.cells').length") == 0
    assert browser.errors() == []


def test_a_passing_pull_that_is_unfolded_prints_whole(browser, sixty):
    browser.open(sixty)
    browser.js("document.querySelector('#pull-2 details.pull').open=true")
    figures, drawn, cells = lines_printed(browser)
    assert figures == drawn >= 19 and cells == 59


def pages_printed(browser):
    """The pages of the PDF as pixels, page by page, and how many pictures it embeds."""
    import base64
    import io
    import subprocess
    import tempfile

    image = pytest.importorskip("PIL.Image", reason="Pillow is not installed")
    if not shutil.which("pdftoppm"):
        pytest.skip("no pdftoppm on this machine (Debian: apt-get install poppler-utils)")
    done = browser.cdp("Page.printToPDF", printBackground=True)
    with tempfile.TemporaryDirectory() as folder:
        pdf = Path(folder) / "night.pdf"
        pdf.write_bytes(base64.b64decode(done["data"]))
        subprocess.run(["pdftoppm", "-r", "40", "-png", pdf, Path(folder) / "p"], check=True)
        pages = [
            image.open(io.BytesIO(p.read_bytes())).convert("RGB")
            for p in sorted(Path(folder).glob("p-*.png"))
        ]
        listed = subprocess.run(["pdfimages", "-list", pdf], check=True, capture_output=True)
    return pages, len(listed.stdout.splitlines()) - 2


def blue_lines(pages):
    """Pixels of the colour of a first line, over all pages."""
    return sum(
        count
        for page in pages
        for count, (r, g, b) in page.getcolors(1 << 24)
        if b > r + 60 and b > g + 20
    )


def test_the_rendered_paper_of_sixty_pulls_has_a_line_for_each(browser, tmp_path):
    inked = {}
    for pulls in (6, 60):
        path = tmp_path / f"{pulls}.html"
        write_report(full_night(pulls=pulls, rate=20.0), path)
        browser.open(path.as_uri())
        pages, pictures = pages_printed(browser)
        assert pictures == 0  # lines, no pictures
        inked[pulls] = blue_lines(pages)
        assert len(pages) < 15
    assert inked[60] > 2.5 * inked[6] > 0


def test_no_chart_is_cut_by_the_end_of_a_paper(browser, overshoot):
    browser.open(overshoot)
    browser.drawn()
    browser.scheme("light", media="print")
    kept = browser.js(
        "return [...document.querySelectorAll('figure.panel,figure.chart')].map(f=>getComputedStyle(f).breakInside)"
    )
    assert len(kept) >= 12 and set(kept) == {"avoid"}


@pytest.mark.parametrize("width", [320, 768])
def test_it_fits_small_screens_too(browser, overshoot, width):
    browser.size(width, 900)
    browser.open(overshoot)
    browser.drawn()
    assert browser.too_wide() <= 0 and browser.axe(*AA) == []


def test_a_phone_keeps_the_columns_that_the_verdict_comes_from(browser, overshoot):
    browser.size(390, 844)
    browser.open(overshoot)
    heads = browser.js(
        "return [...document.querySelectorAll('.overview thead th')].filter(h=>h.offsetParent).map(h=>h.firstChild.textContent.trim())"
    )
    assert {"overshoot", "boost peak", "duty"} <= set(heads) and "leanest" not in heads


def test_a_plot_is_told_in_words_with_its_limits_and_bands(browser, overshoot):
    browser.open(overshoot)
    browser.drawn()
    text = "return document.querySelector('#pull-1-boost {}').textContent"
    # as read; the peak less noise is 15.7
    said = browser.js(text.format(".aural"))
    assert "Boost begins at" in said and "highest with 15.8 at 141.8 s" in said
    said = browser.js(text.format(".levels"))
    assert "car's limit 17.1 psi" in said and "hold limit 14.7 psi" in said
    assert "Shaded: settled 12.7 psi" in said


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [320, 390, 768, 1440])
def test_hostile_names_change_nothing_around_them(browser, tmp_path, width, scheme):
    """A name that turns text, colours it, is very long and looks like markup: in the file, the car and a finding."""
    name = "run_\u202e14.1\x07<b>" + "very_long_" * 12 + ".csv"
    lean = finding("mixture.lean", "lambda", 24.0, 26.0, 0.93, 0.92, "1")
    path = tmp_path / "night.html"
    write_report(full_night(pulls=2, name=name, car=Car(name=name), findings=(lean,)), path)
    browser.size(width, 900)
    browser.scheme(scheme)
    browser.open(path.as_uri())
    browser.drawn()
    browser.js("document.querySelectorAll('details').forEach(d=>d.open=true)")
    browser.drawn()
    text = browser.js("return document.body.innerText")
    assert "\u202e" not in text and "⟨U+202E⟩14.1⟨U+0007⟩<b>very" in text
    assert browser.js("return document.querySelectorAll('main b').length") == 0
    head = browser.js("return document.querySelector('.who bdi').textContent")
    assert "…" in head and len(head) < 70
    assert browser.too_wide() <= 0 and browser.axe(*AA) == []


def test_a_sensor_that_is_not_believed_is_crossed_out_on_the_first_screen(browser, tmp_path):
    from audit.archive.step.decide import with_decision

    path = tmp_path / "night.html"
    write_report(with_decision(sample("quince/2025-06-08_lambda_sensor")), path)
    browser.open(path.as_uri())
    browser.drawn()
    assert "not believed" in browser.js(
        "return document.querySelector('.decide figcaption').innerText"
    )
    line, crosses = browser.js(
        "const w=s=>{const e=document.querySelector('.decide '+s);return e?e.getTotalLength():0};"
        "return [w('path.line'),document.querySelectorAll('.decide path.doubted').length]"
    )
    box = browser.js("return document.querySelector('.decide rect.mark').getBBox().width")
    assert crosses == 1 and line < box  # no line runs through what is marked


@pytest.mark.parametrize("width", [320, 390])
def test_the_pulls_table_fits_a_phone(browser, overshoot, width):
    browser.size(width, 844)
    browser.open(overshoot)
    assert browser.js(
        "const s=document.querySelector('.overview').parentElement;return s.scrollWidth<=s.clientWidth"
    )


def test_the_report_of_the_command_has_curve_and_next_step(browser, tmp_path):
    """Without an archive the night's own pulls tell the curve; four duties were driven, the next is 66.5 %."""
    from click.testing import CliRunner

    from audit.cli.screen import command
    from tests.report.nights import SAMPLES

    path = tmp_path / "night.html"
    folder = SAMPLES / "alder" / "2025-05-10_duty_steps"
    CliRunner().invoke(command, [str(folder), "--report", str(path)])
    browser.open(path.as_uri())
    browser.drawn()
    parts = "return [...document.querySelectorAll('.duty svg .{}')].length"
    assert browser.js(parts.format("line")) == 1 and browser.js(parts.format("area")) == 2
    text = browser.js("return document.querySelector('.duty').textContent")
    assert "next 66.5 %" in text and "Next: 66.5 %" in text and "Boost expected there" in text
    assert "car's limit" in text and "target" in text
    limit, target = browser.js(
        "return ['limit','target'].map(r=>getComputedStyle(document.querySelector(`.duty .level.${r}`)).strokeDasharray)"
    )
    assert "none" not in (limit, target) and limit != target


def test_pulls_alike_look_alike_on_the_duty_chart(browser, tmp_path):
    """Five pulls within 0.2 psi, no limit and no target to stretch the axis: it spans 1 psi and more."""
    from audit.night.screen import screen_night
    from tests.report.nights import SAMPLES

    log = SAMPLES / "alder" / "2025-05-03_healthy" / "run_1.csv"
    path = tmp_path / "night.html"
    write_report(screen_night([log], car=Car()), path)
    browser.open(path.as_uri())
    browser.drawn()
    ticks = browser.js(
        "return [...document.querySelectorAll('.duty svg text[text-anchor=end]')].map(t=>Number(t.textContent))"
    )
    assert max(ticks) - min(ticks) >= 1.0


def test_the_overlay_of_many_pulls_has_a_line_for_each(browser, sixty):
    browser.open(sixty)
    browser.click("details.over summary")
    browser.drawn()
    long = browser.js(
        "return [...document.querySelectorAll('#overlay-boost path.line')].filter(p=>p.getTotalLength()>100).length"
    )
    assert long == 60


@pytest.fixture(scope="module")
def many_lean(tmp_path_factory):
    """Thirty pulls, ten of them lean, the tenth most."""
    from tests.report.test_first_screen import lean, with_findings

    path = tmp_path_factory.mktemp("lean") / "night.html"
    night = with_findings(full_night(pulls=30, rate=20.0), lean(), range(10))
    write_report(night, path)
    return path.as_uri()


def test_of_many_pulls_that_failed_alike_the_worst_stands_open(browser, many_lean):
    browser.open(many_lean)
    open_ones = "return [...document.querySelectorAll('.card')].filter(c=>!c.querySelector(':scope > details > summary > h2')).map(c=>c.id)"
    assert browser.js(open_ones) == ["pull-10"]
    assert "mixture lean" in browser.js(
        "return document.querySelector('#pull-3 summary').innerText"
    )
    browser.js("location.hash='#finding-3'")
    browser.until("return document.querySelector('#pull-3 details').open", what="the fold")
    browser.drawn()  # what the fold holds is there by then
    assert browser.js("return document.querySelectorAll('#pull-3 .sheet td').length") >= 20
    assert browser.errors() == []


def test_pulls_that_failed_alike_print_whole_though_they_are_folded(browser, many_lean):
    browser.open(many_lean)
    figures, drawn, cells = lines_printed(browser)
    assert figures == drawn >= 10 * 15 and cells == 20
    assert browser.js("return document.querySelector('#pull-3 details').open") is False


def test_the_table_of_sixty_pulls_shows_twelve_until_it_is_unfolded(browser, sixty):
    browser.open(sixty)
    rows = "return [...document.querySelectorAll('.overview tbody tr')].filter(r=>r.checkVisibility()).length"
    assert browser.js(rows) == 12
    browser.click("details.rest summary")
    browser.until(rows.replace("return ", "return 60===") + "", what="all rows")
    assert (
        browser.js("return document.querySelector('.rest tbody tr').innerText").split()[1] == "13"
    )


@pytest.mark.parametrize("width", [320, 390, 768, 1440])
def test_many_pulls_with_findings_can_be_read_by_everybody(browser, many_lean, width):
    browser.size(width, 900)
    browser.scheme("dark" if width in (390, 1440) else "light")
    browser.open(many_lean)
    browser.js(
        "document.querySelectorAll('details.rest,details.over,#pull-3 details').forEach(d=>d.open=true)"
    )
    browser.drawn()
    assert browser.axe(*AA) == [] and browser.too_wide() <= 0


STATES = {
    "clear": "alder/2025-05-03_healthy",
    "stop": "rowan/2025-06-20_hose_off",
    "heat": "alder/2025-06-14_heat_soak",
    "not believed": "quince/2025-06-08_lambda_sensor",
    "by hand": "medlar/2025-05-22_by_hand",
}


@pytest.fixture(scope="module")
def states(tmp_path_factory):
    """A page of each state of a night: address by name."""
    from audit.archive.step.decide import with_decision
    from audit.night.screen import screen_night
    from tests.report.nights import SAMPLES

    folder = tmp_path_factory.mktemp("states")
    nights = {name: sample(night) for name, night in STATES.items()}
    log = SAMPLES / "alder" / "2025-05-03_healthy" / "run_1.csv"
    short = folder / "short.csv"
    short.write_text("\n".join(log.read_text(encoding="utf-8").split("\n")[:400]), encoding="utf-8")
    (folder / "photo.csv").write_bytes(b"\x89PNG\x00\x01" * 400)
    nights["no car file"] = screen_night([log], car=Car())
    nights["no pull"] = screen_night([short], car=Car())
    nights["unreadable"] = screen_night([folder / "photo.csv"], car=Car())
    nights["one of two unreadable"] = screen_night([log, folder / "photo.csv"], car=Car())
    for name, night in nights.items():
        write_report(with_decision(night), folder / f"{name}.html")
    return {name: (folder / f"{name}.html").as_uri() for name in nights}


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [320, 390, 768, 1440])
def test_every_state_says_what_to_do_and_can_be_read_by_everybody(browser, states, width, scheme):
    browser.size(width, 900)
    browser.scheme(scheme)
    for name, address in states.items():
        browser.open(address)
        browser.drawn()
        top, text = browser.js(
            "return [document.querySelector('.decision').getBoundingClientRect().top,document.querySelector('.verdict').innerText]"
        )
        assert top < 844 and "Look at first:" in text and "next duty" in text, name
        assert browser.axe(*AA) == [] and browser.too_wide() <= 0, name
        assert browser.errors() == [], name
