"""The duty sheet: boost against duty and the next step, narrow enough for a phone and one printed
page.
"""

from __future__ import annotations

from audit.report.display import figure, localise, number, unit_for
from audit.report.words import CAUTION, PHONE, Doc, aligned, decision_line, many, wrapped

WIDTH = PHONE
ACTIONS = {"up": "NEXT STEP", "stay": "STAY", "down": "GO BACK", "refuse": "NO STEP"}
MOST_LEVELS, MOST_OTHERS = 10, 3  # of the gear pulled last, of the others; a page must hold it
FAR_PCT = 15.0  # from no duty to the lowest logged: the spring's boost is then a guess
# How the duty of a target is known -> the word for it, and what stands below the table
KNOWN = {
    "logged": ("logged", ""),
    "guessed from other gears": ("borrowed", "from other gears; no pull of that gear yet."),
    "beyond the data": ("GUESS: beyond", "outside the duties logged in that gear."),
}


def render(document: Doc, *, us: bool) -> list[str]:
    """The sheet's lines from the document 'pullaudit.response', none wider than WIDTH."""
    where = f", {document['setting']}" if document["setting"] else ""
    counts = f"{many(document['pulls'], 'pull')}, {many(document['nights'], 'night')}"
    main = document["main_gear"] or 0
    sections = [[f"{document['car']}{where}: {counts}"], _decision(document, us=us)]
    pulled = [(gear, (gear["gear"] or 0) == main) for gear in document["gears"] if gear["pulls"]]
    for own in (True, False):
        sections += [_gear(gear, main=own, us=us) for gear, is_main in pulled if is_main == own]
    if any(gear["levels"] for gear in document["gears"]):
        celsius = figure(document["reference_air"]["celsius"], "°C", us=us, digits=0)
        air = f"{celsius} and {figure(document['reference_air']['kpa'], 'kPa', us=us)}"
        said = f"Settled: as at {air}; peak: as read. The next step is meant for last night's air."
        sections.append(wrapped(said))
    unknown = ", ".join(document["not_projected"])
    notes = [localise(text, us=us) for text in document["notes"]]
    if unknown:
        notes.append(f"Not known from these pulls, so not held against a limit: {unknown}.")
    sections += [
        _by_gear(document, us=us),
        [line for text in notes for line in wrapped(text, "- ")],
        wrapped(CAUTION),
    ]
    return [line for section in sections if section for line in ("", *section)][1:]


def gear_table(document: Doc, *, us: bool) -> list[str]:
    """A line a gear: duties logged, boost there, the duty that the target takes; to print or
    paste.
    """
    widths = (4, 5, 9, 11, 6, 6)
    heads = ("gear", "pulls", "duty %", "boost", "target", "need %")
    lines = [f"{document['car']}, boost by gear in {unit_for('kPa', us=us)} gauge"]
    lines.append(aligned(widths, *heads))
    for gear in sorted(document["gears"], key=lambda g: g["gear"] or 0):
        ends, wanted = [gear["levels"][i] for i in (0, -1) if gear["levels"]], gear["wanted"]
        duty = "-".join(dict.fromkeys(f"{one['duty_pct']:.3g}" for one in ends))
        boost = "-".join(dict.fromkeys(number(one["boost_kpa"], "kPa", us=us) for one in ends))
        target = takes = "–"
        if wanted is not None:
            target = number(wanted["target_kpa"], "kPa", us=us)
            takes = _duty(wanted["duty_pct"]) + ("?" if wanted["known"] != "logged" else "")
        cells = _known_gear(gear), str(gear["pulls"]), duty or "–", boost or "–", target, takes
        lines.append(aligned(widths, *cells))
    if any(not gear["gear"] for gear in document["gears"]):
        lines += wrapped(
            "–: gear not known. Give [gearing] in the car file, then: pullaudit rescreen --archive "
            "DIR --car-file CAR.toml"
        )
    if any(line.endswith("?") for line in lines):
        lines += wrapped("?: beyond the duties logged in that gear, or borrowed from other gears.")
    return [*lines, *wrapped(CAUTION)]


