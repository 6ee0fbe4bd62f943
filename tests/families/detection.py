"""Probability of detection of each code against the size of its fault, over families that differ in kind.

    python tests/families/detection.py [--each 300] [--codes C1,C2] [--families F1,F2] [--sizes 0.8,1.25]
        [--seed 1000] [--minutes M] [--held DIR] [--write]

A size of 1 is the code's hold limit. Of each code and each of the goals' sizes at least --each nights are drawn, spread
evenly over the families that carry it, and screened in process, round after round through all cells, so that a run cut
short by --minutes has seen all of them alike. Seeds 1000 to 1999 are
for tuning; the tables in docs/figures.md come from 500000 on. --held loads a package of further families with the same
interface: FAMILIES, each with healthy(seed, folder) and faulty(code, size, seed, folder), and CODES or carries.

Method: detection against flaw size with exact binomial bounds, as MIL-HDBK-1823A (Nondestructive evaluation system
reliability assessment, 2009) has it for hit and miss.
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import os
import random
import shutil
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from dataclasses import dataclass, field
from multiprocessing import get_context
from pathlib import Path
from typing import Any

os.environ.setdefault("POLARS_MAX_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
HERE = Path(__file__).parent
sys.path[:0] = [str(HERE.parent), str(HERE.parents[1])]
SIZES = (0.5, 0.8, 1.0, 1.25, 2.0)
FIRST_ROUND = (1.25, 0.8)  # the sizes that the goals speak of come first
CURVE_EACH = 45  # nights of a code at each of the other sizes, which only draw the curve
HEALTHY_EACH = 100  # healthy nights of a family, at most
GOAL, CONFIDENCE = 0.99, 0.95
# What is told but holds nothing by itself: a few bad readings left out, tyres that let go.
NO_HOLD = frozenset({"sensor.dropout", "sensor.spike", "traction.wheelspin"})
RANK = ("note", "watch", "hold", "stop")
PAGE = HERE.parents[1] / "docs" / "figures.md"
PLOT = PAGE.with_name("detection.svg")
BEGIN, END = "<!-- detection: begin -->", "<!-- detection: end -->"


@dataclass(frozen=True)
class Job:
    """One night: a family's, with a fault of a size, or healthy where code is empty."""

    family: str
    code: str
    size: float
    seed: int


@dataclass(frozen=True)
class Outcome:
    """Verdict of a night, the worst severity of each code raised, and its first reason."""

    verdict: str
    codes: Mapping[str, str] = field(default_factory=dict)
    reason: str = ""


@dataclass
class Count:
    """Nights of a cell: n, code raised at watch or worse, held or stopped for it, not clear."""

    n: int = 0
    found: int = 0
    held: int = 0
    unclear: int = 0

    def add(self, other: Count) -> None:
        self.n += other.n
        self.found += other.found
        self.held += other.held
        self.unclear += other.unclear


def bounds(hits: int, n: int, *, alpha: float = 1.0 - CONFIDENCE) -> tuple[float, float]:
    """Exact (Clopper-Pearson) interval of a share, alpha / 2 on either side.

    Source: C. J. Clopper and E. S. Pearson, Biometrika 26 (1934); MIL-HDBK-1823A names it for hits and misses.
    """
    from scipy.special import betaincinv

    low = float(betaincinv(hits, n - hits + 1, 0.5 * alpha)) if hits else 0.0
    high = float(betaincinv(hits + 1, n - hits, 1.0 - 0.5 * alpha)) if hits < n else 1.0
    return low, high


def proven(hits: int, n: int) -> float:
    """The share that is exceeded with 95 % confidence: the one-sided lower bound. 29 of 29 prove 0.90."""
    return bounds(hits, n, alpha=2.0 * (1.0 - CONFIDENCE))[0] if n else 0.0


# families --------------------------------------------------------------------------------------
def load(held: Path | None = None) -> dict[str, Any]:
    """Families by name, those of a package elsewhere put behind. Raises SystemExit with a sentence."""
    from families.families import FAMILIES

    found: dict[str, Any] = dict(FAMILIES)
    if held is not None:
        found |= _held(held)
    return found


