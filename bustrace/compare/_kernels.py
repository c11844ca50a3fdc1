"""Compiled walks over the rows of two programs."""

from __future__ import annotations

import numpy as np

from bustrace.compiled import compiled_making_arrays, compiled_part


@compiled_making_arrays
def fold_rounds(pc, longest):
    """Fold what repeats: each further round of a loop counts as its first.

    A row joins a stack; where the last p of it are the p before them, those are taken off again.
    Loops within loops fold from the inside.

    Parameters
    ----------
    pc : int64, shape (n,)
    longest : int
        Rows of the longest loop that is folded.

    Returns
    -------
    element : int64, shape (n,)
        Row of the first round that each row repeats; its own number where it repeats none.
    """
    n = len(pc)
    parent = np.arange(n)
    stack = np.empty(n, np.int64)
    top = 0
    for row in range(n):
        stack[top] = row
        top += 1
        period = 1
        while period <= longest and 2 * period <= top:
            same = 0
            while same < period and pc[stack[top - 1 - same]] == pc[stack[top - 1 - same - period]]:
                same += 1
            if same == period:
                for back in range(period):
                    parent[stack[top - 1 - back]] = stack[top - 1 - back - period]
                top -= period
                period = 1
            else:
                period += 1
    for row in range(n):
        parent[row] = parent[parent[row]]
    return parent


@compiled_part
def _next(keys, pc, at):
    """Place of the first `pc` at or after `at`, -1 without one; `keys` are pc * 2**32 + place."""
    wanted = (pc << 32) + at
    low, high = 0, len(keys)
    while low < high:
        middle = (low + high) >> 1
        if keys[middle] < wanted:
            low = middle + 1
        else:
            high = middle
    if low < len(keys) and keys[low] >> 32 == pc:
        return keys[low] & 0xFFFFFFFF
    return -1


@compiled_making_arrays
def pair_up(good, bad, good_keys, bad_keys, look):
    """Pair two sequences of addresses, going round what only one of them has.

    Parameters
    ----------
    good, bad : int64, shape (n,) and (m,)
    good_keys, bad_keys : int64
        Sorted ``address * 2**32 + place`` of each.
    look : int
        Rows after a parting from which the nearest way together is sought.

    Returns
    -------
    partner : int64, shape (m,)
        Place in `good` for each of `bad`, -1 without one.
    """
    n, m = len(good), len(bad)
    partner = np.full(m, -1, np.int64)
    i = j = 0
    while i < n and j < m:
        if good[i] == bad[j]:
            partner[j] = i
            i += 1
            j += 1
            continue
        best, best_i, best_j = np.int64(1) << 62, i + 1, j + 1
        for ahead in range(look):
            if ahead >= best:
                break
            if i + ahead < n:
                found = _next(bad_keys, good[i + ahead], j)
                if found >= 0 and ahead + found - j < best:
                    best, best_i, best_j = ahead + found - j, i + ahead, found
            if j + ahead < m:
                found = _next(good_keys, bad[j + ahead], i)
                if found >= 0 and ahead + found - i < best:
                    best, best_i, best_j = ahead + found - i, found, j + ahead
        i, j = best_i, best_j
    return partner
