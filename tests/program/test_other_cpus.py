"""Random programs on CMOS parts, run by the executor, are recovered in every instruction.

The witness is the executor itself: these tests show that nothing is lost on the way from the pins
back to the program, not that the parts do so (that is in tests/cpu).
"""

from dataclasses import replace

import numpy as np
import pytest

from bustrace.board import Cpu, unknown_board
from bustrace.cpu import CpuState, Executor, _kernels, opcode_info
from bustrace.program import Kind, disagreements, recover_program

HANDLER, SUBROUTINE, CODE = 0xF000, 0xF100, 0x8000
LEFT_OUT = ("JMP", "RTS", "RTI", "BRK", "STP", "WAI", "JSR")
WITHOUT_SYNC = ("RW", "RES", "IRQ", "NMI", "RDY")


def program_of(part, rng):
    """Memory with a long straight program that loops, and what it needs around it."""
    memory = rng.integers(0, 256, 0x10000).astype(np.uint8)
    code = [0xA2, 0xF0, 0x9A, 0x58, 0xA9, 0x05, 0xA0, 0x07, 0xA2, 0x03, 0x18, 0xD8, 0xB8]
    while len(code) < 6000:
        info = opcode_info(part, int(rng.integers(256)))
        if rng.random() < 0.02:
            code += [0xCB] if part == "W65C02S" else [0x00, 0xEA]
        elif rng.random() < 0.03:
            code += [0x20, SUBROUTINE & 0xFF, SUBROUTINE >> 8]
        elif info.mnemonic not in LEFT_OUT:
            low = int(rng.integers(256))
            operands = {
                "rel": [0],
                "zp,rel": [low, 0],
                **{mode: [low, 2 + low % 2] for mode in ("abs", "abs,x", "abs,y")},
            }.get(info.mode, [low, low])
            code += [info.opcode, *operands[: info.length - 1]]
    code += [0x4C, CODE & 0xFF, CODE >> 8]
    memory[CODE : CODE + len(code)] = code
    memory[HANDLER : HANDLER + 6] = 0x48, 0xE6, 0x10, 0x68, 0x40, 0xEA
    memory[SUBROUTINE] = 0x60
    memory[0xFFFA:0x10000] = np.array([HANDLER, CODE, HANDLER], "<u2").view(np.uint8)
    return memory


def boot(part, seed, cycles=6000, waits=0.03):
    """True bus activity, and the first cycle of every fetch after the reset."""
    rng = np.random.default_rng(seed)
    memory = program_of(part, rng)
    state = CpuState.at_reset(part, known=("pc", "a", "x", "y", "s", "p"), s=0x80)
    cpu = Executor.from_state(state)
    rows, fetches, halted = [], [], False
    for cycle in range(cycles):
        res, irq = int(cycle >= 10), int(cycle % 211 < 190)
        nmi = int(cycle % 1709 < 1690)
        fields = cpu.state._fields
        waiting = cpu.state._row[fields[_kernels.ENTRY]] >> 14 & 15 == _kernels.END_WOKEN
        # A part that waits pulls RDY low until the interrupt it waits for (W65C02S sheet).
        pulls = waiting and not (fields[_kernels.IRQ_LINE] or fields[_kernels.NMI_SEEN])
        rdy = int(not pulls and rng.random() >= waits)
        if not cpu.rw and cpu.address < CODE:
            memory[cpu.address] = cpu.data_out
        byte = int(memory[cpu.address]) if cpu.rw else cpu.data_out
        if res and cpu.sync and not halted:
            fetches.append(cycle)
        halted = bool(cpu.sync and not rdy)
        rows.append((cpu.address, byte, cpu.rw, cpu.sync if res else 0, res, irq, nmi, rdy))
        cpu.clock(byte, res=res, irq=irq, nmi=nmi, rdy=1 if pulls else rdy)
    names = ("addr", "data", "rw", "sync", "res", "irq", "nmi", "rdy")
    truth = dict(zip(names, np.array(rows, np.uint16).T, strict=True))
    return truth, np.array(fetches)


def fetched(program):
    fetching = np.isin(program.kind, [Kind.INSTRUCTION, Kind.IRQ, Kind.NMI, Kind.BRK])
    return program.first_cycle[fetching]