def _held(folder: Path) -> dict[str, Any]:
    start = folder / "__init__.py"
    if not start.is_file():
        raise SystemExit(f"--held {folder}: no package there (__init__.py is missing)")
    name = "held_families"
    spec = importlib.util.spec_from_file_location(
        name, start, submodule_search_locations=[str(folder)]
    )
    if spec is None or spec.loader is None:
        raise SystemExit(f"--held {folder}: it cannot be imported")
    sys.path.insert(0, str(folder.parent))
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    if not hasattr(module, "FAMILIES"):
        module = importlib.import_module(f"{name}.families")
    every = module.FAMILIES
    if isinstance(every, Mapping):
        return {f"{key} (held back)": family for key, family in every.items()}
    names = [getattr(family, "name", None) or family.__name__ for family in every]
    return {f"{key} (held back)": family for key, family in zip(names, every, strict=True)}


def carried(family: Any) -> list[str]:
    """Codes that a family's channels can carry, in order."""
    codes = getattr(family, "carries", None)
    if codes is None:
        codes = getattr(sys.modules[type(family).__module__], "CODES", ())
    return sorted(codes)


# one night -------------------------------------------------------------------------------------
def screen(folder: Path, args: Sequence[str]) -> Outcome:
    """The outcome of `pullaudit screen` on a folder, in this process."""
    from click.testing import CliRunner

    from audit.cli.screen import command

    out = folder.with_suffix(".json")
    called = CliRunner().invoke(command, [str(folder), "--json", str(out), "--workers", "1", *args])
    if not out.exists():
        return Outcome("none", reason=f"exit {called.exit_code}: {called.output[-300:]}")
    night = json.loads(out.read_text(encoding="utf-8"))
    codes: dict[str, str] = {}
    for finding in _findings(night):
        code, severity = finding["code"], finding["severity"]
        if RANK.index(severity) > RANK.index(codes.get(code, "note")) or code not in codes:
            codes[code] = severity
    return Outcome(night["verdict"], codes, (night["reasons"] or [""])[0])


def _findings(night: dict[str, Any]) -> Iterator[dict[str, Any]]:
    yield from night["findings"]
    for log in night["logs"]:
        yield from log["findings"]
        for pull in log["pulls"]:
            yield from pull["findings"]


def one(job: Job, held: Path | None = None) -> tuple[Job, Outcome | None]:
    """Write a night, screen it, forget it; None where the family cannot carry the fault."""
    family = load(held)[job.family]
    root = Path(tempfile.mkdtemp(prefix="detection_"))
    try:
        night = root / "night"
        night.mkdir()
        if job.code:
            args = family.faulty(job.code, job.size, job.seed, night)
        else:
            args = family.healthy(job.seed, night)
        return job, None if args is None else screen(night, args)
    except Exception as error:  # a night that fails is a figure too, not the end of the run
        return job, Outcome("none", reason=f"{type(error).__name__}: {error}")
    finally:
        shutil.rmtree(root, ignore_errors=True)


def count(job: Job, outcome: Outcome) -> Count:
    """What one night adds to its cell."""
    severity = outcome.codes.get(job.code, "")
    return Count(
        1,
        int(severity in RANK[1:] or (job.code.startswith("sensor.") and severity == "note")),
        int(severity in ("hold", "stop")),
        int(outcome.verdict != "clear"),
    )


