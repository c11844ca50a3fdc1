"""What the rules say of a board with banks: the map of the state that each cycle had."""

from __future__ import annotations

import numpy as np
import pytest
from banked_boot import Wrong, board, read, simulate
from drill_readings import rules

from bustrace.findings import Assumption, find_all, gather
from bustrace.findings.coverage import coverage
from bustrace.program.slipped import without_clips


@pytest.mark.parametrize("resets", [True, False])
def test_a_healthy_banked_boot_has_no_fault(resets):
    """With a latch that reset clears, and with one that keeps what it powers up with."""
    reading = read(Wrong(power_on=0 if resets else 6), resets=resets)
    assert rules(find_all(reading), "fault", "oddity") == set()


def test_the_state_of_each_cycle_is_what_the_simulated_latch_held():
    """The latch of the simulation, cycle by cycle."""
    replay = gather(read()).replay
    assert np.array_equal(replay.state, simulate().latch)
    assert (replay.state_known == 7).all()
    assert set(replay.state.tolist()) == {0, 1, 2, 3, 4}


def test_a_latch_that_reset_leaves_alone_is_unknown_until_it_is_written():
    """Reads that hang on it are then not judged; those of the other ROM are."""
    run, replay = simulate(Wrong(power_on=6)), gather(read(Wrong(power_on=6), resets=False)).replay
    first = int(np.flatnonzero((run.address == 0x8000) & (run.rw == 0))[0])
    assert not replay.state_known[: first + 1].any()
    assert (replay.state_known[first + 1 :] == 7).all()
    assert np.array_equal(replay.state[first + 1 :], run.latch[first + 1 :])
    assert (replay.address[1 : first + 1] >= 0).all()


def test_what_is_written_under_the_rom_is_read_back_from_the_ram():
    """The ROM drives the reads meanwhile; afterwards every byte of the RAM is expected."""
    evidence = gather(read())
    replay, run = evidence.replay, simulate()
    u6, u7 = replay.chips.index("U6"), replay.chips.index("U7")
    window = (run.address >> 13 == 5) & (run.rw == 1)
    under = window & (run.latch == 4)
    assert under.sum() >= 24
    assert (replay.healthy.drivers[window & (run.latch < 4)][1:] == 1 << u6).all()
    assert (replay.healthy.drivers[under] == 1 << u7).all()
    assert (replay.healthy.expected_known[under] == 0xFF).all()
    assert np.array_equal(replay.healthy.expected[under], run.data[under])


def test_ram_that_does_not_take_writes_under_the_rom_is_found():
    """It gives back what it held at power-on."""
    found = find_all(read(Wrong(no_writes_under=True)))
    assert [f.chips for f in found if f.severity == "fault"] == [("U7",)]


def test_coverage_counts_the_bytes_of_each_page_apart():
    """24 bytes and the routine of 5 in each of the four pages; RTS reads one byte more (MCS6500
    Hardware Manual, appendix A)."""
    touched = coverage(gather(read()), "U6")
    expected = sorted(
        page * 0x2000 + at for page in range(4) for at in (*range(24), *range(0x100, 0x106))
    )
    assert len(touched) == 0x8000
    assert np.flatnonzero(touched.tolist()).tolist() == expected


def test_selects_are_judged_by_the_bank():
    """RAMON stuck low: the RAM is asked and not selected; the ROM answers in its place."""
    found = find_all(read(Wrong(latch_and=3)))
    missing = [f for f in found if f.rule == "select-missing"]
    assert [f.chips for f in missing] == [("U7",)]


@pytest.mark.parametrize(("bit", "level"), [(0, 0), (0, 1), (1, 0), (1, 1)])
def test_reads_from_another_page_are_no_wrong_content(bit, level):
    """One finding names the bit, the latch and the ROM; the ROM's content is not doubted."""
    mask = 1 << bit
    wrong = Wrong(latch_or=mask) if level else Wrong(latch_and=7 & ~mask)
    faults = [f for f in find_all(read(wrong)) if f.severity == "fault"]
    assert [f.rule for f in faults] == ["bank-wrong"]
    (finding,) = faults
    run = simulate(wrong)
    should = simulate().latch  # the program takes the same way in every page
    differs = (run.latch != should[: len(run.latch)]) & (run.address >> 13 == 5) & (run.rw == 1)
    assert finding.chips == ("U9", "U6")
    assert f"B{bit}" in finding.text
    assert finding.count <= int(differs.sum())
    assert set(finding.cycles) <= set(np.flatnonzero(differs).tolist())
    assert 0 < finding.count <= finding.opportunities


def test_a_wrong_byte_in_a_page_is_not_another_page():
    """A ROM of other bytes than its image is still wrong content."""
    faults = {f.rule for f in find_all(read(Wrong(swapped=True))) if f.severity == "fault"}
    assert "bank-wrong" not in faults
    assert "rom-content" in faults


def test_an_assumption_holds_from_its_first_cycle_on():
    """Before it the board is healthy; from cycle 0 it is the assumption throughout."""
    replay = gather(read(Wrong(latch_and=6))).replay
    stuck = Assumption(state_and=0xFFFE)
    whole, healthy = replay.replay(stuck), replay.healthy
    late = replay.replay(stuck, first=700)
    assert np.array_equal(replay.replay(stuck, first=0).cost, whole.cost)
    assert np.array_equal(replay.replay(stuck, first=replay.n).cost, healthy.cost)
    assert np.array_equal(late.cost[:700], healthy.cost[:700])
    assert late.cost[700:].sum() < healthy.cost[700:].sum()
    assert whole.total < late.total < healthy.total


def test_a_data_clip_that_is_off_is_not_filled_from_the_wrong_bank():
    """What is taken from the chips for D3 is never another page's; the monitor's bytes are."""
    run, reading = simulate(), read()
    filled = without_clips(reading.cycles, board(), 1 << 3)
    assert not ((filled.data ^ run.data) & filled.data_known)[run.rw == 1].any()
    monitor = (run.rw == 1) & (run.address >= 0xE000)
    assert (filled.data_known[monitor] == 0xFF).all()
