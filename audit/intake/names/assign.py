"""The best one-to-one assignment of channels to columns.

Shortest augmenting paths (Jonker and Volgenant, Computing 38, 1987), the inner step over whole
arrays.
"""

from __future__ import annotations

import numpy as np

from audit.model import Array


def best_assignment(score: Array) -> list[tuple[int, int]]:
    """Pairs (row, column) with the greatest sum of scores, each row and column at most once.

    score: (n, m), finite; pairs with a score of 0 or less are left out. Ties go to the earlier
    column.
    """
    rows = np.flatnonzero((score > 0).any(axis=1)) if score.size else np.empty(0, dtype=np.intp)
    if len(rows) == 0:
        return []
    work = np.maximum(score[rows], 0.0)
    first = work.argmax(axis=1)
    if len(set(first.tolist())) == len(first):  # every row can have its best
        return [(int(r), int(c)) for r, c in zip(rows, first, strict=True)]
    padded = np.zeros((len(rows), work.shape[1] + len(rows)))  # a row may stay without a column
    padded[:, : work.shape[1]] = work
    columns = _augment(padded.max() - padded)
    return [
        (int(r), int(c))
        for r, c in zip(rows, columns, strict=True)
        if c < work.shape[1] and score[r, c] > 0
    ]


def _augment(cost: Array) -> list[int]:
    """The column of each row at least cost; cost (n, m) with n <= m, all >= 0."""
    n, m = cost.shape
    u, v = np.zeros(n), np.zeros(m)
    row_of = np.full(m, -1, dtype=np.intp)
    for row in range(n):
        shortest, came = np.full(m, np.inf), np.full(m, -1, dtype=np.intp)
        done = np.zeros(m, dtype=bool)
        here, least, at = row, 0.0, -1
        seen_rows, seen_cols = [row], []
        while True:
            through = least + cost[here] - u[here] - v
            better = ~done & (through < shortest - 1e-12)
            shortest[better], came[better] = through[better], here
            at = int(np.where(done, np.inf, shortest).argmin())
            least = float(shortest[at])
            done[at] = True
            seen_cols.append(at)
            if row_of[at] < 0:
                break
            here = int(row_of[at])
            seen_rows.append(here)
        u[row] += least
        for seen, column in zip(seen_rows[1:], seen_cols[:-1], strict=True):
            u[seen] += least - shortest[column]
            v[column] -= least - shortest[column]
        _flip(row_of, came, at, row)
    columns = [-1] * n
    for column, owner in enumerate(row_of.tolist()):
        if owner >= 0:
            columns[owner] = column
    return columns


def _flip(
    row_of: np.ndarray[tuple[int], np.dtype[np.intp]],
    came: np.ndarray[tuple[int], np.dtype[np.intp]],
    at: int,
    start: int,
) -> None:
    """Hand the columns along the path back to the rows they were reached from."""
    while True:
        owner = int(came[at])
        row_of[at] = owner
        held = np.flatnonzero(row_of == owner)
        other = [int(c) for c in held if c != at]
        if owner == start or not other:
            return
        at = other[0]