# many ------------------------------------------------------------------------------------------
def jobs_of(
    families: Mapping[str, Any],
    *,
    each: int,
    seed: int,
    codes: Sequence[str] = (),
    sizes: Sequence[float] = SIZES,
) -> list[Job]:
    """Every cell once a round, in a drawn order, until a code has had its nights: each at the goals' sizes,
    CURVE_EACH at the others. The goals' sizes come first in a round, with two healthy nights of each family.
    """
    draw = random.Random(seed)
    carriers: dict[str, list[str]] = defaultdict(list)
    for name, family in families.items():
        for code in carried(family):
            if not codes or code in codes:
                carriers[code].append(name)
    jobs: list[Job] = []
    for i in range(each):
        parts: list[list[Job]] = [[], []]
        for code, names in carriers.items():
            for size in sizes:
                goal = size in FIRST_ROUND
                wanted = each if goal else min(each, CURVE_EACH)
                if i * len(names) < wanted:
                    parts[not goal] += [Job(name, code, size, seed + i) for name in names]
        if 2 * i < HEALTHY_EACH:
            parts[0] += [Job(name, "", 0.0, seed + 2 * i + k) for name in families for k in (0, 1)]
        for part in parts:
            draw.shuffle(part)
            jobs += part
    return jobs


def run(
    jobs: Sequence[Job], *, workers: int, minutes: float | None, held: Path | None
) -> list[tuple[Job, Outcome]]:
    """Outcomes of the jobs, in the order they came; none is begun after so many minutes."""
    end = None if minutes is None else time.monotonic() + 60.0 * minutes
    done: list[tuple[Job, Outcome]] = []
    ahead = iter(jobs)
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        open_: set[Future[tuple[Job, Outcome | None]]] = set()
        while True:
            while len(open_) < 4 * workers and (end is None or time.monotonic() < end):
                job = next(ahead, None)
                if job is None:
                    break
                open_.add(pool.submit(one, job, held))
            if not open_:
                return done
            ready, open_ = wait(open_, return_when=FIRST_COMPLETED)
            for future in ready:
                job, outcome = future.result()
                if outcome is not None:
                    done.append((job, outcome))


Cells = dict[tuple[str, str, float], Count]


def cells_of(done: Sequence[tuple[Job, Outcome]]) -> Cells:
    """Counts by family, code and size."""
    cells: Cells = defaultdict(Count)
    for job, outcome in done:
        cells[job.family, job.code, job.size].add(count(job, outcome))
    return dict(cells)


def over(cells: Cells, *, code: str, size: float, family: str = "") -> Count:
    """Counts of a code and size over all families, or one."""
    total = Count()
    for (its_family, its_code, its_size), more in cells.items():
        if its_code == code and its_size == size and family in {"", its_family}:
            total.add(more)
    return total


# report ----------------------------------------------------------------------------------------
def report(cells: Cells, done: Sequence[tuple[Job, Outcome]], families: Mapping[str, Any]) -> str:
    """The tables, as Markdown."""
    return "\n".join(
        [*_healthy(cells, done, families), "", *_codes(cells), "", *_short(cells, done)]
    )


def _healthy(
    cells: Cells, done: Sequence[tuple[Job, Outcome]], families: Mapping[str, Any]
) -> list[str]:
    lines = [
        "| family | healthy nights | clear | share, 95 % interval | first reason of one that was not |",
        "| --- | --- | --- | --- | --- |",
    ]
    for name, family in families.items():
        cell = over(cells, code="", size=0.0, family=name)
        if not cell.n:
            continue
        clear = cell.n - cell.unclear
        why = next(
            (o.reason for j, o in done if j.family == name and not j.code and o.verdict != "clear"),
            "",
        )
        low, high = bounds(clear, cell.n)
        can = "" if getattr(family, "can_clear", True) else " (its rate cannot carry all checks)"
        share = f"{_pct(clear / cell.n)}, {_pct(low)} to {_pct(high)}"
        lines.append(f"| {name}{can} | {cell.n} | {clear} | {share} | {why.replace('|', '/')} |")
    able = [name for name, family in families.items() if getattr(family, "can_clear", True)]
    lines.append(all_healthy([over(cells, code="", size=0.0, family=name) for name in able]))
    return lines


def all_healthy(counts: Sequence[Count]) -> str:
    """The row that adds up the healthy nights of all families that can be clear."""
    nights = sum(c.n for c in counts)
    clear = nights - sum(c.unclear for c in counts)
    low, high = bounds(clear, nights)
    share = f"{_pct(clear / max(nights, 1))}, {_pct(low)} to {_pct(high)}"
    return f"| all that can be clear | {nights} | {clear} | {share} | |"


