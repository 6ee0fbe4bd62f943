"""The pages over an archive, in a real browser."""

from pathlib import Path
from urllib.parse import quote

import pytest

SAMPLES = Path(__file__).parents[2] / "sample_data"
AA = ("wcag2a", "wcag2aa", "wcag21aa")
NASTY = "<script>document.title='owned'</script><img src=x onerror=document.title='owned'>"
LOG = SAMPLES / "alder" / "2025-05-24_overshoot" / "run_1.csv"


def arrived(browser):
    """Scroll to every part that comes late, and wait for it."""
    browser.until(
        "const p=[...document.querySelectorAll('.late[data-source]:not([data-begun])')].find(p=>p.checkVisibility());if(p)p.scrollIntoView();return !p",
        what="late parts to be asked for",
    )
    browser.until(
        "return [...document.querySelectorAll('.late')].every(p=>!p.checkVisibility()||!p.textContent.includes('when this part is reached')&&!p.textContent.includes('Working out'))"
    )
    assert (
        browser.js(
            "return [...document.querySelectorAll('.late')].filter(p=>p.textContent.includes('could not be fetched')).length"
        )
        == 0
    )


def night_address(browser, site, car, day):
    browser.open(f"{site.address}/car?name={quote(car)}")
    return browser.js(
        "return [...document.querySelectorAll('.nights a')].find(a=>a.textContent===arguments[0]).href",
        day,
    )


def test_all_cars_are_listed_with_their_last_verdict(browser, site):
    browser.open(site.address + "/")
    text = browser.js("return document.querySelector('table').innerText")
    assert "alder" in text and "hold" in text and "quince" in text and "stop" in text
    assert browser.errors() == []


def test_a_kept_night_shows_its_traces_and_sensors_when_reached(browser, site):
    browser.open(night_address(browser, site, "alder", "2025-05-24"))
    arrived(browser)
    browser.drawn()
    assert browser.js("return document.querySelectorAll('.card .plot.ready').length") >= 8
    assert "the log has no knock retard" in browser.js("return document.body.innerText")
    assert browser.js("return document.querySelectorAll('.sensors tbody tr').length") > 10
    assert browser.errors() == []


def test_a_link_to_a_mark_fetches_its_traces_first(browser, site):
    browser.open(night_address(browser, site, "alder", "2025-05-24"))
    browser.click("#finding-1 a.tomark")
    browser.until(
        "return document.activeElement && document.activeElement.id === 'mark-1'", what="the mark"
    )


def test_every_request_stays_on_this_machine(browser, site):
    browser.open(night_address(browser, site, "alder", "2025-05-24"))
    arrived(browser)
    assert [u for u in browser.requests() if not u.startswith((site.address, "data:"))] == []


def choose(browser, *paths):
    """Choose logs in the form; each is listed by then."""
    browser.find("input[type=file]").send_keys("\n".join(map(str, paths)))
    browser.until(
        "return document.querySelectorAll('.chosen li').length===arguments[0]",
        len(paths),
        what="the chosen logs",
    )


@pytest.mark.parametrize("width", [390, 1440])
def test_what_arrives_late_moves_nothing_under_a_finger(browser, site, width):
    """Each late part is held back until its lower end stands in mid-screen; what is below stays.

    24 px is the least size of what is pressed by WCAG 2.2, criterion 2.5.8.
    """
    browser.size(width, 844)
    address = night_address(browser, site, "alder", "2025-05-24")
    held = browser.cdp(
        "Page.addScriptToEvaluateOnNewDocument",
        source="const plain=window.fetch;let go;window.held=new Promise(r=>go=r);window.release=()=>{go();window.held=new Promise(r=>go=r)};"
        "window.fetch=async(...a)=>{await window.held;return plain(...a)}",
    )
    moved = {}
    try:
        browser.open(address)
        browser.js("document.querySelector('details.over').open=true")
        for n in range(browser.js("return document.querySelectorAll('.late').length")):
            place = f"const p=document.querySelectorAll('.late')[{n}];"
            below = (
                place
                + "let b=p;while(!b.nextElementSibling)b=b.parentElement;b=b.nextElementSibling;"
            )
            # anew until it rests: what comes into sight on the way may still take its room
            browser.until(
                place
                + "const at=p.getBoundingClientRect().bottom;if(Math.abs(at-422)<2)return true;scrollBy(0,at-422)",
                what="the place in mid-screen",
            )
            browser.until(place + "return p.dataset.begun==='yes'", what="its fetch")
            before = browser.js(below + "return b.getBoundingClientRect().top")
            browser.js("release()")
            browser.until(place + "return !p.querySelector(':scope > p')", what="the part")
            browser.until(
                place
                + "const t=p.querySelectorAll('.traces');return [...t].every(t=>t.matches('.built'))",
                what="its traces",
            )
            after = browser.rested(below + "return b.getBoundingClientRect().top")
            source = browser.js(place + "return p.dataset.source.split('?')[0]")
            moved[n, source] = abs(after - before)
    finally:
        browser.cdp("Page.removeScriptToEvaluateOnNewDocument", **held)
    assert len(moved) >= 6 and {s for _, s in moved} == {
        "/duty",
        "/overlay",
        "/traces",
        "/evidence",
    }
    assert max(moved.values()) < 24, moved


