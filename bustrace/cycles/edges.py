"""Edges of the clock, impossible pulses left out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bustrace.capture.model import Capture

NO_MASK = np.zeros(0, dtype=np.uint64)
"""Stands for the known-mask of a capture that knows all its bits."""
NO_MASK.setflags(write=False)

_AT_MOST = 1 << 18
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
    dropped : int
        Pulses left out.
    """

    time_ps: npt.NDArray[np.int64]
    row: npt.NDArray[np.int64]
    level: npt.NDArray[np.uint8]
    first: npt.NDArray[np.uint8]
    dropped: int = 0

    def __len__(self) -> int:
        return len(self.time_ps)

    @property
    def falls(self) -> npt.NDArray[np.int64]:
        """Indices of the falls that end a whole cycle: the rise before was seen."""
        return np.flatnonzero((self.level == 0) & (self.first == 0))

    def widths(self, level: int) -> npt.NDArray[np.int64]:
        """Widths of whole pulses of a level, in ps."""
        ends = (self.level[1:] != level) & (self.first[1:] == 0)
        width: npt.NDArray[np.int64] = np.diff(self.time_ps)[ends]
        return width

    def periods(self) -> npt.NDArray[np.int64]:
        """Times between successive falls, gaps left out, in ps."""
        ends = np.flatnonzero(
            (self.level[2:] == 0) & (self.first[2:] == 0) & (self.first[1:-1] == 0)
        )
        period: npt.NDArray[np.int64] = self.time_ps[ends + 2] - self.time_ps[ends]
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
    args = (capture.time_ps, capture.state, known, np.uint64(index), np.uint64(flip), capture.gaps)
    none = np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.uint8), np.zeros(0, dtype=np.uint8)
    count = int(_kernels.mark_edges(*args, *none))
    row = np.zeros(count, dtype=np.int64)
    level = np.zeros(count, dtype=np.uint8)
    first = np.zeros(count, dtype=np.uint8)
    if count:
        _kernels.mark_edges(*args, row, level, first)
    edges = Edges(capture.time_ps[row], row, level, first)
    least = [_least_width(edges.widths(level), sample_ps) for level in (1, 0)]
    kept, dropped = _kernels.drop_short_pulses(
        edges.time_ps, edges.row, edges.level, edges.first, *least
    )
    return Edges(
        edges.time_ps[:kept],
        edges.row[:kept],
        edges.level[:kept],
        edges.first[:kept],
        int(dropped),
    )


def median(values: npt.NDArray[np.int64]) -> int | None:
    """Median of up to `_AT_MOST` values evenly taken, None of none."""
    if not len(values):
        return None
    return int(np.median(values[:: -(-len(values) // _AT_MOST)]))


def _least_width(widths: npt.NDArray[np.int64], sample_ps: int) -> int:
    usual = median(widths) or 0
    one_sample = sample_ps * 3 // 2 if 2 * usual >= 7 * sample_ps else 0
    return max(usual // 5, one_sample)
