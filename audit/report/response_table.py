"""The duty sheet: boost against duty and the next step, narrow enough for a phone and one printed
page.
"""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from typing import Any

from audit.report.display import figure, localise, number, unit_for
from audit.report.words import CAUTION, decision_line

WIDTH = 46
ACTIONS = {"up": "NEXT STEP", "stay": "STAY", "down": "GO BACK", "refuse": "NO STEP"}
MOST_LEVELS, MOST_OTHERS = 10, 3  # of the gear pulled last, of the others; a page must hold it
FAR_PCT = 15.0  # from no duty to the lowest logged: the spring's boost is then a guess
Doc = Mapping[str, Any]


def render(document: Doc, *, us: bool) -> list[str]:
    """The sheet's lines from the document 'pullaudit.response', none wider than WIDTH."""
    where = f", {document['setting']}" if document["setting"] else ""
    lines = [
        (
            f"{document['car']}{where}: {many(document['pulls'], 'pull')}, "
            f"{many(document['nights'], 'night')}"
        )
    ]
    lines += ["", *_decision(document, us=us)]
    main = document["main_gear"] or 0
    for gear in sorted(document["gears"], key=lambda g: (g["gear"] or 0) != main):
        if gear["pulls"]:
            lines += ["", *_gear(gear, main=(gear["gear"] or 0) == main, us=us)]
    if any(gear["levels"] for gear in document["gears"]):
        reference = document["reference_air"]
        air = (
            f"{figure(reference['celsius'], '°C', us=us, digits=0)} and "
            f"{figure(reference['kpa'], 'kPa', us=us)}"
        )
        lines += [
            "",
            *wrapped(
                f"Settled: as at {air}; peak: as read. The next step is meant for last night's air."
            ),
        ]
    for section in (_by_gear(document, us=us), _notes(document, us=us)):
        lines += ["", *section] if section else []
    return [*lines, "", *wrapped(CAUTION)]


def gear_table(document: Doc, *, us: bool) -> list[str]:
    """A line a gear: duties logged, boost there, the duty that the target takes; to print or
    paste.
    """
    unit = unit_for("kPa", us=us)
    lines = [
        f"{document['car']}, boost by gear in {unit} gauge",
        f"{'gear':>4} {'pulls':>5} {'duty %':>9} {'boost':>11} {'target':>6} {'need %':>6}",
    ]
    for gear in sorted(document["gears"], key=lambda g: g["gear"] or 0):
        levels, wanted = gear["levels"], gear["wanted"]
        duty = boost = "–"
        if levels:
            ends = levels[0], levels[-1]
            duty = "-".join(dict.fromkeys(f"{one['duty_pct']:.3g}" for one in ends))
            boost = "-".join(dict.fromkeys(number(one["boost_kpa"], "kPa", us=us) for one in ends))
        target = "–" if wanted is None else number(wanted["target_kpa"], "kPa", us=us)
        takes = "–" if wanted is None else _duty(wanted["duty_pct"])
        guess = "?" if wanted is not None and wanted["known"] != "logged" else ""
        lines.append(
            f"{gear['gear'] or '–':>4} {gear['pulls']:>5} {duty:>9} {boost:>11} {target:>6} "
            f"{takes + guess:>6}"
        )
    if any(not gear["gear"] for gear in document["gears"]):
        lines += wrapped(
            "–: gear not known. Give [gearing] in the car file, then: pullaudit rescreen --archive "
            "DIR --car-file CAR.toml"
        )
    if any(line.endswith("?") for line in lines):
        lines += wrapped("?: beyond the duties logged in that gear, or borrowed from other gears.")
    return [*lines, *wrapped(CAUTION)]


def many(count: int, noun: str) -> str:
    """'1 pull', '3 pulls'."""
    return f"{count} {noun}{'' if count == 1 else 's'}"


def wrapped(text: str, first: str = "", rest: str | None = None) -> list[str]:
    """A paragraph in WIDTH columns."""
    rest = " " * len(first) if rest is None else rest
    return textwrap.wrap(
        text, WIDTH, initial_indent=first, subsequent_indent=rest, break_long_words=False
    )


def _decision(document: Doc, *, us: bool) -> list[str]:
    """The one decision, why, and what to log; without any night what the step says."""
    decision, step = document["decision"], document["next"]
    if decision is None:
        return _next(step, us=us)
    lines = wrapped(decision_line(decision, us=us), "", "  ")
    said = [decision["why"]]
    if step["sentence"] not in decision["why"] and decision["state"] == "step":
        said.insert(0, step["sentence"])
    lines += [line for text in said for line in wrapped(localise(text, us=us))]
    if step["log_next"] and step["log_next"] not in decision["why"]:
        lines += wrapped(localise(step["log_next"], us=us), "To do: ", "  ")
    if decision["state"] != "step":
        lines += wrapped(localise(decision["first"], us=us), "Look first: ", "  ")
    return lines


def _next(step: Doc, *, us: bool) -> list[str]:
    gear = f" (gear {step['gear']})" if step["gear"] else ""
    head = ACTIONS[step["action"]] + gear
    if step["duty_pct"] is not None and step["action"] != "refuse":
        head += f": {step['duty_pct']:.1f} % duty"
    lines = [head, *wrapped(localise(step["sentence"], us=us))]
    if step["log_next"]:
        lines += wrapped(localise(step["log_next"], us=us), "To do: ", "  ")
    return lines


