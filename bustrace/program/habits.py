"""What a program does all along: interrupts, stack, code from places that hold none."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt

from bustrace.board import READ as READS
from bustrace.cycles import Cycles
from bustrace.cycles.stretches import stretches
from bustrace.program.answering import answering
from bustrace.program.handlers import LONGEST_OPEN, RTI, interrupt_spans
from bustrace.program.model import Kind, Program

if TYPE_CHECKING:
    from bustrace.board import Board

_S = 3
"""Column of the stack pointer in `Program.registers`."""


@dataclass(frozen=True, slots=True)
class Interrupts:
    """Interrupts of one kind.

    Attributes
    ----------
    line : str
        ``IRQ`` or ``NMI``; ``BRK`` for the instruction.
    count : int
    handlers : tuple of int
        Addresses at which the handlers begin.
    every_ps : int or None
        Median time from one to the next.
    latency : tuple of (int, int) or None
        Cycles from the one in which the line fell to the first of the CPU's answer: median and
        longest; None where the line was not seen to fall. Instructions are finished first, and
        IRQ waits while I is set.
    back_to_back : int
        Taken directly behind an RTI, without an instruction of the main program between.
    gone : int
        Whose handler went on and on without a return.
    first : int
        Cycle of the first.
    """

    line: Literal["IRQ", "NMI", "BRK"]
    count: int
    handlers: tuple[int, ...]
    every_ps: int | None
    latency: tuple[int, int] | None
    back_to_back: int
    gone: int
    first: int


@dataclass(frozen=True, slots=True)
class Depth:
    """The deepest the stack went: pointer, instruction behind it, and where the pointer began."""

    lowest: int
    row: int
    highest: int


@dataclass(frozen=True, slots=True)
class Elsewhere:
    """Instructions that did not come from a ROM.

    Attributes
    ----------
    place : str
        ``ram``, ``io``, ``other`` or ``nobody``.
    chips : tuple of str
    first, last : int
        Lowest and highest address.
    count : int
        Instructions executed there.
    cycle : int
        Of the first of them.
    """

    place: str
    chips: tuple[str, ...]
    first: int
    last: int
    count: int
    cycle: int


def interrupts_of(program: Program, cycles: Cycles) -> tuple[Interrupts, ...]:
    """IRQ, NMI and BRK, as far as they were taken."""
    found = []
    begin, end, returned = interrupt_spans(program)
    gone = begin[~returned & (end - begin > LONGEST_OPEN)]
    lines: tuple[tuple[Literal["IRQ", "NMI", "BRK"], Kind], ...] = (
        ("IRQ", Kind.IRQ), ("NMI", Kind.NMI), ("BRK", Kind.BRK),
    )  # fmt: skip
    for line, kind in lines:
        rows = np.flatnonzero(program.kind == kind)
        if not len(rows):
            continue
        first = program.first_cycle[rows]
        after = rows[rows + 1 < len(program)] + 1
        handlers = np.unique(program.pc[after][program.pc[after] >= 0]).tolist()
        gaps = np.diff(cycles.time_ps[first])
        before = rows[rows > 0] - 1
        found.append(
            Interrupts(
                line,
                len(rows),
                tuple(handlers),
                int(np.median(gaps)) if len(gaps) else None,
                _latency(cycles, line, first) if line != "BRK" else None,
                int((program.opcode[before] == RTI).sum()),
                len(np.intersect1d(rows, gone)),
                int(first[0]),
            )
        )
    return tuple(found)


def _latency(cycles: Cycles, line: str, taken: npt.NDArray[np.int64]) -> tuple[int, int] | None:
    """Cycles from the line's fall to the first cycle of the answer."""
    level = cycles.pin(line)
    falls = stretches(level == 0)[0]
    falls = falls[(falls > 0) & (level[np.maximum(falls - 1, 0)] == 1)]
    last = np.searchsorted(falls, taken, side="right") - 1
    seen = last >= 0
    # The same fall answered twice says nothing of the second answer.
    seen[1:] &= last[1:] != last[:-1]
    if not seen.any():
        return None
    waits = taken[seen] - falls[last[seen]]
    return int(np.median(waits)), int(waits.max())


def stack_depth(program: Program, before: int | None = None) -> Depth | None:
    """How deep the stack went, where the pointer is known whole.

    Parameters
    ----------
    before : int or None
        Only rows that begin before this cycle count.
    """
    number = np.arange(len(program))
    # What the pointer holds from a reset until the program sets it is no depth.
    resets = np.maximum.accumulate(np.where(program.kind == Kind.RESET, number, -1))
    sets = np.maximum.accumulate(np.where(program.opcode == _TXS, number, -1))
    counts = ((sets > resets) & (sets < number)) | (resets < 0)
    counts &= (program.registers_known[:, _S] == 0xFF) & (program.kind != Kind.RESET)
    if before is not None:
        counts &= program.first_cycle < before
    rows = np.flatnonzero(counts)
    if not len(rows):
        return None
    pointer = program.registers[rows, _S]
    at = int(np.argmin(pointer))
    return Depth(int(pointer[at]), int(rows[at]), int(pointer.max()))


_TXS = 0x9A


@dataclass(frozen=True, slots=True, eq=False)
class Fetched:
    """Where the opcodes of some instructions came from.

    Attributes
    ----------
    rows : int64, shape (k,)
        Rows of instructions whose address is known.
    chips : uint32
        Bit i is ``board.map.chips[i]``.
    place : str, shape (k,)
        ``rom``, ``ram``, ``io``, ``other``, ``nobody``; empty where the board file, in the bank of
        the fetch, is not sure of one.
    """

    rows: npt.NDArray[np.int64]
    chips: npt.NDArray[np.uint32]
    place: npt.NDArray[np.str_]


def fetched_from(program: Program, cycles: Cycles, board: Board) -> Fetched:
    """Where code came from, as far as the board file says who answers."""
    rows = np.flatnonzero((program.kind == Kind.INSTRUCTION) & (program.pc >= 0))
    if not len(rows) or not board.map.chips:
        none = rows[:0]
        return Fetched(none, none.astype(np.uint32), none.astype(np.str_))
    at, pc = program.first_cycle[rows], program.pc[rows]
    direction = np.full(len(rows), READS, dtype=np.uint8)
    told = answering(cycles, program.intent, board, at, pc.astype(np.uint32), direction)
    roles = [board.chip(ref).role for ref in board.map.chips]
    place = np.where(told.by_nobody & board.map.described[pc], "nobody", "").astype("<U6")
    for role in sorted(set(roles)):
        bits = np.uint32(sum(1 << bit for bit, each in enumerate(roles) if each == role))
        place[(told.known == 0xFFFFFFFF) & (told.chips != 0) & (told.chips & ~bits == 0)] = role
    return Fetched(rows, told.chips, place)


def code_elsewhere(program: Program, cycles: Cycles, board: Board) -> tuple[Elsewhere, ...]:
    """Instructions fetched from RAM, from I/O, or from addresses that nobody answers.

    Only where the board file, in the bank of the fetch, is sure of it.
    """
    told = fetched_from(program, cycles, board)
    found = []
    for place in ("nobody", "ram", "io", "other"):
        mine = told.place == place
        if mine.any():
            bits = int(np.bitwise_or.reduce(told.chips[mine]))
            chips = tuple(r for bit, r in enumerate(board.map.chips) if bits >> bit & 1)
            rows = told.rows[mine]
            pc = program.pc[rows]
            cycle = int(program.first_cycle[rows[0]])
            found.append(Elsewhere(place, chips, int(pc.min()), int(pc.max()), len(rows), cycle))
    return tuple(found)
