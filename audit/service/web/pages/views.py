"""What stands on each page of the archive, in the reader's units, nothing escaped yet.

Each view is a function of the shelf and of what the address says, by its own names for it; what the
address need not say has a default. `name` among what it gives is the car whose other pages are
offered.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

from audit.archive.step.decide import response_tonight, with_decision
from audit.errors import UsageError
from audit.model import Decision, Night
from audit.report.display import figure, localise, number
from audit.report.page.content import HEADS, facts, laid_of, page_of
from audit.report.page.marks import numbered, pull_ids
from audit.report.page.picture import duty_tonight
from audit.report.page.traces import overlaid, packet, rows_for
from audit.report.words import CAUTIONS, VERDICT_SAYS, sentence
from audit.service.web.pages.charts import response_chart, trend_charts
from audit.service.web.pages.usual import history_of

if TYPE_CHECKING:
    from audit.service.web.pages.shelf import Shelf

Shown = dict[str, Any]
FOLLOWED = {  # what follows: its head, and what is said meanwhile
    "/plan": ("The evening ahead", "Working out the evening from all nights…"),
    "/trends": ("Trends", "Working out the trends over all nights…"),
    "/response": ("Duty and boost", "Working out boost against duty over all nights…"),
}
MOST_NIGHTS = 200  # shown of one car at once, newest first


def link(path: str, **query: str) -> str:
    """An address of ours with its query quoted."""
    return f"{path}?{urlencode(query)}" if query else path


def cars_page(shelf: Shelf) -> Shown:
    """Every car with its last night."""
    return {"cars": shelf.last_nights(), "says": _says}


def _says(verdict: str, decision: str | None) -> str:
    """What a clear night's decision comes to, as its page heads it; what any other verdict says."""
    if verdict == "clear" and decision:
        return HEADS[json.loads(decision)["state"]].lower()
    return VERDICT_SAYS.get(verdict, "").rstrip(".")


def car_page(shelf: Shelf, name: str, skip: str = "0") -> Shown:
    """The nights of a car, newest first, and its journal. skip: how many of the newest to leave
    out.
    """
    us, first, past = shelf.us(name), int(skip), int(skip) + MOST_NIGHTS
    mine = shelf.nights(name).sort("date", "night_id", descending=True)
    pulls = shelf.pulls(name, "night_id", "boost_peak_kpa").select("night_id", "boost_peak_kpa")
    counts = dict(pulls.group_by("night_id").len().iter_rows())
    peaks = dict(pulls.group_by("night_id").max().iter_rows())
    rows = [
        row
        | {
            "pulls": counts.get(row["night_id"], 0),
            "peak": figure(peaks.get(row["night_id"]), "kPa", us=us),
            "reason": localise((row["reasons"] or [""])[0], us=bool(row["us_units"])),
        }
        for row in mine[first:past].rows(named=True)
    ]
    more = link("/car", name=name, skip=str(past)) if mine.height > past else ""
    notes = shelf.archive.journal.of(name)
    return {"name": name, "nights": rows, "total": mine.height, "notes": notes, "more": more}


def followed(shelf: Shelf, car: str) -> Shown:
    """A page of a car whose figures follow it, as its part, since many nights take a while."""
    return {"name": shelf.known_car(car), "cautions": CAUTIONS, "heads": FOLLOWED}


def night_page(shelf: Shelf, id: str) -> Shown:  # noqa: A002 - the word of the address
    """A kept night; traces, sensors and reasons for gaps are fetched when they are reached."""
    row, newest, night = shelf.night_row(id), shelf.newest(id), shelf.decided(id)
    late = {name: link("/traces", night=id, pull=name) for name, _, _ in pull_ids(night)}
    page = page_of(
        night,
        late=late,
        date=row["date"],
        history=shelf.usual(id),
        with_log=lambda audit: shelf.with_log(id, audit),
    )
    page |= {
        "not_judged": [],
        "sensors": [],
        "evidence": link("/evidence", night=id),
        "overlay_source": link("/overlay", night=id) if len(late) > 1 else "",
        "duty": None,
        "duty_source": link("/duty", night=id) if page["duty"] else "",
        "newer": "" if newest == id else link("/night", id=newest),
    }
    return {"page": page, "name": row["car"], "said": ""}


def looked_page(night: Night) -> dict[str, Any]:
    """The page of a night that was screened and not kept."""
    history = history_of(None, "", response_tonight(night))
    return page_of(with_decision(night), history=history)


def overlay(shelf: Shelf, night: str) -> Shown:
    """The packet of all pulls of a kept night over each other. Raises UsageError where there is no
    pull.
    """
    kept = shelf.night(night)
    pulls = laid_of([(n, f, shelf.with_log(night, p)) for n, f, p in pull_ids(kept)])
    if not pulls:
        raise UsageError("There is no pull in this night.")
    return {"packet": overlaid(pulls, us=kept.us_units)}


def duty(shelf: Shelf, night: str) -> Shown:
    """Boost against duty of a kept night: the newest on the curve of all nights, an earlier one on
    its own.
    """
    kept = shelf.decided(night)
    newest = shelf.newest(night) == night
    found = shelf.response(kept.car.name) if newest else response_tonight(kept)
    return {"chart_of": duty_tonight(kept, history_of(None, "", found), us=kept.us_units)}


