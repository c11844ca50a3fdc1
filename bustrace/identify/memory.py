"""Whether written bytes come back, and through how many addresses they repeat."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from bustrace.identify.blocks import aligned_hull
from bustrace.identify.model import MemorySeen
from bustrace.identify.touched import Accesses, came_back

FEW_LOST = 0.02
"""Share of the reads after a write that may differ in a RAM: stray samples are far rarer, a dead
cell or a line that is open is more."""

LEAST_SIZE = 64
"""A RAM of a 6502 board is no smaller."""


def judge_memory(seen: Accesses) -> MemorySeen | None:
    """Judge the accesses of one chip.

    The size is the smallest power of two that holds all its addresses. Where bytes do not come
    back at that size but do at a smaller one, the chip repeats.

    Parameters
    ----------
    seen : Accesses
        Those in which the chip was addressed.

    Returns
    -------
    MemorySeen or None
        None where nothing was read after a write.
    """
    if not len(seen) or seen.read.all():
        return None
    low, high = aligned_hull(int(seen.address.min()), int(seen.address.max()))
    whole = high - low + 1
    best: tuple[int, int, int, npt.NDArray[np.bool_]] | None = None
    size = whole
    while size >= min(LEAST_SIZE, whole):
        returned, lost = came_back(seen, seen.address % size)
        good, bad = int(returned.sum()), int(lost.sum())
        if best is None or (bad <= FEW_LOST * good and best[2] > FEW_LOST * best[1]):
            best = size, good, bad, returned
        if best[2] <= FEW_LOST * best[1]:
            break
        size //= 2
    if best is None or best[1] + best[2] == 0:
        return None
    size, good, bad, returned = best
    above = [bit for bit in range(16) if size <= 1 << bit < whole]
    moved = [bit for bit in above if len(np.unique(seen.address >> bit & 1)) == 2]
    judged = len(np.unique(seen.address[returned]))
    return MemorySeen(good, bad, judged, size, tuple(moved))