def upload(browser, site, path, *, car="", keep=False):
    browser.open(site.address + "/")
    choose(browser, path)
    browser.js("document.querySelector('select[name=car]').value=arguments[0]", car)
    if keep:
        browser.click("input[name=keep]")
    browser.click("form.drop button[data-do=screen]")
    browser.until("return !!document.querySelector('header.verdict')", what="the verdict")


def test_an_uploaded_log_is_screened(browser, site):
    upload(browser, site, LOG)
    assert browser.js("return document.querySelector('h1 .word').textContent") == "Hold"
    assert "run_1.csv" in browser.js("return document.body.innerText")
    browser.drawn()
    assert browser.js("return document.querySelectorAll('.card .plot.ready').length") >= 8
    assert browser.errors() == []


def test_a_dropped_log_is_screened(browser, site):
    browser.open(site.address + "/")
    browser.js(
        "const t=new DataTransfer();t.items.add(new File([arguments[0]],'dropped.csv'));"
        "document.querySelector('form.drop').dispatchEvent(new DragEvent('drop',{dataTransfer:t,bubbles:true,cancelable:true}))",
        LOG.read_text(encoding="utf-8-sig"),
    )
    browser.until("return !!document.querySelector('header.verdict')", what="the verdict")
    assert "dropped.csv" in browser.js("return document.body.innerText")


def test_a_kept_upload_joins_the_archive(browser, serving, tmp_path):
    from audit.archive.store.store import Archive
    from tests.report.nights import sample

    Archive(tmp_path).add(sample("alder/2025-05-03_healthy"), date="2025-05-03")
    upload(
        browser,
        serving(tmp_path),
        SAMPLES / "alder" / "2025-05-17_lean_top" / "run_1.csv",
        car="alder",
        keep=True,
    )
    assert "/night?id=" in browser.js("return location.href")
    assert browser.js("return document.querySelector('h1 .word').textContent") == "Stop"


def test_a_log_that_carries_a_script_shows_it_as_text(browser, site, tmp_path):
    lines = ["time (s),rpm,TPS (%),MAP (kPa),lambda," + NASTY + ",x (" + NASTY + ")"]
    lines += [f"{i / 20:.2f},{2500 + 20 * i},100,180,0.8,1,2" for i in range(160)]
    path = tmp_path / "a&b<i>.csv"
    path.write_text("\n".join(lines), encoding="utf-8")
    upload(browser, site, path)
    assert (
        browser.js("return document.querySelectorAll('main img, main i:not(.swatch)').length") == 0
    )
    assert "owned" not in browser.js("return document.title")
    assert NASTY in browser.js("return document.querySelector('.sensors').textContent")
    assert browser.errors() == []


def test_two_pulls_lie_over_each_other(browser, site):
    browser.open(f"{site.address}/compare?car=alder")
    browser.js(
        "const [a,b]=document.querySelectorAll('form.choose select');const o=[...a.options].filter(o=>o.text.includes(', pull '));"
        "a.value=o[0].value;b.value=o[1].value"
    )
    browser.click("form.choose button")
    browser.until("return !!document.querySelector('.pairs')", what="the measures")
    browser.drawn()
    labels = browser.js(
        "return [...document.querySelectorAll('#overlay-boost .entry')].map(e=>e.textContent.trim())"
    )
    assert sum("pull" in t for t in labels) >= 2
    browser.find("#overlay-boost").send_keys("\ue014")
    values = browser.js(
        "return [...document.querySelectorAll('#overlay-boost output')].map(o=>o.textContent)"
    )
    assert sum(v != "–" for v in values) >= 2
    assert browser.js("return document.querySelectorAll('.pairs tbody tr').length") > 5
    assert browser.errors() == []


@pytest.fixture(scope="module")
def two_nights(tmp_path_factory, serving):
    """One car: a healthy night, then one that holds."""
    from audit.archive.store.store import Archive
    from tests.report.nights import sample

    folder = tmp_path_factory.mktemp("two")
    for name in ("alder/2025-05-03_healthy", "alder/2025-05-24_overshoot"):
        Archive(folder).add(sample(name), date=name.split("/")[1][:10])
    return serving(folder)


