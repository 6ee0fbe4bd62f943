"""What the boost checks share of a pull, worked out once and handed on with it. No check.

`with_context` is called once a pull; a pull that comes without (a test's, one from the archive) is
worked out anew.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from audit.checks.boost.boost_ceiling import Ceiling, find_ceiling
from audit.checks.boost.boost_duty import Duty, find_duty
from audit.checks.boost.boost_swing import CODE, measure_swing
from audit.checks.boost.boost_trace import BoostTrace, trace_of
from audit.checks.kit.base import LimitTable, Measured
from audit.declared import declared
from audit.model import Pull


@dataclass(frozen=True, eq=False)
class BoostContext:
    """trace: the boost told apart, None under 6 believed samples, and then swing and duty are None
    too.

    duty: None where it is not logged; swing: what the check oscillation measures; ceiling: None
    where the sensor never stood at its top.
    """

    trace: BoostTrace | None
    duty: Duty | None
    swing: Measured | None
    ceiling: Ceiling | None


def with_context(pull: Pull, limits: LimitTable) -> Pull:
    """The pull with all that the checks share of it."""
    return replace(pull, context=_work_out(pull, limits))


def context_of(pull: Pull, limits: LimitTable) -> BoostContext:
    """What the checks share of the pull: handed on with it, or worked out here."""
    return pull.context if isinstance(pull.context, BoostContext) else _work_out(pull, limits)


def _work_out(pull: Pull, limits: LimitTable) -> BoostContext:
    trace = trace_of(pull)
    return BoostContext(
        trace,
        None if trace is None else find_duty(pull, trace),
        None if trace is None else measure_swing(pull, trace, limits),
        find_ceiling(pull),
    )


def boost_trace(pull: Pull) -> BoostTrace | None:
    """The pull's boost told apart; None under 6 believed samples."""
    return pull.context.trace if isinstance(pull.context, BoostContext) else trace_of(pull)


def duty_of(pull: Pull) -> Duty | None:
    """Duty beside the pull's boost; None where it is not logged or has under 2 samples there."""
    if isinstance(pull.context, BoostContext):
        return pull.context.duty
    trace = trace_of(pull)
    return None if trace is None else find_duty(pull, trace)


def ceiling(pull: Pull) -> Ceiling | None:
    """The stretch of the pull in which manifold pressure stood at its sensor's top, or None."""
    return pull.context.ceiling if isinstance(pull.context, BoostContext) else find_ceiling(pull)


def reported_swing(pull: Pull, limits: LimitTable) -> float | None:
    """The swing that the check oscillation reports in the pull, kPa peak to peak; None where it
    reports none.
    """
    shared = context_of(pull, limits)
    least_hz = declared("boost.oscillation").least_rate_hz * 0.98
    if shared.trace is None or shared.swing is None or shared.trace.rate_hz < least_hz:
        return None
    value = shared.swing.values.get("oscillation_kpa_pp")
    return value if limits.row(CODE, "oscillation_kpa_pp").severity(value) else None
