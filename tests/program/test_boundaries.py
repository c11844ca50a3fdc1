"""Rows from SYNC against the fetches of a transistor-level simulation and of sampled boards."""

import numpy as np
import pytest

from bustrace.program.boundaries import sync_boundaries, sync_usable
from bustrace.program.model import Kind

SHARED = (
    "a6_stuck_low_behind_cpu",
    "a9_stuck_high",
    "clock_stops",
    "d1_d4_short",
    "d3_stuck_low_at_cpu",
    "healthy",
    "irq_held_low",
    "ram_answers_with_rom",
    "rom_never_drives",
)


def after_reset(fetches):
    """True fetches but the forced one, which belongs to the reset sequence."""
    return fetches[1:]


@pytest.mark.parametrize("name", SHARED)
def test_rows_begin_at_every_fetch_after_one_reset_row(name, board_truth, clip, fetches):
    truth = board_truth(name)
    found = sync_boundaries(clip(truth))
    assert found.first_cycle[0] == 0
    assert found.kind[0] == Kind.RESET
    assert found.first_cycle[1:].tolist() == after_reset(fetches(truth)).tolist()
    assert (found.kind[1:] == Kind.INSTRUCTION).all()
    assert np.array_equal(found.pc[1:], truth["addr"][found.first_cycle[1:]])
    assert np.array_equal(found.opcode[1:], truth["data"][found.first_cycle[1:]])


def test_a_board_held_in_reset_is_one_reset_row(board_truth, clip):
    found = sync_boundaries(clip(board_truth("reset_held_low")))
    assert found.first_cycle.tolist() == [0]
    assert found.kind.tolist() == [Kind.RESET]


def test_interrupts_and_brk_are_told_apart_by_vector_and_pushed_status(interrupts_trace, clip):
    """88 IRQ, 59 NMI, 3 BRK: what the pushed B bit and the vector of the trace say."""
    trace = interrupts_trace
    found = sync_boundaries(clip(trace))
    rows = found.first_cycle
    for kind, count, vector, pushed_b in (
        (Kind.IRQ, 88, 0xFFFE, 0),
        (Kind.NMI, 59, 0xFFFA, 0),
        (Kind.BRK, 3, 0xFFFE, 1),
    ):
        at = rows[found.kind == kind]
        assert len(at) == count
        assert (trace["addr"][at + 5] == vector).all()
        assert (trace["data"][at + 4] >> 4 & 1 == pushed_b).all()


def test_a_fetch_repeated_by_rdy_begins_once_and_counts_its_last_byte(rdy_trace, clip, fetches):
    for pins in (("RW", "SYNC", "RES", "RDY"), ("RW", "SYNC", "RES")):
        found = sync_boundaries(clip(rdy_trace, pins=pins))
        assert found.first_cycle[1:].tolist() == after_reset(fetches(rdy_trace)).tolist()


def test_a_triage_capture_gives_rows_without_addresses(board_truth, clip, fetches):
    """SYNC, R/W and D0 alone: boundaries, no opcodes, no addresses."""
    truth = board_truth("healthy")
    found = sync_boundaries(
        clip(truth, pins=("RW", "SYNC", "RES", "IRQ", "RDY"), address_mask=0, data_mask=1)
    )
    assert found.first_cycle[1:].tolist() == after_reset(fetches(truth)).tolist()
    assert (found.opcode == -1).all()
    assert (found.pc == -1).all()


def test_a_capture_from_mid_program_begins_with_a_lost_row(board_truth, clip, fetches):
    truth = board_truth("healthy")
    begin = int(fetches(truth)[100]) + 1
    found = sync_boundaries(clip(truth, keep=slice(begin, None)))
    assert found.kind[0] == Kind.LOST
    assert found.first_cycle[1] == fetches(truth)[101] - begin


def test_reset_in_the_middle_cuts_the_instruction_and_starts_again(board_truth, clip, fetches):
    """The boot, cut in an instruction, then the same boot from its reset."""
    truth = board_truth("healthy")
    cut = int(fetches(truth)[200]) + 2
    keep = np.concatenate([np.arange(cut), np.arange(len(truth["addr"]))])
    found = sync_boundaries(clip(truth, keep=keep))
    resets = np.flatnonzero(found.kind == Kind.RESET)
    assert found.first_cycle[resets].tolist() == [0, cut]
    assert found.first_cycle[resets[1] + 1] == cut + fetches(truth)[1]
    assert found.first_cycle[resets[1] - 1] == fetches(truth)[200]


def test_one_cycle_of_low_res_that_the_cpu_ignores_is_no_reset(board_truth, clip, fetches):
    truth = board_truth("healthy")
    res = truth["res"].copy()
    res[1000] = 0
    found = sync_boundaries(clip({**truth, "res": res}))
    assert (found.kind == Kind.RESET).sum() == 1
    assert len(found.first_cycle) >= len(fetches(truth)) - 1


def test_reset_without_res_is_found_by_its_vector(board_truth, clip):
    truth = board_truth("healthy")
    found = sync_boundaries(clip(truth, pins=("RW", "SYNC")))
    assert found.kind[:3].tolist() == [Kind.LOST, Kind.RESET, Kind.INSTRUCTION]
    assert truth["addr"][found.first_cycle[1] + 5] == 0xFFFC


def test_a_sync_line_that_never_rises_is_not_used(board_truth, clip):
    truth = board_truth("healthy")
    assert sync_usable(clip(truth))
    assert not sync_usable(clip({**truth, "sync": np.zeros_like(truth["sync"])}))
    assert not sync_usable(clip(truth, pins=("RW", "RES")))
