"""Where the engine's own limiter works: a cut up there is what it is for. No check."""

from __future__ import annotations

import numpy as np

from audit.model import Pull, Series
from audit.signal.held import without_singles

NEAR_TOP = 0.95  # of the log's highest engine speed: where its pulls end
NEAR_LIMIT = 0.97  # of the car file's: the limiter is set about there
FAR_BELOW = 0.88  # of the car file's: no limiter works that far below it
# a pull that climbs this far beyond a cut was cut in its middle; a limiter lets it swing by less
GOES_ON = 1.03


def at_limiter(pull: Pull, at_s: float, rpm: Series) -> bool:
    """Whether what cuts the engine here is its limiter: at the top, and nothing above it follows.

    rpm: engine speed of the pull and what follows it. Without the car file's limit the log's own
    top tells."""
    before = rpm.within(at_s - 0.5, at_s + 0.05).value
    after = rpm.within(at_s + 0.1, open_until(pull)).value  # off the throttle nothing is cut
    if not len(before):
        return False
    speed = float(before.max())
    if len(after) > 2 and float(np.partition(after, -2)[-2]) > GOES_ON * speed:
        return False
    limit = pull.car.engine_limit_rpm
    if limit is not None and (speed >= NEAR_LIMIT * limit or speed < FAR_BELOW * limit):
        return speed >= NEAR_LIMIT * limit
    return speed >= NEAR_TOP * log_top(pull)


def log_top(pull: Pull) -> float:
    """The log's highest believed engine speed, lone samples apart, rpm."""
    every = pull.log.believed("engine_speed", pull.sanity.samples.get("engine_speed")).value
    return float(without_singles(every).max()) if len(every) else 0.0


def open_until(pull: Pull, *, tail_s: float = 1.0) -> float:
    """Until when the foot stayed down, s: by pedal, else by throttle, else the pull's end."""
    for name in ("pedal_position", "throttle_position"):
        foot = pull.believed(name, tail_s=tail_s)
        inside = foot.within(pull.start_s, pull.end_s).value
        if len(inside) < 3:
            continue
        wide = float(np.partition(inside, len(inside) // 2)[len(inside) // 2])
        late = foot.within(pull.start_s + 0.5 * (pull.end_s - pull.start_s), pull.end_s + tail_s)
        shut = np.flatnonzero(late.value < 0.9 * wide)
        first = int(shut[0]) if shut.size else len(late.t)
        return float(late.t[first - 1]) if first else pull.end_s
    return pull.end_s
