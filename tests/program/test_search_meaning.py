"""What the search takes instructions to mean is what the executor, tested elsewhere, does."""

from __future__ import annotations

import numpy as np
import pytest

from bustrace.cpu import _kernels as cpu
from bustrace.cpu import variants
from bustrace.cpu.mnemonics import OPERATIONS
from bustrace.program import _kernels

_OWN_PLACES = {
    *("AL", "ALM", "AH", "AHM", "POINTER", "POINTERM", "LATCH", "LATCHM", "CARRY", "CARRYM"),
    *("ENTRY", "OPERATION", "OPCODE", "RUNNING", "VECTOR", "WAITED"),
}
"""Names of both kernels that say where each keeps something of its own, and prices."""

_SHARED = sorted(
    name
    for name in set(dir(cpu)) & set(dir(_kernels)) - _OWN_PLACES
    if isinstance(getattr(cpu, name), int) and name.isupper()
)


def test_the_shared_numbers_are_many():
    """The vocabularies, the layout of the table, the registers and flags."""
    assert len(_SHARED) > 110


@pytest.mark.parametrize("name", _SHARED)
def test_numbers_are_those_of_the_cpu(name):
    """Spelled out in the kernel, and held equal here."""
    assert getattr(_kernels, name) == getattr(cpu, name)


@pytest.mark.parametrize("name", ["JAM", "STP", "WAI"])
def test_mnemonics_are_in_their_places(name):
    """Those that the executor needs no number for."""
    assert getattr(_kernels, name) == OPERATIONS.index(name)
    assert len(OPERATIONS) <= _kernels.UNNAMED


@pytest.mark.parametrize("variant", ["6502", "W65C02S"])
@pytest.mark.parametrize("full", [True, False], ids=["all known", "some known"])
def test_every_mnemonic_means_what_it_does_in_the_executor(variant, full):
    """Known bits agree; with everything known nothing stable but decimal flags is left open."""
    rng = np.random.default_rng(7)
    row = variants.packed_table()[variants.variant_index(variant)]
    walker = np.zeros(_kernels.STACKS_AT + 4, np.int64)
    walker[_kernels.TABLE_AT : _kernels.TABLE_AT + len(row)] = row
    for opcode in variants.variant_named(variant).opcodes():
        operation = OPERATIONS.index(opcode.operation)
        for _ in range(40):
            state = np.zeros(cpu.STATE_FIELDS, np.int64)
            for field in (cpu.A, cpu.X, cpu.Y, cpu.S, cpu.P):
                state[field] = rng.integers(0, 256)
                state[field + 1] = 0xFF if full else rng.integers(0, 256)
            state[cpu.PM] |= 0x30
            state[cpu.OPERATION], state[cpu.OPCODE] = operation, opcode.opcode
            value, mask = int(rng.integers(0, 256)), 0xFF if full else int(rng.integers(0, 256))
            walker[:12] = state[:12]
            walker[_kernels.OPERATION], walker[_kernels.OPCODE] = operation, opcode.opcode
            decimal = bool(state[cpu.P] & 8)
            there, there_known = cpu._mean(state, row.astype(np.int64), value, mask)
            here, here_known = _kernels._mean(walker, value, mask)
            name = f"{opcode.mnemonic} {opcode.opcode:02X}"
            assert (there ^ here) & here_known & there_known & 0xFF == 0, name
            assert here_known & ~there_known & 0xFF == 0, name
            off = (state[:12:2] ^ walker[:12:2]) & walker[1:12:2] & state[1:12:2]
            assert not off.any(), name
            assert not (walker[1:12:2] & ~state[1:12:2]).any(), name
            if full and opcode.stable and not decimal and opcode.operation != "ARR":
                assert (walker[3:12:2] == 0xFF).all(), name
