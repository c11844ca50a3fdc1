"""Edges of the clock, impossible pulses left out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bustrace.capture.model import Capture

NO_MASK = np.zeros(0, dtype=np.uint64)
"""Stands for the known-mask of a capture that knows all its bits."""
NO_MASK.setflags(write=False)

_AT_MOST = 1 << 14
"""Widths looked at for a median; more are thinned out evenly."""


@dataclass(frozen=True, slots=True, eq=False)
class Edges:
    """Edges of one clock line, in order.

    Attributes
    ----------
    time_ps : int64, shape (m,)
    row : int64, shape (m,)
        Row of the capture at which the new level is first seen.
    level : uint8, shape (m,)
        Level after the edge.
    first : uint8, shape (m,)
        1 where the half-cycle before was not seen whole: the first edge, and after a gap.
    falls : int64, shape (c,)
        Indices of the falls that end a whole cycle: the rise before was seen.
    dropped : int
        Pulses left out.
    """

    time_ps: npt.NDArray[np.int64]
    row: npt.NDArray[np.int64]
    level: npt.NDArray[np.uint8]
    first: npt.NDArray[np.uint8]
    falls: npt.NDArray[np.int64]
    dropped: int = 0

    def __len__(self) -> int:
        return len(self.time_ps)

    def usual_width(self, level: int) -> int | None:
        """Median width of the whole pulses of a level, in ps; None without one."""
        return _usual_width(self.time_ps, self.level, self.first, level)

    def periods(self) -> npt.NDArray[np.int64]:
        """Times between successive cycles' falls, gaps left out, in ps."""
        period: npt.NDArray[np.int64] = np.diff(self.time_ps[self.falls])
        if np.count_nonzero(self.first) > 1:
            stretch = np.cumsum(self.first, dtype=np.int64)[self.falls]
            period = period[stretch[1:] == stretch[:-1]]
        return period


def find_edges(capture: Capture, index: int, flip: bool, sample_ps: int) -> Edges:
    """Edges of a capture line.

    A pulse is left out when no clock could make it: below a fifth of the usual width of its kind,
    or a single sample where the usual pulse has at least four. Both its edges go.

    Parameters
    ----------
    capture : Capture
    index : int
        Bit of the line.
    flip : bool
        Take the opposite level.
    sample_ps : int
        Sample interval; 0 when unknown.
    """
    from bustrace.cycles import _kernels

    known = capture.known if capture.known is not None else NO_MASK
    n = len(capture)
    # Memory is only touched as far as there are edges.
    row, level, first = np.empty(n, np.int64), np.empty(n, np.uint8), np.empty(n, np.uint8)
    count = int(
        _kernels.mark_edges(
            capture.time_ps,
            capture.state,
            known,
            np.uint64(index),
            np.uint64(flip),
            capture.gaps,
            row,
            level,
            first,
        )
    )
    row, level, first = row[:count].copy(), level[:count].copy(), first[:count].copy()
    time_ps = capture.time_ps[row]
    falls = np.empty(count, np.int64)
    least_high, least_low = (
        _least_width(_usual_width(time_ps, level, first, kind) or 0, sample_ps) for kind in (1, 0)
    )
    kept, dropped, cycles = _kernels.drop_short_pulses(
        time_ps, row, level, first, least_high, least_low, falls
    )
    return Edges(
        time_ps[:kept], row[:kept], level[:kept], first[:kept], falls[:cycles].copy(), int(dropped)
    )


def median(values: npt.NDArray[np.int64]) -> int | None:
    """Median of up to `_AT_MOST` values evenly taken, None of none."""
    if not len(values):
        return None
    return int(np.median(values[:: -(-len(values) // _AT_MOST)]))


def _usual_width(
    time_ps: npt.NDArray[np.int64],
    level: npt.NDArray[np.uint8],
    first: npt.NDArray[np.uint8],
    kind: int,
) -> int | None:
    # An odd step meets ends of high and of low pulses in turn.
    step = len(time_ps) // _AT_MOST | 1
    ends = np.arange(1, len(time_ps), step)
    ends = ends[(level[ends] != kind) & (first[ends] == 0)]
    return median(time_ps[ends] - time_ps[ends - 1])


def _least_width(usual: int, sample_ps: int) -> int:
    one_sample = sample_ps * 3 // 2 if 2 * usual >= 7 * sample_ps else 0
    return max(usual // 5, one_sample)
