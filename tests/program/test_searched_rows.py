"""Programs that can only be searched for: rows, what they are not used for, and no false program.

External witness: SYNC of `chip_traces/`, a transistor-level simulation (reference data). The short
programs are run by the executor, which other tests hold to the reference data.
"""

from __future__ import annotations

import numpy as np
import pytest

from bustrace.program import Kind, recover_program

CODE = bytes.fromhex("a205a9f09d0002cad0fa2020f0e6104c00f0") + bytes(14) + bytes.fromhex("a91060")
"""A loop that stores, counts, and calls a subroutine at $F020."""

INSTRUCTIONS = (Kind.INSTRUCTION, Kind.IRQ, Kind.NMI, Kind.BRK)


def shares(program, begins):
    """Fetches found, and claimed where there is none, as shares of those there are."""
    told = program.first_cycle[np.isin(program.kind, INSTRUCTIONS)]
    right = np.isin(told, begins).sum()
    return right / len(begins), (len(told) - right) / len(begins)


@pytest.fixture
def middle(execute):
    """A loop seen from its midst: no reset in view."""
    truth = execute(CODE, 700)
    return {name: column[60:] for name, column in truth.items()}


def test_a_program_without_addresses_and_reset_is_searched_for(middle, clip, fetches):
    """Data and R/W from the middle of a loop: rows, opcodes and some addresses, but no intent."""
    program = recover_program(clip(middle, pins=("RW",), address_mask=0))
    assert program.method == "search"
    found, false = shares(program, fetches(middle))
    assert found > 0.98
    assert false < 0.02
    rows = np.flatnonzero(np.isin(program.kind, INSTRUCTIONS))
    assert program.searched[rows].all()
    at = program.first_cycle[rows[2:]]
    np.testing.assert_array_equal(program.opcode[rows[2:]], middle["data"][at].astype(np.int16))
    known = program.pc[rows] >= 0
    assert known.mean() > 0.8
    np.testing.assert_array_equal(
        program.pc[rows[known]], middle["addr"][program.first_cycle[rows[known]]].astype(np.int32)
    )
    assert program.confidence[rows].max() < 1
    assert int((program.first_cycle + program.length)[-1]) == len(middle["rw"])


def test_rules_are_not_fed_what_was_only_searched_for(middle, clip):
    """Nothing is known of what the CPU meant, and the certain program has no row of the search."""
    program = recover_program(clip(middle, pins=("RW",), address_mask=0))
    assert (program.intent.sync == 2).all()
    assert not program.intent.address_known.any()
    certain = program.certain()
    assert certain.method == "none"
    assert (certain.kind == Kind.LOST).all()
    assert not certain.registers_known.any()
    assert (certain.opcode == -1).all()


def test_an_executed_program_has_nothing_searched_for(execute, clip):
    """From the reset on the program is executed; the search is not asked."""
    program = recover_program(clip(execute(CODE, 400), pins=("RW", "RES")))
    assert program.method == "follow"
    assert not program.searched.any()
    assert program.certain() is program


def test_captured_waits_belong_to_the_row_they_stretch(middle, clip, fetches):
    """RDY is captured: the first cycle of a fetch that waits begins the row."""
    n = len(middle["rw"])
    waits = np.zeros(n, np.int64)
    reads = np.flatnonzero(middle["rw"] == 1)
    waits[reads[::9]] = 2
    at = np.repeat(np.arange(n), 1 + waits)
    slow = {name: column[at] for name, column in middle.items()}
    last = np.append(np.diff(at) != 0, True)
    slow["rdy"] = last.astype(np.uint16)
    slow["sync"] = middle["sync"][at]
    begins = np.flatnonzero((slow["sync"] == 1) & (np.append(-1, at[:-1]) != at))
    program = recover_program(clip(slow, pins=("RW", "RDY"), address_mask=0))
    found, false = shares(program, begins)
    assert found > 0.97
    assert false < 0.03


def test_a_line_that_rests_is_masked_and_named(middle, clip, fetches):
    """D2 reads 0 for ever; the search goes without and says so."""
    stuck = {**middle, "data": middle["data"] & 0xFB}
    program = recover_program(clip(stuck, pins=("RW",), address_mask=0xFF))
    found, false = shares(program, fetches(middle))
    assert found > 0.95
    assert false < 0.05
    assert any("D2" in note.text and "went without" in note.text for note in program.notes)


def test_a_flaky_address_clip_is_named(interrupts_trace, clip, fetches):
    """A3 is wrong in every fifth cycle: it does not count on, and is not used."""
    part = {name: column[1000:9000].copy() for name, column in interrupts_trace.items()}
    wrong = np.random.default_rng(2).random(8000) < 0.2
    part["addr"][wrong] ^= 8
    program = recover_program(clip(part, pins=(), address_mask=0xFF, data_mask=0xBF))
    assert any("A3" in note.text for note in program.notes)
    found, false = shares(program, fetches(part))
    assert found > 0.97
    assert false < 0.03


def test_twins_are_kept_as_alternatives(interrupts_trace, clip):
    """A dead data line leaves opcodes that look alike: the true one is among the two named."""
    part = {name: column[1000:9000] for name, column in interrupts_trace.items()}
    program = recover_program(clip(part, pins=("RW",), data_mask=0xDF))
    assert program.method == "search"
    assert len(program.alternatives) > 20
    others = dict(program.alternatives)
    rows = np.array(sorted(others))
    true = part["data"][program.first_cycle[rows]]
    named = [
        int(code) in (int(program.opcode[row]), others[int(row)])
        for row, code in zip(rows, true, strict=True)
    ]
    assert np.mean(named) > 0.9
