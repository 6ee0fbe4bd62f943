"""Play cars night after night by the program's advice alone, and count where it leads.

    python play.py --root CHECKOUT [--cars 100] [--seed 1] [--nights 14] [--workers 2]
        [--out FILE.json] [--verbose]

The person in it does what the plan and the decisions say and nothing else: the first run that
``plan`` tells a new car (a base run, the solenoid unplugged), then the next duty told; the same duty again on 'stay', three nights at most; a refusal is
followed where it names something that a person without tools can do truthfully (a note, the same
run again, a lower duty), and once a car by looking, finding nothing and driving the same again.
A car is done once its true settled boost is within 3 kPa of the target.
"""

from __future__ import annotations

import argparse
import json
import re
import sys
import tempfile
from collections import Counter
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, field
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np

if __package__ in (None, ""):
    sys.path.insert(0, str(Path(__file__).resolve().parent.parent))
    __package__ = "evenings"

from .cars import Car, Night, fleet, run_night
from .program import NoAnswerError, Program

FIRST_NIGHT = date(2025, 4, 1)
DAYS_BETWEEN = 4
CHECKOUT = Path(__file__).resolve().parents[2]
REACHED_KPA = 3.0
HUMAN_STEP_PCT = 5.0
MOST_REPEATS = 2
DEAD = re.compile(r"solenoid|valve|respon|(did|does) not (move|follow|answer)", re.IGNORECASE)
BACKWARDS = re.compile(
    r"backward|revers|wrong way|other way|opposite|swap|lowers? boost", re.IGNORECASE
)
QUOTED = re.compile(r"[\"“]([^\"”]{4,80})[\"”]")
MENDED = re.compile(r"\b(new|fitted|replaced|mended|repaired|changed|swapped)\b", re.IGNORECASE)
AGAIN = re.compile(r"\b(again|repeat|once more|one more|another night|same duty)\b", re.IGNORECASE)
LOWER = re.compile(
    r"\b(back|down|lower|drop|return)\b[^.%]{0,40}?(\d+(?:\.\d+)?) ?%", re.IGNORECASE
)


@dataclass
class Decision:
    """What a document says of the next step; what it does not know is None."""

    state: str
    duty_next_pct: float | None
    low_kpa: float | None
    high_kpa: float | None
    why: str
    first: str

    @property
    def said(self) -> str:
        """All that it says to a person."""
        return f"{self.why} {self.first}"


@dataclass
class Forecast:
    """An interval [kPa gauge] and what the next night's pulls truly settled at."""

    state: str
    low_kpa: float
    high_kpa: float
    pulls_kpa: list[float]

    @property
    def night_in(self) -> bool:
        """Whether the mean of the night lies inside."""
        return self.low_kpa <= float(np.mean(self.pulls_kpa)) <= self.high_kpa

    @property
    def pulls_in(self) -> int:
        """How many pulls lie inside."""
        return sum(self.low_kpa <= p <= self.high_kpa for p in self.pulls_kpa)


@dataclass
class Refusal:
    """A refusal, what the person did about it ('' nothing to be done), whether that lifted it."""

    why: str
    first: str
    did: str = ""
    lifted: bool = False


@dataclass
class Play:
    """How one car's evenings went."""

    car: str
    kind: str
    sound: bool
    target_kpa: float
    limit_kpa: float
    how_logged: str
    end: str = ""
    end_why: str = ""
    nights: int = 0
    human_nights: int = 0
    human_over: bool = False
    duties: list[float] = field(default_factory=list)
    settled_kpa: list[float] = field(default_factory=list)
    over_by_kpa: float = 0.0
    named_dead: bool = False
    named_backwards: bool = False
    named_at_pct: float | None = None
    verdicts: list[str] = field(default_factory=list)
    not_clear: list[str] = field(default_factory=list)
    refusals: list[Refusal] = field(default_factory=list)
    forecasts: list[Forecast] = field(default_factory=list)
    bias_kpa: list[float] = field(default_factory=list)

    @property
    def line(self) -> str:
        """The car in one line."""
        steps = " ".join(
            f"{d:g}:{s:.0f}" for d, s in zip(self.duties, self.settled_kpa, strict=True)
        )
        return (
            f"{self.car} {self.kind:17} {self.how_logged:20} target {self.target_kpa:.0f}"
            f" limit {self.limit_kpa:.0f} {self.end:10} {self.nights:2}"
            f" (human {self.human_nights:2})"
            f"  {steps}"
        )


def decision_of(document: dict[str, Any]) -> Decision:
    """The decision of a document. Raises NoAnswerError where it has none."""
    made = document.get("decision")
    if not isinstance(made, dict) or made.get("state") not in ("step", "stay", "no_step"):
        raise NoAnswerError("the document has no decision")
    expected = made.get("expected_kpa") or {}
    return Decision(
        state=made["state"],
        duty_next_pct=made.get("duty_next_pct"),
        low_kpa=expected.get("low"),
        high_kpa=expected.get("high"),
        why=made.get("why") or "",
        first=made.get("first") or "",
    )


