"""RES, IRQ, NMI, BRK, RDY, SO and jams, cycle by cycle, driven through the pins.

Sources: facts of the trade, section 2: MCS6500 Hardware Manual appendix A.5 ("H"), Rockwell and
Synertek sheets ("R", "S"), M. Steil "Internals of BRK/IRQ/NMI/RESET" ("P"), community notes from
transistor-level simulation ("I").
"""

import numpy as np
import pytest
from cpu_driving import memory_of, run

from bustrace.cpu import CpuState, Executor, SequenceKind, replay


def test_reset_takes_seven_cycles_from_release_and_reads_only():
    """H A.5.4, P, and the chip traces: S drops by 3 with R/W high, FFFC then FFFD."""
    cpu = Executor(s=0xC0)
    rows = run(cpu, memory_of(), 16, res=range(5))
    released = 5
    assert all(rw == 1 for _, rw, _, _ in rows[: released + 10])
    stack = [address for address, *_ in rows[released + 4 : released + 7]]
    assert stack == [0x1C0, 0x1BF, 0x1BE]
    assert [address for address, *_ in rows[released + 7 : released + 10]] == [
        0xFFFC,
        0xFFFD,
        0x8000,
    ]
    syncs = [k for k, row in enumerate(rows) if row[2]]
    assert syncs[:2] == [released + 2, released + 9]
    assert cpu.s == 0xBD
    assert cpu.p & 0x04


def test_reset_in_mid_program_stops_writes_and_starts_over():
    """R and S: while RES is low, writing is inhibited."""
    program = (0xA9, 0x55, 0x8D, 0x00, 0x02, 0x8D, 0x00, 0x02, 0x8D, 0x00, 0x02)
    cpu = Executor(pc=0x8000, s=0xFF)
    rows = run(cpu, memory_of(*program), 30, res=range(6, 14))
    assert all(rw for _, rw, _, _ in rows[8:24])
    assert [address for address, *_ in rows[21:24]] == [0xFFFC, 0xFFFD, 0x8000]


def test_after_a_reset_nothing_of_the_aborted_instruction_is_taken_for_known():
    state = CpuState.at_fetch(pc=0x8000)
    res = np.ones(30, dtype=np.uint8)
    res[4:8] = 0
    trace = replay(state, np.full(30, 0xEA, np.uint8), res=res)
    assert trace.control_known[5] == 0, "the cycle after RES falls may be anything"
    assert not trace.address_known[5:12].any()
    assert (trace.kind == SequenceKind.RESET).sum() == 1
    assert trace.state.register("a")[1] == 0
    assert (
        trace.state.register("pc") == ((0xEAEA + 6) & 0xFFFF, 0xFFFF) or trace.state.address_known
    )


@pytest.mark.parametrize(
    ("line", "vector", "handler", "flag_i"),
    [("irq", 0xFFFE, 0xA000, 0), ("nmi", 0xFFFA, 0x9000, 0), ("nmi", 0xFFFA, 0x9000, 4)],
)
def test_interrupt_bus_sequence(line, vector, handler, flag_i):
    """H A.5.4: PC twice with the opcode ignored, PCH, PCL, P with B=0, the vector, low first."""
    cpu = Executor(pc=0x8000, s=0xF0, p=0x20 | flag_i)
    rows = run(cpu, memory_of(), 14, **{line: range(20)})
    assert [row[:3] for row in rows[2:10]] == [
        (0x8001, 1, 1),
        (0x8001, 1, 0),
        (0x1F0, 0, 0),
        (0x1EF, 0, 0),
        (0x1EE, 0, 0),
        (vector, 1, 0),
        (vector + 1, 1, 0),
        (handler, 1, 1),
    ]
    assert [row[3] for row in rows[4:7]] == [0x80, 0x01, 0x20 | flag_i]
    assert cpu.p & 0x04
    assert cpu.s == 0xED


def test_irq_is_masked_by_i():
    cpu = Executor(pc=0x8000, p=0x24)
    rows = run(cpu, memory_of(), 20, irq=range(20))
    assert [k for k, row in enumerate(rows) if row[2]] == list(range(0, 20, 2))


def test_brk_pushes_pc_plus_2_and_b():
    """H: PC+2 and P with B=1; the byte after BRK is read and skipped."""
    cpu = Executor(pc=0x8000, s=0xFF, p=0x20)
    rows = run(cpu, memory_of(0x00, 0x42), 8)
    assert [row[:2] for row in rows[:7]] == [
        (0x8000, 1),
        (0x8001, 1),
        (0x1FF, 0),
        (0x1FE, 0),
        (0x1FD, 0),
        (0xFFFE, 1),
        (0xFFFF, 1),
    ]
    assert [row[3] for row in rows[2:5]] == [0x80, 0x02, 0x30]
    assert rows[7][:3] == (0xA000, 1, 1)


