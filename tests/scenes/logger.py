"""The data logger: sensors with lag, noise and steps; own rates; text dialects; damage."""

from __future__ import annotations

import gzip as gz
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from scenes.car import DT, Pull

Arr = np.ndarray
Edit = Callable[[Arr, Arr, tuple[Pull, ...], np.random.Generator], Arr]

KPA_PSI = 0.1450377

UNITS: dict[str, Callable[[Arr], Arr]] = {
    "": lambda x: x,
    "kpa": lambda x: x,
    "bar": lambda x: x / 100.0,
    "psi": lambda x: x * KPA_PSI,
    "mbar": lambda x: x * 10.0,
    "hpa": lambda x: x * 10.0,
    "inhg": lambda x: x * 0.2953,
    "c": lambda x: x,
    "f": lambda x: x * 1.8 + 32,
    "k": lambda x: x + 273.15,
    "mph": lambda x: x / 1.609344,
    "afr": lambda x: x * 14.7,
    "afr_e85": lambda x: x * 9.77,
    "frac": lambda x: x / 100.0,
    "neg": lambda x: -x,
    "lbmin": lambda x: x * 0.132277,
    "kgh": lambda x: x * 3.6,
    "mv": lambda x: x * 1000.0,
}

# noise (rms), smallest step, sensor lag in s; in the true signal's own unit
SENSOR: dict[str, tuple[float, float, float]] = {
    "rpm": (6.0, 1.0, 0.02),
    "speed": (0.15, 0.1, 0.10),
    "thr": (0.06, 0.1, 0.0),
    "pedal": (0.05, 0.1, 0.0),
    "gear": (0.0, 1.0, 0.0),
    "boost": (0.35, 0.1, 0.015),
    "map": (0.35, 0.1, 0.015),
    "lam": (0.004, 0.001, 0.0),
    "lam2": (0.004, 0.001, 0.0),
    "lamt": (0.0, 0.001, 0.0),
    "iat": (0.06, 0.1, 0.3),
    "coolant": (0.08, 0.1, 0.3),
    "egt": (1.5, 1.0, 0.2),
    "oil": (4.0, 1.0, 0.05),
    "oilt": (0.1, 0.1, 0.3),
    "volts": (0.03, 0.01, 0.0),
    "fuelp": (1.8, 0.5, 0.02),
    "inj": (0.25, 0.1, 0.0),
    "ipw": (0.02, 0.001, 0.0),
    "ign": (0.2, 0.1, 0.0),
    "knock": (0.0, 0.1, 0.0),
    "duty": (0.0, 0.1, 0.0),
    "target": (0.0, 0.1, 0.0),
    "baro": (0.03, 0.1, 0.0),
    "maf": (0.6, 0.01, 0.02),
    "air": (0.03, 0.1, 0.0),
    "stft": (0.4, 0.1, 0.0),
    "turbo": (200.0, 10.0, 0.02),
    "accel": (0.15, 0.01, 0.0),
    "zero": (0.0, 0.001, 0.0),
}


@dataclass(frozen=True)
class Col:
    """One column: its name in the file, the true signal it shows, and how the sensor and the logger change that."""

    name: str
    chan: str
    unit: str = ""
    dec: int = 1
    rate: float = 0.0  # own rate, 0 = the file's
    hold: str = "repeat"  # or "blank" between updates
    step: float | None = None  # smallest step in the written unit
    noise: float | None = None
    offset: float = 0.0  # in the true unit
    clip: tuple[float, float] = (-1e9, 1e9)  # sensor's ends, in the true unit
    lag: float | None = None
    edit: Edit | None = None  # on the written values
    unit_row: str = ""
    text: str | None = None  # this text in every cell
    fn: Callable[[dict[str, Arr]], Arr] | None = None


@dataclass(frozen=True)
class Log:
    """One file: its columns, rate, dialect and damage."""

    cols: tuple[Col, ...]
    rate: float = 20.0
    file: str = "night.csv"
    delim: str = ","
    comma: bool = False
    time_name: str = "Time (s)"
    time_kind: str = "s"  # s ms us hms iso clock none
    time_dec: int = 3
    time_start: float = 0.0
    units_row: bool = False
    time_unit: str = "s"
    preamble: tuple[str, ...] = ()
    gz: bool = False
    eol: str = "\n"
    encoding: str = "utf-8"
    quote: bool = False
    jitter: float = 0.0008
    t_end: float | None = None  # cut whole lines here
    torn: int = 0  # bytes of the last line that are missing
    torn_gz: int = 0  # bytes of the gzip stream missing
    drop: tuple[tuple[float, float], ...] = ()  # rows missing in these spans
    restart: tuple[float, ...] = ()  # the clock begins at 0 again here
    step_back: tuple[tuple[float, float], ...] = ()  # (when, by how much)
    insert: tuple[tuple[float, str], ...] = ()  # stray lines
    dup_row: tuple[float, ...] = ()
    seed: int = 1


