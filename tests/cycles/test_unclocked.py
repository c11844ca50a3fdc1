"""Cycles without the clock line: counted by what the bus does, against the truth and the clock."""

import json
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from drill_readings import BUSES, run
from hypothesis import given, settings
from hypothesis import strategies as st
from labelled_captures import LABELLED

from bustrace.capture import open_capture
from bustrace.capture.model import Capture
from bustrace.cycles import IN_RESET, Cycles, find_cycles
from bustrace.cycles._kernels import follow_moves
from bustrace.diagnosis import diagnose
from bustrace.drill import sample
from bustrace.hookup import Hookup, Tap, identify_hookup
from bustrace.reading import read_boot

US = 1_000_000

RUNNING = [name for name in LABELLED if name != "reset_held_low"]


def places_in_truth(falls_ps: np.ndarray, cycles: Cycles) -> np.ndarray:
    """Which true cycle each found one is: the one whose fall lies in the quarter before its end or
    in the quarter after it."""
    assert cycles.clock.period_ps is not None
    return np.searchsorted(falls_ps, cycles.time_ps + cycles.clock.period_ps // 4) - 1


@pytest.mark.parametrize("name", RUNNING)
def test_cycles_are_the_true_ones_without_the_clock_line(name: str, captures_dir: Path) -> None:
    """Against a transistor-level simulation of the CPU, made outside this project."""
    label = json.loads((captures_dir / "labels.json").read_text())[name]
    capture = open_capture(captures_dir / label["file"])
    clock = next(line for line, pin in label["lines"].items() if pin == "PHI2")
    named = label["lines"] if name == "healthy_16_lines" else {}
    hookup = identify_hookup(capture, given={**named, clock: "-"})
    assert hookup.questions == ()
    cycles = find_cycles(capture, hookup)
    truth = np.load(captures_dir / f"{name}.truth.npz")
    sample_ps = 1e12 / label["sample_rate_hz"]
    falls = capture.start_ps + np.round(truth["fall_sample"] * sample_ps).astype(np.int64)
    at = places_in_truth(falls, cycles)
    assert (np.diff(at) == 1).all()
    assert np.array_equal(cycles.address, truth["addr"][at] & cycles.address_known)
    assert np.array_equal(cycles.data, truth["data"][at] & cycles.data_known)
    assert np.array_equal(cycles.pin("RW"), truth["rw"][at])
    # What is missing lies before the first move and after the last one.
    moving = np.flatnonzero(np.diff(truth["addr"]) if hookup.address_mask else truth["rw"] == 0)
    assert at[0] <= moving[0] + 1
    assert at[-1] >= moving[-1] - 1
    assert cycles.clock.role == "estimated"
    assert cycles.sampling is None
    assert not (cycles.flags & ~np.uint8(IN_RESET)).any()
    assert (cycles.rise_ps == -1).all()


LINE_SETS = {
    "buses": BUSES,
    "half the address": ("PHI2", "RW", "RES", *BUSES[2:10], *BUSES[18:]),
    "no address": ("PHI2", "RW", "SYNC", "RES", *BUSES[18:]),
    "no R/W": ("PHI2", "RES", "SYNC", *BUSES[2:]),
}


@pytest.mark.slow
@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 500),
    samples=st.floats(8, 32),
    lines=st.sampled_from(sorted(LINE_SETS)),
    noise=st.sampled_from((0.0, 1e-5)),
    transients=st.sampled_from((0.0, 0.25, 1.0)),
    start=st.sampled_from((0, 40)),
)
def test_cycles_without_the_clock_are_those_with_it(
    seed: int, samples: float, lines: str, noise: float, transients: float, start: int
) -> None:
    record = run(seed=seed % 7, cycles=1200)
    capture = sample(
        record,
        rate=int(samples * float(record.clock_hz)),
        lines=LINE_SETS[lines],
        seed=seed,
        noise=noise,
        transients=transients,
        start_cycle=start,
    )
    clocked = find_cycles(capture, identify_hookup(capture, record.board))
    cycles = find_cycles(capture, identify_hookup(capture, record.board, {"PHI2": "-"}))
    assert len(cycles) > 0.97 * len(clocked), cycles.reason
    at = np.maximum(places_in_truth(clocked.time_ps, cycles), 0)
    same = np.ones(len(cycles), dtype=bool)
    for column in ("address", "data", "control"):
        same &= getattr(cycles, column) == getattr(clocked, column)[at]
    assert same.mean() > 0.99
    assert (np.diff(at) == 1).mean() > 0.99


