"""Executing with the captured reads, against a transistor-level simulation and sampled boards."""

import numpy as np
import pytest

from bustrace.program import Kind, disagreements, recover_program

NO_SYNC = ("RW", "RES")


def tiles(program, n):
    ends = program.first_cycle + program.length
    return (
        program.first_cycle[0] == 0
        and ends[-1] == n
        and np.array_equal(ends[:-1], program.first_cycle[1:])
        and bool((program.length > 0).all())
    )


def starts(program):
    """First cycles of all rows after the first."""
    return program.first_cycle[1:].tolist()


def wrong_addresses(program, truth):
    """Cycles whose intended address is known and not the true one."""
    off = (program.intent.address ^ truth["addr"]) & program.intent.address_known
    return np.flatnonzero(off)


@pytest.mark.slow
@pytest.mark.parametrize("pins", [("RW", "SYNC", "RES", "IRQ", "NMI", "RDY"), None])
@pytest.mark.parametrize("name", ["interrupts_trace", "rdy_trace"])
def test_every_fetch_of_the_chip_traces_begins_a_row(name, pins, request, clip, fetches):
    """With SYNC, and with addresses, data, R/W and the pins that steer the CPU but no SYNC."""
    trace = request.getfixturevalue(name)
    chosen = pins or ("RW", "RES", "IRQ", "NMI", "RDY")
    program = recover_program(clip(trace, pins=chosen))
    assert program.method == ("sync" if pins else "follow")
    assert tiles(program, len(trace["addr"]))
    assert starts(program) == fetches(trace)[1:].tolist()
    assert program.kind[0] == Kind.RESET
    assert (program.confidence == 1).all()
    assert len(disagreements(clip(trace, pins=chosen), program.intent).cycles) == 0
    at = program.first_cycle[1:]
    assert np.array_equal(program.pc[1:], trace["addr"][at])


@pytest.mark.parametrize("pins", [("RW", "SYNC", "RES", "IRQ", "NMI"), ("RW", "RES", "IRQ", "NMI")])
def test_interrupt_kinds_of_the_trace(pins, interrupts_trace, clip):
    program = recover_program(clip(interrupts_trace, pins=pins))
    kinds = {kind: int((program.kind == kind).sum()) for kind in (Kind.IRQ, Kind.NMI, Kind.BRK)}
    assert kinds == {Kind.IRQ: 88, Kind.NMI: 59, Kind.BRK: 3}
    assert (program.opcode[program.kind == Kind.IRQ] == -1).all()
    assert (program.opcode[program.kind == Kind.BRK] == 0).all()


def test_registers_are_those_the_cpu_pushes(interrupts_trace, clip):
    """PHA and PHP put A and P on the bus; bits that are called known must agree."""
    program = recover_program(clip(interrupts_trace))
    for opcode, column, ignored in ((0x48, 0, 0), (0x08, 4, 0x30)):
        rows = np.flatnonzero(program.opcode == opcode)
        assert len(rows) > 20
        pushed = interrupts_trace["data"][program.first_cycle[rows] + 2]
        known = program.registers_known[rows, column] & ~np.uint8(ignored)
        assert ((program.registers[rows, column] ^ pushed) & known == 0).all()
        assert (known[-20:] == 0xFF & ~ignored).all()
    pushes = np.flatnonzero(program.opcode == 0x48)
    low = interrupts_trace["addr"][program.first_cycle[pushes] + 2] & 0xFF
    assert np.array_equal(program.registers[pushes, 3], low)


@pytest.mark.parametrize(
    "name", ["healthy", "irq_held_low", "clock_stops", "rom_never_drives", "ram_answers_with_rom"]
)
@pytest.mark.parametrize("pins", [NO_SYNC, ("RW",), ("RW", "SYNC", "RES")])
def test_boards_are_followed_without_a_disagreement(name, pins, board_truth, clip, fetches):
    """A program that runs wild after bad reads is still what the reads say."""
    truth = board_truth(name)
    cycles = clip(truth, pins=pins)
    program = recover_program(cycles)
    assert tiles(program, len(cycles))
    assert program.first_cycle[program.kind == Kind.INSTRUCTION].tolist() == [*fetches(truth)[1:]]
    assert not len(disagreements(cycles, program.intent).cycles)
    assert not len(wrong_addresses(program, truth))
    assert program.lost_at is None


