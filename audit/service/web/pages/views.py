"""What stands on each page of the archive, in the reader's units, nothing escaped yet."""

from __future__ import annotations

import dataclasses
import json
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

from audit.archive.step.decide import response_tonight, with_decision
from audit.errors import UsageError
from audit.model import Decision, Night, PullAudit
from audit.report.display import figure, localise, number
from audit.report.page.content import Page, laid_of, page_of
from audit.report.page.first import HEADS, facts
from audit.report.page.marks import numbered, pull_ids
from audit.report.page.overlay import overlaid
from audit.report.page.picture import duty_tonight
from audit.report.page.traces import packet, rows_for
from audit.report.words import VERDICT_SAYS, sentence
from audit.service.web.pages.usual import history_of, wanted

if TYPE_CHECKING:
    from audit.service.web.pages.shelf import Shelf

MOST_NIGHTS = 200  # shown of one car at once, newest first


def link(path: str, **query: str) -> str:
    """An address of ours with its query quoted."""
    return f"{path}?{urlencode(query)}" if query else path


def cars_page(shelf: Shelf) -> dict[str, Any]:
    """Every car with its last night."""
    return {
        "cars": [
            {
                "name": name,
                "href": link("/car", name=name),
                "nights": nights,
                "last": last,
                "verdict": verdict,
                "says": _says(verdict, decision),
                "night": link("/night", id=night),
            }
            for name, nights, last, verdict, night, decision in shelf.last_nights()
        ]
    }


def _says(verdict: str, decision: str | None) -> str:
    """What a clear night's decision comes to, as its page heads it; what any other verdict says."""
    if verdict == "clear" and decision:
        return HEADS[json.loads(decision)["state"]].lower()
    return VERDICT_SAYS.get(verdict, "").rstrip(".")


def car_page(shelf: Shelf, name: str, *, skip: int = 0) -> dict[str, Any]:
    """The nights of a car, newest first, and its journal. skip: how many of the newest to leave
    out.
    """
    name = shelf.known_car(name)
    mine = shelf.nights(name).sort("date", "night_id", descending=True)
    here = mine.slice(skip, MOST_NIGHTS)
    pulls = shelf.pulls(name, ("night_id", "boost_peak_kpa"))
    counts = dict(pulls.group_by("night_id").len().iter_rows())
    us = us_of(shelf, name)
    peaks = dict(pulls.select("night_id", "boost_peak_kpa").group_by("night_id").max().iter_rows())
    rows = [
        {
            "date": row["date"],
            "href": link("/night", id=row["night_id"]),
            "verdict": row["verdict"],
            "setting": row["setting"] or "",
            "pulls": counts.get(row["night_id"], 0),
            "peak": figure(peaks.get(row["night_id"]), "kPa", us=us),
            "reason": localise((row["reasons"] or [""])[0], us=bool(row["us_units"])),
        }
        for row in here.rows(named=True)
    ]
    notes = [
        {"day": n.day, "text": n.text}
        for n in shelf.remembered(("notes", name), lambda: shelf.archive.journal.of(name))
    ]
    more = (
        link("/car", name=name, skip=str(skip + MOST_NIGHTS))
        if mine.height > skip + MOST_NIGHTS
        else ""
    )
    return {
        "name": name,
        "nights": rows,
        "total": mine.height,
        "notes": notes,
        "more": more,
        "links": car_links(name),
    }


def car_links(name: str) -> list[tuple[str, str]]:
    """Where else to look at this car."""
    return [
        ("nights", link("/car", name=name)),
        ("trends", link("/trends", car=name)),
        ("compare", link("/compare", car=name)),
        ("duty and boost", link("/response", car=name)),
        ("plan", link("/plan", car=name)),
    ]


def us_of(shelf: Shelf, car: str) -> bool:
    """Are this car's figures shown in US units?"""
    mine = shelf.nights(car)["us_units"]
    return bool(mine[-1]) if len(mine) else False


