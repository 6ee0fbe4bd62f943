"""Sheets narrow enough for a phone and one printed page: the duty sheet (boost against duty and the
next step) and the run sheet (the evening, to be ticked off by hand).
"""

from __future__ import annotations

from collections.abc import Sequence

from audit.report.display import figure, localise, number, unit_for
from audit.report.words import CAUTION, Doc, Sheet, aligned, decision_line, expected, many

ACTIONS = {"up": "NEXT STEP", "stay": "STAY", "down": "GO BACK", "refuse": "NO STEP"}
MOST_LEVELS, MOST_OTHERS = 10, 3  # of the gear pulled last, of the others; a page must hold it
FAR_PCT = 15.0  # from no duty to the lowest logged: the spring's boost is then a guess
BOX = "[ ] "
# How the duty of a target is known -> the word for it, and what stands below the table
KNOWN = {
    "logged": ("logged", ""),
    "guessed from other gears": ("borrowed", "from other gears; no pull of that gear yet."),
    "beyond the data": ("GUESS: beyond", "outside the duties logged in that gear."),
}


def response_lines(document: Doc, *, us: bool) -> list[str]:
    """The sheet's lines from the document 'pullaudit.response', none wider than PHONE."""
    sheet, main = Sheet(us=us), document["main_gear"] or 0
    where = f", {document['setting']}" if document["setting"] else ""
    counts = f"{many(document['pulls'], 'pull')}, {many(document['nights'], 'night')}"
    sheet.lines = [f"{document['car']}{where}: {counts}", ""]
    _decision(sheet, document)
    for gear in sorted(document["gears"], key=lambda g: (g["gear"] or 0) != main):
        if gear["pulls"]:
            _gear(sheet, gear, main=(gear["gear"] or 0) == main)
    if any(gear["levels"] for gear in document["gears"]):
        celsius = figure(document["reference_air"]["celsius"], "°C", us=us, digits=0)
        air = f"{celsius} and {figure(document['reference_air']['kpa'], 'kPa', us=us)}"
        sheet.part()
        sheet.say(
            f"Settled: as at {air}; peak: as read. The next step is meant for last night's air."
        )
    _by_gear(sheet, [gear for gear in document["gears"] if gear["wanted"]])
    unknown = ", ".join(document["not_projected"])
    more = f"Not known from these pulls, so not held against a limit: {unknown}."
    _notes(sheet, [*document["notes"], *([more] if unknown else [])])
    return sheet.lines


def _notes(sheet: Sheet, notes: Sequence[str]) -> None:
    """The notes and the caution, which end a sheet."""
    if notes:
        sheet.part()
    for note in notes:
        sheet.tell(note, "- ")
    sheet.part()
    sheet.say(CAUTION)


def gear_lines(document: Doc, *, us: bool) -> list[str]:
    """A line a gear: duties logged, boost there, what the target takes; to print or paste."""
    sheet, widths = Sheet(us=us), (4, 5, 9, 11, 6, 6)
    heads = ("gear", "pulls", "duty %", "boost", "target", "need %")
    sheet.lines = [f"{document['car']}, boost by gear in {unit_for('kPa', us=us)} gauge"]
    sheet.lines.append(aligned(widths, *heads))
    for gear in sorted(document["gears"], key=lambda g: g["gear"] or 0):
        ends, wanted = [gear["levels"][i] for i in (0, -1) if gear["levels"]], gear["wanted"]
        duty = "-".join(dict.fromkeys(f"{one['duty_pct']:.3g}" for one in ends))
        boost = "-".join(dict.fromkeys(number(one["boost_kpa"], "kPa", us=us) for one in ends))
        target = takes = "–"
        if wanted is not None:
            target = number(wanted["target_kpa"], "kPa", us=us)
            (takes,) = _figures(wanted, "duty_pct", "%", us=us)
            takes += "?" if wanted["known"] != "logged" else ""
        name, pulls = str(gear["gear"] or "–"), str(gear["pulls"])
        sheet.lines.append(aligned(widths, name, pulls, duty or "–", boost or "–", target, takes))
    guessed = any(line.endswith("?") for line in sheet.lines)
    if any(not gear["gear"] for gear in document["gears"]):
        sheet.say(
            "–: gear not known. Give [gearing] in the car file, then: pullaudit rescreen --archive "
            "DIR --car-file CAR.toml"
        )
    if guessed:
        sheet.say("?: beyond the duties logged in that gear, or borrowed from other gears.")
    sheet.say(CAUTION)
    return sheet.lines


