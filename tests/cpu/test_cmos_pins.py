"""CMOS parts driven through their pins.

Sources: WDC W65C02S data sheet, 8 October 2018 ("W"), Rockwell R65C02, Rev 6 ("RC"), and for WAI
and STP the W65C816S sheet, table 5-7. No recording and no reference data stands behind the tests
that say "from the sheet only".
"""

import numpy as np
import pytest
from cpu_driving import memory_of, run

from bustrace.cpu import CpuState, Executor, SequenceKind, StopReason, opcode_info, replay

CMOS = ("65C02", "R65C02", "W65C02S")


@pytest.mark.parametrize("part", CMOS)
@pytest.mark.parametrize("line", ["irq", "nmi"])
def test_interrupts_clear_d_from_the_sheet_only(part, line):
    """W table 7-1, RC: D is cleared by interrupts; the pushed P still has it."""
    cpu = Executor(part, pc=0x8000, s=0xF0, p=0x28)
    rows = run(cpu, memory_of(), 10, **{line: range(20)})
    assert [row[:2] for row in rows[4:7]] == [(0x1F0, 0), (0x1EF, 0), (0x1EE, 0)]
    assert rows[6][3] == 0x28
    assert cpu.p & 0x0C == 0x04


@pytest.mark.parametrize("part", CMOS)
def test_reset_and_brk_clear_d_from_the_sheet_only(part):
    """W 3.11 and table 7-1."""
    cpu = Executor(part, pc=0x8000, s=0xFF, p=0x28)
    rows = run(cpu, memory_of(0x00, 0x42), 7)
    assert rows[4][3] == 0x38
    assert cpu.p & 0x0C == 0x04
    cpu = Executor(part, s=0xC0, p=0x28)
    rows = run(cpu, memory_of(), 16, res=range(5))
    assert [row[0] for row in rows[9:15]] == [0x1C0, 0x1BF, 0x1BE, 0xFFFC, 0xFFFD, 0x8000]
    assert all(row[1] for row in rows)
    assert cpu.p & 0x0C == 0x04


@pytest.mark.parametrize("falls", range(5))
def test_brk_keeps_its_vector_when_nmi_comes_from_the_sheet_only(falls):
    """W table 7-1: BRK is executed, then the interrupt."""
    state = CpuState.at_fetch("W65C02S", pc=0x8000, s=0xFF, p=0x20)
    rows = run(Executor.from_state(state), memory_of(0x00, 0x42), 18, nmi=range(falls, 30))
    assert rows[5][0] == 0xFFFE
    assert sum(row[0] == 0xFFFA for row in rows) == 1
    reads = np.array([row[3] for row in rows], dtype=np.uint8)
    trace = replay(state, reads, nmi=np.arange(18) < falls)
    assert SequenceKind.BRK_NMI not in trace.kind.tolist()


@pytest.mark.parametrize("part", ["6502", *CMOS])
def test_rdy_stops_writes_of_cmos_parts_from_the_sheet_only(part):
    """R, S: NMOS stops in reads only. RC, W 3.10: CMOS stops in any cycle."""
    plain = run(Executor(part, pc=0x8000, a=1), memory_of(0x8D, 0x00, 0x02), 6)
    held = run(Executor(part, pc=0x8000, a=1), memory_of(0x8D, 0x00, 0x02), 8, rdy=[3, 4])
    assert plain[3] == (0x200, 0, 0, 1)
    waits = 2 if part in CMOS else 1
    if part in CMOS:
        assert held == [*plain[:3], *[plain[3]] * (waits + 1), *plain[4:6]]
    else:
        assert held[:6] == [*plain[:5], plain[4]]


@pytest.mark.parametrize(("flag_i", "vectored"), [(0, True), (4, False)])
def test_wai_waits_until_an_interrupt_from_the_sheet_only(flag_i, vectored):
    """Waits at the next opcode; with I set it goes on there without the vector."""
    cpu = Executor("W65C02S", pc=0x8000, s=0xF0, p=0x20 | flag_i)
    rows = run(cpu, memory_of(0xCB, 0xE8), 40, irq=range(20, 40))
    assert [row[:3] for row in rows[1:22]] == [(0x8001, 1, 0)] * 21
    assert rows[22][:3] == (0x8001, 1, 1)
    assert (rows[24][1] == 0) == vectored
    if vectored:
        assert [row[3] for row in rows[24:27]] == [0x80, 0x01, 0x20]
    else:
        assert cpu.x == 1


def test_wai_is_ended_by_nmi_and_by_reset_from_the_sheet_only():
    rows = run(Executor("W65C02S", pc=0x8000), memory_of(0xCB), 40, nmi=range(20, 40))
    assert rows[27][0] == 0xFFFA
    rows = run(Executor("W65C02S", pc=0x8000), memory_of(0xCB), 40, res=range(20, 23))
    assert (0xFFFC, 1, 0) in [row[:3] for row in rows]


def test_stp_is_ended_by_reset_alone_from_the_sheet_only():
    cpu = Executor("W65C02S", pc=0x8000, p=0x20)
    rows = run(cpu, memory_of(0xDB), 40, irq=range(9, 40), nmi=range(12, 40))
    assert [row[:3] for row in rows[1:]] == [(0x8001, 1, 0)] * 39
    rows = run(cpu, memory_of(0xEA), 20, res=range(3))
    assert (0x8000, 1, 1) in [row[:3] for row in rows]