@given(
    start=st.integers(0, 10**9),
    rests=st.lists(st.integers(1, 9), min_size=20, max_size=200),
    off=st.floats(-0.005, 0.005),
    seed=st.integers(0, 2**32 - 1),
)
def test_moves_are_counted_as_plain_division_counts_them(
    start: int, rests: list[int], off: float, seed: int
) -> None:
    """A beat of 1 us, known to half a per cent; moves up to 80 ns late, none in some cycles."""
    random = np.random.default_rng(seed)
    beats = np.cumsum([0, *rests])
    time = start + beats * US + random.integers(0, 80_000, len(beats))
    end, kind = np.empty(beats[-1] + 8, np.int64), np.empty(beats[-1] + 8, np.uint8)
    count, fitting, strays = follow_moves(time, US * (1 + off), 1000, end, kind)
    assert (count, fitting, strays) == (beats[-1] + 1, len(rests), 0)
    assert np.abs(end[:count] - start - np.arange(count) * US).max() < 0.2 * US
    assert np.flatnonzero(kind[:count] != 0).tolist() == beats.tolist()


def counted(time: list[int], silent: int = 1000) -> tuple[list[float], list[int], int]:
    end, kind = np.empty(1000, np.int64), np.empty(1000, np.uint8)
    count, _, strays = follow_moves(np.array(time, np.int64), float(US), silent, end, kind)
    return (end[:count] / US).tolist(), kind[:count].tolist(), int(strays)


def test_a_move_between_two_cycles_ends_none() -> None:
    disturbed = sorted([*(i * US for i in range(10)), int(4.55 * US)])
    assert counted(disturbed) == (list(range(10)), [2] + [1] * 9, 1)


def test_four_moves_that_agree_show_that_the_clock_paused() -> None:
    times = [*(i * US for i in range(6)), *(int((i + 0.5) * US) for i in range(8, 20))]
    ends, kinds, strays = counted(times)
    assert strays == 4
    assert ends[:6] == [0, 1, 2, 3, 4, 5]
    assert ends[-8:] == [i + 0.5 for i in range(12, 20)]
    assert kinds[-8:] == [1] * 8


def test_of_a_long_rest_one_cycle_is_counted() -> None:
    ends, kinds, _ = counted([0, US, 2 * US, 500 * US, 501 * US], silent=64)
    assert (ends, kinds) == ([0, 1, 2, 500, 501], [2, 1, 1, 3, 1])


