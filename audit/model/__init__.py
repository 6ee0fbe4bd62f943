"""The nouns: log, pull, finding, night, car, limit.

Nothing here reads a file or prints. Arrays inside are never written to after they were made.
"""

from audit.model.basis import (
    FAIL,
    GOOD,
    MISSING,
    NOT_EVALUATED,
    REQUIRED_CHECKS,
    SCORE_AT,
    SEVERITIES,
    SUSPECT,
    VERDICTS,
    Array,
    Bools,
    FlagArray,
    worst_severity,
)
from audit.model.car import Car, ColumnWord
from audit.model.finding import CheckResult, Finding, worst_of
from audit.model.limit import Limit, LimitTable
from audit.model.log import (
    EMPTY,
    Barometric,
    Channel,
    Log,
    Note,
    Sanity,
    Series,
    base_of,
    believed_series,
)
from audit.model.night import Decision, LogAudit, Night, PullAudit
from audit.model.pull import Measures, Pull, Span, Tear

__all__ = [
    "EMPTY",
    "FAIL",
    "GOOD",
    "MISSING",
    "NOT_EVALUATED",
    "REQUIRED_CHECKS",
    "SCORE_AT",
    "SEVERITIES",
    "SUSPECT",
    "VERDICTS",
    "Array",
    "Barometric",
    "Bools",
    "Car",
    "Channel",
    "CheckResult",
    "ColumnWord",
    "Decision",
    "Finding",
    "FlagArray",
    "Limit",
    "LimitTable",
    "Log",
    "LogAudit",
    "Measures",
    "Night",
    "Note",
    "Pull",
    "PullAudit",
    "Sanity",
    "Series",
    "Span",
    "Tear",
    "base_of",
    "believed_series",
    "worst_of",
    "worst_severity",
]
