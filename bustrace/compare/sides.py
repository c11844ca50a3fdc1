"""One boot's columns for comparing: what the CPU did, what answered, and what may be judged."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bustrace.board import Board
from bustrace.board.model import N_ADDRESSES
from bustrace.cycles import IN_RESET, OWNER_CPU, UNSETTLED
from bustrace.program import LINES, Kind, bank_state, disagreements, reads_of
from bustrace.reading import Reading

_SETTLED_RESET = 64
"""Cycles without another reset after which the program counts as started: edges of RES bounce."""

_TO_VECTOR = 7
"""Cycles from RES high to the read of the vector's low byte (the CPU's executor, against chip
traces)."""

_STATES = 64
"""States that are gone through where some state bits are not known."""

DATA_LINES, RW_LINE, SYNC_LINE = 16, 24, 25
"""Where these begin in masks over `bustrace.program.LINES`."""


@dataclass(frozen=True, slots=True, eq=False)
class Side:
    """One boot. All columns have one row a cycle, shape (n,).

    Attributes
    ----------
    reading : Reading
    start : int
        First cycle of the program's path: the read of the reset vector, or the first cycle that
        was followed. n where there is none.
    from_reset : bool
        The path starts at a reset that is in view.
    address : int32
        What the CPU meant to address, else what the clips saw; -1 where neither is known.
    read : uint8
        1 read, 0 write, 2 not known; as the CPU meant it, else as the clip saw it.
    written, written_known : uint8
        Byte the CPU meant to write, else the one at the clips, and its known bits.
    data, data_known : uint8
        Byte at the clips, or the one the CPU must have seen where that was another; bits whose clip
        is off, and cycles that had not settled, are not known.
    judged : bool
        Cycles of the CPU outside reset, from `start` on.
    off : uint32
        Lines, as bits over `LINES`, at which the clip saw something else than the CPU meant.
    compared : uint32
        Lines that could be compared so.
    responds : uint32
        Chips of the board's map that answer the cycle; 0 also where that is not known.
    asserts, asserts_known : uint32
        Chips whose select line should be active, and where that is sure.
    inner : int32, shape (chips, n)
        Address within each chip.
    believed : bool
        The CPU acted on another byte than the clips saw.
    """

    reading: Reading
    start: int
    from_reset: bool
    address: npt.NDArray[np.int32]
    read: npt.NDArray[np.uint8]
    written: npt.NDArray[np.uint8]
    written_known: npt.NDArray[np.uint8]
    data: npt.NDArray[np.uint8]
    data_known: npt.NDArray[np.uint8]
    judged: npt.NDArray[np.bool_]
    off: npt.NDArray[np.uint32]
    compared: npt.NDArray[np.uint32]
    responds: npt.NDArray[np.uint32]
    asserts: npt.NDArray[np.uint32]
    asserts_known: npt.NDArray[np.uint32]
    inner: npt.NDArray[np.int32]
    believed: npt.NDArray[np.bool_]

    def __post_init__(self) -> None:
        for name in self.__dataclass_fields__:
            column = getattr(self, name)
            if isinstance(column, np.ndarray):
                column.setflags(write=False)

    def __len__(self) -> int:
        return len(self.address)

    @property
    def chips(self) -> tuple[str, ...]:
        """References behind the bits of `responds`."""
        return self.reading.board.map.chips


def side_of(reading: Reading) -> Side:
    """Prepare one boot; linear in its cycles."""
    cycles, program, board = reading.cycles, reading.program, reading.board
    intent = program.intent
    n = len(cycles)
    settled = cycles.flags & UNSETTLED == 0
    settled[:1] = False  # the first cycle may have begun before the recording did
    meant = intent.address_known
    seen_known = np.where(settled, cycles.address_known, np.uint32(0))
    address = ((intent.address & meant) | (cycles.address & seen_known & ~meant)).astype(np.int32)
    whole = (meant | seen_known | np.uint32(0xFFFF ^ board.address_mask)) & 0xFFFF == 0xFFFF
    address &= board.address_mask
    rw = cycles.pin("RW")
    read = np.where(intent.rw < 2, intent.rw, np.where(settled, rw, 2)).astype(np.uint8)
    in_write = read == 0
    seen_byte = np.where(settled, cycles.data_known, np.uint8(0)) & ~intent.data_known
    slipped = sum(1 << int(line[1:]) for line in program.clips_off)
    believed = np.zeros(n, np.bool_)
    believed[[fix.cycle for fix in program.read_corrections]] = True
    start, from_reset = _start(reading)
    in_reset = cycles.flags & IN_RESET != 0
    judged = (cycles.owner == OWNER_CPU) & ~in_reset & (np.arange(n) >= start)
    differences = disagreements(cycles, intent)
    may = judged & settled
    lines = np.uint32(~(slipped << DATA_LINES) & 0x3FFFFFF)
    usable = whole & (read < 2) & (cycles.owner == OWNER_CPU) & (intent.inside == 0)
    responds, asserts, asserts_known, inner = _answering(reading, address, read, usable)
    return Side(
        reading=reading,
        start=start,
        from_reset=from_reset,
        address=np.where(usable, address, np.int32(-1)).astype(np.int32),
        read=read,
        written=(intent.data & intent.data_known) | (cycles.data & seen_byte),
        written_known=np.where(in_write, intent.data_known | seen_byte, np.uint8(0)),
        data=reads_of(program, cycles),
        data_known=np.where(settled, cycles.data_known & np.uint8(~slipped & 0xFF), np.uint8(0)),
        judged=judged,
        off=np.where(may, differences.off & lines, np.uint32(0)),
        compared=np.where(may, differences.compared & lines, np.uint32(0)),
        responds=responds,
        asserts=asserts,
        asserts_known=np.where(settled, asserts_known, np.uint32(0)),
        inner=inner,
        believed=believed,
    )


def _start(reading: Reading) -> tuple[int, bool]:
    """First cycle of the path, and whether a reset in view comes before it."""
    program, n = reading.program, len(reading.cycles)
    first, end = program.first_cycle, program.first_cycle + program.length
    resets = np.flatnonzero(program.kind == Kind.RESET)
    for place, row in enumerate(resets.tolist()):
        following = first[resets[place + 1]] if place + 1 < len(resets) else n
        runs_on = following - end[row] >= _SETTLED_RESET or place + 1 == len(resets)
        if runs_on and row + 1 < len(program) and program.kind[row + 1] == Kind.INSTRUCTION:
            return max(int(end[row]) - 2, 0), True
    low = np.flatnonzero(reading.cycles.flags & IN_RESET != 0)
    if len(low):
        return min(int(low[-1]) + 1 + _TO_VECTOR, n), True
    followed = np.flatnonzero(reading.program.intent.rw < 2)
    return (int(followed[0]) if len(followed) else 0), False


def _answering(
    reading: Reading,
    address: npt.NDArray[np.int32],
    read: npt.NDArray[np.uint8],
    usable: npt.NDArray[np.bool_],
) -> tuple[
    npt.NDArray[np.uint32],
    npt.NDArray[np.uint32],
    npt.NDArray[np.uint32],
    npt.NDArray[np.int32],
]:
    """Chips that answer each cycle, those whose select is active, and the place in each chip."""
    board, n = reading.board, len(address)
    responds, asserts, asserts_known = (np.zeros(n, np.uint32) for _ in range(3))
    inner = np.zeros((len(board.map.chips), n), np.int32)
    state, known = bank_state(reading.cycles, reading.program.intent, board)
    pair = state.astype(np.int64) << 16 | known
    for value in np.unique(pair[usable]).tolist():
        rows = np.flatnonzero(usable & (pair == value))
        states = _possible(board, value >> 16, value & 0xFFFF)
        at, rw = address[rows] % N_ADDRESSES, read[rows]
        table = board.maps[states[0]]
        answer, place = table.responds[rw, at], table.inner[:, at]
        active, active_known = table.asserts[rw, at], table.asserts_known[rw, at]
        sure = np.full(len(rows), len(states) <= _STATES)
        for other in states[1:_STATES]:
            table = board.maps[other]
            sure &= (table.responds[rw, at] == answer) & (table.inner[:, at] == place).all(axis=0)
            active_known &= table.asserts_known[rw, at] & ~(table.asserts[rw, at] ^ active)
        responds[rows] = np.where(sure, answer, np.uint32(0))
        asserts[rows] = active
        asserts_known[rows] = active_known if len(states) <= _STATES else np.uint32(0)
        inner[:, rows] = place
    return responds, asserts, asserts_known, inner


def _possible(board: Board, state: int, known: int) -> list[int]:
    """States that agree with the bits that are known."""
    return [s for s in range(len(board.maps)) if s & known == state & known]


def line_names(mask: int) -> tuple[str, ...]:
    """Names of the lines in a mask over `LINES`."""
    return tuple(line for bit, line in enumerate(LINES) if mask >> bit & 1)
