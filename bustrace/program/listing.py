"""Instructions and their cycles side by side, as data for printing."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from bustrace.board import Board, unknown_board
from bustrace.cpu import Opcode, instruction_text, opcode_info, variant_named
from bustrace.cpu.opcodes import REACHES_MEMORY
from bustrace.cycles.model import Cycles
from bustrace.program.accesses import reads_of
from bustrace.program.boundaries import halted
from bustrace.program.disagreements import LINES, disagreements
from bustrace.program.model import REGISTERS, Kind, Program

_TEXT = {
    Kind.RESET: "reset",
    Kind.IRQ: "interrupt (IRQ)",
    Kind.NMI: "interrupt (NMI)",
    Kind.FOREIGN: "the bus belongs to another",
    Kind.STALLED: "stopped",
    Kind.LOST: "not followed",
}


@dataclass(frozen=True, slots=True)
class ListingCycle:
    """One bus cycle.

    Attributes
    ----------
    cycle : int
    time_ps : int
    address, address_known : int
        Captured, and the bits that are known; lines that the CPU has no pin for count as 0.
    data, data_known : int
        The same for the data bus.
    rw : int or None
        1 read, 0 write, None where neither captured nor followed.
    selects : tuple of str
        Chips selected.
    intended : int or None
        Address the CPU meant, where all of it is known.
    differs : tuple of str
        Lines captured otherwise than the CPU meant them.
    """

    cycle: int
    time_ps: int
    address: int
    address_known: int
    data: int
    data_known: int
    rw: int | None
    selects: tuple[str, ...]
    intended: int | None
    differs: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ListingRow:
    """One row of a program with its cycles.

    Attributes
    ----------
    row : int
    cycle, length : int
        First cycle, and how many.
    time_ps : int
        Of the first cycle.
    kind : Kind
    pc : int or None
    code : tuple of int or None
        Bytes of the instruction, None for one that was not seen; empty without an opcode.
    text : str
        ``LDA $1234,X``, or what the row is in words.
    registers : tuple of (name, value, known)
        A X Y S P before the row, and which bits are known.
    confidence : float
    reaches_memory : bool
        Its operand is in memory; the last cycle reads or writes it.
    cycles : tuple of ListingCycle
    """

    row: int
    cycle: int
    length: int
    time_ps: int
    kind: Kind
    pc: int | None
    code: tuple[int | None, ...]
    text: str
    registers: tuple[tuple[str, int, int], ...]
    confidence: float
    reaches_memory: bool
    cycles: tuple[ListingCycle, ...]


def listing_rows(
    program: Program,
    cycles: Cycles,
    board: Board | None = None,
    *,
    first_row: int = 0,
    end_row: int | None = None,
    symbols: Mapping[int, str] | None = None,
) -> Iterator[ListingRow]:
    """Rows of a program with their cycles, in order.

    Parameters
    ----------
    program : Program
    cycles : Cycles
        The cycles it was recovered from.
    board : Board or None
        Names the CPU; a 6502 otherwise.
    first_row, end_row : int
        Rows ``[first_row, end_row)``; all by default.
    symbols : mapping of int to str, optional
        Names of addresses, for the texts.

    Yields
    ------
    ListingRow
    """
    board = unknown_board() if board is None else board
    variant = board.cpu.variant
    off = disagreements(cycles, program.intent).off
    reads = reads_of(program, cycles)
    waits = halted(cycles, variant_named(variant))
    end = len(program) if end_row is None else min(end_row, len(program))
    for row in range(max(first_row, 0), end):
        begin = int(program.first_cycle[row])
        length = int(program.length[row])
        kind = Kind(int(program.kind[row]))
        pc = int(program.pc[row]) if program.pc[row] >= 0 else None
        opcode = int(program.opcode[row])
        code: tuple[int | None, ...] = ()
        memory = False
        text = _TEXT.get(kind, "an instruction that is not known")
        if opcode >= 0 and kind in (Kind.INSTRUCTION, Kind.BRK):
            info = opcode_info(variant, opcode)
            places = _operand_cycles(program, waits, info, row)
            code = (
                opcode,
                *(
                    int(reads[at]) if at is not None and cycles.data_known[at] == 0xFF else None
                    for at in places
                ),
            )
            # A branch target needs the address of the branch.
            shown = code[1:] if pc is not None or info.mode != "rel" else ()
            text = instruction_text(variant, opcode, shown, pc or 0, symbols)
            memory = info.mode in REACHES_MEMORY
        yield ListingRow(
            row=row,
            cycle=begin,
            length=length,
            time_ps=int(cycles.time_ps[begin]),
            kind=kind,
            pc=pc,
            code=code,
            text=text,
            registers=tuple(
                (name, int(value), int(known))
                for name, value, known in zip(
                    REGISTERS, program.registers[row], program.registers_known[row], strict=True
                )
            ),
            confidence=float(program.confidence[row]),
            reaches_memory=memory,
            cycles=tuple(
                _cycle(program, cycles, off, cycle, board) for cycle in range(begin, begin + length)
            ),
        )


def _operand_cycles(
    program: Program,
    waits: np.ndarray[tuple[int], np.dtype[np.bool_]],
    info: Opcode,
    row: int,
) -> tuple[int | None, ...]:
    """Cycles that fetched the bytes after the opcode."""
    begin, length = int(program.first_cycle[row]), int(program.length[row])
    pc = int(program.pc[row])
    intended = program.intent.address[begin : begin + length]
    known = program.intent.address_known[begin : begin + length]
    own = begin + np.flatnonzero(~waits[begin : begin + length])
    # JSR reads its high byte last; every other operand is fetched right after the opcode.
    usual = (1, 5) if info.mnemonic == "JSR" else (1, 2)
    found: list[int | None] = []
    for place in range(1, info.length):
        if pc >= 0 and known[0] & 0xFFFF == 0xFFFF:
            reads = np.flatnonzero((intended == (pc + place & 0xFFFF)) & (known & 0xFFFF == 0xFFFF))
            stop = np.flatnonzero(np.diff(reads) != 1)
            last = int(reads[stop[0]] if len(stop) else reads[-1]) if len(reads) else None
            found.append(begin + last if last is not None else None)
        else:
            at = usual[place - 1]
            found.append(int(own[at]) if at < len(own) else None)
    return tuple(found)


def _cycle(
    program: Program,
    cycles: Cycles,
    off: np.ndarray[tuple[int], np.dtype[np.uint32]],
    cycle: int,
    board: Board,
) -> ListingCycle:
    intent = program.intent
    rw_known = int(cycles.control_known[cycle]) & 1
    rw = int(cycles.control[cycle]) & 1 if rw_known else int(intent.rw[cycle])
    selected = int(cycles.selects[cycle]) & int(cycles.selects_known[cycle])
    different = int(off[cycle])
    return ListingCycle(
        cycle=cycle,
        time_ps=int(cycles.time_ps[cycle]),
        address=int(cycles.address[cycle]),
        address_known=board.shown_lines(int(cycles.address_known[cycle])),
        data=int(cycles.data[cycle]),
        data_known=int(cycles.data_known[cycle]),
        rw=rw if rw != 2 else None,
        selects=tuple(name for bit, name in enumerate(cycles.select_names) if selected >> bit & 1),
        intended=(
            int(intent.address[cycle])
            if board.shown_lines(int(intent.address_known[cycle])) == 0xFFFF
            else None
        ),
        differs=tuple(line for bit, line in enumerate(LINES) if different >> bit & 1),
    )
