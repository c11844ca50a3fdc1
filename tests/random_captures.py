"""Random bytes run as a program, and what a set of lines shows of it."""

from __future__ import annotations

import numpy as np

from bustrace.cpu import Executor, variant_named
from bustrace.program.search import Seen

LINE_SETS = {
    "A16+D8+RW": (0xFFFF, 0xFF, True),
    "A0-7+D8+RW": (0x00FF, 0xFF, True),
    "A0-3+D8+RW": (0x000F, 0xFF, True),
    "D8+RW": (0, 0xFF, True),
    "D8": (0, 0xFF, False),
    "A16+RW": (0xFFFF, 0, True),
}
NAMES = ("addr", "data", "rw", "sync", "registers")


def random_program(variant, seed, n):
    """Bus activity of random documented opcodes, jumps and branches included, from a fetch on.

    All memory is ROM, so what is pulled was not pushed: left out are those that pull.
    """
    rng = np.random.default_rng(seed)
    left_out = ("BRK", "RTI", "RTS", "WAI", "STP", "TXS", "PLA", "PLP", "PLX", "PLY")
    listed = [
        o.opcode
        for o in variant_named(variant).opcodes()
        if o.documented and o.mnemonic not in left_out
    ]
    memory = rng.choice(listed, 0x10000).astype(np.uint8)
    cpu = Executor(variant, s=0xF0, pc=0x8000)
    rows = []
    for _ in range(n):
        byte = int(memory[cpu.address]) if cpu.rw else cpu.data_out
        registers = (cpu.pc, cpu.a, cpu.x, cpu.y, cpu.s, cpu.p)
        rows.append((cpu.address, byte, cpu.rw, cpu.sync, registers))
        cpu.clock(byte)
    columns = zip(*rows, strict=True)
    return {name: np.array(column) for name, column in zip(NAMES, columns, strict=True)}


def seen_of(truth, lines, dead_data=0):
    """What a set of lines shows of true bus activity."""
    address, data, rw = LINE_SETS[lines]
    data &= ~dead_data
    n = len(truth["rw"])
    return Seen(
        address=(truth["addr"] & address).astype(np.uint32),
        address_known=np.full(n, address, np.uint32),
        data=(truth["data"] & data).astype(np.uint8),
        data_known=np.full(n, data, np.uint8),
        rw=np.asarray(truth["rw"] if rw else np.full(n, 2), np.uint8),
        held=np.zeros(n, np.bool_),
    )


def part_of(truth, chosen):
    return {name: column[chosen] for name, column in truth.items()}
