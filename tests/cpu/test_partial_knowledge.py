"""Values with unknown bits: what is called known must hold whatever the unknown bits are."""

import numpy as np
import pytest

from bustrace.cpu import REGISTERS, CpuState, StopReason, replay

ORDER = ("pc", "s", "a", "x", "y", "p")


def masked_state(values, masks, unknown_bits):
    """State whose unknown bits are filled from `unknown_bits`."""
    state = CpuState.at_fetch()
    for name, value, mask, filling in zip(ORDER, values, masks, unknown_bits, strict=True):
        state.amend(name, int(value & mask | filling & ~mask), int(mask))
    return state


def shape_of(trace):
    return trace.rw.tolist(), trace.sync.tolist(), trace.ended


@pytest.mark.slow
@pytest.mark.parametrize("density", [0.02, 0.3])
def test_known_bits_do_not_depend_on_unknown_ones(shipped_cases, density):
    """Fill unknown bits of registers and reads at random: every bit called known stays the same.

    Where the truth lies among the fillings, the same run is also held against the reference.
    """
    rng = np.random.default_rng(7)
    open_bits = 0
    for place in range(len(shipped_cases)):
        case = shipped_cases[place]
        n = len(case.data)
        masks = [int(sum((rng.random() > density) << bit for bit in range(8))) for _ in range(5)]
        masks = [0xFFFF, *masks]
        reads_known = np.where(
            rng.random(n) < 0.25, rng.integers(0, 256, n) | rng.integers(0, 256, n), 255
        ).astype(np.uint8)
        reads_known[0] = 255
        traces = []
        for filling in (case.initial, *(rng.integers(0, 65536, 6) for _ in range(3))):
            filling = [int(v) & (0xFFFF if i == 0 else 0xFF) for i, v in enumerate(filling)]
            state = masked_state([int(v) for v in case.initial], masks, filling)
            junk = rng.integers(0, 256, n, dtype=np.uint8)
            reads = case.data if not traces else case.data & reads_known | junk & ~reads_known
            traces.append(replay(state, reads, reads_known=reads_known))
        first = traces[0]
        for other in traces[1:]:
            assert shape_of(other) == shape_of(first)
            assert other.stop == first.stop
            np.testing.assert_array_equal(other.address_known, first.address_known)
            assert not ((other.address ^ first.address) & first.address_known).any()
            np.testing.assert_array_equal(other.data_out_known, first.data_out_known)
            assert not ((other.data_out ^ first.data_out) & first.data_out_known).any()
            for name in REGISTERS:
                value, mask = first.state.register(name)
                assert other.state.register(name)[1] == mask, (case.opcode, name)
                assert (other.state.register(name)[0] ^ value) & mask == 0, (case.opcode, name)
                open_bits += (mask ^ (0xFFFF if name == "pc" else 0xFF)).bit_count()
        if first.stop is StopReason.RAN_OUT:
            assert first.ended == n
    assert open_bits > 1000, "something was unknown"


def test_nothing_is_left_open_when_all_is_known(shipped_cases):
    for place in range(0, len(shipped_cases), 7):
        case = shipped_cases[place]
        pc, s, a, x, y, p = (int(value) for value in case.initial)
        state = CpuState.at_fetch(pc=pc, s=s, a=a, x=x, y=y, p=p)
        trace = replay(state, case.data)
        assert (trace.address_known == 0xFFFF).all()
        assert (trace.data_out_known[trace.rw == 0] == 0xFF).all()
        if case.opcode in (0x8B, 0xAB):
            continue  # their constant differs from die to die, so A is not known
        assert all(trace.state.register(name)[1] in (0xFF, 0xFFFF) for name in REGISTERS)


def test_unstable_and_is_known_only_where_the_constant_cannot_matter():
    state = CpuState.at_fetch(pc=0x8000, a=0b1111_0000, x=0xFF)
    trace = replay(state, [0x8B, 0b1010_1010])
    value, mask = trace.state.register("a")
    assert mask == 0b1111_0101
    assert value & mask == 0b1010_0000


def start_with_unknown_carry():
    state = CpuState.at_fetch(pc=0x8000)
    state.amend("p", 0x24, 0xFE)
    return state


