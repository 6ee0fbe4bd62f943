"""One made file by seed: what is in it, how it is written, what was done to it, and what a reader must find."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

import numpy as np
from drives import Drive, drive
from words import (
    BARE,
    BASE,
    CELSIUS,
    FAHRENHEIT,
    NAMES,
    NOT_OURS,
    PRESSURES,
    REFERENCES,
    STYLES,
    UNITS,
)
from writer import Dialect, damaged, lines_of, number, packed

CLOCKS = (
    "s",
    "ms",
    "us",
    "h:m:s.f",
    "iso",
    "date and time",
    "whole seconds",
    "none",
    "epoch ms",
    "midnight",
    "jitter",
    "repeats",
    "m:s.f",
    "am pm",
)
DAMAGES = (
    "none",
    "none",
    "stray",
    "header again",
    "blank lines",
    "short row",
    "word in a cell",
    "cut",
    "empty column",
    "column twice",
)
CLOCK_NAMES = (
    "Time",
    "time",
    "Zeit",
    "Temps",
    "Tiempo",
    "Timestamp",
    "Elapsed Time",
    "t",
    "Log Time",
)


@dataclass(frozen=True)
class Column:
    """One column's truth: what it is, how it was written. tellable: its unit is stated or physics can tell."""

    channel: str
    header: str
    unit: str
    reference: str = ""
    tellable: bool = True
    scale: float = 1.0
    every: int = 1  # a value each so many rows
    held: bool = False  # repeated in between


@dataclass
class Case:
    """A file and what is in it."""

    seed: int
    name: str = ""
    data: bytes = b""
    drive: Drive | None = None
    columns: list[Column] = field(default_factory=list)
    rate_hz: float | None = None  # to be given with --rate
    gearing: bool = False  # the car file tells the gears
    about: dict[str, str] = field(default_factory=dict)
    rows: np.ndarray | None = None  # true time of each row


def make(seed: int) -> Case:
    """The file of a seed."""
    rng = np.random.default_rng(seed)
    case = Case(seed, drive=drive(rng))
    dialect, encoding_ok = _dialect(rng)
    columns, values = _columns(case, rng, cells=dialect.unit_in_cells)
    case.columns = columns
    style = str(rng.choice(["apart", "paren", "bracket", "suffix"]))
    if dialect.unit_in_cells:
        style = "cells"
    headers, texts = _written(case, values, style, dialect, rng)
    clock = str(rng.choice(CLOCKS, p=_weights()))
    damage = str(rng.choice(DAMAGES))
    fill = str(rng.choice(["all", "all", "blank", "held"]))
    texts = _rates(case, [h for h, _ in headers], texts, fill, dialect, rng)
    if damage in ("empty column", "column twice"):
        at = int(rng.integers(len(headers)))
        headers.insert(at, ("Spare", "") if damage == "empty column" else headers[at])
        texts.insert(at, [dialect.blank] * len(texts[0]) if damage == "empty column" else texts[at])
    clock_headers, clock_texts, preamble = _clock(case, clock, dialect, rng)
    headers, texts = [*clock_headers, *headers], [*clock_texts, *texts]
    units_row = style == "apart" and any(u for _, u in headers)
    tops = [[h for h, _ in headers], *([[u for _, u in headers]] if units_row else [])]
    top, body = lines_of(tops, texts, dialect)
    lines, end = damaged(top, body, damage, rng, dialect)
    for _ in range(int(rng.choice([0, 0, 0, 3, 12]))):
        preamble.append(
            str(
                rng.choice(
                    [
                        "Session: evening",
                        "Notes: none",
                        "Logger 2, slot B",
                        "# comment",
                        "Firmware 1.4.2",
                        "Driver: A",
                        "",
                    ]
                )
            )
        )
    text = dialect.newline.join([*preamble, *lines]) + end
    data = text.encode(dialect.encoding if encoding_ok(text) else "utf-8")
    case.name, case.data = packed(
        data, str(rng.choice(["plain", "plain", "plain", "gzip", "zip"])), f"run_{seed}.csv"
    )
    case.about = {
        "clock": clock,
        "damage": damage,
        "rates": fill,
        "delimiter": repr(dialect.delimiter),
        "decimal": dialect.decimal,
        "units": style,
        "encoding": dialect.encoding,
        "quotes": dialect.quotes,
        "thousands": dialect.thousands or "no",
    }
    return case


def _weights() -> np.ndarray:
    return np.array([6, 3, 1, 3, 3, 2, 1, 1, 1, 1, 1, 1, 1, 1]) / 26