def _codes(cells: Cells) -> list[str]:
    sizes = sorted({size for _, code, size in cells if code})
    lines = [
        "| code | " + " | ".join(f"{size:g} ×" for size in sizes) + " | proven at 1.25 |",
        "| --- |" + " --- |" * (len(sizes) + 1),
    ]
    for code in sorted({code for _, code, _ in cells if code}):
        row = []
        for size in sizes:
            c = over(cells, code=code, size=size)
            row.append(f"{c.found}, {c.held}, {c.unclear} of {c.n}" if c.n else "–")
        c = over(cells, code=code, size=1.25)
        told = _pct(proven(c.found, c.n)) if c.n else "–"
        lines.append(f"| {code} | " + " | ".join(row) + f" | {told} |")
    return lines


def _short(cells: Cells, done: Sequence[tuple[Job, Outcome]]) -> list[str]:
    """Where a cell falls short of its goal, with what a night of it said."""
    lines = [
        "| code | size | family | found, held for it, not clear, of | a night of it said |",
        "| --- | --- | --- | --- | --- |",
    ]
    for (family, code, size), c in sorted(
        cells.items(), key=lambda cell: cell[0][1:] + cell[0][:1]
    ):
        wanted = 0 if code in NO_HOLD else c.n
        missed = size >= 1.25 and (c.found < c.n or c.unclear < wanted)
        early = 0.0 < size <= 0.8 and c.held > 0
        if not code or not (missed or early):
            continue
        said = next(
            o.reason
            for j, o in done
            if (j.family, j.code, j.size) == (family, code, size)
            and _falls_short(count(j, o), code, early=early)
        )
        figures = f"{c.found}, {c.held}, {c.unclear} of {c.n}"
        lines.append(f"| {code} | {size:g} | {family} | {figures} | {said.replace('|', '/')} |")
    return lines


def _falls_short(c: Count, code: str, *, early: bool) -> bool:
    return c.held > 0 if early else not (c.found and (c.unclear or code in NO_HOLD))


def _pct(share: float) -> str:
    return f"{100.0 * share:.1f} %"


