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
from bustrace.program.loops import RTI
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
        ``IRQ`` or ``NMI``.
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
    """

    line: Literal["IRQ", "NMI"]
    count: int
    handlers: tuple[int, ...]
    every_ps: int | None
    latency: tuple[int, int] | None
    back_to_back: int


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
    """IRQ and NMI, as far as they were taken."""
    found = []
    lines: tuple[tuple[Literal["IRQ", "NMI"], Kind], ...] = (("IRQ", Kind.IRQ), ("NMI", Kind.NMI))
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
                _latency(cycles, line, first),
                int((program.opcode[before] == RTI).sum()),
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


def stack_depth(program: Program) -> Depth | None:
    """How deep the stack went, once the pointer is known whole."""
    known = (program.registers_known[:, _S] == 0xFF) & (program.kind != Kind.RESET)
    rows = np.flatnonzero(known)
    if not len(rows):
        return None
    # The program sets the pointer itself: what it held before is no depth.
    pointer = program.registers[rows, _S]
    sets = np.flatnonzero(program.opcode[rows] == _TXS)
    since = int(sets[0]) + 1 if len(sets) else 0
    if since >= len(rows):
        return None
    at = since + int(np.argmin(pointer[since:]))
    return Depth(int(pointer[at]), int(rows[at]), int(pointer[since:].max()))


_TXS = 0x9A


def code_elsewhere(program: Program, cycles: Cycles, board: Board) -> tuple[Elsewhere, ...]:
    """Instructions fetched from RAM, from I/O, or from addresses that nobody answers.

    Only where the board file, in the bank of the fetch, is sure of it.
    """
    rows = np.flatnonzero((program.kind == Kind.INSTRUCTION) & (program.pc >= 0))
    if not len(rows) or not board.map.chips:
        return ()
    at, pc = program.first_cycle[rows], program.pc[rows]
    direction = np.full(len(rows), READS, dtype=np.uint8)
    told = answering(cycles, program.intent, board, at, pc.astype(np.uint32), direction)
    roles = [board.chip(ref).role for ref in board.map.chips]
    found = []
    places: list[tuple[str, npt.NDArray[np.bool_]]] = [
        ("nobody", told.by_nobody & board.map.described[pc])
    ]
    for role in ("ram", "io", "other"):
        bits = np.uint32(sum(1 << bit for bit, each in enumerate(roles) if each == role))
        sure = (told.known == 0xFFFFFFFF) & (told.chips != 0) & (told.chips & ~bits == 0)
        places.append((role, sure))
    for place, mine in places:
        if mine.any():
            bits_there = int(np.bitwise_or.reduce(told.chips[mine]))
            chips = tuple(r for bit, r in enumerate(board.map.chips) if bits_there >> bit & 1)
            there = pc[mine]
            found.append(
                Elsewhere(
                    place,
                    chips,
                    int(there.min()),
                    int(there.max()),
                    int(mine.sum()),
                    int(at[mine][0]),
                )
            )
    return tuple(found)
