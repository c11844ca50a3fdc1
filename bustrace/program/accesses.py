"""What instructions read and wrote: the operand's own access, without fetches and idle cycles."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bustrace.cpu import variant_named
from bustrace.cpu.opcodes import REACHES_MEMORY
from bustrace.cycles import Cycles
from bustrace.program.model import Kind, Program

NONE, READ, WRITE, MODIFY = 0, 1, 2, 3
"""What an instruction does with its operand in memory."""

_WAYS = {"read": READ, "add": READ, "write": WRITE, "and": WRITE, "modify": MODIFY, "shift": MODIFY}


@dataclass(frozen=True, slots=True, eq=False)
class Accesses:
    """One row an instruction of the thread that was asked for.

    Attributes
    ----------
    cycle : int64, shape (n,)
        The last cycle of the instruction: there the operand is read or written.
    way : uint8
        `NONE`, `READ`, `WRITE` or `MODIFY`; `NONE` too where the address is not known.
    address : int64
        -1 without one.
    byte : int16
        What was read or written; -1 where not known.
    """

    cycle: npt.NDArray[np.int64]
    way: npt.NDArray[np.uint8]
    address: npt.NDArray[np.int64]
    byte: npt.NDArray[np.int16]


def reads_of(program: Program, cycles: Cycles) -> npt.NDArray[np.uint8]:
    """Data of every cycle as the CPU saw it: uint8, shape (n_cycles,)."""
    reads = cycles.data.copy()
    for fix in program.read_corrections:
        reads[fix.cycle] = fix.believed
    return reads


def accesses_of(
    program: Program, cycles: Cycles, variant: str, rows: npt.NDArray[np.int64]
) -> Accesses:
    """Operands of some instructions in memory.

    Parameters
    ----------
    program : Program
    cycles : Cycles
    variant : str
        CPU part.
    rows : int64, shape (n,)
        Row numbers of instructions.
    """
    ways = np.zeros(256, dtype=np.uint8)
    for op in variant_named(variant).opcodes():
        if op.mode in REACHES_MEMORY:
            ways[op.opcode] = _WAYS.get(op.access, NONE)
    mine = program.kind[rows] == Kind.INSTRUCTION
    way = np.where(mine, ways[np.maximum(program.opcode[rows], 0)], NONE).astype(np.uint8)
    way[program.opcode[rows] < 0] = NONE
    at = program.first_cycle[rows] + program.length[rows] - 1
    intent = program.intent
    meant = intent.address_known[at]
    seen = cycles.address_known[at] & ~meant
    address = (intent.address[at] & meant) | (cycles.address[at] & seen)
    pins = variant_named(variant).address_mask
    whole = (meant | seen) & pins == pins
    way[~whole] = NONE
    written = intent.data_known[at] == 0xFF
    byte = np.where(written, intent.data[at], reads_of(program, cycles)[at]).astype(np.int16)
    byte[~written & (cycles.data_known[at] != 0xFF)] = -1
    return Accesses(
        cycle=at,
        way=way,
        address=np.where(way != NONE, address.astype(np.int64) & 0xFFFF, np.int64(-1)),
        byte=byte,
    )
