"""Damaged captures: flipped reads, lost cycles, noise, missing lines, lines that rest."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bustrace.cycles.model import OWNER_FOREIGN
from bustrace.program import Kind, ReadCorrection, disagreements, recover_program

NO_SYNC = ("RW", "RES")


def found_and_false(program, truth_fetches):
    """Share of the true fetches that begin a row, and of the rows that begin elsewhere."""
    kinds = (Kind.LOST, Kind.RESET, Kind.STALLED)
    begun = set(program.first_cycle[~np.isin(program.kind, kinds)].tolist())
    true = set(truth_fetches[1:].tolist())
    return len(begun & true) / len(true), len(begun - true) / max(len(begun), 1)


def agrees_where_known(program, truth):
    return not ((program.intent.address ^ truth["addr"]) & program.intent.address_known).any()


def flipped(truth, cycle, bit):
    """The capture in which the clip saw one bit of one byte otherwise than the CPU."""
    data = truth["data"].copy()
    data[cycle] ^= 1 << bit
    return {**truth, "data": data}


@pytest.mark.parametrize("pins", [NO_SYNC, ("RW", "SYNC", "RES")])
def test_a_read_the_clip_saw_otherwise_is_corrected(pins, board_truth, clip, fetches):
    """Bit 4 flipped in the opcode fetches: CLD becomes INY, LDX # a branch, and so on."""
    truth = board_truth("healthy")
    true = fetches(truth)
    for index, bit in ((300, 4), (301, 0), (500, 7), (700, 3)):
        cycle = int(true[index])
        program = recover_program(clip(flipped(truth, cycle, bit), pins=pins))
        assert found_and_false(program, true) == (1, 0)
        assert agrees_where_known(program, truth)
        if program.read_corrections:
            (correction,) = program.read_corrections
            assert abs(correction.cycle - cycle) <= 8
            assert correction.seen ^ correction.believed in [1 << n for n in range(8)]


def test_a_correction_names_the_cycle_and_the_bit(board_truth, clip, fetches):
    """A flipped opcode of another length has one explanation: that read, that bit."""
    truth = board_truth("healthy")
    cycle = int(next(at for at in fetches(truth)[200:] if truth["data"][at] == 0x8D))
    program = recover_program(clip(flipped(truth, cycle, 2), pins=NO_SYNC))
    assert program.read_corrections == (ReadCorrection(cycle, 0x89, 0x8D),)
    assert program.opcode[program.row_of(cycle)] == 0x8D
    assert agrees_where_known(program, truth)


CALLS = bytes.fromhex("A2FF9A 2010F0 E8 4C03F0 EAEAEAEAEAEA 8AEA60")
"""LDX #$FF, TXS, then for ever JSR $F010, INX; the routine is TXA, NOP, RTS."""


@pytest.mark.parametrize("bits", [(0x80, 0x01), (0xC0, 0x00), (0x00, 0x81)])
def test_a_return_to_another_address_is_one_that_was_read_otherwise(bits, execute, clip, fetches):
    """Several bits of the two bytes at once, where two chips drive them: the bus then shows which
    the CPU took.
    """
    truth = execute(CALLS, 1200)
    rts = int(next(at for at in fetches(truth)[200:] if truth["data"][at] == 0x60))
    data = truth["data"].copy()
    data[[rts + 3, rts + 4]] ^= np.array(bits, np.uint16)
    program = recover_program(clip({**truth, "data": data}, pins=NO_SYNC))
    assert program.lines_aside == ()
    assert {(fix.cycle - rts, fix.seen ^ fix.believed) for fix in program.read_corrections} == {
        (3 + at, off) for at, off in enumerate(bits) if off
    }
    assert found_and_false(program, fetches(truth)) == (1, 0)


@pytest.mark.parametrize("lines", [(10, 12), (11, 12)])
def test_address_lines_that_never_were_right_are_no_misread_bytes(lines, board_truth, clip):
    """Two clips exchanged: the CPU seems to go elsewhere, by two bits of one byte."""
    truth = board_truth("healthy")
    one, other = (truth["addr"] >> line & 1 for line in lines)
    keep = truth["addr"] & ~np.uint16(sum(1 << line for line in lines))
    address = (keep | one << lines[1] | other << lines[0]).astype(np.uint16)
    program = recover_program(clip({**truth, "addr": address}, pins=NO_SYNC))
    assert set(program.lines_aside) == {f"A{line}" for line in lines}
    assert program.read_corrections == ()