def plot(cells: Cells) -> str:
    """Curves of each code as SVG: share found (line, with its interval) and held for it (dashes) against size."""
    codes = sorted({code for _, code, _ in cells if code})
    sizes = sorted({size for _, code, size in cells if code})
    wide, high, columns = 200, 130, 5
    rows = -(-len(codes) // columns)
    size = f"0 0 {wide * columns} {high * rows}"
    title = "Share of nights in which a code is found, against the size of its fault in units of its hold limit"
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{size}" font-family="sans-serif" font-size="9">',
        f"<title>{title}</title>",
        f'<rect width="{wide * columns}" height="{high * rows}" fill="#fff"/>',
    ]
    for i, code in enumerate(codes):
        left, top = wide * (i % columns) + 30, high * (i // columns) + 20
        out += _panel(cells, code, sizes, left=left, top=top, wide=wide - 45, high=high - 45)
    return "\n".join([*out, "</svg>"]) + "\n"


def _panel(
    cells: Cells, code: str, sizes: Sequence[float], *, left: int, top: int, wide: int, high: int
) -> list[str]:
    def x(size: float) -> float:
        return left + wide * (size - 0.4) / 1.7

    def y(share: float) -> float:
        return top + high * (1.0 - share)

    found = [(size, c) for size in sizes if (c := over(cells, code=code, size=size)).n]
    band = [(size, bounds(c.found, c.n)) for size, c in found]
    area = " ".join(
        [f"{x(s):.1f},{y(b[1]):.1f}" for s, b in band]
        + [f"{x(s):.1f},{y(b[0]):.1f}" for s, b in reversed(band)]
    )
    line = " ".join(f"{x(s):.1f},{y(c.found / c.n):.1f}" for s, c in found)
    held = " ".join(f"{x(s):.1f},{y(c.held / c.n):.1f}" for s, c in found)
    out = [
        f'<text x="{left}" y="{top - 6}" font-weight="bold">{code}</text>',
        f'<path d="M{left} {top}V{top + high}H{left + wide}" fill="none" stroke="#888"/>',
        f'<polygon points="{area}" fill="#2a6f97" fill-opacity="0.18"/>',
        f'<polyline points="{line}" fill="none" stroke="#2a6f97" stroke-width="1.6"/>',
        f'<polyline points="{held}" fill="none" stroke="#9a3412" stroke-width="1.2" stroke-dasharray="4 3"/>',
    ]
    out += [
        f'<text x="{left - 4}" y="{y(share) + 3:.1f}" text-anchor="end">{share:g}</text>'
        for share in (0.0, 1.0)
    ]
    out += [
        f'<text x="{x(s):.1f}" y="{top + high + 11}" text-anchor="middle">{s:g}</text>'
        for s in sizes
    ]
    return out


HEAD = """## Detection against the size of the fault, over unlike families

Printed by `python tests/families/detection.py {called} --write`: {nights} nights of {families} families that differ in
kind (turbo, throttle, control, sensors, rate, place, fuel, way of driving), written without a look at the checks. Sizes
are in units of the hold limit. A code counts as found when it is raised at watch or worse (a sensor's at any severity).
In each field: found, held or stopped for that code, not clear, of all nights. *Proven at 1.25*: the share found that
these nights show with 95 % confidence (exact binomial; 299 of 299 show 99 %). Faults without a graded size (a frozen
sensor, a cut, a missing limit) are there from 1 on; below it is their harmless look-alike.
Stray readings and wheelspin are told but hold nothing by themselves.
In the plot: line and band, the share found with its 95 % interval; dashes, the share held for it.

![Share found against size of the fault, code by code](detection.svg)
"""


def write(text: str, page: Path = PAGE) -> None:
    """Put the text between its marks in the page, or behind it; the rest of the page stays as it is."""
    old = page.read_text(encoding="utf-8")
    part = f"{BEGIN}\n{text.rstrip()}\n{END}"
    if BEGIN in old:
        before, rest = old.split(BEGIN, 1)
        after = rest.split(END, 1)[1]
        page.write_text(before + part + after, encoding="utf-8")
    else:
        page.write_text(old.rstrip() + "\n\n" + part + "\n", encoding="utf-8")


def main() -> None:
    """Parse, run, print, write."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--each", type=int, default=1, help="nights of each code and goal's size")
    parser.add_argument("--seed", type=int, default=1000)
    parser.add_argument(
        "--codes", default="", help="with commas between; all without; 'none': healthy"
    )
    parser.add_argument("--families", default="", help="with commas between; all without")
    parser.add_argument("--sizes", default=",".join(f"{s:g}" for s in SIZES))
    parser.add_argument("--minutes", type=float, help="begin no night after so many")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--held", type=Path, help="folder of a package of further families")
    parser.add_argument("--write", action="store_true", help="write docs/figures.md and its plot")
    options = parser.parse_args()
    families = load(options.held)
    if options.families:
        wanted = options.families.split(",")
        families = {k: v for k, v in families.items() if k.removesuffix(" (held back)") in wanted}
    codes = [c for c in options.codes.split(",") if c]
    sizes = [float(s) for s in options.sizes.split(",")]
    jobs = jobs_of(families, each=options.each, seed=options.seed, codes=codes, sizes=sizes)
    done = run(jobs, workers=options.workers, minutes=options.minutes, held=options.held)
    cells = cells_of(done)
    text = report(cells, done, families)
    print(text)
    print(f"\n{len(done)} of {len(jobs)} nights", file=sys.stderr)
    if options.write:
        called = f"--each {options.each} --seed {options.seed}"
        called += " --held DIR" if options.held else ""
        called += f" --minutes {options.minutes:g}" if options.minutes else ""
        head = HEAD.format(called=called, nights=len(done), families=len(families))
        write(f"{head}\n{text}")
        PLOT.write_text(plot(cells), encoding="utf-8")


if __name__ == "__main__":
    main()
