"""What a page costs: `python -m tests.benchmarks.bench_report [pulls]`, 10,000 by default.

Prints the making of a night's report as a ratio to the audit of the same night, in a warm and in a fresh process,
the report's size, and the answers of `serve` over an archive of that many pulls.
"""

from __future__ import annotations

import asyncio
import os
import re
import subprocess
import sys
import tempfile
import threading
import time
import urllib.request
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
NIGHT = ROOT / "sample_data" / "alder" / "2025-05-10_duty_steps"
CARS = 20

FRESH = """
import sys, time
from pathlib import Path
start = time.perf_counter()
import polars
from audit.request import Request, run
night = run(Request(paths=(Path(sys.argv[1]),))).night
middle = time.perf_counter()
from audit.report.html import render
render(night)
print(middle - start, time.perf_counter() - middle)
"""


def middle(runs: list[float]) -> float:
    return float(np.median(runs))


def report(times: int = 7) -> None:
    from audit.report.html import render
    from audit.request import Request, run

    audits, pages = [], []
    for _ in range(times):
        start = time.perf_counter()
        night = run(Request(paths=(NIGHT,))).night
        between = time.perf_counter()
        text = render(night)
        audits.append(between - start)
        pages.append(time.perf_counter() - between)
    told("warm process", middle(audits), middle(pages))
    found = [
        subprocess.run(
            [sys.executable, "-c", FRESH, str(NIGHT)],
            capture_output=True,
            text=True,
            check=True,
            cwd=ROOT,
        ).stdout.split()
        for _ in range(times)
    ]
    told(
        "fresh process", middle([float(a) for a, _ in found]), middle([float(b) for _, b in found])
    )
    print(f"page: {len(text.encode()) / 1e6:.2f} MB, {sum(len(a.pulls) for a in night.logs)} pulls")


def told(where: str, audit: float, page: float) -> None:
    print(
        f"{where}: audit {audit:.3f} s, report {page:.3f} s, {page / audit:.2f} of the audit",
        flush=True,
    )


def serve(pulls: int) -> None:
    from audit.archive.store.store import Archive
    from audit.service.web.web import application, listen, warm_up
    from tests.benchmarks.bench_archive import fill

    with tempfile.TemporaryDirectory() as folder:
        fill(Archive(Path(folder)), pulls, CARS)
        ready, box = threading.Event(), {}

        def run() -> None:
            async def begin() -> None:
                app = application(Path(folder))
                warm_up(app.settings["shelf"])
                box["port"] = listen(app, host="127.0.0.1", port=0)[1]
                ready.set()
                await asyncio.Event().wait()

            asyncio.run(begin())

        threading.Thread(target=run, daemon=True).start()
        ready.wait(120)
        base = f"http://127.0.0.1:{box['port']}"
        ask(base, "/", "all cars")
        page = ask(base, "/car?name=car+3", "a car's nights")
        night = re.search(r"/night\?id=[^\"]+", page)[0]
        ask(base, night, "a night")
        ask(base, "/compare?car=car+3", "pulls to compare")
        ask(base, "/trends?car=car+3", "trends, the page")
        ask(base, "/trends/part?car=car+3", "trends, its figures")
        ask(base, "/response?car=car+3", "duty and boost, the page")


def ask(base: str, path: str, what: str) -> str:
    taken = []
    for _ in range(4):
        start = time.perf_counter()
        with urllib.request.urlopen(base + path) as answer:
            text = answer.read().decode()
        taken.append(time.perf_counter() - start)
    print(f"{what}: first {taken[0]:.3f} s, then {middle(taken[1:]):.3f} s", flush=True)
    return text


def many(times: int = 3) -> None:
    """A page of sixty pulls against one of six, 24 channels each: bytes, and making it by the pull."""
    from audit.report.html import render
    from tests.report.nights import full_night

    size, taken = {}, {}
    for pulls in (6, 60):
        night = full_night(pulls=pulls, rate=20.0)
        runs = []
        for _ in range(times):
            start = time.perf_counter()
            text = render(night)
            runs.append(time.perf_counter() - start)
        size[pulls], taken[pulls] = len(text.encode()), middle(runs)
    told = ", ".join(f"{n} pulls {size[n] / 1e6:.2f} MB" for n in size)
    print(
        f"24 channels: {told}; by the pull {taken[60] / 60 / (taken[6] / 6):.2f} of the time of six"
    )


def processor_s(root: int) -> float:
    """Processor time of all processes below one, s, which what else the machine does hardly
    changes; 0 where the system does not tell it.
    """
    told, below = {}, {}
    for place in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = place.read_text().rpartition(")")[2].split()
        except OSError:  # it has ended
            continue
        told[int(place.parent.name)] = sum(map(int, fields[11:15]))
        below.setdefault(int(fields[1]), []).append(int(place.parent.name))
    found, todo = 0, [root]
    while todo:
        here = below.get(todo.pop(), [])
        found += sum(told[pid] for pid in here)
        todo += here
    return found / os.sysconf("SC_CLK_TCK") if told else 0.0


def paint(times: int = 12) -> None:
    """First paint and printing in Chromium: sixty pulls against six. Skipped without it."""
    from selenium import webdriver

    from audit.report.html import write_report
    from tests.browser.conftest import CHROMIUM, DRIVER, FLAGS, Browser
    from tests.report.nights import full_night

    if not CHROMIUM or not DRIVER:
        print("no Chromium: paint not measured")
        return
    options = webdriver.ChromeOptions()
    options.binary_location = CHROMIUM
    for flag in FLAGS:
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    service = webdriver.ChromeService(DRIVER)
    driver = webdriver.Chrome(options=options, service=service)
    first, printed, work, bytes_of = {6: [], 60: []}, {6: [], 60: []}, {6: 0.0, 60: 0.0}, {}
    try:
        browser = Browser(driver)
        with tempfile.TemporaryDirectory() as folder:
            for pulls in (6, 60):
                write_report(full_night(pulls=pulls, rate=20.0), Path(folder) / f"{pulls}.html")
            for _ in range(times):
                for pulls in (6, 60):  # by turns, so that what else the machine does hits both
                    browser.open((Path(folder) / f"{pulls}.html").as_uri())
                    first[pulls].append(
                        browser.until(
                            "const p=performance.getEntriesByName('first-contentful-paint')[0];return p&&p.startTime"
                        )
                    )
                    time.sleep(0.5)
                    before, start = processor_s(service.process.pid), time.perf_counter()
                    done = browser.cdp("Page.printToPDF", printBackground=True)
                    printed[pulls].append(time.perf_counter() - start)
                    time.sleep(0.2)  # the page goes back to the screen
                    work[pulls] += processor_s(service.process.pid) - before
                    bytes_of[pulls] = len(done["data"]) * 3 // 4
    finally:
        driver.quit()
    for what, taken in (("first paint", first), ("printing to PDF", printed)):
        least, usual = min(taken[60]) / min(taken[6]), middle(taken[60]) / middle(taken[6])
        print(f"{what}: sixty pulls {least:.2f} of six (least), {usual:.2f} (middle)")
    if work[6]:
        print(f"printing to PDF, processor time: sixty pulls {work[60] / work[6]:.2f} of six")
    print(f"PDF: six pulls {bytes_of[6] / 1e6:.2f} MB, sixty {bytes_of[60] / 1e6:.2f} MB")


if __name__ == "__main__":
    report()
    many()
    paint()
    serve(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000)
