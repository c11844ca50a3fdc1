"""Instructions and cycles side by side."""

import itertools

import numpy as np
import pytest

from bustrace.program import Kind, listing_rows, recover_program


def test_rows_carry_text_bytes_registers_and_cycles(board_truth, clip):
    """The first instructions of the exerciser ROM: SEI, CLD, LDX #$FF, TXS."""
    truth = board_truth("healthy")
    cycles = clip(truth)
    program = recover_program(cycles)
    rows = list(listing_rows(program, cycles, end_row=5))
    assert [row.text for row in rows] == ["reset", "SEI", "CLD", "LDX #$FF", "TXS"]
    ldx = rows[3]
    assert (ldx.pc, ldx.code, ldx.kind) == (0x8002, (0xA2, 0xFF), Kind.INSTRUCTION)
    assert [c.address for c in ldx.cycles] == [0x8002, 0x8003]
    assert [c.cycle for c in ldx.cycles] == list(range(ldx.cycle, ldx.cycle + ldx.length))
    assert all(c.rw == 1 and c.intended == c.address and c.differs == () for c in ldx.cycles)
    assert {name: (value, known) for name, value, known in rows[4].registers}["X"] == (
        0xFF,
        0xFF,
    )


@pytest.mark.slow
@pytest.mark.parametrize("pins", [("RW", "SYNC", "RES", "RDY"), ("RW", "SYNC", "RES")])
def test_operands_are_those_in_memory_even_where_rdy_halts_them(pins, rdy_trace, clip):
    """Bytes of the code, against what the trace's ROM gave at those addresses."""
    cycles = clip(rdy_trace, pins=pins)
    program = recover_program(cycles)
    memory = {}
    for address, data in zip(rdy_trace["addr"].tolist(), rdy_trace["data"].tolist(), strict=True):
        if address >= 0x8000:
            memory[address] = data
    checked = 0
    for row in itertools.islice(listing_rows(program, cycles), 3000):
        if row.kind == Kind.INSTRUCTION and row.pc is not None and row.pc >= 0x8000:
            expected = [memory[row.pc + place] for place in range(len(row.code))]
            assert list(row.code) == expected
            checked += len(expected) > 1
    assert checked > 500


@pytest.mark.slow
def test_a_branch_without_its_address_shows_no_target(interrupts_trace, clip):
    """SYNC and data, no addresses, no reset in view: operands by position, no branch target."""
    keep = slice(20_000, 26_000)
    cycles = clip(interrupts_trace, pins=("RW", "SYNC"), address_mask=0, keep=keep)
    program = recover_program(cycles)
    branches = [row for row in listing_rows(program, cycles) if row.text.startswith("B")]
    texts = [row.text for row in branches if not row.text.startswith(("BIT", "BRK"))]
    assert len(texts) > 5
    assert all(text.endswith(" $????") for text in texts)


@pytest.mark.slow
def test_a_line_that_is_not_what_the_cpu_meant_is_named(board_truth, clip):
    truth = board_truth("a9_stuck_high")
    cycles = clip(truth, pins=("RW", "RES"))
    program = recover_program(cycles)
    named = {c.differs for row in listing_rows(program, cycles) for c in row.cycles}
    assert named == {(), ("A9",)}


def test_operands_by_position_are_those_of_a_call_too(execute, clip):
    """JSR reads its high byte in its last cycle (hardware manual, A.5.3)."""
    code = b"\xa2\xff\x9a\x20\x10\xf1\x4c\x03\xf0".ljust(0x110, b"\xea") + b"\x60"
    cycles = clip(execute(code, 200), pins=("RW", "SYNC"), address_mask=0, keep=slice(40, None))
    program = recover_program(cycles)
    calls = [row for row in listing_rows(program, cycles) if row.text.startswith("JSR")]
    assert len(calls) > 5
    assert {call.text for call in calls[:-1]} == {"JSR $F110"}


@pytest.mark.slow
def test_a_corrected_read_is_shown_as_the_cpu_saw_it(execute, clip):
    """JMP $F020, whose low byte the clip saw as $21."""
    truth = execute(b"\xa2\xff\x9a\x4c\x20\xf0".ljust(0x20, b"\xea") + b"\xea" * 60, 80)
    data = truth["data"].copy()
    cycle = int(np.flatnonzero(truth["addr"] == 0xF004)[0])
    data[cycle] ^= 1
    cycles = clip({**truth, "data": data}, pins=("RW", "RES"))
    program = recover_program(cycles)
    texts = [row.text for row in listing_rows(program, cycles)]
    assert texts[:5] == ["reset", "LDX #$FF", "TXS", "JMP $F020", "NOP"]
