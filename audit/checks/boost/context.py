"""What the boost checks share of a pull, worked out once and handed on with it. No check.

`with_context` is called once a pull; a pull that comes without (a test's, one from the archive) is
worked out anew.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from audit.checks.boost.boost_ceiling import Ceiling, find_ceiling
from audit.checks.boost.boost_duty import Duty, find_duty
from audit.checks.boost.boost_fade import Fade, find_fade
from audit.checks.boost.boost_swing import Swing, find_swing
from audit.checks.boost.boost_trace import BoostTrace, trace_of
from audit.model import Pull


@dataclass(frozen=True, eq=False)
class BoostContext:
    """trace: the boost told apart, None under 6 believed samples, and then all but ceiling is None.

    duty: None where it is not logged; swing, fade: None where too little boost is left to tell;
    ceiling: None where the sensor never stood at its top."""

    trace: BoostTrace | None
    ceiling: Ceiling | None
    duty: Duty | None = None
    swing: Swing | None = None
    fade: Fade | None = None


def with_context(pull: Pull) -> Pull:
    """The pull with all that the checks share of it."""
    return replace(pull, context=_work_out(pull))


def shared(pull: Pull) -> BoostContext:
    """What the checks share of the pull: handed on with it, or worked out here."""
    return pull.context if isinstance(pull.context, BoostContext) else _work_out(pull)


def _work_out(pull: Pull) -> BoostContext:
    trace, ceiling = trace_of(pull), find_ceiling(pull)
    if trace is None:
        return BoostContext(None, ceiling)
    parts = find_duty(pull, trace), find_swing(pull, trace), find_fade(pull, trace)
    return BoostContext(trace, ceiling, *parts)


def boost_trace(pull: Pull) -> BoostTrace | None:
    """The pull's boost told apart; None under 6 believed samples."""
    return shared(pull).trace


def settled_trace(pull: Pull) -> BoostTrace | None:
    """The pull's boost where it settled, else None."""
    trace = shared(pull).trace
    return trace if trace is not None and trace.settled else None
