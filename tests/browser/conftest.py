"""A real headless Chromium for the tests of pages; they are skipped where none is installed."""

from __future__ import annotations

import asyncio
import importlib.util
import json
import shutil
import sys
import threading
import time
from pathlib import Path

import pytest

ROOT = str(Path(__file__).parents[2])
if ROOT not in sys.path:
    sys.path.insert(0, ROOT)

CHROMIUM = (
    shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
)
DRIVER = shutil.which("chromedriver")
FLAGS = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--no-first-run",
    "--disable-dev-shm-usage",
    "--disable-component-update",
    "--hide-scrollbars",
)
WAIT_S = 300.0  # how long a failure takes to be told; no test is about time
# What a driver says where a page goes away while it is asked.
GONE = (
    "aborted by navigation",
    "execution context",
    "context with specified id",
    "unloaded",
    "detached",
)


class Browser:
    """One tab, with what the tests ask of it."""

    def __init__(self, driver):
        self.driver = driver
        self.size(1440, 900)
        self.scheme("light")

    def size(self, width, height):
        self.cdp(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=1,
            mobile=False,
        )
        self.until("return innerWidth===arguments[0]", width, what="the width")

    def scheme(self, name, media=""):
        """Light or dark; media: "print" for the styles of paper."""
        self.cdp(
            "Emulation.setEmulatedMedia",
            media=media,
            features=[{"name": "prefers-color-scheme", "value": name}],
        )
        self.until(
            "return matchMedia(`(prefers-color-scheme: ${arguments[0]})`).matches&&matchMedia(arguments[1]).matches",
            name,
            media or "screen",
            what="the scheme",
        )

    def cdp(self, command, **values):
        return self.driver.execute_cdp_cmd(command, values)

    def open(self, address):
        self.driver.get("about:blank")  # what the page before still asks for is not this one's
        self.driver.get_log("browser")
        self.driver.get_log("performance")
        self.driver.get(address)

    def js(self, text, *values):
        return self.driver.execute_script(text, *values)

    def until(self, text, *values, what="the page to get there"):
        from selenium.common.exceptions import WebDriverException

        end = time.monotonic() + WAIT_S
        while time.monotonic() < end:
            try:
                found = self.js(text, *values)
            except WebDriverException as error:
                if not any(said in str(error).lower() for said in GONE):
                    raise
                found = None
            if found:
                return found
            time.sleep(0.05)
        raise AssertionError(f"waited {WAIT_S:.0f} s for {what}: {text}")

    def click(self, css, says=""):
        """Click the first of the selector with these words: shown, and covered by nothing.

        It is brought into sight, looked for and clicked in one turn of the page, so that nothing
        that arrives meanwhile lies under the finger instead.
        """
        self.until(
            "const e=[...document.querySelectorAll(arguments[0])].find(e=>e.textContent.includes(arguments[1]));"
            "if(!e||!e.checkVisibility()||e.disabled)return false;"
            "e.scrollIntoView({block:'center',behavior:'instant'});const b=e.getClientRects()[0];"
            "if(!e.contains(document.elementFromPoint(b.left+b.width/2,b.top+b.height/2)))return false;"
            "e.click();return true",
            css,
            says,
            what=f"{css} to be clicked",
        )

    def drawn(self):
        """Go down the page until every plot that is not folded is drawn, and back up."""
        self.until(
            "return !document.querySelector('details[open] > noscript.folded')",
            what="what open folds hold",
        )
        self.until(
            "const f=[...document.querySelectorAll('.traces:not(.built),figure.panel,figure.chart')]"
            ".find(f=>f.checkVisibility()&&(f.matches('.traces')||!f.querySelector('.plot.ready')));"
            "if(f)f.scrollIntoView();return !f",
            what="the plots",
        )
        self.js("scrollTo(0,0)")

    def rested(self, text):
        """What a script finds, once it is the same over three frames."""
        return self.driver.execute_async_script(
            "const done=arguments[arguments.length-1],find=new Function(arguments[0]);let last='',still=0;"
            "const look=()=>{const now=find();still=String(now)===last?still+1:0;last=String(now);"
            "if(still>2)done(now);else requestAnimationFrame(look)};look()",
            text,
        )

    def errors(self):
        return [e["message"] for e in self.driver.get_log("browser") if e["level"] == "SEVERE"]

    def requests(self):
        """Addresses that the page asked for."""
        told = (json.loads(e["message"])["message"] for e in self.driver.get_log("performance"))
        return [
            m["params"]["request"]["url"]
            for m in told
            if m["method"] == "Network.requestWillBeSent"
        ]

    def find(self, css):
        return self.driver.find_element("css selector", css)

    def mouse(self, css, x_share, kind="mouseMoved", button="none", buttons=0):
        """A real mouse event at a share of an element's width, at its middle height, once it rests."""
        box = self.rested(
            f"const b=document.querySelector({css!r}).getBoundingClientRect();return [b.left,b.top,b.width,b.height]"
        )
        self.cdp(
            "Input.dispatchMouseEvent",
            type=kind,
            x=box[0] + box[2] * x_share,
            y=box[1] + box[3] / 2,
            button=button,
            buttons=buttons,
            clickCount=int(kind != "mouseMoved"),
        )

    def axe(self, *rules):
        """What axe-core finds wrong by the given rules or tags, as text."""
        spec = importlib.util.find_spec("axe_playwright_python")
        if spec is None:
            pytest.skip("axe-playwright-python is not installed")
        source = (Path(spec.submodule_search_locations[0]) / "axe.min.js").read_text(
            encoding="utf-8"
        )
        self.js(source)
        return self.driver.execute_async_script(
            "const done=arguments[arguments.length-1];axe.run(document,{runOnly:{type:'tag',values:arguments[0]},resultTypes:['violations']})"
            ".then(r=>done(r.violations.map(v=>v.id+': '+v.nodes.slice(0,4).map(n=>n.html.slice(0,160)+' '+n.failureSummary).join(' | '))))"
            ".catch(e=>done([String(e)]))",
            list(rules),
        )

    def too_wide(self):
        return self.js(
            "return document.documentElement.scrollWidth - document.documentElement.clientWidth"
        )