@pytest.mark.slow
@pytest.mark.parametrize("part", ["65C02", "R65C02", "W65C02S"])
@pytest.mark.parametrize("pins", [None, WITHOUT_SYNC], ids=["all pins", "without SYNC"])
def test_every_instruction_of_random_programs_is_recovered(part, pins, clip):
    board = replace(unknown_board(), cpu=Cpu(part=part, variant=part))
    for seed in range(3):
        truth, fetches = boot(part, seed)
        cycles = clip(truth) if pins is None else clip(truth, pins=pins)
        program = recover_program(cycles, board)
        assert program.lost_at is None, program.reason
        # The fetch that a reset forces belongs to the reset.
        np.testing.assert_array_equal(fetched(program), fetches[1:])
        assert not program.lines_aside
        assert not program.notes
        assert {Kind.IRQ, Kind.NMI} <= {Kind(kind) for kind in program.kind}


@pytest.mark.slow
def test_a_wait_is_one_instruction_and_ends_by_an_interrupt(clip):
    """Neither a jam nor a stall, though RDY is low for long (W65C02S sheet)."""
    board = replace(unknown_board(), cpu=Cpu(part="W65C02S", variant="W65C02S"))
    truth, _ = boot("W65C02S", 1)
    program = recover_program(clip(truth), board)
    waits = np.flatnonzero(program.opcode == 0xCB)
    assert len(waits) > 5
    assert (program.length[waits] > 16).any()
    after = program.kind[waits[waits + 1 < len(program)] + 1]
    assert (after == Kind.IRQ).any()
    assert program.jam_at is None
    assert Kind.STALLED not in program.kind


def short_run(part, code, cycles=200, **low):
    """True bus activity of a short program at $F000 (in the top of what the part can address)."""
    memory = np.zeros(0x10000, np.uint8)
    top = 0x1000 if part == "6507" else 0xF000
    memory[top : top + len(code)] = np.frombuffer(code, np.uint8)
    memory[top + 0xFFC : top + 0xFFE] = 0x00, 0xF0
    memory[top + 0xFFE : top + 0x1000] = 0x00, 0xF8
    memory[top + 0x800 : top + 0x801] = 0x40
    cpu = Executor(part, s=0x80)
    rows = []
    for cycle in range(cycles):
        levels = {name: int(cycle not in cycles_low) for name, cycles_low in low.items()}
        levels["res"] = int(cycle >= 10)
        byte = int(memory[cpu.address])
        if cpu.drives_data:
            memory[cpu.address] = byte = cpu.data_out
        rows.append(
            (cpu.address, byte, cpu.rw, cpu.sync, levels["res"], levels.get("irq", 1), 1, 1)
        )
        cpu.clock(byte, **levels)
    names = ("addr", "data", "rw", "sync", "res", "irq", "nmi", "rdy")
    return dict(zip(names, np.array(rows, np.uint16).T, strict=True))


def recovered(part, cycles):
    return recover_program(cycles, replace(unknown_board(), cpu=Cpu(part=part, variant=part)))


def test_a_stop_is_no_jam(clip):
    """W65C02S sheet: STP is an instruction like others; it halts until reset."""
    program = recovered("W65C02S", clip(short_run("W65C02S", bytes((0xEA, 0xDB)))))
    assert program.jam_at is None
    assert program.opcode[-2] == 0xDB
    assert program.kind[-1] == Kind.STALLED


def test_a_wait_at_the_end_of_the_capture_is_no_stall(clip):
    """While it waits the part pulls RDY low itself (W65C02S sheet)."""
    truth = short_run("W65C02S", bytes((0xEA, 0xCB)))
    truth["rdy"][24:] = 0
    assert recovered("W65C02S", clip(truth)).kind[-1] == Kind.INSTRUCTION
    truth = short_run("W65C02S", bytes((0xEA, 0x4C, 0x01, 0xF0)))
    assert recovered("W65C02S", clip(held_from(truth, 60))).kind[-1] == Kind.STALLED


def test_rdy_low_in_a_write_stalls_a_cmos_part(clip):
    """R65C02 and W65C02S sheets: RDY stops any cycle."""
    truth = short_run("W65C02S", bytes((0x85, 0x10, 0x4C, 0x00, 0xF0)))
    write = int(np.flatnonzero(truth["rw"] == 0)[5])
    program = recovered("W65C02S", clip(held_from(truth, write)))
    assert program.lost_at is None
    assert program.kind[-1] == Kind.STALLED
    assert program.first_cycle[-1] == write