def _decision(sheet: Sheet, document: Doc) -> None:
    """The one decision, why, and what to log; without any night what the step says."""
    decision, step = document["decision"], document["next"]
    if decision is None:
        sheet.lines.append(_head(step))
        sheet.tell(step["sentence"])
    else:
        sheet.say(decision_line(decision, us=sheet.us), "", "  ")
        if step["sentence"] not in decision["why"] and decision["state"] == "step":
            sheet.tell(step["sentence"])
        sheet.tell(decision["why"])
    if step["log_next"] and (decision is None or step["log_next"] not in decision["why"]):
        sheet.tell(step["log_next"], "To do: ", "  ")
    if decision is not None and decision["state"] != "step":
        sheet.tell(decision["first"], "Look first: ", "  ")


def _head(step: Doc) -> str:
    """'NEXT STEP (gear 3): 25.0 % duty'."""
    head = ACTIONS[step["action"]] + (f" (gear {step['gear']})" if step["gear"] else "")
    known = step["duty_pct"] is not None and step["action"] != "refuse"
    return f"{head}: {step['duty_pct']:.1f} % duty" if known else head


def _gear(sheet: Sheet, gear: Doc, *, main: bool) -> None:
    us, most = sheet.us, MOST_LEVELS if main else MOST_OTHERS
    title = f"Gear {gear['gear']}" if gear["gear"] else "Gear unknown"
    widths, heads = (6, 8, 13, 6, 6), ("duty %", "settled", "from-to", "peak", "pulls")
    sheet.part(f"{title}, boost in {unit_for('kPa', us=us)} gauge", aligned(widths, *heads))
    if below := gear["levels"][:-most]:
        pulls = many(sum(level["pulls"] for level in below), "pull")
        lower = f"lower {'duty' if len(below) == 1 else 'duties'}"
        sheet.lines.append(f"{len(below):>6} {lower}, {pulls}: see --json")
    for level in gear["levels"][-most:]:
        keys = "fitted_kpa low_kpa high_kpa peak_kpa"
        settled, low, high, peak = _figures(level, keys, "kPa", us=us)
        cells = f"{level['duty_pct']:.1f}", settled, f"{low}-{high}", peak, str(level["pulls"])
        sheet.lines.append(aligned(widths, *cells))
    for text in _facts(gear, us=us):
        sheet.tell(text, "", "  ")
    sheet.lines += [] if main else [f"  {_head(gear['next'])}"]


def _figures(row: Doc, keys: str, unit: str, *, us: bool) -> list[str]:
    return [number(row[key], unit, us=us, digits=int(unit != "%")) for key in keys.split()]


def _facts(gear: Doc, *, us: bool) -> list[str]:
    said = []
    if gear["spring_kpa"]:
        low, likely, high = _figures(gear["spring_kpa"], "low likely high", "kPa", us=us)
        far = bool(gear["levels"]) and gear["levels"][0]["duty_pct"] > FAR_PCT
        about = f"about {likely} {unit_for('kPa', us=us)} ({low} to {high})"
        said.append(f"Spring alone{', a guess' if far else ''}: {about}.")
    for key, word in (("dead_band_pct", "Dead band up to"), ("end_stop_pct", "No more boost from")):
        if gear[key]:
            low, likely, high = _figures(gear[key], "low likely high", "%", us=us)
            said.append(f"{word} about {likely} % duty ({low} to {high} %).")
    slipped, hooked = (gear["traction"][k] for k in ("slipped_kpa", "hooked_up_kpa"))
    over = gear["overshoot"]
    for text, value in (
        ("Spread at the same duty: ", gear["spread_kpa"]),
        ("Highest overshoot: ", over["worst_kpa"] if over and over["seen"] else None),
        ("Wheels spun from a peak of ", slipped),
        ("Hooked up at up to ", None if slipped is None else hooked),
    ):
        said += [] if value is None else [f"{text}{figure(value, 'kPa', us=us)}."]
    return [*said, *gear["remarks"]]