def truthful_note(said: str, told: Iterable[str]) -> str | None:
    """A sentence that the text asks to be noted, true of a car on which nothing was mended."""
    if not re.search(r"\bnote\b", said, re.IGNORECASE):
        return None
    past = set(told)
    for text in QUOTED.findall(said.replace('\\"', '"')):
        if text not in past and not MENDED.search(text) and "pullaudit" not in text:
            return str(text)
    return None


class Evenings:
    """One car and its archive."""

    def __init__(self, program: Program, car: Car, where: Path) -> None:
        """``where`` is an empty folder for logs and archive."""
        self.program, self.car, self.where = program, car, where
        self.archive = str(where / "archive")
        self.told: list[str] = []
        self.tries = 0
        self.looked = False
        how = f"{car.duty_told}/{car.target_told}"
        self.play = Play(car.name, car.kind, car.sound, car.target_kpa, car.limit_kpa, how)

    def run(self, nights: int) -> Play:
        """Play until the target, an end or the last night."""
        play, duty, pending = self.play, self._first_duty(), None
        repeats = 0
        for number in range(nights):
            try:
                night, decision = self._night(number, duty)
            except NoAnswerError as fault:
                play.end, play.end_why = "no answer", str(fault)
                break
            if pending is not None and pending.low_kpa is not None and pending.high_kpa is not None:
                pulls = [p.settled_kpa for p in night.pulls]
                made = Forecast(pending.state, pending.low_kpa, pending.high_kpa, pulls)
                play.forecasts.append(made)
            pending = None
            if play.refusals and play.refusals[-1].did and decision.state != "no_step":
                play.refusals[-1].lifted = True
            if self.car.sound and abs(night.settled_kpa - self.car.target_kpa) <= REACHED_KPA:
                play.end = "reached"
                break
            if decision.state == "no_step":
                follow = self._refused(number, duty, decision)
                if follow is None:
                    break
                duty, pending = follow
                continue
            following = duty if decision.duty_next_pct is None else decision.duty_next_pct
            repeats = repeats + 1 if abs(following - duty) < 0.05 else 0
            if repeats > MOST_REPEATS:
                play.end, play.end_why = "stuck", decision.why
                break
            duty, pending = following, decision
        else:
            play.end = "nights out"
        return play

    def _first_duty(self) -> float:
        """The duty of the first run that the plan of a new car has [%]."""
        file = self.where / "car.toml"
        file.write_text(self.car.toml(), encoding="utf-8")
        made = self.program.document("plan", "--car", str(file), "--json", "-")
        return float(made["legs"][0]["duty_pct"])

    def _night(self, number: int, duty: float) -> tuple[Night, Decision]:
        play = self.play
        folder = self.where / f"night_{number:02d}"
        folder.mkdir()
        day = (FIRST_NIGHT + timedelta(DAYS_BETWEEN * number)).isoformat()
        night = run_night(self.car, duty, day, number, folder)
        play.nights += 1
        play.duties.append(duty)
        play.settled_kpa.append(round(night.settled_kpa, 2))
        play.over_by_kpa = max(play.over_by_kpa, night.peak_kpa - self.car.limit_kpa)
        args = ("--archive", self.archive, "--date", day, "--json", "-", "--workers", "1")
        document = self.program.document("screen", str(folder), *args, *night.args)
        play.verdicts.append(document["verdict"])
        if document["verdict"] != "clear":
            play.not_clear.append((document.get("reasons") or [""])[0])
        seen = [
            pull["measures"].get("boost_settled_kpa")
            for log in document["logs"]
            for pull in log["pulls"]
        ]
        if len(seen) == len(night.pulls):
            pairs = zip(seen, night.pulls, strict=True)
            play.bias_kpa += [s - p.settled_kpa for s, p in pairs if s is not None]
        decision = decision_of(document)
        if decision.state != "no_step" and decision.duty_next_pct is None:
            decision = self._response()
        return night, decision

    def _response(self) -> Decision:
        file = max(self.where.glob("night_*")) / "car.toml"
        args = ("--archive", self.archive, "--car", str(file), "--json", "-")
        return decision_of(self.program.document("response", *args))

    def _refused(
        self, number: int, duty: float, decision: Decision
    ) -> tuple[float, Decision | None] | None:
        """What a person does after a refusal: the next duty and what it promises; None: give up."""
        play = self.play
        play.refusals.append(Refusal(decision.why, decision.first))
        backwards = bool(BACKWARDS.search(decision.said))
        dead = bool(DEAD.search(decision.why))
        if dead or backwards:
            play.named_backwards = play.named_backwards or backwards
            play.named_dead = play.named_dead or dead
            play.named_at_pct = duty if play.named_at_pct is None else play.named_at_pct
            if not self.car.sound:
                play.end, play.end_why = "named", decision.why
                return None
        self.tries += 1
        note = truthful_note(decision.said, self.told)
        if note is not None:
            self.told.append(note)
            day = (FIRST_NIGHT + timedelta(DAYS_BETWEEN * number)).isoformat()
            args = ("--archive", self.archive, "--date", day, self.car.name, note)
            code, _, said = self.program.call("note", *args)
            play.refusals[-1].did = f'note "{note}"'
            if code != 0:
                play.refusals[-1].did += f" (exit {code}: {said.strip()[:120]})"
            try:
                later = self._response()
            except NoAnswerError:
                later = decision
            if later.state != "no_step" and later.duty_next_pct is not None:
                play.refusals[-1].lifted = True
                return later.duty_next_pct, later
        lower = LOWER.search(decision.said)
        if lower and float(lower[2]) < duty and self.tries <= 2 * MOST_REPEATS:
            play.refusals[-1].did += f" down to {lower[2]} %"
            return float(lower[2]), None
        if AGAIN.search(decision.said) and self._last_in_a_row(duty) <= MOST_REPEATS:
            play.refusals[-1].did += " same run again"
            return duty, None
        if not self.looked:
            # whatever is to be looked at is in order on a sound car; one more run shows it
            self.looked = True
            play.refusals[-1].did += " looked, found nothing, same run again"
            return duty, None
        play.end, play.end_why = "refused", decision.why
        return None

    def _last_in_a_row(self, duty: float) -> int:
        """For how many nights the last duty has been driven."""
        count = 0
        for past in reversed(self.play.duties):
            if abs(past - duty) > 0.05:
                break
            count += 1
        return count