def _sensor(sig: dict[str, Arr], col: Col, t: Arr, rng: np.random.Generator) -> Arr:
    base = (
        col.fn(sig)
        if col.fn
        else (np.zeros_like(sig["t"]) if col.chan == "zero" else sig[col.chan])
    )
    noise, step, lag = SENSOR.get(col.chan, (0.0, 0.001, 0.0))
    noise = noise if col.noise is None else col.noise
    lag = lag if col.lag is None else col.lag
    x = np.interp(np.maximum(t - lag, 0.0), sig["t"], base)
    if col.chan == "gear":
        idx = np.clip((t / DT).astype(int), 0, len(base) - 1)
        x = base[idx].astype(float)
    x = x + col.offset
    if noise:
        extra = 1.0
        if col.chan in ("map", "boost"):  # intake pulsation grows with charge
            extra = np.where(np.interp(t, sig["t"], sig["wot"]) > 0, 1.4, 1.0)
        x = x + rng.normal(0, noise, len(x)) * extra
    if col.chan in ("speed", "oil", "rpm", "maf", "lam", "lam2", "ipw", "target", "duty", "knock"):
        x = np.maximum(x, 0.0)
    x = np.clip(x, *col.clip)
    y = UNITS[col.unit](x)
    q = col.step if col.step is not None else 10.0**-col.dec
    return np.round(y / q) * q


def _fmt(v: Arr, dec: int, *, comma: bool) -> list[str]:
    f = f"%.{dec}f"
    out = ["" if x != x else f % x for x in v.tolist()]
    zero = f % -0.0
    if zero.startswith("-"):
        out = [zero[1:] if c == zero else c for c in out]
    return [c.replace(".", ",") for c in out] if comma else out


