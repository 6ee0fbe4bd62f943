"""Many files, in this process or spread over several."""

from __future__ import annotations

import functools
import os
from collections.abc import Callable, Sequence
from pathlib import Path

from audit.model import Car, LogAudit

# Under this many bytes a process of its own costs more than it saves.
WORTH_A_PROCESS = 24_000_000


def audit_files(
    paths: Sequence[Path],
    *,
    car: Car,
    rate_hz: float | None = None,
    workers: int | None = None,
    keep_frames: bool = True,
    progress: Callable[[int, int], None] | None = None,
) -> list[LogAudit]:
    """Audit each file, in the order given. workers: processes; None decides by the bytes to read."""
    from audit.screen import screen_log

    audit = functools.partial(screen_log, car=car, rate_hz=rate_hz, keep_frames=keep_frames)
    workers = _fit(paths) if workers is None else max(1, min(workers, len(paths)))
    out: list[LogAudit] = []
    if workers == 1:
        for done, path in enumerate(paths, 1):
            out += audit(path)
            if progress is not None:
                progress(done, len(paths))
        return out
    return _spread(audit, paths, workers, progress)


def _spread(
    audit: Callable[[Path], list[LogAudit]],
    paths: Sequence[Path],
    workers: int,
    progress: Callable[[int, int], None] | None,
) -> list[LogAudit]:
    import multiprocessing
    from concurrent.futures import ProcessPoolExecutor
    from concurrent.futures.process import BrokenProcessPool

    out: list[LogAudit] = []
    done = 0
    # A forked child of a threaded polars can hang, so children start clean; one thread each, as the
    # processes themselves are the parallelism.
    os.environ.setdefault("POLARS_MAX_THREADS", "1")
    context = multiprocessing.get_context("spawn")
    try:
        with ProcessPoolExecutor(workers, mp_context=context) as pool:
            chunk = max(1, min(8, len(paths) // (workers * 4)))
            for done, audits in enumerate(pool.map(audit, paths, chunksize=chunk), 1):
                out += audits
                if progress is not None:
                    progress(done, len(paths))
    except BrokenProcessPool:
        # A worker was killed (out of memory, say): what is left is done here, one after another.
        for path in paths[done:]:
            out += audit(path)
    return out


def _fit(paths: Sequence[Path]) -> int:
    total = sum(p.stat().st_size for p in paths if p.exists())
    if total < WORTH_A_PROCESS or len(paths) < 4:
        return 1
    return max(1, min(os.cpu_count() or 1, len(paths) // 4))