def by_hand(car: Car, nights: int, where: Path) -> tuple[int, bool]:
    """Nights that a careful human's fixed 5 % steps need, and whether they went over the limit.

    Half a step back, and half steps from there, once the target was passed; ``nights`` + 1 where
    it was not reached.
    """
    duty, step, over = car.duty_min_pct, HUMAN_STEP_PCT, False
    for number in range(nights):
        day = (FIRST_NIGHT + timedelta(DAYS_BETWEEN * number)).isoformat()
        night = run_night(car, duty, day, number, where)
        over = over or night.peak_kpa > car.limit_kpa
        short = car.target_kpa - night.settled_kpa
        if abs(short) <= REACHED_KPA:
            return number + 1, over
        if short < 0.0:
            step = max(1.0, step / 2.0)
        duty = min(car.duty_max_pct, max(car.duty_min_pct, duty + (step if short > 0.0 else -step)))
    return nights + 1, over


def play_car(root: Path, car: Car, nights: int) -> Play:
    """Play one car in a folder of its own."""
    with tempfile.TemporaryDirectory(prefix="evenings_") as name:
        where = Path(name)
        play = Evenings(Program(root), car, where).run(nights)
        if car.sound:
            play.human_nights, play.human_over = by_hand(car, nights, where)
    return play


def plain(sentence: str) -> str:
    """Strip a sentence of its figures, so that equal sentences count as one."""
    return re.sub(r"-?\d+(?:[.,]\d+)*", "#", sentence)[:170]


def _share(count: int, of: int) -> str:
    return f"{count}/{of} ({100.0 * count / of:.0f} %)" if of else "0/0"


def _sentences(title: str, counted: Counter[str], most: int) -> list[str]:
    if not counted:
        return [f"{title}: none"]
    return [f"{title}:", *(f"    {n:3} x {text}" for text, n in counted.most_common(most))]