@pytest.mark.parametrize("pins", [("RW", "RES", "RDY"), ("RW", "SYNC", "RES", "RDY")])
def test_a_ready_clip_that_rests_low_does_not_stop_the_program(pins, board_truth, clip, fetches):
    """The CPU goes on against it, so it is not what the CPU sees."""
    truth = board_truth("healthy")
    program = recover_program(clip({**truth, "rdy": np.zeros_like(truth["rdy"])}, pins=pins))
    assert program.lost_at is None
    assert found_and_false(program, fetches(truth)) == (1, 0)


@pytest.mark.slow
@settings(max_examples=25, deadline=None, derandomize=True)
@given(data=st.data())
def test_any_flipped_bit_of_any_read_leaves_the_rows_right(data, board_truth, clip, fetches):
    """At most the few instructions around it are lost, and what is said is not false."""
    truth = board_truth("healthy")
    cycle = data.draw(st.integers(30, 5800))
    bit = data.draw(st.integers(0, 7))
    program = recover_program(clip(flipped(truth, cycle, bit), pins=NO_SYNC))
    found, false = found_and_false(program, fetches(truth))
    assert found >= 0.97
    assert false <= 0.01


@pytest.mark.slow
@pytest.mark.parametrize("pins", [NO_SYNC, ("RW", "SYNC", "RES")])
def test_a_cycle_missing_from_the_capture_costs_a_few_rows(pins, board_truth, clip, fetches):
    truth = board_truth("healthy")
    n = len(truth["addr"])
    for gap in (1000, 2003, 3502):
        keep = np.delete(np.arange(n), gap)
        program = recover_program(clip(truth, pins=pins, keep=keep))
        cut = {name: column[keep] for name, column in truth.items() if len(column) == n}
        found, false = found_and_false(program, fetches(cut))
        assert found > 0.98
        assert false < 0.01
        assert program.lost_at is None
        assert agrees_where_known(program, cut)


@pytest.mark.slow
def test_noise_is_noted_and_passed(board_truth, clip, fetches):
    """0.1 % of the address and R/W levels flipped: every row, and the true intended addresses."""
    truth = board_truth("healthy")
    random = np.random.default_rng(5)
    n = len(truth["addr"])
    flips = (random.random((n, 16)) < 0.001) @ (1 << np.arange(16))
    noisy = {**truth, "addr": truth["addr"] ^ flips.astype(np.uint16)}
    noisy["rw"] = truth["rw"] ^ (random.random(n) < 0.001)
    noisy["addr"][:40], noisy["rw"][:40] = truth["addr"][:40], truth["rw"][:40]
    cycles = clip(noisy, pins=NO_SYNC)
    program = recover_program(cycles)
    assert found_and_false(program, fetches(truth)) == (1, 0)
    assert agrees_where_known(program, truth)
    damaged = np.flatnonzero((noisy["addr"] != truth["addr"]) | (noisy["rw"] != truth["rw"]))
    assert set(disagreements(cycles, program.intent).cycles) <= set(damaged.tolist())


@pytest.mark.slow
@settings(max_examples=20, deadline=None, derandomize=True)
@given(mask=st.integers(0, 0xFFFF), sync=st.booleans())
def test_any_set_of_address_lines_gives_the_same_program(mask, sync, board_truth, clip, fetches):
    truth = board_truth("healthy")
    pins = ("RW", "SYNC", "RES") if sync else NO_SYNC
    program = recover_program(clip(truth, pins=pins, address_mask=mask))
    assert found_and_false(program, fetches(truth)) == (1, 0)
    assert agrees_where_known(program, truth)


@pytest.mark.parametrize("line", ["A0", "A3", "A12", "A15", "RW", "D6"])
@pytest.mark.parametrize("level", [0, 1])
def test_a_clip_that_slipped_off_is_not_taken_for_the_program(
    line, level, board_truth, clip, fetches
):
    """The line rests at the clip only: what the CPU meant is known, and that line is named."""
    truth = board_truth("healthy")
    changed = {name: column.copy() for name, column in truth.items()}
    if line == "RW":
        changed["rw"][:] = level
    elif line[0] == "A":
        bit = np.uint16(1 << int(line[1:]))
        changed["addr"] = changed["addr"] & ~bit | (bit if level else 0)
    else:
        bit = np.uint8(1 << int(line[1:]))
        writes = truth["rw"] == 0
        changed["data"][writes] = changed["data"][writes] & ~bit | (bit if level else 0)
    cycles = clip(changed, pins=NO_SYNC)
    program = recover_program(cycles)
    assert found_and_false(program, fetches(truth)) == (1, 0)
    assert disagreements(cycles, program.intent).lines == (line,)
    assert agrees_where_known(program, truth)