def night_page(shelf: Shelf, night_id: str) -> tuple[Page, str]:
    """A kept night and its car's name; traces, sensors and reasons for gaps are fetched when they
    are reached.
    """
    row = shelf.night_row(night_id)
    newest = _newest(shelf, row["car"])
    night = shelf.remembered(
        ("decided", night_id), lambda: _decided(shelf, row, newest=newest == night_id)
    )
    late = {name: link("/traces", night=night_id, pull=name) for name, _, _ in pull_ids(night)}
    page = page_of(
        night,
        late=late,
        date=row["date"],
        history=shelf.remembered(
            ("usual", night_id), lambda: history_of(shelf.pulls(row["car"], wanted()), row["date"])
        ),
        with_log=lambda audit: shelf.with_log(night_id, audit),
    )
    return dataclasses.replace(
        page,
        not_judged=[],
        sensors=[],
        evidence=link("/evidence", night=night_id),
        overlay_source=link("/overlay", night=night_id) if len(late) > 1 else "",
        duty=None,
        duty_source=link("/duty", night=night_id) if page.duty else "",
        newer="" if newest == night_id else link("/night", id=newest),
    ), row["car"]


def _decided(shelf: Shelf, row: dict[str, Any], *, newest: bool) -> Night:
    """The night with its decision: the newest by all that is kept, an earlier one as it was kept,
    None for none.
    """
    night = shelf.night(row["night_id"])
    if newest:
        return with_decision(night, shelf.archive)
    kept = row.get("decision")
    if not kept:
        return night
    told = json.loads(kept) if isinstance(kept, str) else dict(kept)
    expected = tuple(told["expected_kpa"].values())
    told["expected_kpa"] = None if None in expected else expected
    return dataclasses.replace(night, decision=Decision(**told))


def _newest(shelf: Shelf, car: str) -> str:
    """The id of a car's newest night."""
    mine = shelf.nights(car).sort("date", "added_at", "night_id")
    return str(mine["night_id"][-1])


def overlay(shelf: Shelf, night_id: str) -> dict[str, Any]:
    """The packet of all pulls of a kept night over each other. Raises UsageError where there is no
    pull.
    """
    night = shelf.night(night_id)
    pulls = laid_of([(n, f, shelf.with_log(night_id, p)) for n, f, p in pull_ids(night)])
    if not pulls:
        raise UsageError("There is no pull in this night.")
    return {"packet": overlaid(pulls, us=night.us_units)}


def duty(shelf: Shelf, night_id: str) -> dict[str, Any]:
    """Boost against duty of a kept night: the newest on the curve of all nights, an earlier one on
    its own.
    """
    from audit.archive.step.response import response

    row = shelf.night_row(night_id)
    newest = _newest(shelf, row["car"]) == night_id
    night = shelf.remembered(("decided", night_id), lambda: _decided(shelf, row, newest=newest))
    found = response_tonight(night)
    if newest:
        car = shelf.archive.car(row["car"])
        found = shelf.remembered(("response", row["car"]), lambda: response(shelf.archive, car))
    return {"chart_of": duty_tonight(night, history_of(None, "", found), us=night.us_units)}


def looked_page(night: Night) -> Page:
    """The page of a night that was screened and not kept."""
    history = history_of(None, "", response_tonight(night))
    return page_of(with_decision(night), history=history)


def evidence(shelf: Shelf, night_id: str) -> dict[str, Any]:
    """What was not judged and why, and the sensors, of a kept night."""
    return {"page": page_of(shelf.judged_anew(night_id), late={})}


def traces(shelf: Shelf, night_id: str, pull: str) -> dict[str, Any]:
    """The packet of one pull of a kept night. Raises UsageError for a pull that is not there."""
    night = shelf.night(night_id)
    audit = _pull(shelf, night_id, pull)
    rows = rows_for([audit.pull])
    return {"packet": packet(pull, audit, numbered(night), rows=rows, us=night.us_units)}


def _pull(shelf: Shelf, night_id: str, pull: str) -> PullAudit:
    found = next(
        (audit for name, _, audit in pull_ids(shelf.night(night_id)) if name == pull), None
    )
    if found is None:
        raise UsageError("There is no such pull in this night.")
    return shelf.with_log(night_id, found)