def _dialect(rng: np.random.Generator):
    delimiter = str(rng.choice([",", ",", ";", "\t", "|"]))
    decimal = "," if delimiter != "," and rng.random() < 0.5 else "."
    encoding = str(rng.choice(["utf-8", "utf-8", "utf-8-sig", "utf-16", "utf-16-le", "latin-1"]))
    made = Dialect(
        delimiter,
        decimal,
        encoding,
        str(rng.choice(["\n", "\r\n"])),
        str(rng.choice(["none", "none", "header", "all"])),
        blank=str(rng.choice(["", "", "-", "NaN"])),
    )
    extra = rng.random()
    if extra < 0.05:
        made = replace(made, thousands="." if decimal == "," else ",", quotes="all")
    elif extra < 0.12:
        made = replace(made, padded=True, quotes="none")
    elif extra < 0.17:
        made = replace(made, trailing=True)
    elif extra < 0.21:
        made = replace(made, unit_in_cells=True)

    def can(text: str) -> bool:
        try:
            text.encode(encoding)
        except UnicodeEncodeError:
            return False
        return True

    return made, can


# --- what is in it ------------------------------------------------------------------------------------


def _columns(
    case: Case, rng: np.random.Generator, *, cells: bool
) -> tuple[list[Column], list[np.ndarray]]:
    us, bare = rng.random() < 0.5, rng.random() < 0.3
    case.gearing = bool(rng.random() < 0.5)
    extra = [c for c in NAMES if c not in BASE]
    chosen = [*BASE, *rng.permutation(extra)[: int(rng.integers(2, 15))].tolist()]
    chosen = [str(c) for c in rng.permutation(chosen)]
    pressure = str(
        rng.choice(["psi", "psi", "kPa"] if us else ["kPa", "bar", "mbar", "kPa", "psi"])
    )
    columns, values = [], []
    for channel in chosen:
        name = str(rng.choice(NAMES[channel]))
        column, source = _one(
            case,
            channel,
            name,
            rng,
            us=us,
            bare=bare,
            pressure=pressure,
            chosen=chosen,
            cells=cells,
        )
        columns.append(column)
        values.append(source)
    return columns, values


def _one(
    case: Case,
    channel: str,
    name: str,
    rng: np.random.Generator,
    *,
    us: bool,
    bare: bool,
    pressure: str,
    chosen: list[str],
    cells: bool,
) -> tuple[Column, np.ndarray]:
    assert case.drive is not None
    true = case.drive.channels[channel]
    if channel in ("manifold_pressure", "barometric_pressure", "boost_target"):
        gauge = {
            "manifold_pressure": 0.85 if _says_boost(name) else 0.15,
            "barometric_pressure": 0.0,
            "boost_target": 0.7,
        }[channel]
        reference = "g" if rng.random() < gauge else "a"
        absolute = true + (case.drive.ambient if channel == "boost_target" else 0.0)
        source = (absolute - (case.drive.ambient if reference == "g" else 0.0)) * PRESSURES[
            pressure
        ]
        text = (
            REFERENCES[pressure][reference]
            if channel != "barometric_pressure" and rng.random() < 0.25
            else pressure
        )
        return Column(
            channel, name, "" if bare else text, reference, scale=PRESSURES[pressure]
        ), source
    if channel.endswith("temp"):
        text, scale, offset = (FAHRENHEIT if us else CELSIUS)[int(rng.integers(3))]
        told = not bare or case.drive.warm  # a warm engine's coolant tells which
        return Column(
            channel, name, "" if bare else text, tellable=told, scale=scale
        ), true * scale + offset
    rows = (
        BARE.get(channel, UNITS.get(channel, [("", 1, 0)]))
        if bare
        else UNITS.get(channel, [("", 1, 0)])
    )
    if channel == "vehicle_speed":
        rows = [r for r in rows if (r[0] == "mph") == us and not (bare and r[0] == "m/s")]
    if cells:
        rows = [r for r in rows if "x 1000" not in r[0]]
    text, scale, offset = rows[int(rng.integers(len(rows)))]
    # nothing tells a rail of 3 bar from one of 200, nor kg/h of a small engine from g/s of a large one
    text_of = text
    told = (
        not bare
        or (channel != "vehicle_speed" or case.gearing)
        and "Rail" not in name
        and text_of != "kg/h"
    )
    return Column(
        channel, name, "" if bare else text, tellable=told, scale=scale
    ), true * scale + offset


def _says_boost(name: str) -> bool:
    return any(w in name.lower() for w in ("boost", "lade", "sural"))


# --- how it is written --------------------------------------------------------------------------------