def test_no_cycle_reaches_over_a_gap_in_the_recording(random_bus, sampled_bus) -> None:
    capture = sampled_bus(*random_bus, floats_high=False)
    begin, end = 200 * US, 300 * US + US // 3
    keep = (capture.time_ps < begin) | (capture.time_ps >= end)
    gapped = Capture(
        mode="timing",
        time_ps=capture.time_ps[keep],
        state=capture.state[keep],
        known=None,
        lines=capture.lines,
        rate=capture.rate,
        gaps=np.array([[begin, end]]),
        end_ps=capture.end_ps,
    )
    cycles = find_cycles(gapped, identify_hookup(gapped, given={"CLK": "-"}))
    inside = (cycles.time_ps > begin) & (cycles.time_ps < end + US // 2)
    assert not inside.any()
    assert 490 < len(cycles) < 500


@pytest.mark.parametrize("ads_ps", [40_000, 150_000, 290_000])
@pytest.mark.parametrize("floats_high", [True, False])
def test_bytes_are_taken_before_the_bus_lets_go(ads_ps, floats_high, sampled_bus) -> None:
    """Whether the address follows the fall at once or as late as the sheets allow (300 ns)."""
    random = np.random.default_rng(1)
    contents = random.integers(0, 256, 0x10000)
    address = random.integers(0, 300, 3000) * 211
    capture = sampled_bus(
        address, contents[address], np.ones(3000, np.int64), ads_ps=ads_ps, floats_high=floats_high
    )
    cycles = find_cycles(capture, identify_hookup(capture, given={"CLK": "-"}))
    assert len(cycles) > 2900
    assert (cycles.data == contents[cycles.address]).mean() > 0.999


def test_too_few_samples_a_cycle_are_refused(random_bus, sampled_bus) -> None:
    capture = sampled_bus(*random_bus, rate=4_000_000)
    cycles = find_cycles(capture, identify_hookup(capture, given={"CLK": "-"}))
    assert len(cycles) == 0
    assert "4 samples a cycle are too few" in cycles.reason
    assert "6 MS/s" in cycles.reason


def test_moves_without_a_beat_give_no_cycles() -> None:
    """Lines that change at random times, as on a wrong connector."""
    random = np.random.default_rng(2)
    time = np.cumsum(random.integers(1, 60, 4000)) * 41_667
    state = random.integers(0, 1 << 16, 4000, dtype=np.uint64)
    lines = tuple(f"A{bit}" for bit in range(16))
    capture = Capture(
        "timing", time, state, None, lines, Fraction(24_000_000), np.zeros((0, 2), np.int64),
        int(time[-1]) + 10**6,
    )  # fmt: skip
    cycles = find_cycles(capture, Hookup(tuple(Tap(a, i, a) for i, a in enumerate(lines))))
    assert len(cycles) == 0
    assert "without a steady beat" in cycles.reason


def test_how_far_the_cycles_can_be_trusted_is_told() -> None:
    record = run(cycles=1500)
    capture = sample(record, rate=24_000_000, seed=1)
    cycles = find_cycles(capture, identify_hookup(capture, record.board, {"PHI2": "-"}))
    assert 0.9 < cycles.clock.seen_share <= 1
    assert cycles.clock.longest_unseen < 20
    doubt = next(note for note in cycles.notes if note.kind == "doubt")
    assert f"{100 * cycles.clock.seen_share:.1f} % of them end with such a move" in doubt.text
    assert f"longest stretch without one is {cycles.clock.longest_unseen} cycles" in doubt.text


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_healthy_boot_without_the_clock_has_no_fault(seed: int) -> None:
    record = run(cycles=6000, seed=seed)
    capture = sample(record, rate=16_000_000, seed=seed, noise=1e-5)
    diagnosis = diagnose(read_boot(capture, record.board, {"PHI2": "-"}))
    assert diagnosis.verdict == "no fault seen", diagnosis.summary
    clock = diagnosis.ladder[0]
    assert (clock.name, clock.status) == ("clock", "not captured")


@pytest.mark.slow
def test_a_fault_is_found_without_the_clock() -> None:
    record = run("stuck:A10=0@bus", cycles=6000)
    capture = sample(record, rate=24_000_000, seed=3)
    diagnosis = diagnose(read_boot(capture, record.board, {"PHI2": "-"}))
    assert str(diagnosis.suspects[0].fault) == "stuck:A10=0@bus"


def test_a_bus_that_comes_to_rest_is_not_called_right() -> None:
    """Without its line a stopped clock looks as a waiting CPU does: neither is claimed."""
    record = run("clock:stops", cycles=2500)
    capture = sample(record, rate=24_000_000, seed=3)
    assert str(diagnose(read_boot(capture, record.board)).suspects[0].fault) == "clock:stops"
    diagnosis = diagnose(read_boot(capture, record.board, {"PHI2": "-"}))
    assert diagnosis.verdict == "cannot conclude"
    assert "clip phase 2" in diagnosis.summary
    assert [f.rule for f in diagnosis.findings if f.severity != "note"] == ["bus-rests"]


def test_a_clock_line_that_never_moves_is_a_finding_not_a_reason_to_estimate() -> None:
    record = run("clip:PHI2", cycles=1500)
    reading = read_boot(sample(record, rate=24_000_000, seed=3), record.board)
    assert len(reading.cycles) == 0
    assert reading.cycles.clock.line == "PHI2"
    assert "clip-off" in [f.rule for f in diagnose(reading).findings]
