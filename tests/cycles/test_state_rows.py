"""State mode: rows are cycles, unless the analyser was clocked on the wrong edge."""

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from bustrace.capture.model import Capture
from bustrace.cycles import IN_RESET, find_cycles
from bustrace.hookup import identify_hookup

LINES = (
    *(f"A{bit}" for bit in range(16)),
    *(f"D{bit}" for bit in range(8)),
    "RW",
    "SYNC",
    "RES",
)


def state_capture(address, data, rw, sync, res, lines=LINES) -> Capture:
    state = np.asarray(address, dtype=np.uint64) | np.asarray(data, np.uint64) << np.uint64(16)
    for bit, level in ((24, rw), (25, sync), (26, res)):
        state |= np.asarray(level, dtype=np.uint64) << np.uint64(bit)
    state &= np.uint64((1 << len(lines)) - 1)
    return Capture(
        "state",
        np.arange(len(state), dtype=np.int64) * 10**6,
        state,
        None,
        lines,
        None,
        np.zeros((0, 2), dtype=np.int64),
        len(state) * 10**6,
    )


@pytest.fixture(params=["exer_interrupts", "exer_rdy"])
def trace(request: pytest.FixtureRequest, reference_dir: Path) -> dict[str, np.ndarray]:
    """Pin levels of a transistor-level simulation, one entry a cycle."""
    loaded = np.load(reference_dir / "chip_traces" / f"{request.param}.npz")
    return {name: loaded[name][:20_000] for name in ("addr", "data", "rw", "sync", "res")}


def test_every_row_is_a_cycle_identical_ones_included(trace) -> None:
    capture = state_capture(*trace.values())
    cycles = find_cycles(capture, identify_hookup(capture))
    assert cycles.reason is None
    assert np.array_equal(cycles.address, trace["addr"])
    assert np.array_equal(cycles.data, trace["data"])
    assert np.array_equal(cycles.pin("RW"), trace["rw"])
    assert np.array_equal(cycles.pin("SYNC"), trace["sync"])
    assert np.array_equal((cycles.flags & IN_RESET) != 0, trace["res"] == 0)
    assert (cycles.rise_ps == -1).all()
    assert not cycles.other_address_known.any()
    assert cycles.clock.role == "state rows"
    assert cycles.clock.period_ps is None
    assert cycles.sampling is None


def test_bytes_one_row_late_are_the_wrong_edge(trace) -> None:
    """On the rise the bus still holds the byte of the cycle before."""
    late = np.roll(trace["data"], 1)
    capture = state_capture(trace["addr"], late, trace["rw"], trace["sync"], trace["res"])
    cycles = find_cycles(capture, identify_hookup(capture))
    assert len(cycles) == 0
    assert "wrong edge" in cycles.reason
    assert "fall of phase 2" in cycles.reason


def test_reads_already_right_but_writes_late_are_the_wrong_edge(trace) -> None:
    """A fast ROM already answers at the rise; the CPU's own bytes come later."""
    late = np.where(trace["rw"] == 1, trace["data"], np.roll(trace["data"], 1))
    writes = np.flatnonzero(trace["rw"] == 0)
    for row in writes:
        late[row] = late[row - 1]
    capture = state_capture(trace["addr"], late, trace["rw"], trace["sync"], trace["res"])
    assert "wrong edge" in str(find_cycles(capture, identify_hookup(capture)).reason)


def test_a_dead_data_bus_is_not_the_wrong_edge(trace) -> None:
    """Every byte equal: nothing tells the edge, so nothing is claimed."""
    stuck = np.full_like(trace["data"], 0xFF)
    capture = state_capture(trace["addr"], stuck, trace["rw"], trace["sync"], trace["res"])
    assert find_cycles(capture, identify_hookup(capture)).reason is None


def test_one_stuck_data_line_is_not_the_wrong_edge(trace) -> None:
    for bit in range(8):
        low = trace["data"] & ~np.uint8(1 << bit)
        capture = state_capture(trace["addr"], low, trace["rw"], trace["sync"], trace["res"])
        assert find_cycles(capture, identify_hookup(capture)).reason is None


def test_without_address_lines_rows_are_taken_as_they_are(trace) -> None:
    data = np.roll(trace["data"], 1)
    lines = ("D0", "D1", "D2", "D3", "D4", "D5", "D6", "D7", "RW")
    state = data.astype(np.uint64) | trace["rw"].astype(np.uint64) << np.uint64(8)
    capture = Capture(
        "state",
        np.arange(len(state), dtype=np.int64) * 500_000,
        state,
        None,
        lines,
        None,
        np.zeros((0, 2), dtype=np.int64),
        len(state) * 500_000,
    )
    cycles = find_cycles(capture, identify_hookup(capture))
    assert len(cycles) == len(state)
    assert cycles.clock.period_ps == 500_000
    assert not cycles.address_known.any()


def test_no_rows_give_a_reason() -> None:
    empty: list[int] = []
    capture = state_capture(empty, empty, empty, empty, empty)
    assert find_cycles(capture, identify_hookup(capture)).reason == "the capture has no rows"


def straight_line(n: int = 200) -> tuple[np.ndarray, np.ndarray, SimpleNamespace]:
    """Reads of one ROM address after the other: no operand ever becomes an address."""
    image = np.random.default_rng(27128).integers(0, 256, 0x10000).astype(np.int16)
    address = 0x8000 + np.arange(n)
    chip = SimpleNamespace(ref="U4", role="rom", images=(object(),))
    board = SimpleNamespace(mapped=(chip,), image_bytes=lambda ref: image, clock_hz=None)
    return address, image[address], board


def test_rom_reads_that_fit_the_row_above_are_the_wrong_edge() -> None:
    address, data, board = straight_line()
    one = np.ones(len(address), dtype=np.int64)
    right = state_capture(address, data, one, one, one)
    late = state_capture(address, np.roll(data, 1), one, one, one)
    assert find_cycles(right, identify_hookup(right), board).reason is None
    assert "ROM reads" in find_cycles(late, identify_hookup(late), board).reason
    assert find_cycles(late, identify_hookup(late)).reason is None


def test_a_rom_of_another_revision_is_not_the_wrong_edge() -> None:
    address, data, board = straight_line()
    one = np.ones(len(address), dtype=np.int64)
    other = np.random.default_rng(1).integers(0, 256, len(data))
    capture = state_capture(address, other, one, one, one)
    assert find_cycles(capture, identify_hookup(capture), board).reason is None
