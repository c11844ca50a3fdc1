"""A CPU that breaks its sheet: it takes one opcode for another, or one of its flags is dead."""

from __future__ import annotations

import numpy as np

from bustrace.cpu.executor import Executor
from bustrace.cpu.variants import variant_named

FLAGS = (0x80, 0x02, 0x01)
"""N, Z and C may die, on which firmware branches all the time."""

COMMON = ("LDA", "STA", "LDX", "LDY", "INX", "DEX", "INY", "DEY", "BNE", "BEQ", "CMP", "JSR", "RTS")
"""Instructions that nearly all firmware soon uses."""


class CpuFault:
    """What a broken CPU does.

    Parameters
    ----------
    variant : str
        CPU part.
    kind : {"opcode", "flag"}
        One common opcode is obeyed as the documented one that differs from it by a bit, as by a
        broken wire in the decoder; or one flag stays at a level.
    rng : numpy.random.Generator
    """

    def __init__(self, variant: str, kind: str, rng: np.random.Generator) -> None:
        self.opcode = self.taken_for = self.flag = self.level = 0
        self._fetched = False
        if kind == "flag":
            self.flag = FLAGS[int(rng.integers(len(FLAGS)))]
            self.level = self.flag * int(rng.integers(2))
            return
        known = {op.opcode: op for op in variant_named(variant).opcodes() if op.documented}
        pairs = [
            (number, number ^ 1 << bit)
            for number, op in known.items()
            for bit in range(8)
            if op.mnemonic in COMMON and number ^ 1 << bit in known
        ]
        self.opcode, self.taken_for = pairs[int(rng.integers(len(pairs)))]

    def taken(self, executor: Executor, byte: int) -> int:
        """The byte that the CPU makes of the one it reads."""
        wrong = self.opcode != self.taken_for and executor.sync and byte == self.opcode
        return self.taken_for if wrong else byte

    def after(self, executor: Executor) -> Executor:
        """The CPU, its dead flag at its level; the flags settle in the cycle after the fetch."""
        before, self._fetched = self._fetched, bool(executor.sync)
        if not self.flag or not before or executor.p & self.flag == self.level:
            return executor
        state = executor.state
        state.amend("p", executor.p & ~self.flag | self.level)
        return Executor.from_state(state)
