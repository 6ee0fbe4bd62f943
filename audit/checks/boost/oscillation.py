"""oscillation: a periodic swing of boost after it has arrived: size, frequency, damping.

Looks up to a quarter of the sample rate and says so; in a slow log for a large swing up to 0.45 of
it. Not a swing: noise, one overshoot, a wander, a step at a limiter or of the target, intake
pulsation folded down by the sample rate.
"""

from __future__ import annotations

from audit.checks.boost.boost_swing import LEAST_S, Swing, after_arrival_s
from audit.checks.boost.context import shared
from audit.checks.kit.base import LimitTable, Measured, by_rows, cannot
from audit.declared import declared
from audit.model import Pull
from audit.signal.oscillation import Oscillation

DECLARED = declared(__name__)
NAME, CODES = DECLARED.name, DECLARED.codes


def measure(pull: Pull, limits: LimitTable) -> Measured:
    """Swing of the boost after its arrival, peak to peak, kPa; its frequency, Hz; its damping."""
    trace, swing = shared(pull).trace, shared(pull).swing
    if trace is None:
        return cannot("too_short", "fewer than 6 believed samples of manifold pressure in the pull")
    if swing is None:
        had = f"only {after_arrival_s(trace):.1f} s of boost after it had built up"
        return cannot("too_short", f"{had}; {LEAST_S:g} s are needed")
    of = swing.of
    hz, damping = (None, None) if of is None else (of.hz, of.damping)
    sheet = Measured({"oscillation_hz": hz, "oscillation_damping": damping})
    if of is None and limits.row(CODES[0], "oscillation_kpa_pp").severity(swing.kpa_pp):
        sheet.put("oscillation_kpa_pp", None)
        cause = "too_short" if trace.short else "missing"
        return sheet.of({}, unable=(cause, _wander(swing)))
    text = "" if of is None else _text(swing, of)
    sheet.put("oscillation_kpa_pp", swing.kpa_pp, text, at=swing.at, said=swing.said)
    return sheet.of("manifold_pressure")


judge = by_rows(CODES)


def reported_swing(pull: Pull, limits: LimitTable) -> float | None:
    """The swing that this check reports in the pull, kPa peak to peak; None where none."""
    trace, swing = shared(pull).trace, shared(pull).swing
    if trace is None or swing is None or trace.rate_hz < DECLARED.least_rate_hz * 0.98:
        return None
    reported = limits.row(CODES[0], "oscillation_kpa_pp").severity(swing.kpa_pp)
    return swing.kpa_pp if swing.of is not None and reported else None


def _wander(swing: Swing) -> str:
    return (
        f"boost swung {swing.kpa_pp:.0f} kPa peak to peak about its line in {swing.length_s:.1f} s,"
        " in too few cycles to be told from a wander"
    )


def _text(swing: Swing, of: Oscillation) -> str:
    if of.damping is None or abs(of.damping) < 0.02:
        manner = "steady"
    else:
        dying = f"dying away (damping ratio {of.damping:.2f})"
        manner = dying if of.damping > 0 else "growing"
    lasted = f"{of.hz:.2f} Hz for {of.cycles:.1f} cycles"
    return f"boost swung {swing.kpa_pp:.1f} kPa peak to peak at {lasted}, {manner}"