@pytest.mark.parametrize("falls", range(7))
def test_an_nmi_in_the_first_four_ticks_of_brk_takes_its_vector(falls):
    """I: pushes run as BRK's (B=1), the vector is NMI's; later edges wait for one instruction."""
    state = CpuState.at_fetch(pc=0x8000, s=0xFF, p=0x20)
    memory = memory_of(0x00, 0x42)
    rows = run(Executor.from_state(state), memory, 18, nmi=range(falls, 30))
    assert rows[4][3] == 0x30
    vector = rows[5][0]
    reads = np.array([row[3] for row in rows], dtype=np.uint8)
    nmi = (np.arange(18) < falls).astype(np.uint8)
    kinds = list(replay(state, reads, nmi=nmi).kind[:3])
    if falls < 4:
        assert vector == 0xFFFA
        assert kinds[:2] == [SequenceKind.BRK_NMI, SequenceKind.INSTRUCTION]
        assert not any(row[0] == 0xFFFA for row in rows[6:]), "it is served once"
    else:
        assert vector == 0xFFFE
        # One instruction of the handler runs; an edge in the last tick comes too late for it.
        assert kinds == [SequenceKind.BRK, SequenceKind.INSTRUCTION, SequenceKind.NMI]


def test_an_nmi_edge_is_served_once_however_long_the_line_stays_low():
    rows = run(Executor(pc=0x8000), memory_of(), 60, nmi=range(3, 100))
    assert sum(row[0] == 0xFFFA for row in rows) == 1


def test_an_nmi_edge_while_the_nmi_vector_is_fetched_is_lost():
    """Seen in the chip trace with interrupts, at its cycle 58,082."""
    rows = run(Executor(pc=0x8000), memory_of(), 60, nmi=[0, 7, 8, 9])
    assert rows[7][0] == 0xFFFA
    assert sum(row[0] == 0xFFFA for row in rows) == 1


# Program, its cycles, and the cycles at whose end a one-cycle IRQ pulse is honoured (I: the state
# at the end of the second-to-last cycle decides; a taken branch within its page looks only at the
# end of its first cycle).
POLLED = [
    ((0xEA,), 2, {0}),
    ((0xA9, 0x00), 2, {0}),
    ((0x0A,), 2, {0}),
    ((0xA5, 0x10), 3, {1}),
    ((0x85, 0x10), 3, {1}),
    ((0x06, 0x10), 5, {3}),
    ((0xB5, 0x10), 4, {2}),
    ((0x95, 0x10), 4, {2}),
    ((0x16, 0x10), 6, {4}),
    ((0xB6, 0x10), 4, {2}),
    ((0x96, 0x10), 4, {2}),
    ((0xAD, 0x00, 0x02), 4, {2}),
    ((0x8D, 0x00, 0x02), 4, {2}),
    ((0x0E, 0x00, 0x02), 6, {4}),
    ((0xBD, 0x00, 0x02), 4, {2}),
    ((0xBD, 0xFF, 0x02), 5, {3}),
    ((0x9D, 0x00, 0x02), 5, {3}),
    ((0x1E, 0x00, 0x02), 7, {5}),
    ((0x9C, 0x00, 0x02), 5, {3}),
    ((0xB9, 0x00, 0x02), 4, {2}),
    ((0xB9, 0xFF, 0x02), 5, {3}),
    ((0x99, 0x00, 0x02), 5, {3}),
    ((0x1B, 0x00, 0x02), 7, {5}),
    ((0x9F, 0x00, 0x02), 5, {3}),
    ((0xA1, 0x10), 6, {4}),
    ((0x81, 0x10), 6, {4}),
    ((0x03, 0x10), 8, {6}),
    ((0xB1, 0x10), 5, {3}),
    ((0xB1, 0x20), 6, {4}),
    ((0x91, 0x10), 6, {4}),
    ((0x13, 0x10), 8, {6}),
    ((0x93, 0x10), 6, {4}),
    ((0x90, 0x10), 3, {0}),
    ((0x90, 0x90), 4, {0, 2}),
    ((0xB0, 0x10), 2, {0}),
    ((0x4C, 0x00, 0x81), 3, {1}),
    ((0x6C, 0x00, 0x02), 5, {3}),
    ((0x20, 0x00, 0x81), 6, {4}),
    ((0x60,), 6, {4}),
    ((0x40,), 6, {4}),
    ((0x48,), 3, {1}),
    ((0x68,), 4, {2}),
]