def table(plays: list[Play], nights: int) -> str:
    """Everything counted, as one table and lists of sentences."""
    sound = [p for p in plays if p.sound]
    dead = [p for p in plays if p.kind in ("dead", "stuck")]
    back = [p for p in plays if p.kind == "backwards"]
    reached = [p for p in sound if p.end == "reached"]
    over = [p for p in plays if p.over_by_kpa > 0.0]
    in_time = [
        p for p in dead if p.named_dead and p.named_at_pct is not None and p.named_at_pct <= 25.0
    ]
    second = [p for p in back if p.named_backwards and len(set(p.duties)) <= 2]
    needed = [p.nights if p.end == "reached" else nights + 1 for p in sound]
    hand = [p.human_nights for p in sound]
    forecasts = [f for p in plays for f in p.forecasts]
    stepped = [f for f in forecasts if f.state == "step"]
    pulls = sum(len(f.pulls_kpa) for f in forecasts)
    screened = sum(len(p.verdicts) for p in sound)
    clear = sum(p.verdicts.count("clear") for p in sound)
    refusals = [r for p in plays if p.sound for r in p.refusals]
    acted = [r for r in refusals if r.did]
    bias = np.array([b for p in plays for b in p.bias_kpa] or [0.0])
    widths = [f.high_kpa - f.low_kpa for f in forecasts] or [0.0]
    rows = [
        ("cars; nights driven", f"{len(plays)}; {sum(p.nights for p in plays)}"),
        ("ever over the limit (true peak)", _share(len(over), len(plays))),
        ("dead or stuck valve named by 25 % duty", _share(len(in_time), len(dead))),
        ("highest duty tried on one", f"{max((max(p.duties) for p in dead), default=0.0):g} %"),
        ("backwards named by the second duty", _share(len(second), len(back))),
        ("  named at all", _share(sum(p.named_backwards for p in back), len(back))),
        ("sound cars within 3 kPa of target", _share(len(reached), len(sound))),
        (
            "sound cars called faulty",
            _share(sum(p.named_at_pct is not None for p in sound), len(sound)),
        ),
        ("median nights, advice", f"{np.median(needed or [0]):.1f}"),
        ("median nights, fixed 5 % steps", f"{np.median(hand or [0]):.1f}"),
        ("  by hand within 3 kPa", _share(sum(n <= nights for n in hand), len(sound))),
        ("  by hand over the limit", _share(sum(p.human_over for p in sound), len(sound))),
        ("sound cars' nights clear", _share(clear, screened)),
        (
            "interval holds the next night",
            _share(sum(f.night_in for f in forecasts), len(forecasts)),
        ),
        ("  after a step alone", _share(sum(f.night_in for f in stepped), len(stepped))),
        ("interval holds the next pulls", _share(sum(f.pulls_in for f in forecasts), pulls)),
        ("  median width", f"{np.median(widths):.1f} kPa"),
        ("read settled boost less the true", f"{bias.mean():+.2f} kPa, sd {bias.std():.2f}"),
        ("refusals of sound cars", str(len(refusals))),
        ("  that told what to do; lifted", f"{len(acted)}; {sum(r.lifted for r in acted)}"),
    ]
    wide = max(len(a) for a, _ in rows)
    lines = [f"{a:{wide}}  {b}" for a, b in rows]
    lines += ["", f"{'kind':17} cars  reached  named  median nights (by hand)"]
    for kind in dict.fromkeys(p.kind for p in plays):
        part = [p for p in plays if p.kind == kind]
        took = [p.nights if p.end in ("reached", "named") else nights + 1 for p in part]
        human = f" ({np.median([p.human_nights for p in part]):.1f})" if part[0].sound else ""
        lines.append(
            f"{kind:17} {len(part):4}  {sum(p.end == 'reached' for p in part):7}"
            f"  {sum(p.named_at_pct is not None for p in part):5}  {np.median(took):.1f}{human}"
        )
    ends = Counter(p.end for p in sound)
    lines += ["", "how sound cars ended: " + ", ".join(f"{k} {v}" for k, v in ends.most_common())]
    lost = Counter(f"[{p.end}] {plain(p.end_why)}" for p in sound if p.end != "reached")
    lines += _sentences("what a lost sound car was told last", lost, 12)
    lines += _sentences("refusals of sound cars", Counter(plain(r.why) for r in refusals), 12)
    held = Counter(plain(w) for p in sound for w in p.not_clear)
    lines += _sentences("first reason of sound nights not clear", held, 12)
    for p in over:
        lines.append(f"over its limit by {p.over_by_kpa:.1f} kPa: {p.line}")
    return "\n".join(lines)


def main() -> int:
    """Parse, play, print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--root", type=Path, default=CHECKOUT, help="the checkout to play")
    parser.add_argument("--cars", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--nights", type=int, default=14)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--kind", default="", help="this kind of car alone")
    parser.add_argument("--out", type=Path, help="write every car's evenings as JSON")
    parser.add_argument("--verbose", action="store_true", help="a line a car, with its last words")
    args = parser.parse_args()
    cars = [c for c in fleet(args.cars, args.seed) if args.kind in ("", c.kind)]
    root, plays = args.root.resolve(), []
    with ProcessPoolExecutor(args.workers) as pool:
        jobs = [pool.submit(play_car, root, car, args.nights) for car in cars]
        for job in jobs:
            play = job.result()
            plays.append(play)
            if args.verbose:
                print(play.line, flush=True)
                for refusal in play.refusals:
                    print(f"    no step: {refusal.why}\n      first: {refusal.first}")
                    print(f"      did: {refusal.did or 'nothing'}; lifted: {refusal.lifted}")
                if play.end_why and not play.refusals:
                    print(f"    {play.end}: {play.end_why}", flush=True)
    print(table(plays, args.nights))
    if args.out:
        args.out.write_text(json.dumps([asdict(p) for p in plays], indent=1), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
