"""Results of all documented opcodes against py65, an independent instruction-level simulator."""

import numpy as np
import pytest
from py65.devices.mpu6502 import MPU

from bustrace.cpu import Executor, opcode_info

DOCUMENTED = [o for o in range(256) if opcode_info("6502", o).documented]
ROUNDS = 25
# py65 takes N, V and Z of a decimal ADC or SBC from another stage of the sum than the chip does;
# the makers call them invalid. The reference cases hold them; here they are left out.
DECIMAL_INVALID = 0xC2


def run_ours(memory, registers):
    pc, s, a, x, y, p = registers
    cpu = Executor(pc=pc, s=s, a=a, x=x, y=y, p=p)
    for cycle in range(8):
        if cycle and cpu.sync:
            break
        if cpu.rw:
            cpu.clock(int(memory[cpu.address]))
        else:
            memory[cpu.address] = cpu.data_out
            cpu.clock(0)
    assert cpu.sync
    return cpu.pc, cpu.s, cpu.a, cpu.x, cpu.y, cpu.p | 0x30


@pytest.mark.slow
@pytest.mark.parametrize("opcode", DOCUMENTED, ids=lambda o: f"{o:02X}")
def test_result_of_random_states(opcode):
    """Registers and memory after one instruction, in random states."""
    rng = np.random.default_rng(opcode)
    mnemonic = opcode_info("6502", opcode).mnemonic
    for _ in range(ROUNDS):
        memory = rng.integers(0, 256, 0x10000, dtype=np.uint8)
        pc = int(rng.integers(0x0300, 0xFF00))
        memory[pc] = opcode
        s, a, x, y, p = (int(value) for value in rng.integers(0, 256, 5))
        p = (p | 0x20) & 0xEF
        if mnemonic in ("ADC", "SBC") and p & 0x08:
            # Decimal results are compared for decimal operands only.
            a = (a % 100 // 10) << 4 | a % 10
            memory[:] = (memory % 100 // 10) << 4 | memory % 10
            memory[pc] = opcode
        theirs = MPU(memory=memory.tolist(), pc=pc)
        theirs.sp, theirs.a, theirs.x, theirs.y, theirs.p = s, a, x, y, p
        theirs.step()
        ours = run_ours(memory, (pc, s, a, x, y, p))
        expected = (theirs.pc, theirs.sp, theirs.a, theirs.x, theirs.y, theirs.p | 0x30)
        assert ours[:5] == expected[:5]
        ignored = DECIMAL_INVALID if mnemonic in ("ADC", "SBC") and p & 0x08 else 0
        assert ours[5] & ~ignored == expected[5] & ~ignored
        assert memory.tolist() == theirs.memory


@pytest.mark.parametrize("opcode", DOCUMENTED, ids=lambda o: f"{o:02X}")
def test_flags_that_change(opcode):
    """What the table says an opcode may change changes in some of many random states."""
    rng = np.random.default_rng(opcode)
    info = opcode_info("6502", opcode)
    changed = 0
    memory = np.zeros(0x10000, np.uint8).tolist()
    for _ in range(200):
        memory[:0x800] = rng.integers(0, 256, 0x800).tolist()
        memory[0x0400:0x0403] = [opcode, *rng.integers(0, 8, 2).tolist()]
        cpu = MPU(memory=memory, pc=0x0400)
        cpu.sp, cpu.a, cpu.x, cpu.y, before = (int(value) for value in rng.integers(0, 256, 5))
        cpu.p = before
        cpu.step()
        changed |= (cpu.p ^ before) & 0xCF
    entering = 0x04 if info.mnemonic == "BRK" else 0  # that is the interrupt's doing
    assert changed & ~entering == info.flags_changed