def held_from(truth, cycle):
    """The run with RDY low from a cycle on, which then repeats."""
    held = {name: column.copy() for name, column in truth.items()}
    for column in held.values():
        column[cycle:] = column[cycle]
    held["rdy"][cycle:] = 0
    return held


def test_on_an_nmos_part_the_same_bytes_are_no_stop(clip):
    program = recovered(
        "6502", clip(short_run("6502", bytes((0xEA, 0xDB, 0x00, 0x02, 0x4C, 0, 0xF0))))
    )
    assert Kind.STALLED not in program.kind


@pytest.mark.parametrize("masked", [0x58, 0x78])
@pytest.mark.parametrize("pins", [("RW", "SYNC", "RES"), ("RW", "RES")])
def test_an_irq_that_was_not_captured_ends_a_wait(pins, masked, clip):
    """With I clear the handler runs, with I set the next instruction (W65C02S sheet)."""
    code = bytes(
        (0xA2, 0xFF, 0x9A, masked, 0xE8, 0xCB, 0xC8, 0xE6, 0x10, 0xA5, 0x10, 0x4C, 0x04, 0xF0)
    )
    truth = short_run(
        "W65C02S", code, 600, irq=[*range(120, 122), *range(300, 302), *range(480, 482)]
    )
    program = recovered("W65C02S", clip(truth, pins=pins))
    assert program.lost_at is None
    starts = np.flatnonzero(truth["sync"])
    np.testing.assert_array_equal(fetched(program), starts[starts > 12])
    assert (program.kind == Kind.IRQ).sum() == (3 if masked == 0x58 else 0)


def test_a_6507_is_known_by_its_13_lines(clip):
    """The vector $FFFC is read at $1FFC, the program at $F000 is at $1000 (facts of the trade)."""
    code = bytes((0xA2, 0xFF, 0x9A, 0x20, 0x09, 0xF0, 0x4C, 0x03, 0xF0, 0xE6, 0x90, 0x60))
    truth = short_run("6507", code, 400)
    for begin in (0, 60):
        cycles = clip(
            truth, pins=("RW", "RES", "RDY"), address_mask=0x1FFF, keep=slice(begin, None)
        )
        program = recovered("6507", cycles)
        assert program.lost_at is None
        rows = program.kind == Kind.INSTRUCTION
        starts = np.flatnonzero(truth["sync"])
        expected = starts[starts > 12] if begin == 0 else starts[starts >= begin] - begin
        np.testing.assert_array_equal(program.first_cycle[rows], expected)
        np.testing.assert_array_equal(program.pc[rows] & 0x1FFF, truth["addr"][expected + begin])
        at = program.first_cycle[rows]
        assert (program.intent.address_known[at] & 0x1FFF == 0x1FFF).all()
        assert not disagreements(cycles, program.intent).lines


def test_writes_to_the_port_of_a_6510_are_not_held_against_the_data_pins(clip):
    """The maker's sheet: a port at $0000 and $0001; the pins are not driven there (from memory)."""
    code = bytes.fromhex("A92F8500A9378501A501490785018501850185012901D0004C08F0")
    truth = short_run("6510", code, 400)
    assert (truth["data"][truth["rw"] == 0] == 0).all(), "the pins keep what nobody changed"
    cycles = clip(truth, pins=("RW", "RES"))
    program = recovered("6510", cycles)
    assert program.lost_at is None
    assert not program.notes
    assert not program.lines_aside
    assert not disagreements(cycles, program.intent).lines
    writes = np.flatnonzero((program.intent.rw == 0) & (program.intent.address < 2))
    assert program.intent.inside[writes].all()
    assert program.intent.data[writes[:3]].tolist()[:2] == [0x2F, 0x37]
    assert program.intent.data_known[writes[:2]].tolist() == [0xFF, 0xFF]
    starts = np.flatnonzero(truth["sync"])
    np.testing.assert_array_equal(
        program.first_cycle[program.kind == Kind.INSTRUCTION], starts[starts > 12]
    )