def test_tonight_stands_against_the_last_clear_night(browser, two_nights):
    site = two_nights
    browser.open(f"{site.address}/compare?car=alder")
    browser.click("main a", "last clear night")
    browser.until("return !!document.querySelector('.pairs')", what="the measures")
    heads = browser.js("return document.querySelector('.pairs thead').innerText")
    assert "2025-05-03" in heads
    overshoot = browser.js(
        "return [...document.querySelectorAll('.pairs tbody tr')].find(r=>r.innerText.startsWith('overshoot')).innerText"
    )
    assert "yes" in overshoot  # 3 psi against none differs for certain


def test_the_plan_is_a_page(browser, site):
    browser.open(f"{site.address}/plan?car=alder")
    browser.until("return !document.body.innerText.includes('Working out')", what="the plan")
    text = browser.js("return document.body.innerText")
    assert "Look" in text and "No step up" in text  # the newest night of this car holds or stops
    assert browser.axe(*AA) == [] and browser.errors() == []


def test_an_upload_tells_its_stages_and_takes_several_files(browser, site):
    browser.open(site.address + "/")
    browser.js(
        "window.told=[];new MutationObserver(all=>told.push(...all.flatMap(r=>[...r.addedNodes]).map(n=>n.textContent)))"
        ".observe(document.querySelector('form.drop [role=status]'),{childList:true});"
        "sessionStorage.told='';addEventListener('pagehide',()=>{sessionStorage.told=JSON.stringify(told)})"
    )
    night = SAMPLES / "alder" / "2025-05-17_lean_top" / "run_1.csv"
    choose(browser, LOG, night)
    browser.click("form.drop button[data-do=screen]")
    browser.until("return !!document.querySelector('header.verdict')", what="the verdict")
    told = browser.js("return JSON.parse(sessionStorage.told)")
    assert any("MB of" in t for t in told) and any("Reading run_1.csv: 2 of 2" in t for t in told)


def test_an_upload_can_be_stopped(browser, site):
    browser.open(site.address + "/")
    choose(browser, LOG)
    browser.js(
        "document.querySelector('form.drop button[data-do=screen]').click();document.querySelector('[data-do=stop]').click()"
    )
    browser.until(
        "return document.querySelector('form.drop [role=status]').textContent.startsWith('Stopped')"
    )
    assert browser.js("return document.querySelector('[data-do=screen]').disabled") is False


def test_the_first_screen_is_alike_everywhere(browser, two_nights, tmp_path):
    """Report, kept night and upload show the same facts of one night."""
    from audit.archive.step.decide import with_decision
    from audit.report.html import write_report
    from tests.report.nights import sample

    site = two_nights
    facts = "return [...document.querySelectorAll('.decide .decision, .facts dt, .facts dd, .worst strong')].map(e=>e.textContent.trim())"
    path = tmp_path / "night.html"
    write_report(with_decision(sample("alder/2025-05-24_overshoot")), path)
    browser.open(path.as_uri())
    report = browser.js(facts)
    assert len(report) > 4
    upload(browser, site, LOG, car="alder")
    assert browser.js(facts) == report
    browser.open(night_address(browser, site, "alder", "2025-05-24"))
    assert browser.js(facts) == report
    browser.until("return !!document.querySelector('.decide svg.drawing')", what="the picture")
    assert "2025-05-03" in browser.js("return document.querySelector('.sheet thead').innerText")


@pytest.fixture(scope="module")
def long_history(tmp_path_factory):
    """A car of 40 nights whose overshoot shifts, with a note; rows without logs."""
    import numpy as np

    from audit.archive.store.store import Archive
    from tests.archive.rows import put_rows
    from tests.benchmarks.bench_archive import _batch

    archive = Archive(tmp_path_factory.mktemp("history"))
    nights, pulls, logs = _batch(np.random.default_rng(5), range(40), 1, 40)
    days = sorted(n["date"] for n in nights)
    late = {n["night_id"] for n in nights if n["date"] > days[25]}
    for pull in pulls:
        pull["boost_settled_kpa"] -= 25 * (pull["night_id"] in late)
    put_rows(archive, nights, pulls, logs)
    archive.journal.add("car 0", "fitted new injectors", date=days[10])
    return archive.root


@pytest.fixture(scope="module")
def history(long_history, serving):
    return serving(long_history)