def evidence(shelf: Shelf, night: str) -> Shown:
    """What was not judged and why, and the sensors, of a kept night."""
    return {"page": page_of(shelf.judged_anew(night), late={})}


def traces(shelf: Shelf, night: str, pull: str) -> Shown:
    """The packet of one pull of a kept night. Raises UsageError for a pull that is not there."""
    kept = shelf.night(night)
    found = next((audit for name, _, audit in pull_ids(kept) if name == pull), None)
    if found is None:
        raise UsageError("There is no such pull in this night.")
    audit = shelf.with_log(night, found)
    rows = rows_for([audit.pull])
    return {"packet": packet(pull, audit, numbered(kept), rows=rows, us=kept.us_units)}


def plan_page(shelf: Shelf, car: str) -> Shown:
    """The evening ahead, from the document 'pullaudit.plan', in the reader's units."""
    from audit.archive.logged import logged_afr
    from audit.archive.step.plan import plan
    from audit.report.sheets import boosts

    us, archive = shelf.us(car), shelf.archive
    found = shelf.response(car)
    document = plan(archive.car(car), found, afr=logged_afr(archive, car))
    warm = document["warm_up"]
    lists = ("inspect", "before", "ends", "notes")
    return {
        "decision": _told(found.decision, us=us),
        "nothing": "No higher duty tonight" if document["history"] else "No pulls yet",
        **{key: localise(document[key], us=us) for key in ("lead", "after")},
        **{key: [localise(text, us=us) for text in document[key]] for key in lists},
        "warm": {k: figure(warm[k], "°C", us=us, digits=0) for k in ("coolant_c", "oil_c")},
        "legs": [
            {"duty": leg["duty_pct"], "pulls": leg["pulls"], **boosts(leg, us=us)}
            for leg in document["legs"]
        ],
        "cool": f"{document['cool_down_s'] / 60:g} minutes ({document['cool_down_from']})",
    }


def trends_page(shelf: Shelf, car: str) -> Shown:
    """Each followed measure with its chart: what moved first; of too few nights in a line each."""
    us, found = shelf.us(car), shelf.trends(car)
    rank = ("shifted", "past_limit", "drifting", "not_sure", "steady", "few")
    rows: dict[bool, list[Shown]] = {False: [], True: []}
    for i, trend in enumerate(sorted(found.trends, key=lambda t: rank.index(t.state))):
        few = trend.state == "few"
        unit = "" if trend.measure.unit == "1" else trend.measure.unit
        nights = f"{len(trend.dates)} night{'' if len(trend.dates) == 1 else 's'}"
        rows[few].append(
            {
                "nights": f"{nights} since '{trend.because}'" if trend.because else nights,
                "label": sentence(trend.measure.label),
                "state": trend.state,
                "said": localise(trend.said, us=us),
                "meaning": trend.meaning,
                "now": figure(trend.level, unit, us=us, digits=trend.measure.digits).strip(),
                "charts": [] if few else trend_charts(f"trend-{i}", trend, found.notes, us=us),
            }
        )
    return {"rows": rows[False], "few": rows[True], "notes": found.notes, "dates": found.dates}


def response_page(shelf: Shelf, car: str) -> Shown:
    """Boost against duty, gear by gear, and the step."""
    us, found = shelf.us(car), shelf.response(car)
    steps = found.decision is None or found.decision.state == "step"
    gears: dict[bool, list[Shown]] = {False: [], True: []}
    for gear in found.gears:
        own = gear.pulls and gear.step.sentence != found.step.sentence
        chart = response_chart(gear, found, steps=steps, us=us)
        gears[bool(gear.pulls)].append(
            {
                "name": f"Gear {gear.gear}" if gear.gear else "Gear not known",
                "pulls": gear.pulls,
                "wanted": _wanted(gear.wanted, us=us),
                "step": localise(gear.step.sentence, us=us) if own else "",
                "chart": chart,
            }
        )
    return {
        "gears": gears[True],
        "guessed": gears[False],
        "decision": _told(found.decision, us=us),
        "step": sentence(localise(found.step.sentence, us=us)),
        "next": localise(found.step.log_next, us=us),
        "notes": [localise(n, us=us) for n in found.notes],
    }


def _told(decision: Decision | None, *, us: bool) -> Shown | None:
    """A decision as the first screen of a night tells it. Of no step without a known duty nothing
    stands below the head, which says it all.
    """
    if decision is None:
        return None
    told = decision.state != "no_step" or decision.duty_now_pct is not None
    return {"head": HEADS[decision.state], "rows": facts(decision, us=us) if told else []}


def _wanted(
    wanted: tuple[float, float | None, float | None, float | None, str] | None, *, us: bool
) -> str:
    if wanted is None:
        return ""
    target, low, middle, high, how = wanted
    if middle is None:
        return f"{figure(target, 'kPa', us=us)} is not reached at 100 % duty ({how})."
    least, duty, most = (number(v, "%", us=us) for v in (low, middle, high))
    ends = f"{least} % or more" if high is None else f"{least} to {most} %"
    return f"{figure(target, 'kPa', us=us)} takes about {duty} % duty; it may be {ends} ({how})."
