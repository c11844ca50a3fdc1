"""From cycles to instructions."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from bustrace.cycles.model import Cycles
from bustrace.program.boundaries import in_reset, sync_boundaries, sync_usable
from bustrace.program.model import Intent, Kind, Program

if TYPE_CHECKING:
    from bustrace.board import Board


def recover_program(cycles: Cycles, board: Board | None = None) -> Program:
    """Find the instructions that the cycles were.

    Parameters
    ----------
    cycles : Cycles
    board : Board or None
        Names the CPU's kind.

    Returns
    -------
    Program
        Total: with no instruction to be found, method ``none`` and a reason.
    """
    n = len(cycles)
    if sync_usable(cycles):
        rows = sync_boundaries(cycles)
        kind, first = rows.kind, rows.first_cycle
        opcode, pc, confidence = rows.opcode, rows.pc, rows.confidence
    else:
        low = in_reset(cycles)
        edges = np.append(True, low[1:] != low[:-1]) if n else np.zeros(0, bool)
        first = np.flatnonzero(edges).astype(np.int64)
        kind = np.where(low[first], Kind.RESET, Kind.LOST).astype(np.uint8)
        opcode = np.full(len(first), -1, np.int16)
        pc = np.full(len(first), -1, np.int32)
        confidence = low[first].astype(np.float32)
    return Program(
        first_cycle=first,
        length=np.diff(first, append=n).astype(np.int32),
        kind=kind,
        opcode=opcode,
        pc=pc,
        confidence=confidence,
        registers=np.zeros((len(first), 5), np.uint8),
        registers_known=np.zeros((len(first), 5), np.uint8),
        intent=Intent(
            address=np.zeros(n, np.uint32),
            address_known=np.zeros(n, np.uint32),
            data=np.zeros(n, np.uint8),
            data_known=np.zeros(n, np.uint8),
            rw=np.full(n, 2, np.uint8),
            sync=np.full(n, 2, np.uint8),
        ),
        method="sync" if sync_usable(cycles) else "none",
        reason=None if sync_usable(cycles) else "SYNC was not captured or never rose",
    )