def _written(
    case: Case, values: list[np.ndarray], style: str, dialect: Dialect, rng: np.random.Generator
) -> tuple[list[tuple[str, str]], list[list[str]]]:
    spell = STYLES[int(rng.integers(len(STYLES)))]
    headers, texts, used = [], [], set()
    for i, (column, source) in enumerate(zip(case.columns, values, strict=True)):
        name = spell(column.header)
        while name in used:
            name += "_2"
        used.add(name)
        unit = column.unit
        header = (
            {
                "paren": f"{name} ({unit})",
                "bracket": f"{name}[{unit}]",
                "suffix": f"{name}_{unit}",
            }.get(style, name)
            if unit
            else name
        )
        headers.append((header, unit if style == "apart" else ""))
        case.columns[i] = replace(column, header=header)
        digits = (
            4
            if np.nanmax(np.abs(source)) < 30 or column.channel in ("lambda", "lambda_target")
            else 2
            if np.nanmax(np.abs(source)) < 3000
            else 0
        )
        tail = (
            f" {unit}"
            if style == "cells" and unit and column.channel not in ("gear", "knock_count")
            else ""
        )
        texts.append([number(v, digits, dialect) + tail for v in source.tolist()])
    for name in rng.choice(NOT_OURS, int(rng.integers(0, 5)), replace=False):
        if spell(str(name)) not in used:
            at = int(rng.integers(len(headers) + 1))
            headers.insert(at, (spell(str(name)), ""))
            texts.insert(at, [number(v, 1, dialect) for v in rng.normal(50, 10, len(texts[0]))])
    return headers, texts


def _rates(
    case: Case,
    names: list[str],
    texts: list[list[str]],
    fill: str,
    dialect: Dialect,
    rng: np.random.Generator,
) -> list[list[str]]:
    """Slow channels come with a value every few rows: blank between, or held."""
    if fill == "all":
        return texts
    every = int(rng.choice([2, 4, 5]))
    slow = set(rng.choice(len(texts), max(1, len(texts) // 3), replace=False).tolist())
    thinned = {names[i] for i in slow}
    case.columns = [
        replace(c, every=every, held=fill == "held") if c.header in thinned else c
        for c in case.columns
    ]
    return [
        t
        if i not in slow
        else [
            v if k % every == 0 else (dialect.blank if fill == "blank" else t[k - k % every])
            for k, v in enumerate(t)
        ]
        for i, t in enumerate(texts)
    ]


# --- its clock ----------------------------------------------------------------------------------------


def _clock(
    case: Case, kind: str, dialect: Dialect, rng: np.random.Generator
) -> tuple[list[tuple[str, str]], list[list[str]], list[str]]:
    assert case.drive is not None
    t = case.drive.time.copy()
    hz = 1.0 / float(t[1] - t[0])
    name = str(rng.choice(CLOCK_NAMES))
    start = (
        datetime(2025, 5, 17, 23, 59, 30)
        if kind == "midnight"
        else datetime(2025, 5, 17, 19, 40, 12)
    )
    if kind == "jitter":
        t = t + np.concatenate([[0], rng.uniform(-0.3, 0.3, len(t) - 1) / hz])
    case.rows = t
    stamps = [start + timedelta(seconds=float(x)) for x in t]
    if kind == "none":
        case.rate_hz = hz
        return [], [], []
    if kind in ("s", "jitter", "repeats"):
        shown = np.floor(t * hz / 2) * 2 / hz if kind == "repeats" else t
        return (
            [(f"{name} (s)" if rng.random() < 0.5 else name, "")],
            [[number(x, 4 if kind == "jitter" else 3, dialect) for x in shown]],
            [],
        )
    if kind == "whole seconds":
        return [(name, "")], [[f"{np.floor(x):.0f}" for x in t]], []
    if kind in ("ms", "us", "epoch ms"):
        scale = 1e6 if kind == "us" else 1e3
        base = 1747510812000 if kind == "epoch ms" else 0
        label = (
            name
            if kind == "epoch ms" or (kind == "ms" and rng.random() < 0.5)
            else f"{name} [{kind}]"
        )
        return [(label, "")], [[f"{base + x * scale:.0f}" for x in t]], []
    if kind == "iso":
        return (
            [(name, "")],
            [[s.strftime("%Y-%m-%dT%H:%M:%S.") + f"{s.microsecond // 1000:03d}" for s in stamps]],
            [],
        )
    if kind == "m:s.f":
        return [(name, "")], [[f"{int(x // 60):02d}:{x % 60:06.3f}" for x in t]], []
    if kind == "am pm":
        return (
            [(name, "")],
            [
                [
                    s.strftime("%I:%M:%S.") + f"{s.microsecond // 1000:03d} " + s.strftime("%p")
                    for s in stamps
                ]
            ],
            [],
        )
    clock = [s.strftime("%H:%M:%S.") + f"{s.microsecond // 1000:03d}" for s in stamps]
    if kind == "date and time":
        return [("Date", ""), (name, "")], [[s.strftime("%d.%m.%Y") for s in stamps], clock], []
    return [(name, "")], [clock], (["Date: 2025-05-17"] if kind == "midnight" else [])
