"""A CPU driven through its pins against a whole memory."""

from __future__ import annotations

from collections.abc import Container

import numpy as np

from bustrace.cpu import Executor

VECTORS = {0xFFFA: 0x00, 0xFFFB: 0x90, 0xFFFC: 0x00, 0xFFFD: 0x80, 0xFFFE: 0x00, 0xFFFF: 0xA0}
"""NMI to $9000, RES to $8000, IRQ and BRK to $A000."""


def memory_of(*program: int, at: int = 0x8000) -> np.ndarray:
    """NOPs, the vectors, and a program."""
    memory = np.full(0x10000, 0xEA, dtype=np.uint8)
    for address, value in VECTORS.items():
        memory[address] = value
    memory[at : at + len(program)] = program
    return memory


def run(
    cpu: Executor, memory: np.ndarray, cycles: int, **low: Container[int]
) -> list[tuple[int, int, int, int]]:
    """Drive the CPU; `low`: cycles in which a pin is low. Rows: address, rw, sync, byte."""
    rows = []
    for k in range(cycles):
        address, rw = cpu.address, cpu.rw
        value = int(memory[address]) if rw else cpu.data_out
        rows.append((address, rw, cpu.sync, value))
        if not rw:
            memory[address] = value
        cpu.clock(value, **{name: int(k not in cycles_low) for name, cycles_low in low.items()})
    return rows
