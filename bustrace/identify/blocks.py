"""From addresses that were seen to the ranges a decoder could make of them."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt

from bustrace.board.model import N_ADDRESSES
from bustrace.cycles import stretches
from bustrace.identify.model import Ranges

MOST_BLOCKS = 16
"""More blocks than that are no decoding that a person would draw."""


def aligned_hull(first: int, last: int) -> tuple[int, int]:
    """The smallest block of a power of two of addresses, at a multiple of it, that holds both."""
    bits = (first ^ last).bit_length()
    low = first >> bits << bits
    return low, low + (1 << bits) - 1


def aligned_blocks(inside: npt.NDArray[np.bool_], outside: npt.NDArray[np.bool_]) -> Ranges | None:
    """The fewest aligned blocks, each as small as it can be, that hold one set and not another.

    Parameters
    ----------
    inside, outside : bool, shape (65536,)
        Addresses that must lie in a block, and that must not. `inside` wins where both hold.

    Returns
    -------
    tuple of (first, last) or None
        Neighbours joined, ascending; empty for no address, None for more than `MOST_BLOCKS`.
    """
    wanted = np.flatnonzero(inside)
    barred = np.flatnonzero(outside & ~inside)
    found: list[tuple[int, int]] = []
    todo = [(0, N_ADDRESSES - 1)]
    while todo:
        low, high = todo.pop()
        begin, end = np.searchsorted(wanted, (low, high + 1))
        if begin == end:
            continue
        low, high = aligned_hull(int(wanted[begin]), int(wanted[end - 1]))
        if low < high and np.diff(np.searchsorted(barred, (low, high + 1)))[0] > 0:
            middle = (low + high) // 2
            todo += [(middle + 1, high), (low, middle)]
            continue
        found.append((low, high))
        if len(found) > 4 * MOST_BLOCKS:
            return None
    joined = join(found)
    return joined if len(joined) <= MOST_BLOCKS else None


def dense_blocks(
    ranges: Ranges, marks: npt.NDArray[np.bool_], *, least: int, one_in: int
) -> Ranges:
    """Aligned blocks within ranges that hold enough marked addresses, each as small as it can be.

    Parameters
    ----------
    ranges : tuple of (first, last)
    marks : bool, shape (65536,)
    least : int
        Marked addresses that a block must hold.
    one_in : int
        And one in so many of its addresses must be marked; else its halves are tried.
    """
    wanted = np.flatnonzero(marks)
    found = []
    todo = list(ranges)
    while todo:
        low, high = todo.pop()
        begin, end = np.searchsorted(wanted, (low, high + 1))
        if end - begin < least:
            continue
        first, last = int(wanted[begin]), int(wanted[end - 1])
        block = aligned_hull(first, last)
        # Joined ranges need not be aligned, and their hull would reach out of them.
        inside = low <= block[0] and block[1] <= high
        if inside and (end - begin) * one_in >= block[1] - block[0] + 1:
            found.append(block)
            continue
        middle = (block[0] + block[1]) // 2
        todo += [(max(low, block[0]), middle), (middle + 1, min(high, block[1]))]
    return join(found)


def join(ranges: Iterable[tuple[int, int]]) -> Ranges:
    """Ranges in ascending order, those that touch or overlap made one."""
    joined: list[tuple[int, int]] = []
    for first, last in sorted(ranges):
        if joined and first <= joined[-1][1] + 1:
            joined[-1] = (joined[-1][0], max(last, joined[-1][1]))
        else:
            joined.append((first, last))
    return tuple(joined)


def runs(marks: npt.NDArray[np.bool_]) -> Ranges:
    """Marked addresses as ranges, ascending."""
    return tuple((int(first), int(end) - 1) for first, end in zip(*stretches(marks), strict=True))


def covered(*ranges: Ranges | None) -> npt.NDArray[np.bool_]:
    """Addresses within any of the ranges: bool, shape (65536,)."""
    hit = np.zeros(N_ADDRESSES, dtype=np.bool_)
    for some in ranges:
        for first, last in some or ():
            hit[first : last + 1] = True
    return hit
