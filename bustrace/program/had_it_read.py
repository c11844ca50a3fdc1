"""What the CPU would have done, had it read another byte: whether what it read mattered."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from bustrace.cpu import CpuState, variant_named
from bustrace.cycles.model import Cycles
from bustrace.program.model import REGISTERS, Kind, Program
from bustrace.program.thread import Patch, Run, Thread

AHEAD = 2_000
"""Cycles over which a byte may show what it did."""


def acted_upon(
    cycles: Cycles, program: Program, variant: str, others: Iterable[tuple[int, int]]
) -> dict[int, int]:
    """Cycles whose byte the CPU visibly took: with the other byte it would have gone on otherwise.

    From the start of the instruction the CPU is executed twice, with the byte as captured and with
    the other one. The first must agree with the capture up to where the second does not.

    Parameters
    ----------
    cycles : Cycles
    program : Program
    variant : str
        CPU part.
    others : iterable of (cycle, byte)
        Reads, and the byte to try in place of the captured one.

    Returns
    -------
    dict of int to int
        Cycle of the read, and the cycle in which the other byte would have shown.
    """
    thread: Thread | None = None
    shown: dict[int, int] = {}
    for cycle, byte in others:
        state = _state_before(program, variant, cycle)
        if state is None:
            continue
        if thread is None:
            thread = Thread(cycles, variant_named(variant).address_mask)
        row = int(np.searchsorted(program.first_cycle, cycle, side="right")) - 1
        start = int(program.first_cycle[row])
        end = min(cycle + AHEAD, len(cycles))
        as_read = _first_off(thread, thread.run(start, state.copy(), end), end)
        other = thread.run(start, state.copy(), end, (Patch("reads", (cycle,), (byte,)),))
        otherwise = _first_off(thread, other, end)
        if cycle < otherwise < as_read:
            shown[cycle] = otherwise
    return shown


def _first_off(thread: Thread, run: Run, end: int) -> int:
    """First cycle of a run that differs from the capture; where it ended, `end` at most."""
    off = np.flatnonzero(run.off & thread.moving)
    return run.start + int(off[0]) if len(off) else end


def _state_before(program: Program, variant: str, cycle: int) -> CpuState | None:
    """State of the CPU at the start of the instruction that a cycle belongs to."""
    row = int(np.searchsorted(program.first_cycle, cycle, side="right")) - 1
    if row < 0 or program.kind[row] != Kind.INSTRUCTION or program.searched[row]:
        return None
    if program.pc[row] < 0:
        return None
    state = CpuState.at_fetch(variant, known=("pc",), pc=int(program.pc[row]))
    for column, name in enumerate(REGISTERS):
        value, known = program.registers[row, column], program.registers_known[row, column]
        state.amend(name.lower(), int(value), int(known))
    return state