def test_sixteen_lines_without_addresses_or_reset(board_truth, clip, fetches):
    """Phase 2, R/W and data: every row and every intended address after the vector."""
    truth = board_truth("healthy_16_lines")
    program = recover_program(clip(truth, pins=("RW",), address_mask=0))
    assert program.method == "follow"
    found = program.first_cycle[program.kind == Kind.INSTRUCTION]
    assert found.tolist() == fetches(truth)[1:].tolist()
    assert not len(wrong_addresses(program, truth))
    settled = program.intent.address_known[found[0] :]
    assert (settled == 0xFFFF).mean() > 0.99
    assert program.confidence.max() < 1


def test_a_stuck_address_line_is_the_only_disagreement(board_truth, clip, fetches):
    """The CPU's own address is recovered exactly, without the line that is stuck at its pin."""
    truth = board_truth("a9_stuck_high")
    for pins in (NO_SYNC, ("RW", "SYNC", "RES"), ("RW",)):
        cycles = clip(truth, pins=pins)
        program = recover_program(cycles)
        found = disagreements(cycles, program.intent)
        assert found.lines == ("A9",)
        assert program.lines_aside == ("A9",)
        wrong = wrong_addresses(program, truth)
        off, out_of = found.count("A9")
        assert off == len(wrong) > 700
        assert out_of > 5900
        differ = program.intent.address[wrong] ^ truth["addr"][wrong]
        assert (differ & program.intent.address_known[wrong] == 0x200).all()
        ran = program.kind == Kind.INSTRUCTION
        assert program.first_cycle[ran].tolist() == fetches(truth)[1:].tolist()


def test_shorted_data_lines_disagree_on_writes_only(board_truth, clip, fetches):
    truth = board_truth("d1_d4_short")
    cycles = clip(truth, pins=NO_SYNC)
    program = recover_program(cycles)
    found = disagreements(cycles, program.intent)
    assert set(found.lines) <= {"D1", "D4"}
    assert (truth["rw"][found.cycles] == 0).all()
    assert sum(found.count(line)[0] for line in found.lines) >= 90
    ran = program.kind == Kind.INSTRUCTION
    assert program.first_cycle[ran].tolist() == fetches(truth)[1:].tolist()
    assert not len(wrong_addresses(program, truth))


@pytest.mark.parametrize("pins", [NO_SYNC, ("RW", "SYNC", "RES")])
def test_a_jam_opcode_is_where_the_program_ends(pins, board_truth, clip):
    truth = board_truth("d3_stuck_low_at_cpu")
    program = recover_program(clip(truth, pins=pins))
    assert program.jam_at == 29
    row = program.row_of(29)
    assert program.opcode[row] == 0x92
    assert program.kind[row + 1] == Kind.STALLED
    assert program.first_cycle[row + 1] + program.length[row + 1] == len(truth["addr"])


def test_a_board_held_in_reset_is_one_row(board_truth, clip):
    program = recover_program(clip(board_truth("reset_held_low")))
    assert program.kind.tolist() == [Kind.RESET]
    assert program.method == "none"
    assert "RES is low" in program.reason


def test_a_triage_capture_has_rows_and_says_what_is_missing(board_truth, clip, fetches):
    truth = board_truth("healthy")
    pins = ("RW", "SYNC", "RES", "IRQ", "RDY")
    program = recover_program(clip(truth, pins=pins, address_mask=0, data_mask=1))
    assert program.method == "sync"
    assert starts(program) == fetches(truth)[1:].tolist()
    assert (program.opcode == -1).all()
    assert (program.pc == -1).all()
    assert "data lines" in program.reason


def test_nothing_to_go_by_is_said(board_truth, clip):
    """No reset in view, no SYNC, no addresses: none, with the reason; every cycle is lost."""
    truth = board_truth("healthy")
    program = recover_program(clip(truth, pins=("RW",), address_mask=0, data_mask=0x03))
    assert program.method == "none"
    assert program.reason
    assert program.kind.tolist() == [Kind.LOST]
    assert (program.intent.rw == 2).all()
    assert not program.intent.address_known.any()


def test_no_cycles_give_no_rows(board_truth, clip):
    program = recover_program(clip(board_truth("healthy"), keep=slice(0, 0)))
    assert len(program) == 0
    assert program.method == "none"
    assert program.reason