def _decision(document: Doc, *, us: bool) -> list[str]:
    """The one decision, why, and what to log; without any night what the step says."""
    decision, step = document["decision"], document["next"]
    if decision is None:
        return _next(step, us=us)
    lines = wrapped(decision_line(decision, us=us), "", "  ")
    if step["sentence"] not in decision["why"] and decision["state"] == "step":
        lines += wrapped(localise(step["sentence"], us=us))
    lines += wrapped(localise(decision["why"], us=us))
    if step["log_next"] and step["log_next"] not in decision["why"]:
        lines += wrapped(localise(step["log_next"], us=us), "To do: ", "  ")
    if decision["state"] != "step":
        lines += wrapped(localise(decision["first"], us=us), "Look first: ", "  ")
    return lines


def _next(step: Doc, *, us: bool) -> list[str]:
    head = ACTIONS[step["action"]] + (f" (gear {step['gear']})" if step["gear"] else "")
    if step["duty_pct"] is not None and step["action"] != "refuse":
        head += f": {step['duty_pct']:.1f} % duty"
    lines = [head, *wrapped(localise(step["sentence"], us=us))]
    if step["log_next"]:
        lines += wrapped(localise(step["log_next"], us=us), "To do: ", "  ")
    return lines


def _gear(gear: Doc, *, main: bool, us: bool) -> list[str]:
    title = f"Gear {gear['gear']}" if gear["gear"] else "Gear unknown"
    widths, heads = (6, 8, 13, 6, 6), ("duty %", "settled", "from-to", "peak", "pulls")
    most = MOST_LEVELS if main else MOST_OTHERS
    lines = [f"{title}, boost in {unit_for('kPa', us=us)} gauge"]
    lines.append(aligned(widths, *heads))
    if below := gear["levels"][:-most]:
        pulls = many(sum(level["pulls"] for level in below), "pull")
        lower = f"lower {'duty' if len(below) == 1 else 'duties'}"
        lines.append(f"{len(below):>6} {lower}, {pulls}: see --json")
    for level in gear["levels"][-most:]:
        settled, low, high, peak = _boosts(level, "fitted_kpa low_kpa high_kpa peak_kpa", us=us)
        duty, pulls = f"{level['duty_pct']:.1f}", str(level["pulls"])
        cells = duty, settled, f"{low}-{high}", peak, pulls
        lines.append(aligned(widths, *cells))
    lines += [line for text in _facts(gear, us=us) for line in wrapped(text, "", "  ")]
    return lines if main else [*lines, f"  {_next(gear['next'], us=us)[0]}"]


def _boosts(row: Doc, keys: str, *, us: bool) -> list[str]:
    return [number(row[key], "kPa", us=us) for key in keys.split()]


def _facts(gear: Doc, *, us: bool) -> list[str]:
    said = []
    if gear["spring_kpa"]:
        low, likely, high = _boosts(gear["spring_kpa"], "low likely high", us=us)
        far = bool(gear["levels"]) and gear["levels"][0]["duty_pct"] > FAR_PCT
        about = f"about {likely} {unit_for('kPa', us=us)} ({low} to {high})"
        said.append(f"Spring alone{', a guess' if far else ''}: {about}.")
    for key, word in (("dead_band_pct", "Dead band up to"), ("end_stop_pct", "No more boost from")):
        if gear[key]:
            low, likely, high = (_duty(gear[key][k]) for k in ("low", "likely", "high"))
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
    return said + [localise(text, us=us) for text in gear["remarks"]]


def _by_gear(document: Doc, *, us: bool) -> list[str]:
    gears = [gear for gear in document["gears"] if gear["wanted"]]
    if not gears:
        return []
    widths = (4, 6, 7, 8)
    heads = ("gear", unit_for("kPa", us=us), "duty %", "from-to")
    lines = ["Duty that the target takes, nine in ten"]
    lines.append(f"{aligned(widths, *heads)}  known")
    for gear in sorted(gears, key=lambda g: g["gear"] or 0):
        row = gear["wanted"]
        low, duty, high = (_duty(row[f"duty_{k}pct"]) for k in ("low_", "", "high_"))
        ends = f"{low}-{high}" if high != "–" else f"{low} up" if low != "–" else "–"
        cells = _known_gear(gear), number(row["target_kpa"], "kPa", us=us), duty, ends
        lines.append(f"{aligned(widths, *cells)}  {KNOWN[row['known']][0]}")
    known = {gear["wanted"]["known"] for gear in gears}
    told = [f"{word}: {said}" for how, (word, said) in KNOWN.items() if said and how in known]
    return lines + [line for text in told for line in wrapped(text)]


def _known_gear(gear: Doc) -> str:
    return str(gear["gear"] or "–")


def _duty(value: float | None) -> str:
    return "–" if value is None else f"{value:.0f}"