def _gear(gear: Doc, *, main: bool, us: bool) -> list[str]:
    title = f"Gear {gear['gear']}" if gear["gear"] else "Gear unknown"
    lines = [
        f"{title}, boost in {unit_for('kPa', us=us)} gauge",
        f"{'duty %':>6} {'settled':>8} {'from-to':>13} {'peak':>6} {'pulls':>6}",
    ]
    most = MOST_LEVELS if main else MOST_OTHERS
    if below := gear["levels"][:-most]:
        pulls = many(sum(level["pulls"] for level in below), "pull")
        lines += [
            f"{len(below):>6} lower {'duty' if len(below) == 1 else 'duties'}, {pulls}: see --json"
        ]
    lines += [_level(level, us=us) for level in gear["levels"][-most:]]
    lines += _facts(gear, us=us)
    if not main:
        lines += [f"  {line}" for line in _next(gear["next"], us=us)[:1]]
    return lines


def _level(level: Doc, *, us: bool) -> str:
    settled, low, high, peak = (
        number(level[k], "kPa", us=us) for k in ("fitted_kpa", "low_kpa", "high_kpa", "peak_kpa")
    )
    return (
        f"{level['duty_pct']:>6.1f} {settled:>8} {f'{low}-{high}':>13} {peak:>6} "
        f"{level['pulls']:>6}"
    )


def _facts(gear: Doc, *, us: bool) -> list[str]:
    said = []
    if gear["spring_kpa"]:
        low, likely, high = (
            number(gear["spring_kpa"][k], "kPa", us=us) for k in ("low", "likely", "high")
        )
        far = bool(gear["levels"]) and gear["levels"][0]["duty_pct"] > FAR_PCT
        said.append(
            f"Spring alone{', a guess' if far else ''}: about {likely} {unit_for('kPa', us=us)} "
            f"({low} to {high})."
        )
    for key, word in (("dead_band_pct", "Dead band up to"), ("end_stop_pct", "No more boost from")):
        if gear[key]:
            said.append(
                f"{word} about {gear[key]['likely']:.0f} % duty ({gear[key]['low']:.0f} to "
                f"{gear[key]['high']:.0f} %)."
            )
    if gear["spread_kpa"] is not None:
        said.append(f"Spread at the same duty: {figure(gear['spread_kpa'], 'kPa', us=us)}.")
    over = gear["overshoot"]
    if over and over["seen"]:
        said.append(f"Highest overshoot: {figure(over['worst_kpa'], 'kPa', us=us)}.")
    traction = gear["traction"]
    if traction["slipped_kpa"] is not None:
        said.append(f"Wheels spun from a peak of {figure(traction['slipped_kpa'], 'kPa', us=us)}.")
    if traction["hooked_up_kpa"] is not None and traction["slipped_kpa"] is not None:
        said.append(f"Hooked up at up to {figure(traction['hooked_up_kpa'], 'kPa', us=us)}.")
    said += [localise(text, us=us) for text in gear["remarks"]]
    return [line for text in said for line in wrapped(text, "", "  ")]


def _by_gear(document: Doc, *, us: bool) -> list[str]:
    wanted = [(gear["gear"], gear["wanted"]) for gear in document["gears"] if gear["wanted"]]
    if not wanted:
        return []
    lines = [
        "Duty that the target takes, nine in ten",
        f"{'gear':>4} {unit_for('kPa', us=us):>6} {'duty %':>7} {'from-to':>8}  known",
    ]
    for gear, row in sorted(wanted, key=lambda pair: pair[0] or 0):
        low, high = _duty(row["duty_low_pct"]), _duty(row["duty_high_pct"])
        ends = f"{low}-{high}" if high != "–" else f"{low} up" if low != "–" else "–"
        lines.append(
            f"{gear or '–':>4} {number(row['target_kpa'], 'kPa', us=us):>6} "
            f"{_duty(row['duty_pct']):>7} {ends:>8}  {_known(row['known'])}"
        )
    known = {row["known"] for _, row in wanted}
    lines += (
        wrapped("borrowed: from other gears; no pull of that gear yet.")
        if "guessed from other gears" in known
        else []
    )
    return lines + (
        wrapped("GUESS: beyond: outside the duties logged in that gear.")
        if "beyond the data" in known
        else []
    )


def _duty(value: float | None) -> str:
    return "–" if value is None else f"{value:.0f}"


def _known(how: str) -> str:
    return {
        "logged": "logged",
        "beyond the data": "GUESS: beyond",
        "guessed from other gears": "borrowed",
    }[how]


def _notes(document: Doc, *, us: bool) -> list[str]:
    said: Sequence[str] = document["notes"]
    if document["not_projected"]:
        said = [
            *said,
            (
                "Not known from these pulls, so not held against a limit: "
                f"{', '.join(document['not_projected'])}."
            ),
        ]
    return [line for text in said for line in wrapped(localise(text, us=us), "- ")]
