"""What the program touched: address and kind of every cycle that is known well enough."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from bustrace.cycles import IN_RESET, OWNER_CPU, UNSETTLED
from bustrace.program import Kind

if TYPE_CHECKING:
    from bustrace.reading import Reading

CODE, READS, WRITES = 0, 1, 2
"""Kinds of access: the bytes of an instruction, other reads, writes."""

_MOST_BYTES = 3


@dataclass(frozen=True, slots=True, eq=False)
class Touched:
    """Accesses of the CPU outside reset, in order.

    Attributes
    ----------
    cycle : int64, shape (k,)
    address : int64, shape (k,)
    kind : uint8, shape (k,)
        `CODE`, `READS` or `WRITES`.
    left_out : int
        Cycles whose address or direction is not known.
    """

    cycle: npt.NDArray[np.int64]
    address: npt.NDArray[np.int64]
    kind: npt.NDArray[np.uint8]
    left_out: int

    def counts(self, kind: int) -> npt.NDArray[np.int64]:
        """How often each address was touched that way: int64, shape (65536,)."""
        return np.bincount(self.address[self.kind == kind], minlength=0x10000)


def touched(reading: Reading) -> Touched:
    """Addresses as the clips saw them, and as the CPU meant them where not all were captured."""
    cycles, intent = reading.cycles, reading.program.intent
    n = len(cycles)
    followed = len(intent.address) == n
    live = (cycles.owner == OWNER_CPU) & (cycles.flags & (IN_RESET | UNSETTLED) == 0)
    address = cycles.address.astype(np.int64)
    known = cycles.address_known & 0xFFFF == 0xFFFF
    rw = cycles.pin("RW")
    if followed:
        meant = ~known & (intent.address_known & 0xFFFF == 0xFFFF)
        address = np.where(meant, intent.address, address)
        known |= meant
        rw = np.where(rw == 2, intent.rw, rw)
    # What was not followed is placed as the pins show it: lines without a pin are 0.
    known |= reading.board.shown_lines(cycles.address_known) & 0xFFFF == 0xFFFF
    usable = live & known & (rw != 2)
    kind = np.where(rw == 0, WRITES, READS).astype(np.uint8)
    kind[_code_cycles(reading)] = CODE
    at = np.flatnonzero(usable)
    return Touched(at, address[at] & 0xFFFF, kind[at], int((live & ~usable).sum()))


def _code_cycles(reading: Reading) -> npt.NDArray[np.int64]:
    """Cycles that fetch an instruction's own bytes: its address is pc, pc + 1, pc + 2 in turn."""
    program = reading.program
    rows = (program.kind == Kind.INSTRUCTION) & (program.pc >= 0)
    first, pc, length = program.first_cycle[rows], program.pc[rows], program.length[rows]
    found = []
    for step in range(_MOST_BYTES):
        inside = step < length
        cycle = first[inside] + step
        found.append(cycle[program.intent.address[cycle] == pc[inside] + step & 0xFFFF])
    return np.concatenate(found)
