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
    columns = work.argmax(axis=1).tolist()
    if len(set(columns)) < len(columns):  # not every row can have its best
        padded = np.pad(work, ((0, 0), (0, len(rows))))  # a row may stay without a column
        columns = _augment(padded.max() - padded)
    pairs = zip(rows.tolist(), columns, strict=True)
    return [(r, c) for r, c in pairs if c < work.shape[1] and score[r, c] > 0]


def _augment(cost: Array) -> list[int]:
    """The column of each row at least cost; cost (n, m) with n <= m, all >= 0."""
    n, m = cost.shape
    u, v = np.zeros(n), np.zeros(m + 1)
    row_of = np.full(m + 1, -1, dtype=np.intp)  # the last column is where each row starts from
    for row in range(n):
        shortest, came = np.full(m, np.inf), np.full(m, m, dtype=np.intp)
        done = np.zeros(m + 1, dtype=bool)
        row_of[m], at = row, m
        while row_of[at] >= 0:
            done[at] = True
            through = cost[row_of[at]] - u[row_of[at]] - v[:m]
            better = ~done[:m] & (through < shortest - 1e-12)
            shortest[better], came[better] = through[better], at
            at = int(np.where(done[:m], np.inf, shortest).argmin())
            least = float(shortest[at])
            u[row_of[done]] += least
            v[done] -= least
            shortest -= least
        while at != m:  # hand the columns along the path back
            row_of[at], at = row_of[came[at]], int(came[at])
    return [int(np.flatnonzero(row_of[:m] == row)[0]) for row in range(n)]