def plan_page(shelf: Shelf, car: str) -> dict[str, Any]:
    """The evening ahead, from the document 'pullaudit.plan', in the reader's units."""
    from audit.archive.logged import logged_afr
    from audit.archive.step.plan import plan
    from audit.archive.step.response import response
    from audit.report.run_sheet import boosts

    car = shelf.known_car(car)
    us = us_of(shelf, car)
    file = shelf.archive.car(car)
    found = shelf.remembered(("response", car), lambda: response(shelf.archive, file))
    document = plan(file, found, afr=logged_afr(shelf.archive, car))
    warm = document["warm_up"]
    told = {
        key: [localise(text, us=us) for text in document[key]]
        for key in ("inspect", "before", "ends", "notes")
    }
    return {
        "name": car,
        "decision": _told(found.decision, us=us),
        "nothing": "No higher duty tonight" if document["history"] else "No pulls yet",
        "lead": localise(document["lead"], us=us),
        "after": localise(document["after"], us=us),
        "warm": {k: figure(warm[k], "°C", us=us, digits=0) for k in ("coolant_c", "oil_c")},
        "legs": [
            {"duty": leg["duty_pct"], "pulls": leg["pulls"], **boosts(leg, us=us)}
            for leg in document["legs"]
        ],
        "cool": f"{document['cool_down_s'] / 60:g} minutes ({document['cool_down_from']})",
        **told,
    }


def trends_page(shelf: Shelf, car: str) -> dict[str, Any]:
    """Each followed measure with its chart: what moved first."""
    from audit.archive.trend.trends import trends
    from audit.service.web.pages.charts import trend_charts

    car = shelf.known_car(car)
    us = us_of(shelf, car)
    found = shelf.remembered(("trends", car), lambda: trends(shelf.archive, car))
    rank = ("shifted", "past_limit", "drifting", "not_sure", "steady", "few")
    rows = []
    for i, trend in enumerate(sorted(found.trends, key=lambda t: rank.index(t.state))):
        unit = "" if trend.measure.unit == "1" else trend.measure.unit
        nights = f"{len(trend.dates)} night{'' if len(trend.dates) == 1 else 's'}"
        rows.append(
            {
                "nights": f"{nights} since '{trend.because}'" if trend.because else nights,
                "label": sentence(trend.measure.label),
                "state": trend.state,
                "said": localise(trend.said, us=us),
                "meaning": trend.meaning,
                "now": figure(trend.level, unit, us=us, digits=trend.measure.digits).strip(),
                "charts": trend_charts(f"trend-{i}", trend, found.notes, us=us)
                if trend.state != "few"
                else [],
            }
        )
    few = [r for r in rows if r["state"] == "few"]  # told in a line each
    return {
        "name": car,
        "rows": [r for r in rows if r["state"] != "few"],
        "few": few,
        "notes": [{"day": n.day, "text": n.text} for n in found.notes],
        "dates": found.dates,
    }


def response_page(shelf: Shelf, car: str) -> dict[str, Any]:
    """Boost against duty, gear by gear, and the step."""
    car = shelf.known_car(car)
    us = us_of(shelf, car)
    made: dict[str, Any] = {
        "name": car,
        "gears": [],
        "guessed": [],
        "decision": None,
        "step": "",
        "next": "",
        "notes": [],
    }
    from audit.archive.step.response import response
    from audit.service.web.pages.charts import response_chart

    found = shelf.remembered(
        ("response", car), lambda: response(shelf.archive, shelf.archive.car(car))
    )
    made["decision"] = _told(found.decision, us=us)
    steps = found.decision is None or found.decision.state == "step"
    made["step"] = sentence(localise(found.step.sentence, us=us))
    made["next"] = localise(found.step.log_next, us=us)
    made["notes"] = [localise(n, us=us) for n in found.notes]
    for gear in found.gears:
        step = (
            "" if gear.step.sentence == found.step.sentence else localise(gear.step.sentence, us=us)
        )
        name = f"Gear {gear.gear}" if gear.gear else "Gear not known"
        made["gears" if gear.pulls else "guessed"].append(
            {
                "name": name,
                "pulls": gear.pulls,
                "wanted": _wanted(gear.wanted, us=us),
                "step": step if gear.pulls else "",
                "chart": response_chart(
                    gear,
                    relative=found.air.relative,
                    limit=found.car.boost_limit_kpa,
                    steps=steps,
                    us=us,
                ),
            }
        )
    return made


def _told(decision: Decision | None, *, us: bool) -> dict[str, Any] | None:
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
    ends = (
        f"{number(low, '%', us=us)} % or more"
        if high is None
        else f"{number(low, '%', us=us)} to {number(high, '%', us=us)} %"
    )
    about = f"{figure(target, 'kPa', us=us)} takes about {number(middle, '%', us=us)} % duty"
    return f"{about}; it may be {ends} ({how})."
