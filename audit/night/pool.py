"""Many files, in this process or spread over several; a process that dies loses nothing."""

from __future__ import annotations

import contextlib
import functools
import gc
import os
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from audit import COLLECT
from audit.model import Car, LogAudit
from audit.night.worker import Audit, audit_one, killer

if TYPE_CHECKING:
    from concurrent.futures import ProcessPoolExecutor

    from audit.night.remote import RemoteLog

# Under this many bytes a process of its own costs more than it saves.
WORTH_A_PROCESS = 24_000_000
AHEAD = 4  # files handed out to each process beyond the one it has, so that results do not pile up


def audit_each(
    paths: Sequence[Path | RemoteLog],
    *,
    car: Car,
    workers: int | None = None,
    cluster: str | None = None,
    **how: Any,
) -> Iterator[tuple[int, list[LogAudit]]]:
    """(index of the file, its audits) as they are done, in any order; each file comes exactly
    once.

    workers: processes; None decides by the bytes to read. cluster: address of a Dask scheduler that
    does it instead. how: as audit_one has it. Raises UsageError when no scheduler answers there.
    """
    if cluster is None and workers in (None, 1) and _bytes(paths) < WORTH_A_PROCESS:
        how["keep_frames"] = True  # nothing travels, and so little need not be cut down
    audit: Audit = functools.partial(audit_one, car=car, **how)
    if cluster is not None:
        from audit.night.cluster import on_cluster

        yield from on_cluster(audit, paths, address=cluster)
        return
    workers = _fit(paths) if workers is None else max(1, min(workers, len(paths)))
    if workers == 1:
        for index, path in enumerate(paths):
            yield index, audit(path)
        return
    crew = Crew(workers)
    try:
        yield from _spread(audit, paths, crew)
    finally:
        crew.rest()


class Crew:
    """Worker processes that stay from one lot of files to the next, until `rest`. workers: how
    many.
    """

    def __init__(self, workers: int) -> None:
        self.workers = workers
        self._pool: ProcessPoolExecutor | None = None

    def each(
        self, paths: Sequence[Path | RemoteLog], car: Car
    ) -> Iterator[tuple[int, list[LogAudit]]]:
        """As audit_each, with the whole logs."""
        audit = functools.partial(audit_one, car=car)
        yield from _spread(audit, paths, self)

    def pool(self) -> ProcessPoolExecutor:
        """The processes, started when they are first wanted."""
        import multiprocessing
        from concurrent.futures import ProcessPoolExecutor

        if self._pool is None:
            # A forked child of a threaded polars can hang, so children start clean.
            self._pool = ProcessPoolExecutor(
                self.workers,
                mp_context=multiprocessing.get_context("spawn"),
                initializer=gc.set_threshold,
                initargs=COLLECT,
            )
        return self._pool

    def rest(self) -> None:
        """Let the processes end; the next lot starts new ones."""
        if self._pool is not None:
            self._pool.shutdown(wait=True, cancel_futures=True)
            self._pool = None


def _spread(
    audit: Audit, paths: Sequence[Path | RemoteLog], crew: Crew
) -> Iterator[tuple[int, list[LogAudit]]]:
    """Over processes. When one dies (out of memory, say) its files are read again: by new ones,
    then each in a
    process of its own, so that a file that kills its reader takes nothing with it.
    """
    left = dict(enumerate(paths))
    for _ in range(2):
        for index, audits in _worked(audit, left, crew):
            del left[index]
            yield index, audits
        if not left:
            return
    for index, path in list(left.items()):
        lone = Crew(1)
        try:
            done = list(_worked(audit, {index: path}, lone))
        finally:
            lone.rest()
        yield done[0] if done else (index, [killer(path)])


def _worked(
    audit: Audit, paths: dict[int, Path | RemoteLog], crew: Crew
) -> Iterator[tuple[int, list[LogAudit]]]:
    """What a set of processes gets done, until all is done or one dies."""
    from concurrent.futures import FIRST_COMPLETED, Future, wait
    from concurrent.futures.process import BrokenProcessPool

    todo = iter(list(paths.items()))
    running: dict[Future[list[LogAudit]], int] = {}
    try:
        with _one_thread_each():
            while True:
                while (
                    len(running) < crew.workers * (1 + AHEAD)
                    and (more := next(todo, None)) is not None
                ):
                    running[crew.pool().submit(audit, more[1])] = more[0]
                if not running:
                    return
                for future in wait(running, return_when=FIRST_COMPLETED).done:
                    audits = future.result()
                    yield running.pop(future), audits
    except BrokenProcessPool:
        crew.rest()
    finally:
        for future in running:
            future.cancel()


@contextlib.contextmanager
def _one_thread_each() -> Iterator[None]:
    """Children use one thread: the processes themselves are the parallelism."""
    before = os.environ.get("POLARS_MAX_THREADS")
    os.environ.setdefault("POLARS_MAX_THREADS", "1")
    try:
        yield
    finally:
        if before is None:
            os.environ.pop("POLARS_MAX_THREADS", None)


def _bytes(paths: Sequence[Path | RemoteLog]) -> int:
    return sum(
        (p.stat().st_size if p.exists() else 0) if isinstance(p, Path) else p.size for p in paths
    )


def _fit(paths: Sequence[Path | RemoteLog]) -> int:
    if _bytes(paths) < WORTH_A_PROCESS or len(paths) < 4:
        return 1
    return max(1, min(os.cpu_count() or 1, len(paths) // 4))
