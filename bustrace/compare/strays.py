"""Levels that one sample alone shows: noise on a probe, and nothing that the board did.

Where a byte or a line is not what the past allows, its level must have stood longer than a sample
to count; and where the program goes on as though nothing were, be seen more than once or twice.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from bustrace.compare.memory import Expected
from bustrace.compare.sides import DATA_LINES, Side
from bustrace.cycles import UNSETTLED, sample_ps
from bustrace.hookup import Tap
from bustrace.program import LINES, Kind
from bustrace.units import count_words

_FEW = 3
_RARE = 0.002
"""Cycles, and share of them, up to which single samples may be noise; beyond, they are how this
capture shows the bus."""

_ALONE = 2
"""Instructions in which outputs may be off, or reads taken otherwise, without the boot minding."""

_GOES_ON = 8
"""Instructions that must follow for the boot not to have minded."""

Flags = npt.NDArray[np.bool_]
Rows = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Cleared:
    """A boot and what its memory should have given, strays left out of both.

    Attributes
    ----------
    side : Side
    expected : Expected
    strays : int
        Cycles that had some.
    """

    side: Side
    expected: Expected
    strays: int

    def words(self, name: str) -> tuple[str, ...]:
        """What is said of them; nothing without any."""
        if not self.strays:
            return ()
        cycles = count_words(self.strays, "cycle")
        return (
            f"{cycles} of {name}: a single sample differs, or the program goes on as though it did "
            "not: taken for noise on a probe",
        )


def cleared(side: Side, expected: Expected) -> Cleared:
    """Leave out what only noise shows; linear in the cycles that differ."""
    off, wrong = side.off.copy(), expected.wrong.copy()
    strays = np.zeros(len(side), np.bool_)
    _clear_pulses(side, wrong, 0xFF, DATA_LINES, strays)
    _clear_pulses(side, off, 0x3FFFFFF, 0, strays)
    _clear_what_nothing_follows(side, expected, wrong, off, strays)
    return Cleared(
        replace(side, off=off), replace(expected, wrong=wrong), int(np.count_nonzero(strays))
    )


def _clear_pulses(
    side: Side,
    column: npt.NDArray[np.uint8] | npt.NDArray[np.uint32],
    mask: int,
    first_line: int,
    strays: Flags,
) -> None:
    """Take single samples out of a column whose bits are lines from `first_line` on."""
    rows = np.flatnonzero(column)
    if not len(rows):
        return
    alone = np.zeros(len(rows), np.int64)
    for bit in range(mask.bit_length()):
        tap = side.reading.hookup.tap(LINES[first_line + bit])
        here = column[rows] >> bit & 1 == 1
        if tap is not None and here.any():
            alone[here] |= stands_alone(side, tap, rows[here]).astype(np.int64) << bit
    hit = alone != 0
    if np.count_nonzero(hit) <= max(_FEW, _RARE * len(side)):
        column[rows] &= (~alone & mask).astype(column.dtype)
        strays[rows[hit]] = True


def stands_alone(side: Side, tap: Tap, rows: Rows) -> Flags:
    """Whether a line's level at the end of each of some cycles is that of a single sample."""
    capture, cycles = side.reading.capture, side.reading.cycles
    if capture.mode != "timing" or cycles.sampling is None or capture.rate is None:
        return np.zeros(len(rows), np.bool_)
    when = cycles.time_ps[rows] + cycles.sampling.offset_ps
    return _is_pulse(side, tap, when)


def came_alone(side: Side, tap: Tap, rows: Rows) -> Flags:
    """Whether the last time that a select came in each of some cycles it was for a sample only."""
    capture, cycles = side.reading.capture, side.reading.cycles
    if capture.mode != "timing" or capture.rate is None or not len(rows):
        return np.zeros(len(rows), np.bool_)
    times, levels = _turns(side, tap)
    comes = times[levels != int(tap.inverted)]
    if not len(comes):
        return np.zeros(len(rows), np.bool_)
    last = np.searchsorted(comes, cycles.time_ps[rows], side="left") - 1
    return (last >= 0) & _is_pulse(side, tap, comes[np.maximum(last, 0)])


def _is_pulse(side: Side, tap: Tap, when: Rows) -> Flags:
    """Whether the level that a line has at each time lasts one sample."""
    times, _ = _turns(side, tap)
    sample = sample_ps(side.reading.capture)
    # Times of samples are rounded to whole ps.
    after = np.searchsorted(times, when + sample // 4, side="right")
    inside = (after > 0) & (after < len(times))
    bounded = np.clip(after, 1, max(len(times) - 1, 1))
    if len(times) < 2:
        return np.zeros(len(when), np.bool_)
    return np.asarray(inside & (times[bounded] - times[bounded - 1] < sample * 3 // 2))


def _turns(side: Side, tap: Tap) -> tuple[Rows, npt.NDArray[np.uint64]]:
    """Times at which a line changes, and the level that it takes."""
    capture = side.reading.capture
    level = capture.state >> np.uint64(tap.index) & np.uint64(1)
    turn = np.flatnonzero(level[1:] != level[:-1]) + 1
    return capture.time_ps[turn], level[turn]


def _clear_what_nothing_follows(
    side: Side,
    expected: Expected,
    wrong: npt.NDArray[np.uint8],
    off: npt.NDArray[np.uint32],
    strays: Flags,
) -> None:
    """Take out a byte that the CPU itself contradicts, and outputs that are off, in an instruction
    or two: where the clock's own edge is disturbed, all lines are sampled beside their time.
    """
    program = side.reading.program
    instruction = np.repeat(np.arange(len(program)), program.length)[: len(side)]
    contradicted = np.zeros(len(program), np.bool_)
    contradicted[instruction[off != 0]] = True
    # Either the CPU seems to have read what the clips do not show, or it did not act on it.
    agrees = (side.reading.cycles.data ^ expected.byte) & expected.known == 0
    doubted = (wrong != 0) & (side.believed & agrees | contradicted[instruction])
    rows = (off != 0) | doubted
    where = np.unique(instruction[rows])
    # A byte that was read beside its time explains outputs that are off; nothing else does.
    unsettled = side.reading.cycles.flags & UNSETTLED != 0
    explained = np.isin(where, instruction[doubted | unsettled]).all()
    if 0 < len(where) <= _ALONE and explained and _goes_on_after(side, np.flatnonzero(rows)):
        wrong[doubted], off[rows] = 0, 0
        strays |= rows


def _goes_on_after(side: Side, rows: Rows) -> bool:
    program = side.reading.program
    if program.lost_at is not None or program.jam_at is not None:
        return False
    later = (program.first_cycle > rows[-1]) & (program.kind == Kind.INSTRUCTION)
    return bool(np.count_nonzero(later) >= _GOES_ON)