@pytest.mark.slow
def test_interrupts_of_lines_that_were_not_captured_are_found(interrupts_trace, clip, fetches):
    """No SYNC, no IRQ, no NMI: told by the repeated address, three writes and the vector."""
    program = recover_program(clip(interrupts_trace, pins=NO_SYNC))
    assert found_and_false(program, fetches(interrupts_trace)) == (1, 0)
    assert int((program.kind == Kind.IRQ).sum()) == 88
    assert int((program.kind == Kind.NMI).sum()) == 59
    assert any("interrupts" in note.text for note in program.notes)


@pytest.mark.slow
def test_waits_of_a_line_that_was_not_captured_are_found(rdy_trace, clip, fetches):
    program = recover_program(clip(rdy_trace, pins=NO_SYNC))
    found, false = found_and_false(program, fetches(rdy_trace))
    assert found > 0.997
    assert false < 0.002
    assert agrees_where_known(program, rdy_trace)


@pytest.mark.parametrize("pins", [("RW", "SYNC"), ("RW",)])
def test_a_start_in_mid_program_is_entered_at_an_address_on_the_bus(
    pins, board_truth, clip, fetches
):
    truth = board_truth("healthy")
    keep = slice(2501, None)
    program = recover_program(clip(truth, pins=pins, keep=keep))
    cut = {name: column[keep] for name, column in truth.items()}
    found, false = found_and_false(program, fetches(cut))
    assert found > 0.99
    assert false < 0.01
    assert agrees_where_known(program, cut)
    assert program.registers_known[0].max() == 0
    assert (program.registers_known[-1, :4] == 0xFF).all()


def test_each_of_several_resets_is_a_new_start(board_truth, clip, fetches):
    truth = board_truth("healthy")
    n = len(truth["addr"])
    keep = np.concatenate([np.arange(1503), np.arange(777), np.arange(n)])
    twice = {name: column[keep] for name, column in truth.items() if len(column) == n}
    for pins in (NO_SYNC, ("RW", "SYNC", "RES")):
        program = recover_program(clip(twice, pins=pins))
        resets = program.first_cycle[program.kind == Kind.RESET]
        assert resets.tolist() == [0, 1503, 2280]
        assert agrees_where_known(program, twice)
        assert program.lost_at is None


@pytest.mark.slow
def test_noise_without_a_program_is_lost_quickly_and_honestly(clip):
    """Random levels: hardly a row is claimed."""
    random = np.random.default_rng(3)
    n = 20_000
    noise = {
        "addr": random.integers(0, 1 << 16, n).astype(np.uint16),
        "data": random.integers(0, 1 << 8, n).astype(np.uint8),
        **{pin: random.integers(0, 2, n).astype(np.uint8) for pin in ("rw", "sync")},
        **{pin: np.ones(n, np.uint8) for pin in ("res", "irq", "nmi", "rdy")},
    }
    program = recover_program(clip(noise, pins=("RW",)))
    assert (program.kind == Kind.LOST).sum() >= len(program) - 3
    assert program.method == "none"
    assert program.reason


@pytest.mark.slow
def test_a_slipped_data_clip_loses_the_program_at_once_and_is_named(board_truth, clip, fetches):
    """The vector's high byte is read wrong: the reset is executed, the rest is searched for."""
    truth = board_truth("healthy")
    hidden = {**truth, "data": truth["data"] & 0x7F}
    program = recover_program(clip(hidden, pins=NO_SYNC))
    certain = program.certain()
    assert certain.kind[0] == Kind.RESET
    assert (certain.kind[1:] == Kind.LOST).all()
    found, false = found_and_false(program, fetches(truth))
    assert found > 0.99
    assert false < 0.01
    assert program.lost_at == fetches(truth)[1]
    assert "D7 never moved" in program.reason


@pytest.mark.parametrize("level", [0, 1])
def test_a_sync_clip_that_slipped_off_is_set_aside(level, board_truth, clip, fetches):
    truth = board_truth("healthy")
    off = {**truth, "sync": np.full_like(truth["sync"], level)}
    program = recover_program(clip(off))
    assert program.method == "follow"
    assert program.lines_aside == ("SYNC",)
    assert found_and_false(program, fetches(truth)) == (1, 0)


