"""Two nights or pulls side by side: what to choose from, their measures, and their pulls over each
other.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from audit.errors import UsageError
from audit.model import PullAudit
from audit.report.comparison import Side, compare
from audit.report.display import apart, number, unit_for
from audit.report.page.marks import pull_ids
from audit.report.page.traces import Laid, overlaid
from audit.service.web.pages.views import link

if TYPE_CHECKING:
    from audit.service.web.pages.shelf import Shelf

MOST_CHOICES = 160  # nights and pulls offered
MOST_PULLS = 6  # of a night, laid over the other's


def compare_page(shelf: Shelf, car: str, a: str = "", b: str = "") -> dict[str, Any]:
    """What to choose from and, once two are chosen ('NIGHT', 'NIGHT pull-N'), both side by side."""
    us, choices = shelf.us(car), _choices(shelf, car)
    offered = _offered([c["key"] for c in choices])
    (night_a, _, pull_a), (night_b, _, pull_b) = (key.partition(" ") for key in (a, b))
    # One of them may be a night and the other its own pull.
    same = bool(a) and night_a == night_b and (pull_a == pull_b or not (pull_a and pull_b))
    made: dict[str, Any] = {
        "name": car,
        "choices": choices,
        "first": a or offered[0],
        "second": b or offered[1],
        "same": same,
        "tonight": _tonight(shelf, car),
        "packet": None,
    }
    return made if same or not (a and b) else made | _beside(shelf, a, b, us=us)


def _beside(shelf: Shelf, a: str, b: str, *, us: bool) -> dict[str, Any]:
    sides = [_side(shelf, key) for key in (a, b)]
    found = compare(*(side for side, _ in sides))
    single = all(len(pulls) == 1 for _, pulls in sides)
    laid = [
        Laid(f"{side.name}{'' if single else f', pull {i}'}", audit, "" if single else f"s{n}")
        for n, (side, pulls) in enumerate(sides)
        for i, audit in enumerate(pulls[:MOST_PULLS], 1)
    ]
    rows = []
    for row in found.rows:
        left, right = (number(v, row.unit, us=us, digits=row.digits) for v in (row.a, row.b))
        unit = "" if row.unit == "1" else unit_for(row.unit, us=us)
        rows.append((row.label, unit, left, right, apart(left, right), row.certain))
    return {
        "rows": rows,
        "gear": f"gear {found.gear}" if found.gear is not None else "all gears: none is shared",
        "names": (found.a.name, found.b.name),
        "packet": overlaid(laid, us=us, every=single),
    }


def _offered(keys: list[str]) -> list[str]:
    """The two to begin with: the newest nights, or of one night alone its first pulls."""
    nights = [key for key in keys if " " not in key]
    pulls = [key for key in keys if " " in key]
    return [*(nights if len(nights) > 1 else pulls if len(pulls) > 1 else nights), "", ""][:2]


def _tonight(shelf: Shelf, car: str) -> dict[str, str] | None:
    """The newest night against the last clear one before it, None where there is none."""
    *earlier, last = shelf.nights(car).rows(named=True)
    before = next((r for r in reversed(earlier) if r["verdict"] == "clear"), None)
    if before is None:
        return None
    return {
        "href": link("/compare", car=car, a=before["night_id"], b=last["night_id"]),
        "text": f"{last['date']} against the last clear night, {before['date']}",
    }


def _side(shelf: Shelf, key: str) -> tuple[Side, list[PullAudit]]:
    """A night's pulls, or one of them, with their logs. Raises UsageError for what is not there."""
    night_id, _, only = key.partition(" ")
    date = shelf.night_row(night_id)["date"]
    pulls = [p for n, _, p in pull_ids(shelf.night(night_id)) if not only or n == only]
    if not pulls:
        raise UsageError(f"There is no such pull in the night of {date}.")
    name = f"{date}, pull {only.rpartition('-')[2]}" if only else date
    side = Side(name, tuple((p.pull.gear, p.measures) for p in pulls))
    return side, [shelf.with_log(night_id, p) for p in pulls[:MOST_PULLS]]


def _choices(shelf: Shelf, car: str) -> list[dict[str, str]]:
    """The newest nights of a car, each with its pulls."""
    mine = shelf.nights(car).sort("date", "night_id", descending=True)
    out: list[dict[str, str]] = []
    for night_id, date, verdict in mine.select("night_id", "date", "verdict").iter_rows():
        if len(out) >= MOST_CHOICES:
            break
        for i, (name, _, audit) in enumerate(pull_ids(shelf.night(night_id))):
            if i == 0:
                out.append({"key": night_id, "text": f"{date}, the whole night, {verdict}"})
            said = Laid(f"{date}, pull {name.rpartition('-')[2]}", audit).said
            out.append({"key": f"{night_id} {name}", "text": said})
    return out