@pytest.mark.parametrize("part", ["65C02", "R65C02"])
def test_only_wdc_parts_wait_or_stop(part):
    """facts of the trade: WDC parts only; elsewhere columns 3 and B are NOPs of one cycle (W)."""
    cpu = Executor(part, pc=0x8000)
    rows = run(cpu, memory_of(0xCB, 0xDB, 0xE8), 4)
    assert [row[:3] for row in rows] == [(0x8000 + k, 1, 1) for k in range(3)] + [(0x8003, 1, 0)]


def test_vpb_is_low_in_the_two_cycles_that_read_a_vector():
    """Facts of the trade, section 2: VPB (W)."""
    cpu = Executor("W65C02S", pc=0x8000, p=0x20)
    low = []
    for _ in range(12):
        if not cpu.vpb:
            low.append(cpu.address)
        cpu.clock(0x00 if cpu.address == 0x8000 else 0xEA)
    assert low == [0xFFFE, 0xFFFF]


# Cycles, RC page 1-11 and W table 4-1 (facts of the trade, section 3).
LENGTHS = {
    0x12: 5, 0x32: 5, 0x52: 5, 0x92: 5, 0xB2: 5, 0xD2: 5, 0x72: 5, 0xF2: 5, 0x6C: 6, 0x7C: 6,
    0x80: 3, 0x04: 5, 0x14: 5, 0x0C: 6, 0x1C: 6, 0x64: 3, 0x74: 4, 0x9C: 4, 0x9E: 5, 0x89: 2,
    0x34: 4, 0x3C: 4, 0x1A: 2, 0x3A: 2, 0x5A: 3, 0xDA: 3, 0x7A: 4, 0xFA: 4, 0xFE: 7, 0xDE: 7,
    0x02: 2, 0x44: 3, 0x54: 4, 0x5C: 8, 0xDC: 4, 0x03: 1, 0x0B: 1, 0x07: 5, 0x87: 5, 0x0F: 5,
}  # fmt: skip


def length_of(part, opcode, *, x=2, p=0x24):
    memory = np.full(0x10000, 0x40, dtype=np.uint8)
    cpu = Executor(part, pc=0x8000, p=p, x=x, y=x, s=0x80)
    cpu.clock(opcode)
    for cycle in range(1, 10):
        if cpu.sync:
            return cycle
        cpu.clock(0x41 if cpu.address == 0x0040 else int(memory[cpu.address]))
    raise AssertionError(f"{opcode:02X} does not end")


@pytest.mark.parametrize("part", ["R65C02", "W65C02S"])
@pytest.mark.parametrize("opcode", LENGTHS, ids=lambda o: f"{o:02X}")
def test_lengths_are_those_of_the_sheets(part, opcode):
    expected = LENGTHS[opcode] + (opcode == 0x0F and 0)
    assert length_of(part, opcode) == expected
    if opcode_info(part, opcode).mnemonic in ("ADC", "SBC"):
        assert length_of(part, opcode, p=0x2C) == expected + 1, "decimal mode"


@pytest.mark.parametrize("opcode", [0x1E, 0x3E, 0x5E, 0x7E])
def test_shifts_indexed_save_a_cycle_within_a_page_on_wdc_parts_only(opcode):
    """W table 7-1, against RC."""
    assert (length_of("W65C02S", opcode), length_of("W65C02S", opcode, x=0xF0)) == (6, 7)
    assert (length_of("R65C02", opcode), length_of("R65C02", opcode, x=0xF0)) == (7, 7)


def known_but(register, mask):
    state = CpuState.at_fetch("W65C02S", pc=0x8000, p=0x20, x=0x20)
    state.amend(register, state.register(register)[0], mask)
    return state


@pytest.mark.parametrize("seen_by", ["sync", "address"])
@pytest.mark.parametrize("opcode", [0x7D, 0x1E, 0xBD, 0x69, 0x65])
@pytest.mark.parametrize(("x", "p"), [(0x20, 0x20), (0xF0, 0x20), (0x20, 0x28), (0xF0, 0x28)])
def test_what_follows_decides_an_unknown_index_or_decimal_flag(seen_by, opcode, x, p):
    """The way that fits what was observed is taken; what was open is then known."""
    reads = np.array([opcode, 0x30, 0x02, 0x11, 0x12, 0x11, 0x12, 0x18, 0x90, 0x40, 0, 0], np.uint8)
    truth = replay(CpuState.at_fetch("W65C02S", pc=0x8000, x=x, p=p), reads)
    state = CpuState.at_fetch("W65C02S", pc=0x8000)
    state.amend("x", 0, 0)
    state.amend("p", 0, 0xF7)
    trace = replay(state, reads, **{seen_by: getattr(truth, seen_by)}, stop_on_mismatch=False)
    ends = int(np.flatnonzero(truth.sync)[1])
    if (seen_by, opcode, ends) == ("sync", 0x7D, 5):
        # A page crossed, or one cycle for decimal mode: SYNC cannot tell which of the two.
        assert trace.stop is StopReason.UNDECIDED
        return
    assert trace.ended > ends, trace.stop
    assert np.flatnonzero(trace.sync).tolist()[:2] == [0, ends]
