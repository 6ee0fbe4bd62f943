"""The traces of a pull as a small packet of numbers that the page's script draws."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from audit.model import NOT_EVALUATED, Array, Channel, Limit, Pull, PullAudit
from audit.report.display import figure, unit_for
from audit.report.page.marks import LEAD_S, TAIL_S, Numbered, marks_of
from audit.report.page.panels import PANELS, Panel, channel_name
from audit.report.page.quantities import linear, packed, packed_time, shown, thinned
from audit.tables import ChannelRow, Limits, limits_for, row_of

Thin = Callable[[Array, dict[str, Array], int], tuple[Array, dict[str, Array]]]
# packed samples in a page, 2.7 bytes each: a page of an ordinary night stays below 700 kB
BUDGET = 90_000
LEAST_ROWS, MOST_ROWS = 100, 2400  # of one pull
LEAN_LIMIT = "lean_limit"  # beside the channels: the hold limit of lambda, as it follows boost
MOST_REJECTED = 200  # crosses drawn for samples that are not believed, a channel
GAP_INTERVALS = 3.5  # a line breaks where a sample is missing for this many intervals


def rows_for(pulls: Sequence[Pull]) -> int:
    """How many rows a pull may have so that all pulls together stay within the page's budget."""
    columns = sum(len(_channels(pull)) + 1 for pull in pulls)
    return int(np.clip(BUDGET // max(columns, 1), LEAST_ROWS, MOST_ROWS))


def _channels(pull: Pull, panels: Sequence[Panel] = PANELS) -> list[str]:
    return [c for panel in panels for c in _of_panel(panel, pull)]


def _of_panel(panel: Panel, pull: Pull) -> list[str]:
    """The panel's channels that the log has, every sensor of each."""
    found: list[str] = []
    for channel in panel.channels:
        if channel == "boost":
            found += ["boost"] * pull.log.has("manifold_pressure")
        else:
            found += pull.log.sensors(channel)
    return found


def packet(
    name: str,
    audit: PullAudit,
    found: Sequence[Numbered],
    *,
    rows: int,
    us: bool,
    only: Sequence[Panel] = PANELS,
    thin: Thin = thinned,
) -> dict[str, Any]:
    """Grid, series, panels and marks of one pull, from LEAD_S before it to TAIL_S after it, in
    display units.

    rows: at most this many are kept, by `thin`; only: the panels wanted. Times are s from the log's
    first row.
    """
    pull = audit.pull
    table = limits_for(pull.car)
    t, columns = _columns(audit, only, table)
    kept_t, kept = thin(t, columns, rows)
    there = [c for c in kept if c != "rpm" and np.isfinite(kept[c]).any()]
    panels = [p for panel in only if (p := _panel(panel, audit, there, table, us=us)) is not None]
    drawn = {c for panel in panels for c in panel["series"]}
    apart = 2.5 * float(np.median(np.diff(kept_t))) if len(kept_t) > 2 else 0.0  # once thinned
    series = {c: _series(c, kept[c], pull, apart, us=us) for c in there if c in drawn}
    return {
        "id": name,
        "label": _label(name, pull),
        "across": "time in the log, s",
        "grids": [_grid(kept_t, kept["rpm"], pull)],
        "series": series,
        "panels": panels,
        "begin": "time",
        "marks": marks_of(name, audit, found, [p["id"] for p in panels], us=us),
        "load": load_chart(audit, table, us=us) if only is PANELS else None,
        "thinned": [len(kept_t), len(t)] if len(kept_t) < len(t) else None,
    }


def _label(name: str, pull: Pull) -> str:
    gear = "" if pull.gear is None else f", gear {pull.gear}"
    return f"Pull {name.rpartition('-')[2]}{gear}, {pull.start_s:.1f} to {pull.end_s:.1f} s"


def _grid(t: Array, rpm: Array, pull: Pull) -> dict[str, Any]:
    t0 = float(t[0]) if len(t) else 0.0
    return {
        "t0": round(t0, 4),
        "time": packed_time(t - t0),
        "rpm": packed(rpm),
        "start": round(pull.start_s, 3),
        "end": round(pull.end_s, 3),
    }


def _columns(
    audit: PullAudit, only: Sequence[Panel], table: Limits
) -> tuple[Array, dict[str, Array]]:
    """Rows around the pull: every channel's believed samples (NaN where there is none), the lean
    limit, and 'rpm'.
    """
    pull = audit.pull
    t = pull.log.time
    low, high = np.searchsorted(t, (pull.start_s - LEAD_S - 1e-9, pull.end_s + TAIL_S + 1e-9))
    window = t[low:high]
    columns = {}
    for name in _channels(pull, only):
        series = pull.believed(name, lead_s=LEAD_S, tail_s=TAIL_S)
        column = np.full(len(window), np.nan)
        if series:
            column[np.searchsorted(window, series.t - 1e-9)] = series.value
        columns[name] = column
    if "lambda" in columns and (limit := _lean_limit(audit, window, table)) is not None:
        columns[LEAN_LIMIT] = limit
    columns["rpm"] = _climb(pull, window)
    return window, columns


def _lean_row(table: Limits) -> tuple[Limit, float]:
    """The row of the sustained lean limit, and the boost from which it holds, kPa gauge."""
    return table.row("mixture.lean", "lean_lambda"), table.setting("load_kpa")


def _lean_limit(audit: PullAudit, t: Array, table: Limits) -> Array | None:
    """The hold limit of lambda at each row inside the pull, which follows boost; NaN where it does
    not hold.
    """
    pull = audit.pull
    row, load = _lean_row(table)
    boost = pull.believed("boost", lead_s=1.5)
    if row.hold is None or len(boost.t) < 2:
        return None
    at = boost.at(t - (audit.measures.get("lambda_lag_s") or 0.0), max_gap_s=1.2)
    held = np.isfinite(at) & (at >= load) & (t >= pull.start_s) & (t <= pull.end_s)
    if not held.any():
        return None
    return np.where(held, _levels(row, at)["hold"], np.nan)


def _levels(row: Limit, boost: Array) -> dict[str, Array]:
    """Watch, hold and stop at each boost, kPa gauge; levels that the row has not are left out."""
    flat = {"watch": row.watch, "hold": row.hold, "stop": row.stop}
    return {
        name: np.interp(boost, row.at, row.along[name])
        if row.at and name in row.along
        else np.full(len(boost), level)
        for name, level in flat.items()
        if level is not None
    }


def _climb(pull: Pull, t: Array) -> Array:
    """Engine speed of each row inside the pull, made to climb, so that it can stand in for time."""
    speed = pull.believed("engine_speed")
    out = np.full(len(t), np.nan)
    if len(speed.t) < 2:
        return out
    inside = (t >= speed.t[0]) & (t <= speed.t[-1])
    out[inside] = np.maximum.accumulate(speed.at(t[inside]))
    return out


def row_shown(name: str) -> ChannelRow:
    """The row by which a drawn series is shown."""
    return row_of({"boost": "manifold_pressure", LEAN_LIMIT: "lambda"}.get(name, name))


def _series(name: str, values: Array, pull: Pull, apart: float, *, us: bool) -> dict[str, Any]:
    row, limit = row_shown(name), name == LEAN_LIMIT
    source = {"boost": "manifold_pressure", LEAN_LIMIT: "lambda"}.get(name, name)
    channel = pull.log.by_name[source]
    scale, offset = linear(row.unit, us=us)
    return {
        "grid": 0,
        "label": "Hold limit at this boost" if limit else channel_name(name),
        "role": "lean hold" if limit else "wanted" if "target" in name else "",
        "unit": unit_for("" if row.unit == "1" else row.unit, us=us),
        "digits": 2
        if limit or name.startswith("lambda")
        else 1
        if (us and row.unit == "kPa") or name == "boost"
        else row.digits,
        "gap": round(max(_gap(channel), apart), 3),
        "rejected": [] if limit else doubted(name, pull, us=us),
        **packed(scale * values + offset),
    }


def doubted(name: str, pull: Pull, *, us: bool) -> list[list[float]]:
    """[t, value] of samples that are there and not believed, in display units, at most
    MOST_REJECTED spread evenly.
    """
    channel = "manifold_pressure" if name == "boost" else name
    flags = pull.sanity.samples.get(channel)
    if flags is None:
        return []
    t = pull.log.time
    low, high = np.searchsorted(t, (pull.start_s - LEAD_S, pull.end_s + TAIL_S))
    value = pull.log.values(channel)[low:high]
    bad = np.flatnonzero(np.isfinite(value) & (flags[low:high] > NOT_EVALUATED))
    bad = bad[:: max(1, -(-len(bad) // MOST_REJECTED))]
    over = pull.log.barometric.kpa if name == "boost" else 0.0
    scale, offset = linear(row_shown(name).unit, us=us)
    value = scale * (value - over) + offset
    return [[round(float(t[low + i]), 3), round(float(value[i]), 3)] for i in bad]


def _gap(channel: Channel | None) -> float:
    """How long a sample may be missing before its line breaks, s."""
    rate = 0.0 if channel is None else channel.rate_hz
    return round(max(GAP_INTERVALS * (1.0 / rate if rate > 0 else 0.1), 0.25), 3)


def broken(
    t: Array, values: Array, channel: Channel | None
) -> tuple[list[float | None], list[float | None]]:
    """A line's points with a None where samples are missing, so that none is drawn through what is
    not there.
    """
    x: list[float | None] = []
    y: list[float | None] = []
    for i, (at, value) in enumerate(zip(t.tolist(), values.tolist(), strict=True)):
        if i and at - float(t[i - 1]) > _gap(channel):
            x.append(None)
            y.append(None)
        x.append(round(at, 3))
        y.append(round(value, 3))
    return x, y


def _panel(
    panel: Panel, audit: PullAudit, there: Sequence[str], table: Limits, *, us: bool
) -> dict[str, Any] | None:
    series = [c for c in _of_panel(panel, audit.pull) if c in there]
    if not series:
        return None
    if panel.id == "mixture" and LEAN_LIMIT in there:
        series.append(LEAN_LIMIT)
    unit = row_shown(series[0]).unit
    made: dict[str, Any] = {
        "id": panel.id,
        "title": panel.title,
        "unit": unit_for("" if unit == "1" else unit, us=us),
        "series": series,
        "tall": panel.tall,
        "always": panel.always,
        "lines": [],
        "bands": [],
    }
    if panel.id == "boost" and "boost" in series:
        made["lines"], made["bands"] = _boost_levels(
            audit, table, us=us, target_drawn="boost_target" in series
        )
    return made


def _boost_levels(
    audit: PullAudit, table: Limits, *, us: bool, target_drawn: bool
) -> tuple[list[Any], list[Any]]:
    """The car's own target and limit as lines; the settled level with the room that overshoot has
    before its watch limit.
    """
    pull, car = audit.pull, audit.pull.car
    lines = []
    if (target := car.target_for(pull.gear)) is not None and not target_drawn:
        lines.append(
            {
                "y": shown(target, "kPa", us=us),
                "text": f"target {figure(target, 'kPa', us=us)}",
                "role": "target",
            }
        )
    if car.boost_limit_kpa is not None:
        limit = car.boost_limit_kpa
        lines.append(
            {
                "y": shown(limit, "kPa", us=us),
                "text": f"car's limit {figure(limit, 'kPa', us=us)}",
                "role": "limit",
            }
        )
    settled = audit.measures.get("boost_settled_kpa")
    room = table.row("boost.overshoot", "boost_overshoot_kpa").watch
    boost = pull.believed("boost")
    if settled is None or room is None or not boost:
        return lines, []
    reached = boost.t[boost.value >= settled - room]
    start = float(reached[0]) if len(reached) else pull.start_s
    level = f"settled {figure(settled, 'kPa', us=us)}"
    scale, _ = linear("kPa", us=us)
    band = {
        "start": round(start, 3),
        "end": round(pull.end_s, 3),
        "level": level,
        "text": f"{level}, ±\N{NO-BREAK SPACE}{figure(room, 'kPa', us=us)}",
        "low": shown(settled, "kPa", us=us) - scale * room,
        "high": shown(settled, "kPa", us=us) + scale * room,
    }
    return lines, [band]


def load_chart(audit: PullAudit, table: Limits, *, us: bool) -> dict[str, Any] | None:
    """What the script needs to lay lambda, moved back by its lag in s, against boost: the limits
    that hold there.
    """
    lam, boost = audit.pull.believed("lambda"), audit.pull.believed("boost", lead_s=1.5)
    if len(lam.t) < 3 or len(boost.t) < 3:
        return None
    return {
        "unit": unit_for("kPa", us=us),
        "lag": round(audit.measures.get("lambda_lag_s") or 0.0, 3),
        "limits": _load_limits(table, float(boost.value.max()), us=us),
    }


def _load_limits(table: Limits, top_kpa: float, *, us: bool) -> list[dict[str, Any]]:
    """Each level of the sustained lean limit over the boost at which it holds, as it follows
    boost.
    """
    row, load = _lean_row(table)
    start = load
    if top_kpa < load:
        row, start = table.row("mixture.lean", "lean_low_boost_lambda"), 0.0
    top = max(top_kpa, start)
    boost = np.unique([start, *(b for b in row.at if start < b < top), top])
    return [
        {
            "name": name,
            "x": [round(shown(float(b), "kPa", us=us), 2) for b in boost],
            "y": [round(float(v), 4) for v in levels],
            "text": f"{name} {levels[-1]:.2f}",
        }
        for name, levels in _levels(row, boost).items()
    ]
