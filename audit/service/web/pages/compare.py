"""Two pulls over each other: one packet of traces out of two."""

from __future__ import annotations

from typing import Any

from audit.model import PullAudit
from audit.report.page.traces import packet

SIDES = ("a", "b")


def overlaid(
    first: PullAudit, second: PullAudit, *, names: tuple[str, str], us: bool, rows: int = 1200
) -> dict[str, Any]:
    """A packet with both pulls' series on one axis that begins with each pull's start. names: one for each in the keys."""
    both = [
        packet(side, audit, (), rows=rows, us=us)
        for side, audit in zip(SIDES, (first, second), strict=True)
    ]
    series: dict[str, Any] = {}
    grids = []
    for i, (side, one) in enumerate(zip(SIDES, both, strict=True)):
        grids.append({**one["grids"][0], "shift": one["grids"][0]["start"]})
        series |= {
            f"{side}_{key}": {**s, "grid": i, "label": f"{s['label']}, {names[i]}"}
            for key, s in one["series"].items()
        }
    return {
        "id": "overlay",
        "label": f"{names[0]} and {names[1]}",
        "grids": grids,
        "series": series,
        "panels": _panels(both, names),
        "across": "time from the start of the pull, s",
        "marks": [],
        "load": None,
        "thinned": None,
    }


def _panels(both: list[dict[str, Any]], names: tuple[str, str]) -> list[dict[str, Any]]:
    """Panels that either has, in reading order; the two of a channel side by side in the key."""
    by_id = [{p["id"]: p for p in one["panels"]} for one in both]
    ids = list(dict.fromkeys([*by_id[0], *by_id[1]]))
    out = []
    for name in ids:
        here = [panels.get(name) for panels in by_id]
        model = next(p for p in here if p is not None)
        channels = dict.fromkeys(c for p in here if p is not None for c in p["series"])
        keys = [
            f"{side}_{c}"
            for c in channels
            for side, p in zip(SIDES, here, strict=True)
            if p is not None and c in p["series"]
        ]
        told = " ".join(
            f"{said.capitalize()}: {p['told']}"
            for said, p in zip(names, here, strict=True)
            if p is not None
        )
        out.append(
            {
                **model,
                "told": told,
                "series": keys,
                "lines": [line for line in model["lines"] if line["role"] == "limit"],
                "bands": [],
            }
        )
    return out