def test_trends_are_drawn_with_limits_and_notes(browser, history):
    browser.open(f"{history.address}/trends?car=car%200")
    arrived(browser)
    browser.drawn()
    assert browser.js("return document.querySelectorAll('figure.chart .plot.ready').length") >= 2
    text = browser.js("return document.body.innerText")
    assert "shifted" in text and "fitted new injectors" in text
    specs = browser.js(
        "return [...document.querySelectorAll('figure.chart script')].map(s=>JSON.parse(s.textContent))"
    )
    layers = [layer for spec in specs for layer in spec["layers"]]
    assert any(layer.get("role") == "limit" for layer in layers)
    assert any(layer["kind"] == "upright" and "injectors" in layer["text"] for layer in layers)
    assert browser.errors() == []


PAGES = [
    "/",
    "/car?name=alder",
    "/compare?car=alder",
    "/plan?car=alder",
    "/trends?car=alder",
    "/response?car=alder",
    "/no-such-page",
]


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [1440, 768, 390, 320])
def test_every_page_can_be_read_by_everybody(browser, site, scheme, width):
    browser.size(width, 900)
    browser.scheme(scheme)
    for page in PAGES:
        browser.open(site.address + page)
        arrived(browser)
        assert browser.axe(*AA) == [], page
        assert browser.too_wide() <= 0, page


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_an_empty_archive_says_how_to_begin(browser, serving, tmp_path, scheme):
    browser.scheme(scheme)
    browser.open(serving(tmp_path / "none").address + "/")
    for width in (1440, 768, 390, 320):
        browser.size(width, 900)
        assert browser.axe(*AA) == [] and browser.too_wide() <= 0, width
    assert "--car CAR.toml --archive DIR" in browser.js("return document.body.innerText")
    assert browser.js("return document.querySelectorAll('input[name=keep]').length") == 0


def test_every_chart_is_told_in_words(browser, history):
    browser.open(f"{history.address}/trends?car=car%200")
    arrived(browser)
    assert browser.js(
        "return [...document.querySelectorAll('figure.chart')].every(f=>f.querySelector('.aural').textContent.length>20)"
    )


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [1440, 768, 390, 320])
def test_a_night_and_an_upload_can_be_read_by_everybody(browser, site, width, scheme):
    browser.size(width, 900)
    browser.scheme(scheme)
    browser.open(night_address(browser, site, "alder", "2025-05-24"))
    arrived(browser)
    browser.drawn()
    assert browser.axe(*AA) == [] and browser.too_wide() <= 0
    upload(browser, site, LOG)
    browser.drawn()
    assert browser.axe(*AA) == [] and browser.too_wide() <= 0


def test_all_pulls_of_a_kept_night_lie_over_each_other_once_asked_for(browser, two_nights):
    browser.open(night_address(browser, two_nights, "alder", "2025-05-24"))
    arrived(browser)
    browser.drawn()
    assert browser.js("return document.querySelector('#overlay-boost') === null")
    browser.click("details.over summary")
    browser.until("return !!document.querySelector('.over .traces')", what="the overlay")
    browser.drawn()
    assert browser.js("return document.querySelectorAll('#overlay-boost .line').length") >= 3
    assert browser.errors() == []


def test_a_kept_night_is_drawn_on_the_curve_of_all_nights_and_no_step_where_there_is_none(
    browser, two_nights
):
    browser.open(night_address(browser, two_nights, "alder", "2025-05-24"))
    browser.js("document.querySelector('.late.duty').scrollIntoView()")
    browser.until("return !!document.querySelector('.duty svg path.line')", what="the curve")
    text = browser.js("return document.querySelector('.duty').textContent")
    assert "car's limit" in text and "next" not in text.lower()
    assert browser.axe(*AA) == [] and browser.errors() == []


def test_the_list_of_cars_says_what_the_newest_night_decides(browser, serving, tmp_path):
    from audit.archive.step.decide import with_decision
    from audit.archive.store.store import Archive
    from tests.report.nights import sample

    night = with_decision(sample("rowan/2025-05-16_healthy"))
    Archive(tmp_path).add(night, date="2025-05-16")
    site = serving(tmp_path)
    browser.open(site.address + "/")
    row = browser.js("return document.querySelector('tbody tr').innerText")
    browser.open(night_address(browser, site, "rowan", "2025-05-16"))
    decided = browser.js("return document.querySelector('.decision').textContent")
    assert "clear" in row and decided.lower() in row


def test_a_comparison_fits_a_phone(browser, two_nights):
    browser.size(390, 844)
    browser.open(f"{two_nights.address}/compare?car=alder")
    browser.click("main a", "last clear night")
    browser.until("return !!document.querySelector('.pairs')", what="the measures")
    assert browser.js(
        "const s=document.querySelector('.pairs').parentElement;return s.scrollWidth<=s.clientWidth"
    )


