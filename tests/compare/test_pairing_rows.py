"""Rows of two programs beside each other, against plain walks over lists."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from bustrace.compare._kernels import fold_rounds, pair_up

ADDRESSES = st.lists(st.integers(0, 4), max_size=40)


def folded(pc, longest):
    """The same by slices of lists: element of each row."""
    stack, element = [], list(range(len(pc)))
    for row in range(len(pc)):
        stack.append(row)
        again = True
        while again:
            again = False
            for period in range(1, longest + 1):
                last, before = stack[-period:], stack[-2 * period : -period]
                if len(before) == period and [pc[r] for r in last] == [pc[r] for r in before]:
                    for repeated, first in zip(last, before, strict=True):
                        element = [first if e == repeated else e for e in element]
                    del stack[-period:]
                    again = True
                    break
    return element


def paired(good, bad, look):
    """The same by searching lists."""
    partner = [-1] * len(bad)
    i = j = 0
    while i < len(good) and j < len(bad):
        if good[i] == bad[j]:
            partner[j] = i
            i, j = i + 1, j + 1
            continue
        ways = []
        for ahead in range(look):
            if i + ahead < len(good) and good[i + ahead] in bad[j:]:
                there = bad.index(good[i + ahead], j)
                ways.append((ahead + there - j, ahead, 0, i + ahead, there))
            if j + ahead < len(bad) and bad[j + ahead] in good[i:]:
                there = good.index(bad[j + ahead], i)
                ways.append((ahead + there - i, ahead, 1, there, j + ahead))
        i, j = min(ways)[3:] if ways else (i + 1, j + 1)
    return partner


@given(ADDRESSES, st.integers(1, 6))
def test_rounds_fold_as_slices_of_a_list_do(pc, longest):
    found = fold_rounds(np.array(pc, dtype=np.int64), longest)
    assert found.tolist() == folded(pc, longest)


@given(ADDRESSES, ADDRESSES, st.integers(1, 6))
def test_rows_pair_as_searched_lists_do(good, bad, look):
    one, two = (np.array(rows, dtype=np.int64) for rows in (good, bad))
    keys = [np.sort((rows << 32) + np.arange(len(rows))) for rows in (one, two)]
    assert pair_up(one, two, *keys, look).tolist() == paired(good, bad, look)


def test_a_loop_in_a_loop_folds_to_one_round():
    """Two rounds of the outer loop, with two and three of the inner one."""
    pc = np.array([1, 2, 2, 3, 1, 2, 2, 2, 3, 4], dtype=np.int64)
    assert fold_rounds(pc, 8).tolist() == [0, 1, 1, 3, 0, 1, 1, 1, 3, 9]
