"""Step, stay or no step: made here alone, from the night's verdict, its watches and the step that
the rules allow.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Protocol

from audit.model import SEVERITIES, VERDICTS, Decision, Finding, Night

# Families of watches that give no step up when they come twice. The prefix of a code, or a code.
REPEATS = {
    "knock": "knock",
    "mixture": "mixture",
    "heat": "heat",
    "fuel": "fuel supply",
    "boost.over_target": "boost against its target",
    "boost.under_target": "boost against its target",
    "boost.over_limit": "boost against its limit",
}
OVER_PULLS = 2  # a finding of a whole log or night has its evidence in at least this many pulls
FAULTS = (
    "reversed",
    "no_response",
    "over_spring",
    "last_night",
)  # what binds a refusal that is a fault
NOTHING = "The car itself, before each run: nothing in the logs stands out."
STAY_UNTIL = (
    "stay where you are. A night at this duty without it lifts this; of a shift over the nights, "
    "the note that it names."
)
UNASKED = "No pull with a known duty is at hand."
SET_WITHIN = 0.15  # %, of a duty set by hand in half percents
AGAIN = "What could not be read or judged: do what is said of it, and log it again."


class StepLike(Protocol):
    """The step that the rules of boost against duty allow (audit.archive.step.step.Step)."""

    @property
    def action(self) -> str: ...
    @property
    def gear(self) -> int: ...
    @property
    def sentence(self) -> str: ...
    @property
    def binds(self) -> str: ...
    @property
    def from_duty(self) -> float | None: ...
    @property
    def duty(self) -> float | None: ...
    @property
    def expected(self) -> float | None: ...
    @property
    def low(self) -> float | None: ...
    @property
    def high(self) -> float | None: ...
    @property
    def log_next(self) -> str: ...


def as_set(duty: float) -> float:
    """A duty as it was set by hand, %: loggers round it, and a mean of their readings lies a hair
    beside. The nearest half percent, where it is that near; else to a tenth.
    """
    half = round(2.0 * duty) / 2.0
    return half if abs(duty - half) <= SET_WITHIN else round(duty, 1)


def family(code: str) -> str | None:
    """What a watch of this code is a watch of, where a repeated one gives no step up."""
    return REPEATS.get(code) or REPEATS.get(code.partition(".")[0])


def watched(findings: Iterable[tuple[str, str, object]]) -> dict[str, int]:
    """In how many pulls each family has a watch or worse.

    findings: (code, severity, the pull or None for a whole log or night).
    """
    places: dict[str, set[object]] = {}
    wide: set[str] = set()
    for code, severity, pull in findings:
        name = family(code)
        if name is None or SEVERITIES.index(severity) < SEVERITIES.index("watch"):
            continue
        places.setdefault(name, set()).add(pull)
        if pull is None:
            wide.add(name)
    return {
        name: max(len(seen), OVER_PULLS if name in wide else 0) for name, seen in places.items()
    }


def repeated(tonight: Mapping[str, int], before: Iterable[str] = ()) -> str:
    """What is watched in two pulls, or tonight and the night before, as a sentence; '' for
    nothing.
    """
    last = set(before)
    twice = [name for name, pulls in tonight.items() if pulls >= OVER_PULLS]
    running = [name for name in tonight if name in last and name not in twice]
    parts = [f"{_and(twice)} wants watching in two pulls or more"] if twice else []
    parts += [f"{_and(running)} wants watching on two nights running"] if running else []
    return " and ".join(parts)


def _and(names: list[str]) -> str:
    return " and ".join(names)


def watched_tonight(night: Night) -> dict[str, int]:
    """As watched, of a night."""
    return watched((f.code, f.severity, pull) for f, pull in _placed(night))


def _placed(night: Night) -> list[tuple[Finding, object]]:
    found: list[tuple[Finding, object]] = [(f, None) for f in night.findings]
    for audit in night.logs:
        found += [(f, None) for f in audit.findings]
        found += [(f, (audit.path, p.pull.index)) for p in audit.pulls for f in p.findings]
    return found


def first_look(findings: Iterable[tuple[str, Iterable[str]]], verdict: str) -> str:
    """The first thing to look at. findings: (severity, what to look at, most likely first)."""
    least = "watch" if verdict == VERDICTS[0] else "hold"
    ranked = sorted(
        ((s, [*look]) for s, look in findings if SEVERITIES.index(s) >= SEVERITIES.index(least)),
        key=lambda pair: -SEVERITIES.index(pair[0]),
    )
    for _, look in ranked:
        if look:
            return look[0]
    return NOTHING if verdict == VERDICTS[0] else AGAIN


def decided(
    verdict: str,
    reason: str,
    first: str,
    *,
    step: StepLike | None = None,
    again: str = "",
    duty_now: float | None = None,
    gear: int | None = None,
) -> Decision:
    """The one decision.

    verdict, reason: of the night, its worst reason. first: what to look at first. step: what the
    rules of boost against duty allow, None where that was not asked. again: what is watched
    repeatedly.
    """
    now = step.from_duty if step is not None and step.from_duty is not None else duty_now
    now = None if now is None else as_set(now)
    gear = (step.gear or None) if step is not None and step.gear else gear
    if verdict != VERDICTS[0]:
        return Decision("no_step", reason, first, now, None, None, gear)
    if step is not None and step.binds in FAULTS:
        return Decision("no_step", step.sentence, step.log_next or first, now, None, None, gear)
    if again and not (step is not None and step.action == "down"):
        return Decision("stay", f"{_upper(again)}: {STAY_UNTIL}", first, now, now, None, gear)
    if step is None:
        return Decision("step", _unsized(UNASKED), first, now, None, None, gear)
    if step.action == "refuse" and not _goes_up(step):
        if step.duty is not None:
            why = " ".join(filter(None, (step.sentence, step.log_next)))
            return Decision("stay", why, first, now, step.duty, None, gear)
        told = step.log_next or step.sentence.removeprefix("No step up. ")
        return Decision("step", _unsized(told), first, now, None, None, gear)
    state = "step" if step.action in ("up", "refuse") else "stay"
    said = (step.log_next,) if step.action == "refuse" else (step.sentence, step.log_next)
    why = " ".join(filter(None, said))
    expected = None
    if step.expected is not None and step.low is not None and step.high is not None:
        expected = (step.low, step.expected, step.high)
    return Decision(state, why, first, now, step.duty, expected, gear)


def _goes_up(step: StepLike) -> bool:
    """A refusal for want of a second duty that may be logged."""
    return (
        step.duty is not None and step.from_duty is not None and step.duty > step.from_duty + 0.25
    )


def _unsized(why: str) -> str:
    return f"Nothing speaks against a small step; how large it may be is not known. {why}"


def _upper(text: str) -> str:
    return text[0].upper() + text[1:]
