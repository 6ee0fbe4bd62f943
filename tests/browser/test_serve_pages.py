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
        "const p=document.querySelector('.late[data-source]:not([data-begun])');if(p)p.scrollIntoView();return !p",
        what="late parts to be asked for",
    )
    browser.until(
        "return [...document.querySelectorAll('.late')].every(p=>!p.textContent.includes('when this part is reached')&&!p.textContent.includes('Working out'))"
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
    browser.until("return document.querySelectorAll('.plot.ready').length >= 3")
    assert "the log has no knock retard" in browser.js("return document.body.innerText")
    assert browser.js("return document.querySelectorAll('.sensors tbody tr').length") > 10
    assert browser.errors() == []


def test_a_link_to_a_mark_fetches_its_traces_first(browser, site):
    browser.open(night_address(browser, site, "alder", "2025-05-24"))
    browser.js("document.querySelector('#finding-1 a.tomark').click()")
    browser.until(
        "return document.activeElement && document.activeElement.id === 'mark-1'", what="the mark"
    )


def test_every_request_stays_on_this_machine(browser, site):
    browser.open(night_address(browser, site, "alder", "2025-05-24"))
    arrived(browser)
    assert [u for u in browser.requests() if not u.startswith((site.address, "data:"))] == []


def upload(browser, site, path, *, car="", keep=False):
    browser.open(site.address + "/")
    browser.find("input[type=file]").send_keys(str(path))
    browser.js("document.querySelector('select[name=car]').value=arguments[0]", car)
    if keep:
        browser.find("input[name=keep]").click()
    browser.find("form.drop button").click()
    browser.until("return !!document.querySelector('header.verdict')", what="the verdict")


def test_an_uploaded_log_is_screened(browser, site):
    upload(browser, site, LOG)
    assert browser.js("return document.querySelector('h1 .word').textContent") == "Hold"
    assert "run_1.csv" in browser.js("return document.body.innerText")
    browser.until("return document.querySelectorAll('.plot.ready').length >= 3")
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


def test_a_kept_upload_joins_the_archive(browser, site):
    upload(
        browser,
        site,
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
    assert browser.js("return document.querySelectorAll('main img, main i').length") == 0
    assert "owned" not in browser.js("return document.title")
    assert NASTY in browser.js("return document.querySelector('.sensors').textContent")
    assert browser.errors() == []


def test_two_pulls_lie_over_each_other(browser, site):
    browser.open(f"{site.address}/compare?car=alder")
    browser.find("form.choose button").click()
    browser.until("return document.querySelectorAll('.plot.ready').length >= 3")
    labels = browser.js(
        "return [...document.querySelectorAll('#overlay-boost .entry')].map(e=>e.textContent.trim())"
    )
    assert any("Boost, first" in t for t in labels) and any("Boost, second" in t for t in labels)
    browser.find("#overlay-boost").send_keys("\ue014")
    values = browser.js(
        "return [...document.querySelectorAll('#overlay-boost output')].map(o=>o.textContent)"
    )
    assert sum(v != "–" for v in values) >= 2
    assert browser.errors() == []


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
    browser.until(
        "return document.querySelectorAll('figure.chart .plot.ready').length >= 2", what="charts"
    )
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
    "/trends?car=alder",
    "/response?car=alder",
    "/no-such-page",
]


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [1440, 390])
def test_every_page_can_be_read_by_everybody(browser, site, scheme, width):
    browser.size(width, 900)
    browser.scheme(scheme)
    for page in PAGES:
        browser.open(site.address + page)
        arrived(browser)
        assert browser.axe(*AA) == [], page
        assert browser.too_wide() <= 0, page


def test_an_empty_archive_says_how_to_begin(browser, serving, tmp_path):
    browser.open(serving(tmp_path / "none").address + "/")
    assert "--car CAR.toml --archive DIR" in browser.js("return document.body.innerText")
    assert browser.js("return document.querySelectorAll('input[name=keep]').length") == 0


def test_every_chart_is_told_in_words(browser, history):
    browser.open(f"{history.address}/trends?car=car%200")
    arrived(browser)
    assert browser.js(
        "return [...document.querySelectorAll('figure.chart')].every(f=>f.querySelector('.aural').textContent.length>20)"
    )


@pytest.mark.parametrize(("width", "scheme"), [(1440, "dark"), (390, "light")])
def test_a_night_and_an_upload_can_be_read_by_everybody(browser, site, width, scheme):
    browser.size(width, 900)
    browser.scheme(scheme)
    browser.open(night_address(browser, site, "alder", "2025-05-24"))
    arrived(browser)
    browser.until("return document.querySelectorAll('.plot.ready').length >= 3")
    assert browser.axe(*AA) == [] and browser.too_wide() <= 0
    upload(browser, site, LOG)
    browser.until("return document.querySelectorAll('.plot.ready').length >= 3")
    assert browser.axe(*AA) == [] and browser.too_wide() <= 0
