"""What a stretch of disagreements is: noise, a line, or a CPU that went elsewhere."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bustrace.program.disagreements import LINES
from bustrace.program.thread import Run, Thread, moving_lines

_RW_SYNC, _ADDRESS = 3 << 24, np.uint32(0xFFFF)

_RESET_VECTOR = 0xFFFC

LINE_WINDOW = 256
"""Cycles over which a line must be the only thing that disagrees."""

_LINE_LIMIT = 4
"""More lines at once than this is not a fault of lines."""

_MOVES = 4
"""Movements that two address lines make as one only where they touch."""

_TOGGLES = 32
"""Movements of the other lines that must have agreed before a line is blamed."""


@dataclass(frozen=True, slots=True)
class Strictness:
    """How much agreement is asked for; less is captured, more is asked.

    Attributes
    ----------
    window : int
        Cycles looked at from a disagreement on.
    noise : int
        Cycles that may disagree in such a window.
    need : int
        Cycles without disagreement that make an explanation.
    lived_with : int
        Cycles that may disagree in a window when nothing explains them.
    """

    window: int
    noise: int
    need: int
    lived_with: int


WIDE = Strictness(window=24, noise=2, need=16, lived_with=6)
"""With SYNC, or eight address lines."""

NARROW = Strictness(window=48, noise=1, need=48, lived_with=2)
"""With R/W and data only, where only writes tell."""


def strictness(thread: Thread) -> Strictness:
    """Choose by what was captured."""
    if not len(thread):
        return WIDE
    lines = int(np.bitwise_or.reduce(thread.captured))
    return WIDE if lines >> 25 & 1 or (lines & 0xFFFF).bit_count() >= 8 else NARROW


def first_trouble(off: npt.NDArray[np.uint32], asked: Strictness, after: int = 0) -> int | None:
    """Index of the first disagreement that is more than noise, or None.

    Parameters
    ----------
    off : uint32, shape (n,)
        Lines that disagree, those set aside removed.
    asked : Strictness
    after : int
        Index from which to look.
    """
    bad = np.flatnonzero(off[after:]) + after
    crowd = np.searchsorted(bad, bad + asked.window) - np.arange(len(bad))
    serious = np.flatnonzero(crowd > asked.noise)
    return int(bad[serious[0]]) if len(serious) else None


def _joined(seen: npt.NDArray[np.uint32], lines: int) -> bool:
    """Whether two lines have one level throughout: they touch, and neither is what was meant."""
    pair = seen & np.uint32(lines)
    return lines.bit_count() == 2 and bool(((pair == 0) | (pair == lines)).all())


def wrong_at_vector(thread: Thread, run: Run) -> int:
    """Address lines that are wrong where a run fetches the reset vector, for they never move, or
    move as one with another: a mask over `LINES`, 0 where it is something else.

    The CPU can put out nothing else there, wherever the bytes lead it that it reads instead.
    """
    fetch = (run.meant & _ADDRESS) >= _RESET_VECTOR
    fetch &= (run.meant & _ADDRESS <= _RESET_VECTOR + 1) & (run.certain & _ADDRESS == _ADDRESS)
    off = run.off[fetch]
    if len(off) != 2:
        return 0
    lines = int(np.bitwise_or.reduce(off))
    if not 0 < lines.bit_count() <= _LINE_LIMIT or lines & ~int(_ADDRESS):
        return 0
    moving = lines & int(thread.moving)
    if not moving:
        return lines
    pair = _moving_as_one(thread, moving)
    return lines | pair if pair else 0


def _moving_as_one(thread: Thread, line: int) -> int:
    """An address line with the one that has its level in all cycles, 0 if none has: a mask."""
    if line.bit_count() != 1:
        return 0
    watched = (thread.captured & _ADDRESS) == _ADDRESS
    seen = thread.seen[watched]
    mine = seen & np.uint32(line) != 0
    if np.count_nonzero(mine[1:] != mine[:-1]) < _MOVES:
        return 0
    for bit in range(16):
        other = 1 << bit
        if other != line and np.array_equal(mine, seen & np.uint32(other) != 0):
            return line | other
    return 0


def _often_off(off: npt.NDArray[np.uint32], lines: int, strays: int) -> int:
    """Those of some lines that disagree in more cycles than strays do, 0 if there are more."""
    bits = (1 << bit for bit in range(len(LINES)) if lines >> bit & 1)
    often = sum(bit for bit in bits if np.count_nonzero(off & np.uint32(bit)) > strays)
    return often if np.count_nonzero(off & np.uint32(lines & ~often)) <= strays else 0


def faulty_lines(
    thread: Thread, run: Run, at: int, aside: int, strays: int = 0
) -> tuple[int, bool]:
    """Lines that alone explain the disagreements from cycle `at` on.

    The CPU is where it should be if everything but a few lines agrees, and that everything moved
    enough to mean something.

    Parameters
    ----------
    thread : Thread
    run : Run
        Covers `at`; its disagreements are judged.
    at : int
        First disagreement, absolute cycle.
    aside : int
        Lines already set aside, as a mask.
    strays : int
        Cycles in which other lines may disagree beside lines that rest: an undriven read, say.

    Returns
    -------
    lines : int
        Mask over `LINES`, 0 where lines do not explain it.
    rests : bool
        Every such line shows one level only: no reading of the program can explain that.
    """
    window = slice(at - run.start, at - run.start + LINE_WINDOW)
    off = run.off[window]
    if len(off) < 32:
        return 0, False
    lines = int(np.bitwise_or.reduce(off)) & ~aside
    seen = slice(at, at + len(off))
    if strays and lines.bit_count() > _LINE_LIMIT:
        lines = _often_off(off, lines, strays) & ~int(
            moving_lines(thread.seen[seen], thread.captured[seen])
        )
    if not 0 < lines.bit_count() <= _LINE_LIMIT:
        return 0, False
    if lines & _RW_SYNC and lines & ~_RW_SYNC and not _joined(thread.seen[seen], lines):
        return 0, False
    compared = run.certain[window] & thread.captured[seen] & np.uint32(~(lines | aside) & 0x3FFFFFF)
    meant = run.meant[window]
    moved = (meant[1:] ^ meant[:-1]) & compared[1:] & compared[:-1]
    if int(np.bitwise_count(moved).sum()) < _TOGGLES:
        return 0, False
    held = thread.seen[seen] & np.uint32(lines)
    return lines, bool((held == held[0]).all())