@pytest.mark.parametrize(
    ("program", "length", "honoured"), POLLED, ids=[f"{p[0][0]:02X}-{p[1]}" for p in POLLED]
)
def test_when_interrupts_are_looked_at(program, length, honoured):
    """A one-cycle IRQ pulse in each cycle: just before, in and just after the instruction."""
    taken = set()
    for pulse in range(-1, length + 2):
        memory = memory_of(0xEA, *program)
        memory[0x10:0x12] = 0x00, 0x03
        memory[0x20:0x22] = 0xFF, 0x03
        memory[0x200:0x202] = 0x40, 0x81
        memory[0x1F0:0x200] = 0x20
        cpu = Executor(pc=0x8000, p=0x20, s=0xF0, x=1, y=1)
        if program[0] in (0xA1, 0x81, 0x03):
            memory[0x11:0x13] = 0x00, 0x03
        rows = run(cpu, memory, length + 12, irq=[2 + pulse])
        starts = [k for k, row in enumerate(rows) if row[2]]
        assert starts[:2] == [0, 2]
        # What follows the instruction is an interrupt if its third cycle writes.
        following = next(k for k in starts if k > 2)
        if following == 2 + length and not rows[following + 2][1]:
            taken.add(pulse)
    assert taken == honoured


def test_cli_sei_and_plp_take_effect_one_instruction_late():
    """I: the flag in force at the second-to-last cycle counts, so one more instruction runs."""
    rows = run(Executor(pc=0x8000, p=0x24), memory_of(0x58, 0xEA, 0xEA), 16, irq=range(20))
    assert [row[1] for row in rows].index(0) == 6, "CLI, one NOP, then the interrupt"
    rows = run(Executor(pc=0x8000, p=0x20, s=0xFF), memory_of(0x78, 0xEA), 12, irq=range(20))
    writes = [k for k, row in enumerate(rows) if not row[1]]
    assert writes[0] == 4, "SEI itself is followed by the interrupt"
    assert rows[writes[2]][3] & 0x04, "and the pushed P has I set"


def test_rdy_stops_reads_and_lets_writes_run():
    """R, S: NMOS halts in the next read cycle; the address repeats."""
    program = (0xA9, 0x01, 0x8D, 0x00, 0x02, 0xEA)
    plain = run(Executor(pc=0x8000), memory_of(*program), 8)
    waiting = run(Executor(pc=0x8000), memory_of(*program), 11, rdy=[3, 4, 6, 7])
    expected = [*plain[:3], plain[3], plain[3], plain[3], plain[4], plain[5], plain[6], plain[7]]
    # Low in 3 and 4 (reads: two waits), 6 (a read: one wait), 7 the same read.
    assert waiting[:6] == expected[:6]
    store = next(k for k, row in enumerate(waiting) if not row[1])
    held_in_write = run(Executor(pc=0x8000), memory_of(*program), 8, rdy=[5])
    assert held_in_write == plain, "RDY low in the write alone changes nothing"
    assert waiting[store][0] == 0x0200


def test_so_falling_sets_v_and_only_the_edge_counts():
    cpu = Executor(pc=0x8000, p=0x20)
    run(cpu, memory_of(), 2, so=[1])
    assert cpu.p & 0x40
    cpu = Executor(pc=0x8000, p=0x20)
    run(cpu, memory_of(0xEA, 0xB8), 8, so=range(1, 20))
    assert not cpu.p & 0x40, "CLV stands although SO stays low"


@pytest.mark.parametrize(
    "opcode", [0x02, 0x12, 0x22, 0x32, 0x42, 0x52, 0x62, 0x72, 0x92, 0xB2, 0xD2, 0xF2]
)
def test_jams_end_only_with_reset(opcode):
    """From transistor-level simulation: PC, PC+1, FFFF, FFFE, FFFE, then FFFF for ever."""
    cpu = Executor(pc=0x8000, p=0x20)
    rows = run(cpu, memory_of(opcode), 40, irq=range(3, 40), nmi=range(5, 40))
    addresses = [row[0] for row in rows]
    assert addresses == [0x8000, 0x8001, 0xFFFF, 0xFFFE, 0xFFFE] + [0xFFFF] * 35
    assert [k for k, row in enumerate(rows) if row[2]] == [0]
    rows = run(cpu, memory_of(), 20, res=range(3))
    assert (0x8000, 1, 1) in [row[:3] for row in rows]


@pytest.mark.parametrize("flag_i", [0, 4])
@pytest.mark.parametrize("guessed", [0, 4])
@pytest.mark.parametrize("lines", [0xFFFF, 0x0001, 0xFFFE])
def test_where_the_flag_that_masks_irq_is_unknown_the_address_tells(flag_i, guessed, lines):
    """H A.5.4: an interrupt begins with PC twice; the second cycle of any instruction is at the
    byte behind, which A0 alone tells.
    """
    cpu = Executor(pc=0x8000, s=0xF0, p=0x20 | flag_i)
    rows = run(cpu, memory_of(), 14, irq=range(20))
    address, _, _, data = (np.array(column) for column in zip(*rows, strict=True))
    start = CpuState.at_fetch(pc=0x8000, s=0xF0)
    start.amend("p", 0x20 | guessed, 0xFF & ~0x04)
    trace = replay(
        start,
        data,
        irq=np.zeros(14, np.uint8),
        address=address,
        address_known=np.full(14, lines, np.uint16),
    )
    taken = (trace.kind == SequenceKind.IRQ).any()
    assert taken == ((flag_i if lines & 1 else guessed) == 0)
