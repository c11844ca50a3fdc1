"""Stretches in which the bus rests: the same levels cycle after cycle, as no program shows them.

A CPU that waits for an interrupt, that has stopped, or that is held by a pin not captured reads one
place again and again. That tells nothing of instructions, and a byte that means the same read
twice as an instruction would be found in it hundreds of times.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from bustrace.program import _kernels

_SAME, _SAME_DATA = 16, 32
"""Equal cycles from which the bus rests, where addresses were captured and where not: eight equal
instructions of one byte in a row show that byte for sixteen cycles."""

_NOP = 0xEA
"""The one such instruction that programs have by the dozen (common practice)."""

_NOISE = 2
"""Lines that may be off in a cycle of a rest."""

_EDGE = 3
"""Cycles kept at each end of a rest: an instruction or an interrupt may have them."""

_LINES = 0xFFFF | 0xFF << _kernels.DATA_AT | 1 << _kernels.RW_AT
_STEP = 256


def inside_rests(cycles: npt.NDArray[np.int64]) -> npt.NDArray[np.bool_]:
    """Cycles well inside a stretch in which the bus rests.

    Parameters
    ----------
    cycles : int64, shape (n,)
        Captured cycles as the search takes them.

    Returns
    -------
    bool, shape (n,)
        From the first cycle on where the capture begins in a rest.
    """
    inside = np.zeros(len(cycles), np.bool_)
    if np.count_nonzero(cycles & 1 << _kernels.REPEATS_AT) < _SAME - 1:
        return inside
    levels = cycles & ~np.int64(1 << _kernels.REPEATS_AT)
    starts = np.flatnonzero(np.append(True, levels[1:] != levels[:-1])[: len(levels)])
    lengths = np.diff(starts, append=len(levels))
    known = int(np.bitwise_or.reduce(levels, initial=0)) >> _kernels.AMASK_AT & 0xFFFF
    long = lengths >= (_SAME if known else _SAME_DATA)
    held = levels[starts] >> _kernels.HELD_AT & 1
    reads = (levels[starts] >> _kernels.RW_AT | ~levels[starts] >> _kernels.RW_KNOWN_AT) & 1
    off = (levels[starts] >> _kernels.DATA_AT ^ _NOP) & levels[starts] >> _kernels.DMASK_AT & 0xFF
    long &= (off != 0) | (known != 0)
    end = 0
    for start in starts[long & (held == 0) & (reads == 1)].tolist():
        if start < end:
            continue
        end = _rest_ends(levels, start)
        inside[start + _EDGE if start else 0 : end - _EDGE] = True
    return inside


def _rest_ends(levels: npt.NDArray[np.int64], start: int) -> int:
    """End of a rest: past cycles that noise explains, but not past the last ones that agree."""
    level = levels[start]
    end = start
    while end < len(levels):
        off = np.bitwise_count((levels[end : end + _STEP] ^ level) & _LINES) > _NOISE
        if off.any():
            end += int(np.argmax(off))
            break
        end += len(off)
    same = levels[start:end] == level
    agree = np.flatnonzero(same[2:] & same[1:-1] & same[:-2])
    return start + int(agree[-1]) + 3
