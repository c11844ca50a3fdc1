"""One line alone that differs now and then, where the program does not mind."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from bustrace.compare.marks import Excused, wrong_selects
from bustrace.compare.memory import Expected
from bustrace.compare.sides import DATA_LINES, RW_LINE, SYNC_LINE, Side, line_names
from bustrace.program import Kind

_ROWS = 3
"""Cycles, and different addresses, at which it must differ: a bad cell is one address."""

_MOST = 0.5
"""Share of the cycles that ask it for the level which may be wrong: a stuck line is always."""

_GOES_ON = 64
"""Instructions after the first that show that the program goes on."""

Flags = npt.NDArray[np.bool_]


def marginal_line(side: Side, expected: Expected, excused: Excused) -> str | None:
    """The line whose level two thresholds take differently, or None.

    Everything that is not as it should be is that one line's, at several addresses, in some cycles
    and not in others that ask the same; and the program runs on to the end.
    """
    program = side.reading.program
    if program.lost_at is not None or program.jam_at is not None:
        return None
    off = side.off & np.uint32(~excused.lines & 0xFFFFFFFF)
    odd = off | expected.wrong.astype(np.uint32) << np.uint32(DATA_LINES)
    mask = int(np.bitwise_or.reduce(odd, initial=np.uint32(0)))
    selects = [
        (f"CS_{ref}", wrong)
        for ref, wrong in wrong_selects(side)
        if wrong.any() and ref not in excused.selects
    ]
    if mask.bit_count() + len(selects) != 1:
        return None
    if not mask:
        line, wrong = selects[0]
        asked = side.judged & (side.address >= 0)
    elif mask >> DATA_LINES & 0xFF:
        line, wrong = line_names(mask)[0], odd != 0
        asked = _same_level(side, expected, mask >> DATA_LINES & 0xFF, wrong)
    else:
        line, wrong = line_names(mask)[0], odd != 0
        asked = _same_intent(side, mask, wrong)
    return line if _comes_and_goes(side, wrong, asked | wrong) else None


def _same_level(side: Side, expected: Expected, bit: int, wrong: Flags) -> Flags:
    """Reads of the same chips that should give the data line the level that it failed to have."""
    level = expected.byte & np.uint8(bit) != 0
    chips = np.bitwise_or.reduce(side.responds[wrong], initial=np.uint32(0))
    asked = (expected.known & np.uint8(bit) != 0) & (side.responds & chips != 0) & side.judged
    return np.asarray(asked & np.isin(level, np.unique(level[wrong])))


def _same_intent(side: Side, mask: int, wrong: Flags) -> Flags:
    """Cycles in which the CPU meant a line to have the level that it failed to have."""
    intent = side.reading.program.intent
    meant = intent.address.astype(np.uint32) & 0xFFFF
    for bit, column in ((RW_LINE, intent.rw), (SYNC_LINE, intent.sync)):
        meant |= (column == 1).astype(np.uint32) << np.uint32(bit)
    level = meant & np.uint32(mask) != 0
    asked = side.compared & np.uint32(mask) != 0
    return np.asarray(asked & np.isin(level, np.unique(level[wrong])))


def _comes_and_goes(side: Side, wrong: Flags, asked: Flags) -> bool:
    rows = np.flatnonzero(wrong)
    places = np.unique(side.address[rows])
    if len(places) < _ROWS or len(rows) > _MOST * np.count_nonzero(asked):
        return False
    program = side.reading.program
    later = (program.first_cycle > rows[0]) & (program.kind == Kind.INSTRUCTION)
    if np.count_nonzero(later) < _GOES_ON:
        return False
    # At the same address it was right too, most often.
    again = np.isin(side.address, places) & asked
    return bool(np.count_nonzero(again & ~wrong) >= len(rows))