def _clock(t: Arr, log: Log) -> list[str]:
    """The clock column as the logger writes it."""
    kind = log.time_kind
    t = t + log.time_start
    if kind == "s":
        return _fmt(t, log.time_dec, comma=log.comma)
    if kind in ("ms", "us"):
        return [str(round(x * (1e3 if kind == "ms" else 1e6))) for x in t.tolist()]
    if kind == "min":
        return _fmt(t / 60.0, 6, comma=log.comma)
    out = []
    for whole in t.tolist():
        x = round(whole, 3)
        hour, rest = int(x // 3600), f"{int(x % 3600 // 60):02d}:{x % 60:06.3f}"
        if kind == "hms":
            out.append(f"{hour:02d}:{rest}")
        else:  # iso, or a clock with a blank between date and time
            out.append(f"2024-05-17{'T' if kind == 'iso' else ' '}{20 + hour:02d}:{rest}")
    return out


def render(sig: Any, pulls: tuple[Pull, ...], log: Log) -> bytes:
    rng = np.random.default_rng(log.seed + 1000)
    end = float(sig["t"][-1]) if log.t_end is None else log.t_end
    n = int(end * log.rate)
    t = np.arange(n) / log.rate
    true_t = np.maximum(0.0, t + (rng.normal(0, log.jitter, n) if log.jitter else 0.0))
    if log.jitter:
        true_t[0] = 0.0
        true_t = np.maximum.accumulate(true_t)
    keep = np.ones(n, bool)
    for a, b in log.drop:
        keep &= ~((true_t >= a) & (true_t < b))
    shown = true_t.copy()
    for r in sorted(log.restart):
        if (true_t >= r).any():
            shown[true_t >= r] = true_t[true_t >= r] - true_t[true_t >= r][0]
    for when, by in log.step_back:
        shown[true_t >= when] -= by
    cells: list[list[str]] = []
    if log.time_kind != "none":
        cells.append(_clock(shown, log))
    for col in log.cols:
        if col.text is not None:
            cells.append([col.text] * n)
            continue
        v = _sensor(sig, col, true_t, rng)
        if col.rate and col.rate < log.rate:
            every = max(1, int(round(log.rate / col.rate)))
            idx = np.arange(n)
            if col.hold == "repeat":
                v = v[idx // every * every]
            else:
                v = np.where(idx % every == 0, v, np.nan)
        if col.edit is not None:
            v = col.edit(true_t, v.copy(), pulls, rng)
        cells.append(_fmt(v, col.dec, comma=log.comma))
    head = ([log.time_name] if log.time_kind != "none" else []) + [c.name for c in log.cols]
    if log.quote:
        head = [f'"{h}"' for h in head]
    lines = list(log.preamble) + [log.delim.join(head)]
    if log.units_row:
        u = ([log.time_unit] if log.time_kind != "none" else []) + [c.unit_row for c in log.cols]
        lines.append(log.delim.join(u))
    rows = [log.delim.join(r) for r in zip(*cells)]
    ins = sorted(log.insert)
    for k in range(n):
        while ins and true_t[k] >= ins[0][0]:
            lines.append(ins.pop(0)[1])
        if keep[k]:
            lines.append(rows[k])
            if any(abs(true_t[k] - d) < 0.5 / log.rate for d in log.dup_row):
                lines.append(rows[k])
    text = log.eol.join(lines) + log.eol
    data = text.encode(log.encoding)
    if log.torn:
        data = data[: len(data) - len(log.eol) - log.torn]
    if log.gz:
        data = gz.compress(data, 6, mtime=0)
        if log.torn_gz:
            data = data[: len(data) - log.torn_gz]
    return data


def write_log(folder: Path, sig: Any, pulls: tuple[Pull, ...], log: Log) -> None:
    (folder / log.file).write_bytes(render(sig, pulls, log))


# What is done to one column, on the written values.


def _which(pulls: tuple[Pull, ...], which: tuple[int, ...] | None) -> list[Pull]:
    return [p for k, p in enumerate(pulls) if which is None or k in which]


def freeze(which: tuple[int, ...] | None = None, after: float = -0.3, tail: float = 0.6) -> Edit:
    """Held at the value it had `after` s from the pull's start, until `tail` s past its end."""

    def edit(t: Arr, v: Arr, pulls: tuple[Pull, ...], rng: np.random.Generator) -> Arr:
        for p in _which(pulls, which):
            k = min(len(v) - 1, int(np.searchsorted(t, p.start + after)))
            m = (t >= p.start + after) & (t <= p.end + tail)
            v[m] = v[k]
        return v

    return edit


def freeze_all(value: float) -> Edit:
    return lambda t, v, pulls, rng: np.full_like(v, value)


def in_pull(
    value: float,
    which: tuple[int, ...] | None = None,
    after: float = 0.0,
    tail: float = 0.0,
    noise: float = 0.0,
) -> Edit:
    """A value (nan = blank) through the pull."""

    def edit(t: Arr, v: Arr, pulls: tuple[Pull, ...], rng: np.random.Generator) -> Arr:
        for p in _which(pulls, which):
            m = (t >= p.start + after) & (t <= p.end + tail)
            v[m] = value + (rng.normal(0, noise, int(m.sum())) if noise else 0.0)
        return v

    return edit


def at(spans: tuple[tuple[float, float, float], ...]) -> Edit:
    """(from, to, value) in seconds of the log."""

    def edit(t: Arr, v: Arr, pulls: tuple[Pull, ...], rng: np.random.Generator) -> Arr:
        for a, b, x in spans:
            v[(t >= a) & (t < b)] = x
        return v

    return edit


def one_sample(offset_s: float, value: float, which: tuple[int, ...] | None = None) -> Edit:
    """One single sample `offset_s` after the pull's start."""

    def edit(t: Arr, v: Arr, pulls: tuple[Pull, ...], rng: np.random.Generator) -> Arr:
        for p in _which(pulls, which):
            v[min(len(v) - 1, int(np.searchsorted(t, p.start + offset_s)))] = value
        return v

    return edit


def before_pull(a: float, b: float, value: float, which: tuple[int, ...] | None = None) -> Edit:
    """Value from a to b seconds before the pull's start (a > b)."""

    def edit(t: Arr, v: Arr, pulls: tuple[Pull, ...], rng: np.random.Generator) -> Arr:
        for p in _which(pulls, which):
            v[(t >= p.start - a) & (t < p.start - b)] = value
        return v

    return edit


def flicker(value: float, share: float, which: tuple[int, ...] | None = None) -> Edit:
    """Falls to `value` for a share of the pull's samples, in bursts."""

    def edit(t: Arr, v: Arr, pulls: tuple[Pull, ...], rng: np.random.Generator) -> Arr:
        for p in _which(pulls, which):
            m = (t >= p.start) & (t <= p.end)
            ph = (t - p.start) % 0.8
            v[m & (ph < 0.8 * share)] = value
        return v

    return edit


def both(*edits: Edit) -> Edit:
    def edit(t: Arr, v: Arr, pulls: tuple[Pull, ...], rng: np.random.Generator) -> Arr:
        for e in edits:
            v = e(t, v, pulls, rng)
        return v

    return edit
