"""Which clock a line is, told by what the CPU does after its edges."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from bustrace.capture.model import Capture
from bustrace.cycles.edges import Edges, median
from bustrace.cycles.sampling import Moves

_ENOUGH = 16
"""Changes needed before behaviour overrules a name."""
_ROWS_LOOKED_AT = 1 << 22
_MOST_DIVISION = 16


@dataclass(frozen=True, slots=True)
class Division:
    """Every how many falls of a faster clock a cycle ends.

    Attributes
    ----------
    by : int
    phase : int
        Falls with index modulo `by` equal to this end a cycle.
    """

    by: int
    phase: int


def is_inverted(moves: Moves, early_lines: int) -> bool | None:
    """Whether the CPU's outputs change after the rise instead of after the fall.

    Address, R/W and SYNC change within tADS of the fall of phase 2 (at most 300 ns at 1 MHz,
    150 ns at 2 MHz in the makers' sheets): while phase 2 is low. None where too little moves to
    tell, or both halves see changes, as on a bus that is shared between the halves.
    """
    counts = moves.lines(early_lines).sum(axis=0)
    # The bin before the fall belongs to neither: unequal leads put changes there.
    in_high = int(counts[: moves.before - 1].sum())
    in_low = int(counts[moves.before :].sum())
    if in_high >= _ENOUGH and in_high >= 8 * in_low:
        return True
    if in_low >= _ENOUGH and in_low >= 8 * in_high:
        return False
    return None


def find_division(
    capture: Capture, edges: Edges, early_lines: int, expected_hz: Fraction | None
) -> Division:
    """Whether the line is a faster clock, of which several periods make one cycle.

    A running 6502 changes its address or R/W in neighbouring cycles all the time. Where changes
    only ever follow every n-th fall, n periods are one cycle.

    Parameters
    ----------
    capture : Capture
    edges : Edges
    early_lines : int
        Capture bits of address, R/W and SYNC.
    expected_hz : Fraction or None
        The CPU's clock as the board file tells it; a division that contradicts it is not made.
    """
    falls = edges.falls
    whole = Division(1, 0)
    if len(falls) < 4 * _ENOUGH or bin(early_lines).count("1") < 4:
        return whole
    last = min(len(capture), int(edges.row[falls[0]]) + _ROWS_LOOKED_AT)
    change = capture.state[1:last] ^ capture.state[: last - 1]
    if capture.known is not None:
        change &= capture.known[1:last] & capture.known[: last - 1]
    rows = np.flatnonzero(change & np.uint64(early_lines)) + 1
    after = np.searchsorted(edges.row[falls], rows, side="right") - 1
    moving = after[after >= 0]
    moving = moving[np.flatnonzero(np.diff(moving, prepend=-1))]
    if len(moving) < 2 * _ENOUGH:
        return whole
    for by in range(_MOST_DIVISION, 1, -1):
        shares = np.bincount(moving % by, minlength=by) / len(moving)
        phase = int(np.argmax(shares))
        if shares[phase] < 0.98:
            continue
        if expected_hz is not None and not _fits(edges, by, expected_hz):
            continue
        return Division(by, phase)
    return whole


def divide(edges: Edges, division: Division) -> Edges:
    """Edges of the CPU's clock out of those of a faster one.

    The rise between two falls is put at the faster clock's fall nearest the middle: a place to
    stand for windows that need one, not an observed edge.
    """
    falls = edges.falls
    ends = np.flatnonzero(np.arange(len(falls)) % division.by == division.phase)
    ends = ends[ends >= division.by]
    middle = falls[ends - division.by // 2]
    fall = falls[ends]
    whole = np.ones(len(ends), dtype=bool)
    # No gap may lie inside the cycle.
    seams = np.cumsum(edges.first)
    whole &= seams[fall] == seams[falls[ends - division.by]]
    middle, fall = middle[whole], fall[whole]
    index = np.empty(2 * len(fall), dtype=np.int64)
    index[0::2], index[1::2] = middle, fall
    level = np.tile(np.array([1, 0], dtype=np.uint8), len(fall))
    first = np.zeros(len(index), dtype=np.uint8)
    if len(fall):
        first[0] = 1
        first[2::2] = seams[middle[1:]] != seams[fall[:-1]]
    return Edges(
        edges.time_ps[index],
        edges.row[index],
        level,
        first,
        np.arange(1, len(index), 2),
        edges.dropped,
    )


def _fits(edges: Edges, by: int, expected_hz: Fraction) -> bool:
    period = median(edges.periods())
    if period is None:
        return False
    cycle = Fraction(10**12) / expected_hz
    return Fraction(9, 10) < Fraction(by * period) / cycle < Fraction(11, 10)