@pytest.mark.parametrize(("width", "scheme"), [(1440, "light"), (768, "dark"), (320, "light")])
def test_forty_nights_can_be_read_by_everybody(browser, history, width, scheme):
    browser.size(width, 900)
    browser.scheme(scheme)
    for page in ("/car?name=car%200", "/trends?car=car%200", "/response?car=car%200"):
        browser.open(history.address + page)
        arrived(browser)
        browser.drawn()
        assert browser.axe(*AA) == [] and browser.too_wide() <= 0, page


def test_a_log_that_cannot_be_read_is_said_after_an_upload(browser, site, tmp_path):
    path = tmp_path / "photo.csv"
    path.write_bytes(b"\x89PNG\x00\x01" * 400)
    upload(browser, site, path)
    text = browser.js("return document.body.innerText")
    assert "photo.csv could not be read" in text and "No step up" in text
    assert browser.axe(*AA) == [] and browser.errors() == []


def test_a_night_is_not_offered_against_its_own_pull(browser, two_nights):
    browser.open(f"{two_nights.address}/compare?car=alder")
    first, second = browser.js(
        "return [...document.querySelectorAll('form.choose select')].map(s=>s.selectedOptions[0].textContent)"
    )
    assert first.startswith("2025-05-24") and second.startswith("2025-05-03")
    browser.js(
        "const [a,b]=document.querySelectorAll('form.choose select');b.selectedIndex=a.selectedIndex+1;"
        "document.querySelector('form.choose').submit()"
    )
    browser.until("return document.body.innerText.includes('says nothing')", what="the sentence")
    assert browser.js("return document.querySelector('.pairs') === null")
    assert browser.errors() == []


def test_the_text_for_the_tuner_is_that_of_the_command(browser, two_nights):
    from audit.archive.step.decide import with_decision
    from audit.report.message import message
    from tests.report.nights import sample

    night = with_decision(sample("alder/2025-05-24_overshoot"))
    browser.open(night_address(browser, two_nights, "alder", "2025-05-24"))
    lines = browser.js("return document.getElementById('message').textContent").splitlines()
    assert lines == message(night, date="2025-05-24") and len(lines) <= 8


@pytest.fixture(scope="module")
def one_night(tmp_path_factory, serving):
    """One clear night of one car."""
    from audit.archive.step.decide import with_decision
    from audit.archive.store.store import Archive
    from tests.report.nights import sample

    folder = tmp_path_factory.mktemp("one")
    Archive(folder).add(with_decision(sample("alder/2025-05-03_healthy")), date="2025-05-03")
    return serving(folder)


def test_of_one_night_two_pulls_are_offered_to_compare(browser, one_night):
    browser.size(390, 844)
    browser.open(f"{one_night.address}/compare?car=alder")
    browser.click("form.choose button")
    browser.until("return !!document.querySelector('.pairs')", what="the measures")
    browser.drawn()
    key = browser.js("return document.querySelector('#overlay-boost .entry').textContent")
    assert "2025-05-03, pull 1, gear 3, 66.3 %" in key
    assert browser.too_wide() <= 0 and browser.axe(*AA) == []


def test_plan_and_response_tell_the_decision_of_the_first_screen(browser, one_night):
    told = "return [...document.querySelectorAll('.decision, .facts dt, .facts dd')].map(e=>e.textContent.trim())"
    browser.open(night_address(browser, one_night, "alder", "2025-05-03"))
    first = browser.js(told)
    assert first[0] == "Stay" and "set to about 66.3 % gear 3" in first
    for page in ("plan", "response"):
        browser.open(f"{one_night.address}/{page}?car=alder")
        browser.until("return !!document.querySelector('.decision')", what="the decision")
        assert browser.js(told) == first, page


@pytest.mark.parametrize("width", [320, 390])
def test_no_day_of_a_chart_of_nights_is_cut(browser, history, width):
    browser.size(width, 844)
    browser.open(f"{history.address}/trends?car=car%200")
    arrived(browser)
    browser.drawn()
    cut = browser.js(
        "return [...document.querySelectorAll('figure.chart svg text')].filter(t=>/^\\d{4}-\\d\\d-\\d\\d$/.test(t.textContent))"
        ".map(t=>[t.getBoundingClientRect(),t.closest('.plot').getBoundingClientRect()]).map(([a,b])=>a.right<=b.right+1&&a.left>=b.left-1)"
    )
    assert len(cut) >= 6 and all(cut)
