"""What a row of a program is in words."""

from __future__ import annotations

import numpy as np

from bustrace.cpu import instruction_text
from bustrace.program import Kind
from bustrace.reading import Reading

_ROW_WORDS = {
    Kind.RESET: "the reset sequence",
    Kind.IRQ: "the entry of an interrupt (IRQ)",
    Kind.NMI: "the entry of an interrupt (NMI)",
    Kind.FOREIGN: "a cycle of another bus owner",
    Kind.STALLED: "a stop of the CPU",
    Kind.LOST: "a stretch that could not be followed",
}


def row_words(reading: Reading, row: int) -> str:
    """The instruction of a row, or what the row is in words."""
    program = reading.program
    kind, opcode = Kind(int(program.kind[row])), int(program.opcode[row])
    if kind in _ROW_WORDS or opcode < 0:
        return _ROW_WORDS.get(kind, "an instruction that is not known")
    first = int(program.first_cycle[row])
    span = slice(first, first + int(program.length[row]))
    pc = int(program.pc[row])
    code = _operand(reading, span, pc)
    return instruction_text(reading.board.cpu.variant, opcode, code if pc >= 0 else (), max(pc, 0))


def _operand(reading: Reading, span: slice, pc: int) -> tuple[int | None, ...]:
    """The bytes after the opcode, as far as they were read in a span of cycles."""
    intent, cycles = reading.program.intent, reading.cycles
    found: list[int | None] = []
    for ahead in (1, 2):
        at = span.start + np.flatnonzero(
            (intent.address[span] == (pc + ahead & 0xFFFF)) & (intent.rw[span] == 1)
        )
        read = bool(len(at)) and cycles.data_known[at[-1]] == 0xFF
        found.append(int(cycles.data[at[0]]) if read else None)
    return tuple(found)