def _by_gear(sheet: Sheet, gears: Sequence[Doc]) -> None:
    """What the targets take, of the gears that have one."""
    if not gears:
        return
    widths, heads = (4, 6, 7, 8), ("gear", unit_for("kPa", us=sheet.us), "duty %", "from-to")
    title = "Duty that the target takes, nine in ten"
    sheet.part(title, f"{aligned(widths, *heads)}  known")
    for gear in sorted(gears, key=lambda g: g["gear"] or 0):
        row, name = gear["wanted"], str(gear["gear"] or "–")
        keys = "duty_low_pct duty_pct duty_high_pct"
        low, duty, high = _figures(row, keys, "%", us=sheet.us)
        ends = f"{low}-{high}" if high != "–" else f"{low} up" if low != "–" else "–"
        cells = name, number(row["target_kpa"], "kPa", us=sheet.us), duty, ends
        sheet.lines.append(f"{aligned(widths, *cells)}  {KNOWN[row['known']][0]}")
    known = {gear["wanted"]["known"] for gear in gears}
    for how, (word, said) in KNOWN.items():
        if said and how in known:
            sheet.say(f"{word}: {said}")


def plan_lines(document: Doc, *, us: bool) -> list[str]:
    """The lines of the document 'pullaudit.plan', narrow enough for a phone, one page in print."""
    sheet = Sheet(us=us)
    gear = f"gear {document['gear']}" if document["gear"] else ""
    where = ", ".join(filter(None, (document["setting"], gear)))
    sheet.lines = [f"EVENING: {document['car']}{f' ({where})' if where else ''}"]
    if document["decision"] is not None:
        sheet.say(decision_line(document["decision"], us=us), "", "  ")
    if document["legs"]:
        _evening(sheet, document)
    else:  # nothing may be logged yet: why, and what to look at meanwhile
        sheet.part("NO HIGHER DUTY TONIGHT" if document["history"] else "NO PULLS YET")
        sheet.tell(document["lead"])
        sheet.lines.append("Plan again once that is done.")
        _list(sheet, "Look at, meanwhile", document["inspect"])
    _notes(sheet, document["notes"])
    return sheet.lines


def _evening(sheet: Sheet, document: Doc) -> None:
    us, warm = sheet.us, document["warm_up"]
    coolant, oil = (figure(warm[key], "°C", us=us, digits=0) for key in ("coolant_c", "oil_c"))
    _list(sheet, "1 Look first, before the key", document["inspect"])
    _list(sheet, "2 Warm up, driving gently", [f"Coolant {coolant}, oil {oil} or more"])
    if document["before"]:
        sheet.lines.append("  Set and try, before any pull")
    for item in document["before"]:
        sheet.tell(item, BOX)
    _list(sheet, "3 Pulls, in this order", [document["lead"]], "")
    for leg in document["legs"]:
        duty = f"{leg['duty_pct']:.1f} % duty" if leg["duty_pct"] else "unplugged"
        told = boosts(leg, us=us)
        sheet.lines.append(f"{BOX * leg['pulls']}{duty}, {many(leg['pulls'], 'pull')}")
        sheet.lines += [f"    expect {told['expect']}"] if told["expect"] else []
        sheet.lines.append(f"    lift at {told['lift']}")
        sheet.say(told["why"], "    ")
    between = f"{document['cool_down_s'] / 60.0:g} minutes ({document['cool_down_from']})"
    sheet.say(f"Between pulls drive gently for about {between}.")
    _list(sheet, "4 This ends the evening", document["ends"], "- ")
    sheet.part("5 After it")
    for line in (document["after"] or "Screen it, then plan again.").split("\n"):
        sheet.say(line)


def _list(sheet: Sheet, title: str, items: Sequence[str], mark: str = BOX) -> None:
    sheet.part(title)
    for item in items:
        sheet.tell(item, mark)


def boosts(leg: Doc, *, us: bool) -> dict[str, str]:
    """What a leg expects, its boost to lift at and why, in words; "" for what is not known."""
    expect = ""
    if leg["expected_kpa"] is not None:
        ends = (leg[key] for key in ("low_kpa", "expected_kpa", "high_kpa"))
        expect = "{} ({})".format(*expected(ends, us=us))
    lift = figure(leg["lift_kpa"], "kPa", us=us)
    return {"expect": expect, "lift": lift, "why": localise(leg["why"], us=us)}