def test_cycles_of_another_bus_owner_are_foreign_rows(rdy_trace, clip, fetches):
    """The trace's halted fetches, taken by another owner whose levels mean nothing here."""
    cycles = clip(rdy_trace, pins=("RW", "SYNC", "RES"))
    owner = cycles.owner.copy()
    held = np.flatnonzero((rdy_trace["rdy"] == 0) & (rdy_trace["rw"] == 1))
    owner[held] = OWNER_FOREIGN
    address = cycles.address.copy()
    address[held] ^= 0x5A5A
    control = cycles.control.copy()
    control[held] &= ~np.uint16(0b10)
    shared = replace(cycles, owner=owner, address=address, control=control)
    program = recover_program(shared)
    foreign = program.kind == Kind.FOREIGN
    assert foreign.sum() > 100
    covered = program.first_cycle[foreign]
    assert (owner[covered] == OWNER_FOREIGN).all()
    assert len(disagreements(shared, program.intent).cycles) == 0
    ran = program.first_cycle[program.kind == Kind.INSTRUCTION]
    opcodes = program.opcode[program.kind == Kind.INSTRUCTION]
    assert len(ran) + 3 == len(fetches(rdy_trace)) - 1
    assert np.array_equal(opcodes, rdy_trace["data"][ran])
    assert program.first_cycle[-1] + program.length[-1] == len(cycles)
    assert np.array_equal(program.first_cycle[1:], (program.first_cycle + program.length)[:-1])


def test_rdy_held_low_to_the_end_is_a_stalled_row(board_truth, clip, fetches):
    """A CPU that waits for ever at an opcode fetch."""
    truth = board_truth("healthy")
    fetch = int(fetches(truth)[600])
    keep = np.concatenate([np.arange(fetch), np.full(500, fetch)])
    waiting = {name: column[keep] for name, column in truth.items() if len(column) > fetch}
    waiting["rdy"][fetch:] = 0
    for pins in (("RW", "SYNC", "RES", "RDY"), ("RW", "RES", "RDY")):
        program = recover_program(clip(waiting, pins=pins))
        assert program.kind[-1] == Kind.STALLED
        assert (program.first_cycle[-1], program.length[-1]) == (fetch, 500)
        assert program.first_cycle[1:].tolist() == fetches(truth)[1:601].tolist()
        assert program.jam_at is None


def test_bits_that_are_not_known_are_not_read_as_zero(board_truth, clip, fetches):
    """Unknown data in a few cycles: the program goes on after them."""
    truth = board_truth("healthy")
    cycles = clip(truth, pins=("RW", "SYNC", "RES"))
    known = cycles.data_known.copy()
    hidden = fetches(truth)[[400, 900]]
    known[hidden] = 0
    program = recover_program(replace(cycles, data_known=known))
    found, false = found_and_false(program, fetches(truth))
    assert (found, false) == (1, 0)
    assert program.opcode[program.row_of(int(hidden[0]))] == -1
    assert agrees_where_known(program, truth)


@pytest.mark.slow
def test_a_bus_that_rests_proves_no_line_faulty(board_truth, clip):
    """After a jam nothing moves: a level that then changes is not blamed on a line."""
    truth = board_truth("d3_stuck_low_at_cpu")
    address = truth["addr"].copy()
    address[40:] &= ~np.uint16(8)
    program = recover_program(clip({**truth, "addr": address}, pins=NO_SYNC))
    assert program.lines_aside == ()
    assert program.lost_at is not None


@pytest.mark.parametrize("overflow", [0, 0x40])
def test_a_branch_on_a_flag_nobody_set_is_decided_by_what_follows(overflow, execute, clip):
    """BVS over a store, V left as it was before the reset; R/W and data alone tell."""
    code = bytes.fromhex("a2ff9a 7003 8d0002 a955 8d0003 a9aa 8d0004 4c08f0".replace(" ", ""))
    truth = execute(code, 400, p=0x24 | overflow)
    program = recover_program(clip(truth, pins=NO_SYNC, address_mask=0))
    assert program.lost_at is None
    assert agrees_where_known(program, truth)
    stored = [int(pc) for pc in program.pc[program.opcode == 0x8D][:1]]
    assert stored == [0xF00A if overflow else 0xF005]


def test_a_branch_that_nothing_decides_is_where_the_thread_is_lost(execute, clip):
    """BVS to its own next instruction: both ways look the same without addresses."""
    code = bytes.fromhex("a2ff9a 70fe" + "ea" * 8)
    program = recover_program(clip(execute(code, 40), pins=NO_SYNC, address_mask=0))
    assert program.lost_at is not None
    assert "not known" in program.reason


