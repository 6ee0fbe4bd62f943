"""What kept nights say for the decision: verdict, what is watched again, what to look at first."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from audit.model import Decision
from audit.night.decision import StepLike, decided, first_look, repeated, watched

if TYPE_CHECKING:
    import polars as pl


def watched_again(nights: pl.DataFrame, findings: pl.DataFrame | None) -> str:
    """What is watched in two pulls of the newest night, or there and on the night before; '' for
    nothing.

    nights: in order, with night_id.
    """
    ids = nights["night_id"].to_list()[-2:]
    if findings is None or not ids:
        return ""
    before = watched_of(findings, ids[0]) if len(ids) > 1 else {}
    return repeated(watched_of(findings, ids[-1]), before)


def watched_of(findings: pl.DataFrame, night_id: str) -> dict[str, int]:
    """In how many pulls of a kept night each family is watched."""
    return watched(
        (r["code"], r["severity"], (r["log_id"], r["index"]) if r["level"] == "pull" else None)
        for r in _rows(findings, night_id)
    )


def decided_from_rows(
    nights: pl.DataFrame, findings: pl.DataFrame | None, *, step: StepLike, again: str
) -> Decision | None:
    """The decision after the newest kept night; None without any. nights: in order."""
    if nights.is_empty():
        return None
    night = nights.row(-1, named=True)
    rows = [] if findings is None else [*_rows(findings, night["night_id"])]
    first = first_look(((r["severity"], r["look_at"] or ()) for r in rows), night["verdict"])
    reason = next(iter(night["reasons"] or ()), "")
    return decided(night["verdict"], reason, first, step=step, again=again)


def _rows(findings: pl.DataFrame, night_id: str) -> Iterator[dict[str, Any]]:
    if findings.is_empty():
        return
    yield from findings.filter(findings["night_id"] == night_id).iter_rows(named=True)
