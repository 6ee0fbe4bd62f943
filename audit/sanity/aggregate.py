"""Several flags into one, in an order chosen knowingly.

A sample: blank (9) stays blank; else the worst of fail, suspect, good, not evaluated: one test that
was passed outweighs any that could not be run, one that was failed outweighs all.
A channel in one test: 4 when a real part of it failed, 3 when only some samples did (a lone glitch
does not condemn a sensor), 1 when the test ran and found nothing, 2 when it could not run.
A channel over its tests: the first of 4, 3, 1, 2 that occurs; 9 only when it has no sample at all.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from audit.model import FAIL, GOOD, MISSING, NOT_EVALUATED, SUSPECT, Bools, FlagArray

ORDER = (FAIL, SUSPECT, GOOD, NOT_EVALUATED, MISSING)
REAL_PART = 0.02  # share of the samples from which on the channel, not the sample, is at fault


def passed(n: int, least: int = 0) -> FlagArray:
    """Flags of n samples before a test has found anything: 2 where fewer than it needs."""
    return np.full(n, GOOD if n >= least else NOT_EVALUATED, dtype=np.uint8)


def bad(flags: FlagArray) -> Bools:
    """Which samples are suspect or failed."""
    mask: Bools = (flags == SUSPECT) | (flags == FAIL)
    return mask


def worst_of(flags: Sequence[FlagArray]) -> FlagArray:
    """Per sample, over tests: 9 where blank in any of them, else the first of 4, 3, 1, 2."""
    if len(flags) == 1 or all(more is flags[0] for more in flags):
        return flags[0]
    out = flags[0].copy()
    out[out == NOT_EVALUATED] = 0
    for more in flags[1:]:
        np.maximum(out, np.where(more == NOT_EVALUATED, 0, more), out=out)
    out[out == 0] = NOT_EVALUATED
    return out


def of_test(flags: FlagArray, *, real_part: float = REAL_PART) -> int:
    """One flag for a channel in one test, from the flags of its samples."""
    if not len(flags):
        return MISSING
    if flags.max() >= SUSPECT and (count := int(np.count_nonzero(bad(flags)))):
        real = count >= max(3, real_part * len(flags))
        return FAIL if real and (flags == FAIL).any() else SUSPECT
    return GOOD if (flags == GOOD).any() else NOT_EVALUATED


def of_channel(tests: Iterable[int]) -> int:
    """One flag for a channel, from its tests'."""
    seen = set(tests)
    return next((flag for flag in ORDER if flag in seen), MISSING)
