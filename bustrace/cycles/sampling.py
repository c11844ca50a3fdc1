"""Where in the cycle to take the levels: the capture itself tells."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bustrace.capture.model import Capture
from bustrace.cycles.edges import NO_MASK, Edges
from bustrace.cycles.model import Sampling

_MOST_BINS = 256
_BLOCK = 1 << 12
_MOST_BLOCKS = 64
_ADDRESS_SHARE = 0.3
"""Longest address delay after the fall, as a share of the cycle."""

_TELLING = 32
"""Changes of the address lines from which they mean something."""

_BUSY = 0.02
"""Share of a line's moves from which a bin counts as busy."""


@dataclass(frozen=True, slots=True, eq=False)
class Moves:
    """How often each line changes, by time from the fall of phase 2.

    Attributes
    ----------
    counts : int64, shape (lines, b)
    before : int
        Bins before the fall: bin `before` holds the changes seen in the fall's own sample.
    width_ps : float
        Width of a bin; bins are centred on samples.
    half_sample_ps : int
    """

    counts: npt.NDArray[np.int64]
    before: int
    width_ps: float
    half_sample_ps: int

    def lines(self, mask: int) -> npt.NDArray[np.int64]:
        """Rows of the lines in a bit mask."""
        return self.counts[[line for line in range(len(self.counts)) if mask >> line & 1]]

    def sampling(self, offset_ps: int) -> Sampling:
        """The histogram in the form that goes with the cycles."""
        edges = (np.arange(self.counts.shape[1]) - self.before) * self.width_ps
        bins = np.round(edges).astype(np.int64) - self.half_sample_ps
        bins.setflags(write=False)
        self.counts.setflags(write=False)
        return Sampling(offset_ps=offset_ps, bins_ps=bins, moves=self.counts)


def count_moves(capture: Capture, edges: Edges, sample_ps: int) -> Moves:
    """Histogram the changes of all lines over one cycle, from the rise to the next rise.

    Of more than 262,144 cycles at most so many are looked at, in blocks spread over the capture.
    """
    from bustrace.cycles import _kernels

    high = edges.usual_width(1) or 1
    low = edges.usual_width(0) or high
    sample = max(sample_ps, 1)
    merged = max(1, -(-(high + low) // (sample * _MOST_BINS)))
    width = float(sample * merged)
    before = int(np.ceil(high / width)) + 1
    n_bins = before + int(np.ceil(low / width)) + 1
    planes = np.zeros((n_bins, _kernels.PLANES), dtype=np.uint64)
    known = capture.known
    n_cycles = len(edges.falls)
    for start in _block_starts(n_cycles):
        falls = edges.falls[start : start + _BLOCK]
        after = int(falls[-1]) + 1
        rows = slice(
            int(edges.row[falls[0] - 1]) - 1,
            int(edges.row[after]) if after < len(edges) else len(capture),
        )
        _kernels.count_moves(
            capture.time_ps[rows],
            capture.state[rows],
            known[rows] if known is not None else NO_MASK,
            edges.time_ps[falls - 1],
            edges.time_ps[falls],
            sample // 2,
            1.0 / width,
            before,
            planes,
        )
    bits = np.arange(len(capture.lines), dtype=np.uint64)[:, None, None]
    per_plane = (planes[None] >> bits) & np.uint64(1)
    weights = np.int64(1) << np.arange(_kernels.PLANES, dtype=np.int64)
    counts: npt.NDArray[np.int64] = (per_plane.astype(np.int64) * weights).sum(axis=2)
    return Moves(counts, before, width, sample // 2)


def _block_starts(n_cycles: int) -> range:
    """First cycles of the blocks that are looked at, evenly spread over a long capture."""
    blocks = -(-n_cycles // _BLOCK)
    return range(0, n_cycles, _BLOCK * -(-blocks // _MOST_BLOCKS))


def choose_bins_back(moves: Moves, data_lines: int, early_lines: int) -> int:
    """How many bins before the fall to sample; 1 is the last sample with phase 2 high.

    Read data are stable from their setup before the fall to their hold after it (10 ns at least
    in the makers' sheets), so the last sample before the fall is right, unless leads of different
    length or a late clock let the next cycle's changes show before the fall. Then the sample is
    taken in front of them.
    """
    back_most = max(1, (moves.before - 1) // 2)
    departures = [
        (counts, _departure(counts, moves.before, back_most, mask == data_lines))
        for mask in (data_lines, early_lines & ~data_lines)
        for counts in moves.lines(mask)
    ]
    earliest = _earliest_departure(moves, early_lines & ~data_lines)
    departures = [
        (counts, start if start >= earliest else moves.before) for counts, start in departures
    ]
    costs = []
    for back in range(1, back_most + 1):
        sample = moves.before - back
        cost = 0
        for counts, start in departures:
            cost += int(counts[sample + 1 : start].sum()) if start > sample else 0
            cost += int(counts[start : sample + 1].sum()) if start <= sample else 0
        costs.append(cost)
    return 1 + int(np.argmin(costs))


def _earliest_departure(moves: Moves, early_lines: int) -> int:
    """First bin in which the next cycle can show, judged by when the address settles.

    If the clock is seen late by so much, the address settled that much later than it seems. The
    makers give it 300 ns at 1 MHz and 150 ns at 2 MHz at most (tADS of the 6510, the loosest set):
    0.3 of a cycle.
    """
    counts = moves.lines(early_lines).sum(axis=0)
    total = int(counts.sum())
    after = np.flatnonzero(counts[moves.before :] >= max(1.0, _BUSY * total))
    if total < _TELLING or not len(after):
        return 0
    settled = int(after[-1])
    return moves.before - max(1, int(_ADDRESS_SHARE * len(counts)) - settled)


def _departure(
    counts: npt.NDArray[np.int64], before: int, back_most: int, arrives_late: bool
) -> int:
    """Bin from which a line's changes belong to the next cycle; `before` when not earlier.

    Address, R/W and SYNC only change early in a cycle: a cluster of changes close before the fall
    is the next cycle's. Data also arrive there when a chip is slow. Then they leave soon after
    the fall, or stay on an undriven bus and make no other changes. Where data leave before the
    fall, they arrived elsewhere and nothing follows the fall.
    """
    total = int(counts.sum())
    floor = 4.0 * float(np.median(counts))
    busy = counts >= max(3.0, _BUSY * total, floor)
    first = before - back_most
    close = np.flatnonzero(busy[first + 1 : before + 1])
    if not len(close):
        return before
    end = start = first + 1 + int(close[-1])
    while start > first and busy[start - 1]:
        start -= 1
    while end + 1 < len(counts) and busy[end + 1]:
        end += 1
    if start >= before or start == first:
        return before
    cluster = int(counts[start : end + 1].sum())
    soon_after = int(counts[end + 1 : max(end, before) + len(counts) // 8 + 1].sum())
    if arrives_late and (2 * soon_after >= cluster or 2 * (total - cluster) < cluster):
        return before
    # The cluster's thin edge: falls are seen up to a sample late.
    for _ in range(2):
        if start > first + 1 and counts[start - 1] > max(floor, 0.001 * total):
            start -= 1
    return start


def quiet_lines(moves: Moves, bins_back: int) -> int:
    """Mask of the lines that hardly ever change in the sampling bin."""
    at_sample = moves.counts[:, moves.before - bins_back]
    totals = moves.counts.sum(axis=1)
    return sum(
        1 << line
        for line, (here, total) in enumerate(zip(at_sample, totals, strict=True))
        if here <= max(1.0, 0.01 * total)
    )
