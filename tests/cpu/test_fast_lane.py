"""Whole instructions executed the fast way, against one cycle after another the slow way.

The slow way is the one that the recordings, the reference cases and py65 are held against.
"""

import numpy as np
import pytest

from bustrace.cpu import CpuState, StopReason, replay_levels

NO_PIN = 32
"""A level of no pin: the fast way is only taken where all pins are high and nothing else."""

REGISTERS = ("pc", "a", "x", "y", "s", "p")
COLUMNS = (
    "meant", "certain", "off", "first_cycle", "kind", "opcode", "pc", "pc_known", "registers",
    "registers_known",
)  # fmt: skip


def outcome(found):
    """All that a replay tells, up to where it ended."""
    rows = [
        getattr(found, name)[: found.predicted] if name in COLUMNS[:3] else getattr(found, name)
        for name in COLUMNS
    ]
    state = found.state
    inside = [state.register(name) for name in REGISTERS]
    pins = (state.address, state.address_known, state.data_out, state.rw, state.sync)
    return rows, (found.predicted, found.ended, found.first_mismatch, found.stop), inside, pins


def assert_same(fast, slow):
    rows, told, inside, pins = outcome(fast)
    slow_rows, slow_told, slow_inside, slow_pins = outcome(slow)
    assert told == slow_told
    for name, column, other in zip(COLUMNS, rows, slow_rows, strict=True):
        np.testing.assert_array_equal(column, other, err_msg=name)
    # A bit that is not known may stand for either level.
    assert [(v & k, k) for v, k in inside] == [(v & k, k) for v, k in slow_inside]
    assert pins == slow_pins


def starts(part, rng):
    """A fetch with registers of which some are known, some partly."""
    values = {name: int(rng.integers(0x100)) for name in ("a", "x", "y", "s", "p")}
    values["p"] &= 0xF7 if rng.random() < 0.7 else 0xFF
    state = CpuState.at_fetch(part, pc=int(rng.integers(0x10000)), **values)
    for name in ("a", "x", "y", "s", "p"):
        if rng.random() < 0.25:
            state.amend(name, values[name], int(rng.integers(0x100)))
    return state


@pytest.mark.slow
@pytest.mark.parametrize("part", ["6502", "6507", "6510", "65C02", "R65C02", "W65C02S"])
def test_the_fast_way_is_the_slow_way(part):
    """Random bytes as program: rows, levels, masks and the state at the end are the same."""
    rng = np.random.default_rng(6502)
    ended, taken = 0, 0
    for _ in range(400):
        state = starts(part, rng)
        reads = rng.integers(0, 256, 80).astype(np.uint8)
        known = np.where(rng.random(80) < 0.01, 0xF0, 0xFF).astype(np.uint8)
        told = None if rng.random() < 0.5 else known
        fast = replay_levels(state, reads, told)
        slow = replay_levels(state, reads, told, np.full(80, 31 | NO_PIN, np.uint8))
        assert_same(fast, slow)
        ended += fast.stop is StopReason.RAN_OUT
        taken += fast.ended
    assert ended > 20
    assert taken > 400 * 8


@pytest.mark.slow
@pytest.mark.parametrize("stops", [False, True])
def test_a_line_that_disagrees_is_told_alike_in_both_ways(stops):
    rng = np.random.default_rng(1)
    disagreed = 0
    for _ in range(200):
        state = CpuState.at_fetch(pc=0x8000, s=0xFF)
        reads = rng.integers(0, 256, 60).astype(np.uint8)
        pins = np.full(60, 31, np.uint8)
        pins[rng.integers(20, 60)] ^= 1 << int(rng.integers(1, 5))
        truth = replay_levels(state, reads, None, pins)
        seen = truth.meant.copy()
        seen[rng.integers(60, size=2)] ^= np.uint32(1 << int(rng.integers(26)))
        known = np.full(60, 0x3FFFFFF, np.uint32)
        ways = [
            replay_levels(state, reads, None, level, seen, known, known, stop_on_mismatch=stops)
            for level in (pins, pins | NO_PIN)
        ]
        assert_same(*ways)
        disagreed += ways[0].first_mismatch is not None
    assert disagreed > 50
