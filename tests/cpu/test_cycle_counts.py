"""Cycles of each documented instruction, from SYNC to SYNC.

Source: facts of the trade, section 3: MCS6500 Hardware Manual 6500-10A, appendix A.1 to A.5.
"""

import numpy as np
import pytest

from bustrace.cpu import Executor, opcode_info

READS = {
    "imm": 2, "zp": 3, "zp,x": 4, "zp,y": 4, "abs": 4, "abs,x": 4, "abs,y": 4, "(zp,x)": 6,
    "(zp),y": 5,
}  # fmt: skip
STORES = {
    "zp": 3, "zp,x": 4, "zp,y": 4, "abs": 4, "abs,x": 5, "abs,y": 5, "(zp,x)": 6, "(zp),y": 6,
}  # fmt: skip
MODIFIES = {"acc": 2, "zp": 5, "zp,x": 6, "abs": 6, "abs,x": 7}
OTHERS = {
    "imp": 2, "push": 3, "pull": 4, "call": 6, "rts": 6, "rti": 6, "break": 7, "jump": 3,
    "(jump)": 5,
}  # fmt: skip
DOCUMENTED = [o for o in range(256) if opcode_info("6502", o).documented]


def length_of(opcode, *, carry=False, p=0x24, at=0x8000, offset=0x10):
    """Cycles until the next opcode fetch, memory full of values that steer the addressing."""
    memory = np.full(0x10000, 0xEA, dtype=np.uint8)
    memory[at : at + 3] = opcode, offset, 0x02
    memory[0x10:0x12] = 0x40, 0x02
    index = 0xF8 if carry else 0x02
    cpu = Executor(pc=at, p=p, x=index, y=index, s=0x80)
    cpu.clock(opcode)
    cycles = 1
    while not cpu.sync:
        cpu.clock(int(memory[cpu.address]))
        cycles += 1
        assert cycles < 9
    return cycles


@pytest.mark.parametrize("opcode", [o for o in DOCUMENTED if opcode_info("6502", o).mode != "rel"])
def test_length_is_the_makers(opcode):
    info = opcode_info("6502", opcode)
    table = {"read": READS, "write": STORES, "modify": MODIFIES, "-": OTHERS}[info.access]
    assert length_of(opcode) == table[info.mode]
    one_more = info.access == "read" and info.mode in ("abs,x", "abs,y", "(zp),y")
    assert length_of(opcode, carry=True) == table[info.mode] + one_more


@pytest.mark.parametrize("opcode", [o for o in DOCUMENTED if opcode_info("6502", o).mode == "rel"])
def test_branch_takes_2_3_or_4(opcode):
    flag = (0x80, 0x40, 0x01, 0x02)[opcode >> 6]
    taken = 0x20 | (flag if opcode & 0x20 else 0)
    assert length_of(opcode, p=taken ^ flag) == 2
    assert length_of(opcode, p=taken) == 3
    assert length_of(opcode, p=taken, offset=0xF0) == 4, "to the page before"
    assert length_of(opcode, p=taken, at=0x80F0) == 4, "to the page after"
    assert length_of(opcode, p=taken, at=0x80FE, offset=0x10) == 3, "page of PC+2 counts"


def test_all_151_documented_opcodes_are_counted():
    assert len(DOCUMENTED) == 151


def test_jump_indirect_does_not_carry_into_the_high_byte():
    """W65C02S sheet, table 7-1: the NMOS part reads the high byte from $xx00."""
    cpu = Executor(pc=0x8000)
    seen = []
    for value in (0x6C, 0xFF, 0x12, 0x34, 0x56):
        seen.append(cpu.address)
        cpu.clock(value)
    assert seen == [0x8000, 0x8001, 0x8002, 0x12FF, 0x1200]
    assert cpu.address == 0x5634


def test_indexed_read_first_reads_the_address_without_carry():
    """From memory, and the reference data: $12FF,X with X=1 reads $1200 first, then $1300."""
    cpu = Executor(pc=0x8000, x=1)
    seen = []
    for value in (0xBD, 0xFF, 0x12, 0x99, 0x77):
        seen.append(cpu.address)
        cpu.clock(value)
    assert seen[3:] == [0x1200, 0x1300]
    assert cpu.a == 0x77


def test_modify_reads_writes_the_old_then_the_new():
    """Hardware Manual A.4: R old, W old, W new."""
    cpu = Executor(pc=0x8000)
    rows = []
    for value in (0xE6, 0x20, 0x41, 0, 0):
        rows.append((cpu.address, cpu.rw, cpu.data_out))
        cpu.clock(value)
    assert rows[2:] == [(0x20, 1, 0), (0x20, 0, 0x41), (0x20, 0, 0x42)]
