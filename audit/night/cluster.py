"""Many files on a Dask cluster: the same pure function, submitted; results as they finish.

Dask is an optional extra (`pip install 'pullaudit[cluster]'`) and is loaded only here.
"""

from __future__ import annotations

import importlib
import itertools
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from audit.errors import UsageError
from audit.model import LogAudit
from audit.night.worker import Audit, killer

if TYPE_CHECKING:
    from collections.abc import Iterable

    from audit.night.remote import RemoteLog

ANSWER_S = 20.0
RETRIES = 1  # of a task that raised; one whose worker died is moved by the scheduler itself
AHEAD = 6  # files handed out for each thread of the cluster, so that results do not pile up
LEAST_AHEAD = 16


def connect(address: str) -> Any:
    """A client of the scheduler. Raises UsageError when Dask is not installed or nobody answers."""
    try:
        distributed = importlib.import_module("distributed")
    except ImportError:
        raise UsageError(
            "--cluster needs Dask, which is not installed. Install it: pip install "
            "'pullaudit[cluster]'"
        ) from None
    try:
        return distributed.Client(address, timeout=ANSWER_S, set_as_default=False, name="pullaudit")
    except (OSError, ValueError, TypeError) as error:
        raise UsageError(
            f"--cluster {address}: no scheduler answers there within {ANSWER_S:.0f} s "
            f"({type(error).__name__}). Start one with `dask scheduler`, and give its address, as "
            "in tcp://10.0.0.5:8786."
        ) from None


def on_cluster(
    audit: Audit, paths: Sequence[Path | RemoteLog], *, address: str
) -> Iterator[tuple[int, list[LogAudit]]]:
    """(index of the file, its audits) as they are done. Every worker must see the files under the
    same paths.

    A file whose worker died is given to another one; a file that killed several comes back
    rejected. When the scheduler itself is lost, what is left is read here.
    """
    client = connect(address)
    left = dict(enumerate(paths))
    try:
        for index, audits in _results(client, audit, paths):
            del left[index]
            yield index, audits
    except _lost():
        for index, path in list(left.items()):
            yield index, audit(path)
    finally:
        client.close(timeout=5)


def _results(
    client: Any, audit: Audit, paths: Sequence[Path | RemoteLog]
) -> Iterator[tuple[int, list[LogAudit]]]:
    distributed = importlib.import_module("distributed")
    todo = iter(enumerate(paths))
    threads = sum(client.nthreads().values())
    first = list(itertools.islice(todo, max(LEAST_AHEAD, AHEAD * threads)))
    running = {_submit(client, audit, path): (index, path) for index, path in first}
    with client.as_current():
        coming = distributed.as_completed(list(running))
    for future in coming:
        index, path = running.pop(future)
        audits = _result(future, path)
        for more, other in itertools.islice(todo, 1):
            new = _submit(client, audit, other)
            running[new] = (more, other)
            coming.add(new)
        yield index, audits


def _submit(client: Any, audit: Audit, path: Path | RemoteLog) -> Any:
    # Not "pure" in Dask's sense: a file may change between two runs, its result must not come from
    # a cache.
    return client.submit(audit, path, pure=False, retries=RETRIES)


def _result(future: Any, path: Path | RemoteLog) -> list[LogAudit]:
    distributed = importlib.import_module("distributed")
    try:
        audits: list[LogAudit] = future.result()
    except distributed.KilledWorker:
        return [killer(path)]
    except _lost():
        raise
    except Exception as error:
        sentence = (
            f"{path}: a worker of the cluster could not run its audit ({type(error).__name__}: "
            f"{error}). Every worker needs the same pullaudit and must see the files under the "
            "same paths."
        )
        return [LogAudit(str(path), "", "rejected", error=sentence)]
    return audits


def _lost() -> tuple[type[BaseException], ...]:
    """What it looks like when the scheduler is gone."""
    from concurrent.futures import CancelledError

    client = importlib.import_module("distributed.client")
    core = importlib.import_module("distributed.comm.core")
    names = [
        getattr(client, "FutureCancelledError", None),
        getattr(client, "FuturesCancelledError", None),
    ]
    found: Iterable[type[BaseException]] = (name for name in names if name is not None)
    return (CancelledError, core.CommClosedError, *found)