@pytest.fixture(scope="session")
def _driver():
    if not CHROMIUM or not DRIVER:
        pytest.skip(
            "no Chromium with chromedriver on this machine (Debian: apt-get install chromium chromium-driver)"
        )
    selenium = pytest.importorskip("selenium.webdriver", reason="selenium is not installed")
    options = selenium.ChromeOptions()
    options.binary_location = CHROMIUM
    for flag in FLAGS:
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    driver = selenium.Chrome(options=options, service=selenium.ChromeService(DRIVER))
    driver.set_script_timeout(WAIT_S)
    yield driver
    driver.quit()


@pytest.fixture
def browser(_driver):
    return Browser(_driver)


class Site:
    """The pages over an archive folder, served from a thread of its own."""

    def __init__(self, folder, **options):
        from audit.service.web.web import application, listen

        self.loop = asyncio.new_event_loop()
        ready = threading.Event()

        def run():
            asyncio.set_event_loop(self.loop)

            async def begin():
                self.server, self.port = listen(
                    application(folder, **options), host="127.0.0.1", port=0
                )
                ready.set()

            self.loop.run_until_complete(begin())
            self.loop.run_forever()

        self.thread = threading.Thread(target=run, daemon=True)
        self.thread.start()
        assert ready.wait(WAIT_S)
        self.address = f"http://127.0.0.1:{self.port}"

    def close(self):
        async def end():
            self.server.stop()
            await self.server.close_all_connections()

        asyncio.run_coroutine_threadsafe(end(), self.loop).result(10)
        self.loop.call_soon_threadsafe(self.loop.stop)
        self.thread.join(10)
        self.loop.close()


@pytest.fixture(scope="session")
def archive_folder(tmp_path_factory):
    """Two cars, three nights, a note."""
    from audit.archive.store.store import Archive
    from tests.report.nights import sample

    folder = tmp_path_factory.mktemp("archive")
    archive = Archive(folder)
    for name in (
        "alder/2025-05-03_healthy",
        "alder/2025-05-24_overshoot",
        "quince/2025-05-25_oscillation",
    ):
        archive.add(sample(name), date=name.split("/")[1][:10])
    archive.journal.add("alder", "fitted a new wastegate spring", date="2025-05-20")
    return folder


@pytest.fixture(scope="session")
def serving():
    """A function that serves an archive folder until the tests end."""
    open_sites = []

    def begin(folder, **options):
        open_sites.append(Site(folder, **options))
        return open_sites[-1]

    yield begin
    for made in open_sites:
        made.close()


@pytest.fixture(scope="session")
def site(archive_folder, serving):
    return serving(archive_folder)