@pytest.mark.parametrize("taken", [False, True])
@pytest.mark.parametrize("seen_by", ["sync", "address"])
def test_observation_decides_a_branch_on_an_unknown_flag(taken, seen_by):
    """BCS +$20, C unknown: SYNC in the next cycle, or the address after it, tells."""
    known = CpuState.at_fetch(pc=0x8000, p=0x25 if taken else 0x24)
    reads = np.array([0xB0, 0x20, 0xEA, 0xEA, 0xEA, 0xEA], dtype=np.uint8)
    truth = replay(known, reads)
    seen = {seen_by: getattr(truth, seen_by)}
    trace = replay(start_with_unknown_carry(), reads, **seen)
    assert trace.stop is StopReason.RAN_OUT
    np.testing.assert_array_equal(trace.address, truth.address)
    assert trace.state.register("p") == (0x25 if taken else 0x24, 0xFF), "C was learnt"


def test_an_undecided_branch_stops_before_it_and_goes_on_from_an_amended_state():
    trace = replay(start_with_unknown_carry(), [0xB0, 0x20, 0xEA, 0xEA])
    assert trace.stop is StopReason.UNDECIDED
    assert trace.ended == 1
    state = trace.state.copy()
    state.amend("p", 0x25)
    onward = replay(state, [0x20, 0xEA, 0xEA])
    assert onward.stop is StopReason.RAN_OUT
    assert onward.address.tolist() == [0x8001, 0x8002, 0x8022]


@pytest.mark.parametrize("x", [0x01, 0x80])
def test_observation_decides_a_carry_from_an_unknown_index(x):
    reads = np.array([0xBD, 0x90, 0x02, 0x11, 0x22, 0xEA, 0xEA], dtype=np.uint8)
    truth = replay(CpuState.at_fetch(pc=0x8000, x=x), reads)
    state = CpuState.at_fetch(pc=0x8000)
    state.amend("x", 0, 0)
    assert replay(state, reads).stop is StopReason.UNDECIDED
    trace = replay(state, reads, sync=truth.sync)
    assert trace.stop is StopReason.RAN_OUT
    np.testing.assert_array_equal(trace.sync, truth.sync)


def test_an_opcode_not_wholly_known_stops_the_replay():
    trace = replay(CpuState.at_fetch(pc=0x8000), [0xEA, 0, 0xEA], reads_known=[255, 0, 0xFE])
    assert trace.stop is StopReason.UNKNOWN_OPCODE
    assert trace.ended == 2
    assert trace.state.address == 0x8001


def test_mismatches_are_reported_by_bit_and_line():
    reads = np.array([0x8D, 0x00, 0x02, 0x55, 0xEA], dtype=np.uint8)
    state = CpuState.at_fetch(pc=0x8000, a=0x55)
    right = replay(state, reads)
    seen = {
        "address": right.address ^ np.array([0, 0, 4, 0, 0], np.uint16),
        "data": np.array([0, 0, 0, 0x57, 0], np.uint8),
        "rw": [1, 1, 1, 1, 1],
        "sync": [1, 0, 0, 0, 1],
    }
    on = replay(state, reads, **seen, stop_on_mismatch=False)
    assert on.address_mismatch.tolist() == [0, 0, 4, 0, 0]
    assert on.data_mismatch.tolist() == [0, 0, 0, 2, 0]
    assert on.control_mismatch.tolist() == [0, 0, 0, 1, 0]
    assert (on.first_mismatch, on.stop, on.ended) == (2, StopReason.RAN_OUT, 5)
    stopped = replay(state, reads, **seen)
    assert (stopped.first_mismatch, stopped.stop, stopped.ended) == (2, StopReason.DISAGREES, 2)
    assert len(stopped) == 3
    masks = {"address_known": np.full(5, 0xFFFB), "data_known": [0xFD] * 5, "rw_known": [0] * 5}
    assert replay(state, reads, **seen, **masks).first_mismatch is None


def test_columns_of_unequal_length_are_refused():
    with pytest.raises(ValueError, match="beside one of 3"):
        replay(CpuState.at_fetch(), [0xEA] * 3, address=[0, 0])
    with pytest.raises(ValueError, match="one axis"):
        replay(CpuState.at_fetch(), [[0xEA]])


def test_outputs_cannot_be_written_and_the_start_is_kept():
    start = CpuState.at_fetch(pc=0x8000)
    trace = replay(start, [0xEA, 0xEA])
    assert start.address == 0x8000
    with pytest.raises(ValueError, match="read-only"):
        trace.address[0] = 0