@pytest.mark.slow
@pytest.mark.parametrize("longest", [37, 1000])
def test_the_chunks_in_which_it_is_executed_change_nothing(
    longest, interrupts_trace, rdy_trace, clip, monkeypatch
):
    for trace in (interrupts_trace, rdy_trace):
        cycles = clip(trace, keep=slice(0, 20_000))
        whole = recover_program(cycles)
        with monkeypatch.context() as patched:
            patched.setattr("bustrace.program.follow._SHORTEST", longest)
            patched.setattr("bustrace.program.follow._LONGEST", longest)
            parts = recover_program(cycles)
        for name in ("first_cycle", "kind", "opcode", "pc", "registers", "registers_known"):
            assert np.array_equal(getattr(whole, name), getattr(parts, name)), name
        for name in ("address", "address_known", "data", "data_known", "rw", "sync"):
            assert np.array_equal(getattr(whole.intent, name), getattr(parts.intent, name)), name


def test_a_reset_in_a_write_loses_no_row(execute, clip):
    """RES falls before the two writes of an INC: that they do not come is no disagreement."""
    code = bytes.fromhex("a2ff9a ee0002 4c03f0".replace(" ", ""))
    truth = execute(code, 300)
    write = int(np.flatnonzero(truth["rw"] == 0)[20])
    assert truth["rw"][write + 1] == 0
    keep = np.concatenate([np.arange(write), np.arange(len(truth["addr"]))])
    cut = {name: column[keep] for name, column in truth.items()}
    program = recover_program(clip(cut, pins=NO_SYNC, address_mask=0))
    assert not (program.kind == Kind.LOST).any()
    assert program.first_cycle[program.kind == Kind.RESET].tolist() == [0, write]


def test_of_two_places_like_a_reset_the_one_that_explains_the_writes_is_taken(
    board_truth, clip, fetches
):
    """Before the reset's own cycles, others that look like one but lead nowhere."""
    truth = board_truth("healthy")
    n = len(truth["addr"])
    before = np.array([0x11] * 6 + [0x22, 0x33, 0x44, 0x10, 0x02, 0xEA, 0xEA], np.uint8)
    longer = {
        name: np.concatenate([np.repeat(column[:1], len(before)), column])
        for name, column in truth.items()
        if len(column) == n
    }
    longer["data"][: len(before) + 15] = 0xEA
    longer["data"][: len(before)] = before
    program = recover_program(clip(longer, pins=("RW",), address_mask=0))
    ran = program.first_cycle[program.kind == Kind.INSTRUCTION]
    assert ran.tolist() == (fetches(truth)[1:] + len(before)).tolist()
    assert agrees_where_known(program, longer)


@pytest.mark.slow
def test_reads_that_are_wrong_everywhere_are_no_program(board_truth, clip):
    """A third of all bits flipped: nothing is claimed of what the CPU meant but the reset."""
    truth = board_truth("healthy")
    random = np.random.default_rng(11)
    flips = (random.random((len(truth["addr"]), 8)) < 0.33) @ (1 << np.arange(8))
    program = recover_program(clip({**truth, "data": truth["data"] ^ flips.astype(np.uint8)}))
    assert program.lost_at is not None
    assert program.lost_at < 60
    assert not program.intent.address_known[program.lost_at :].any()
    assert program.reason


@pytest.mark.slow
def test_short_stretches_that_agree_by_chance_are_not_claimed(board_truth, clip):
    """An eighth of all bytes replaced: in the end each entry leads nowhere, and none is kept."""
    truth = board_truth("healthy")
    random = np.random.default_rng(0)
    at = np.flatnonzero(random.random(len(truth["data"])) < 1 / 8)
    at = at[at > 300]
    data = truth["data"].copy()
    data[at] ^= random.integers(1, 256, len(at)).astype(np.uint8)
    program = recover_program(clip({**truth, "data": data}, pins=("RW", "SYNC", "RES")))
    assert program.lost_at is not None
    assert not program.intent.address_known[program.lost_at :].any()
    assert "again wherever entered" in program.reason


def test_levels_while_res_is_low_are_not_compared(board_truth, clip, fetches):
    """Another driver holds R/W low until the CPU is released."""
    truth = board_truth("healthy")
    rw = truth["rw"].copy()
    rw[:16] = 0
    program = recover_program(clip({**truth, "rw": rw}, pins=NO_SYNC))
    assert program.lost_at is None
    assert found_and_false(program, fetches(truth)) == (1, 0)
    assert program.lines_aside == ()
