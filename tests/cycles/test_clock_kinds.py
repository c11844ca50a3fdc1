"""What the clock line turns out to be, and what it does."""

import dataclasses
from fractions import Fraction
from types import SimpleNamespace

import numpy as np
import pytest
from drill_readings import boot

from bustrace.capture.model import Capture
from bustrace.cycles import (
    OWNER_CPU,
    OWNER_FOREIGN,
    OWNER_UNKNOWN,
    SHORT,
    STRETCHED,
    find_cycles,
)
from bustrace.hookup import Hookup, Tap, identify_hookup

US = 1_000_000


def read(capture: Capture, given=None, board=None):
    return find_cycles(capture, identify_hookup(capture, given=given), board)


def texts(cycles) -> str:
    return " ".join(note.text for note in cycles.notes)


def clock_only(falls_and_rises, levels, end_ps, rate=Fraction(100_000_000), gaps=()):
    return Capture(
        "timing",
        np.array(falls_and_rises, dtype=np.int64),
        np.array(levels, dtype=np.uint64),
        None,
        ("PHI2",),
        rate,
        np.array(gaps, dtype=np.int64).reshape(-1, 2),
        end_ps,
    )


def square(n, period=US, start=0):
    """Rows of a clock: low at `start`, n periods."""
    times = [start + i * period // 2 for i in range(2 * n + 1)]
    return times, [i % 2 for i in range(2 * n + 1)]


def test_a_clock_gives_every_cycle_it_ends(random_bus, sampled_bus) -> None:
    address, data, rw = random_bus
    cycles = read(sampled_bus(address, data, rw))
    n = len(cycles)
    assert n == 599
    assert np.array_equal(cycles.address[1:], address[1:n])
    assert np.array_equal(cycles.data[1:], data[1:n])
    assert np.array_equal(cycles.pin("RW")[1:], rw[1:n])
    assert cycles.clock.role == "phase 2"


@pytest.mark.parametrize(("name", "kind"), [("CLK", "guess"), ("PHI2", "doubt")])
def test_a_clock_that_the_address_follows_after_its_rise_is_phase_1(
    name, kind, random_bus, sampled_bus
):
    address, data, rw = random_bus
    capture = sampled_bus(address, data, rw, clock=lambda t: t % US < US // 2)
    capture = dataclasses.replace(capture, lines=(name, *capture.lines[1:]))
    cycles = read(capture)
    assert cycles.clock.role == "phase 1, inverted"
    assert np.array_equal(cycles.address[1:], address[1 : len(cycles)])
    assert np.array_equal(cycles.data[1:], data[1 : len(cycles)])
    assert [note.kind for note in cycles.notes] == [kind]
    assert "phase 1" in texts(cycles)


def test_a_bus_that_others_use_in_the_low_half_tells_no_phase(random_bus, sampled_bus):
    """Video addresses while phase 2 is low, the CPU's after its rise: changes in both halves."""
    address, data, rw = (np.repeat(values, 2) for values in random_bus)
    address[0::2] ^= 0x5A5A
    capture = sampled_bus(
        address, data, rw, period_ps=US // 2, ads_ps=50_000, clock=lambda t: t % US >= US // 2
    )
    capture = dataclasses.replace(capture, lines=("PHI2", *capture.lines[1:]))
    cycles = read(capture)
    assert cycles.clock.role == "phase 2"
    assert cycles.notes == ()
    assert np.array_equal(cycles.address[1:], address[3::2][: len(cycles) - 1])
    assert np.array_equal(cycles.other_address[1:], address[2::2][: len(cycles) - 1])


def test_a_given_phase_is_kept_and_doubted(random_bus, sampled_bus):
    address, data, rw = random_bus
    capture = sampled_bus(address, data, rw, clock=lambda t: t % US < US // 2)
    cycles = read(capture, {"CLK": "PHI2"})
    assert cycles.clock.role == "phase 2"
    assert [note.kind for note in cycles.notes] == ["doubt"]
    assert "other phase" in texts(cycles)


def test_nothing_tells_the_edge_of_a_vague_clock_when_nothing_moves(sampled_bus):
    still = np.zeros(100, dtype=np.int64)
    cycles = read(sampled_bus(still, still, still))
    assert len(cycles) == 99
    assert "Nothing shows which edge" in texts(cycles)


def test_a_line_named_phase_1_is_inverted_without_a_word(random_bus, sampled_bus) -> None:
    address, data, rw = random_bus
    capture = sampled_bus(address, data, rw, clock=lambda t: t % US < US // 2)
    cycles = read(capture, {"CLK": "PHI1"})
    assert cycles.clock.role == "phase 1, inverted"
    assert np.array_equal(cycles.data[1:], data[1 : len(cycles)])
    assert cycles.notes == ()


def test_a_phase_2_given_as_inverted_is_turned_over(random_bus, sampled_bus) -> None:
    address, data, rw = random_bus
    capture = sampled_bus(address, data, rw, clock=lambda t: t % US < US // 2)
    cycles = read(capture, {"CLK": "!PHI2"})
    assert cycles.clock.role == "phase 2"
    assert np.array_equal(cycles.data[1:], data[1 : len(cycles)])
    assert cycles.notes == ()


def test_phase_0_leads_and_still_reads_right(random_bus, sampled_bus) -> None:
    """Phase 0 leads phase 2 out by some tens of ns (makers' clock diagrams)."""
    address, data, rw = random_bus
    capture = sampled_bus(address, data, rw, clock=lambda t: (t + 40_000) % US >= US // 2)
    cycles = read(capture, {"CLK": "PHI0"})
    assert cycles.clock.role == "phase 0"
    assert np.array_equal(cycles.data[1:], data[1 : len(cycles)])


@pytest.mark.parametrize("factor", [2, 4, 8])
def test_a_faster_clock_is_divided_by_what_the_address_shows(
    factor, random_bus, sampled_bus
) -> None:
    address, data, rw = random_bus
    fast = US // factor
    capture = sampled_bus(
        address, data, rw, rate=100_000_000, clock=lambda t: t % fast >= fast // 2
    )
    cycles = read(capture)
    assert cycles.clock.divided_by == factor
    assert abs(cycles.clock.period_ps - US) < 20_000
    lag = int(np.flatnonzero(address == cycles.address[5])[0]) - 5
    n = len(cycles)
    assert n >= 590
    assert np.array_equal(cycles.address[2:], address[2 + lag : n + lag])
    assert np.array_equal(cycles.data[2:], data[2 + lag : n + lag])
    assert (cycles.rise_ps == -1).all()
    assert not cycles.other_address_known.any()
    assert "faster" in texts(cycles)


def test_a_phase_2_by_name_is_not_divided_when_every_cycle_waits(random_bus, sampled_bus) -> None:
    """A board that waits one cycle in each access changes its address every second cycle."""
    address, data, rw = (np.repeat(x, 2) for x in random_bus)
    cycles = read(sampled_bus(address, data, rw), {"CLK": "PHI2"})
    assert cycles.clock.divided_by == 1
    assert len(cycles) == 1199


def test_a_board_file_that_contradicts_it_forbids_the_division(random_bus, sampled_bus) -> None:
    address, data, rw = (np.repeat(x, 2) for x in random_bus)
    board = SimpleNamespace(clock_hz=Fraction(10**6))
    cycles = read(sampled_bus(address, data, rw), board=board)
    assert cycles.clock.divided_by == 1


def test_one_sample_pulses_are_no_clock_and_are_counted(random_bus, sampled_bus) -> None:
    address, data, rw = random_bus
    clean = sampled_bus(address, data, rw)
    step = 41_667

    def noisy(t):
        level = t % US >= US // 2
        at = (t // step) % 2400
        return level ^ ((at == 5) | (at == 1333))

    cycles = read(sampled_bus(address, data, rw, clock=noisy))
    assert cycles.clock.rejected >= 10
    assert np.array_equal(cycles.time_ps, read(clean).time_ps)
    assert np.array_equal(cycles.data, read(clean).data)
    assert "too short" in texts(cycles)


def test_a_stopped_clock_says_when_and_at_which_level() -> None:
    times, levels = square(50)
    cycles = find_cycles(clock_only(times, levels, 50 * US + 9 * US), phi2())
    assert (cycles.clock.stops_ps, cycles.clock.rests_at) == (50 * US, 0)
    running = find_cycles(clock_only(times, levels, 50 * US + 7 * US), phi2())
    assert (running.clock.stops_ps, running.clock.rests_at) == (None, None)


def test_a_gap_at_the_end_is_no_stopped_clock() -> None:
    times, levels = square(50)
    capture = clock_only(times, levels, 100 * US, gaps=[(51 * US, 100 * US)])
    assert find_cycles(capture, phi2()).clock.stops_ps is None


def test_a_clock_that_starts_late_starts_the_cycles() -> None:
    times, levels = square(50, start=300 * US)
    times, levels = [0, *times[1:]], levels
    cycles = find_cycles(clock_only(times, levels, 351 * US), phi2())
    assert cycles.clock.starts_ps == 300 * US + US // 2
    assert len(cycles) == 50
    assert not cycles.flags.any()


def test_stretched_and_short_cycles_are_flagged() -> None:
    halves = [500_000] * 20 + [500_000, 1_100_000] + [500_000] * 10 + [300_000, 300_000]
    times = np.cumsum([0, *halves, *([500_000] * 10)])
    levels = [i % 2 for i in range(len(times))]
    cycles = find_cycles(clock_only(times, levels, int(times[-1]) + 1), phi2())
    assert np.flatnonzero(cycles.flags & STRETCHED).tolist() == [10]
    assert np.flatnonzero(cycles.flags & SHORT).tolist() == [16]
    assert (cycles.clock.min_period_ps, cycles.clock.max_period_ps) == (600_000, 1_600_000)


def test_no_cycle_reaches_across_a_gap() -> None:
    times, levels = square(40)
    gap = (10 * US + 600_000, 20 * US + 100_000)
    kept = [i for i, t in enumerate(times) if not gap[0] <= t < gap[1]]
    capture = clock_only([times[i] for i in kept], [levels[i] for i in kept], 41 * US, gaps=[gap])
    cycles = find_cycles(capture, phi2())
    falls = cycles.time_ps.tolist()
    # The fall at 11 us lies in the gap; after it the first rise seen for sure is that of 21 us.
    assert falls == [US * i for i in (*range(1, 11), *range(22, 41))]
    assert not cycles.flags.any()
    assert cycles.clock.max_period_ps == US


@pytest.mark.parametrize(
    ("rows", "levels", "reason"),
    [
        ([0], [1], "never moves"),
        ([0, US], [1, 0], "moves 1 times only"),
    ],
)
def test_without_whole_cycles_there_is_a_reason(rows, levels, reason) -> None:
    cycles = find_cycles(clock_only(rows, levels, 2 * US), phi2())
    assert len(cycles) == 0
    assert reason in cycles.reason
    assert cycles.clock.rests_at == levels[-1]
    assert cycles.clock.line == "PHI2"


def test_without_a_clock_line_or_an_address_bus_there_is_a_reason(random_bus, sampled_bus) -> None:
    lines = ("CLK", "RW", *(f"A{bit}" for bit in range(16)))
    cycles = read(sampled_bus(*random_bus), dict.fromkeys(lines, "-"))
    assert len(cycles) == 0
    assert "no clock line" in cycles.reason
    assert cycles.clock.role == "none"


def test_an_empty_capture_has_no_cycles() -> None:
    cycles = find_cycles(clock_only([], [], 0), phi2())
    assert len(cycles) == 0
    assert cycles.reason is not None


def test_a_dead_phase_2_gives_way_to_a_running_phase_1() -> None:
    times, levels = square(30)
    capture = Capture(
        "timing",
        np.array(times, dtype=np.int64),
        np.array([2 * level for level in levels], dtype=np.uint64),
        None,
        ("PHI2", "PHI1"),
        Fraction(10**8),
        np.zeros((0, 2), dtype=np.int64),
        31 * US,
    )
    cycles = find_cycles(capture, identify_hookup(capture))
    assert cycles.clock.line == "PHI1"
    assert len(cycles) == 29


@pytest.mark.parametrize(
    ("rate", "text"),
    [
        (12_000_000, ""),
        (9_100_000, ""),
        # Read window of the NMOS sheets at 1 MHz: tDSU 100 ns + tDHR 10 ns, so 9.1 MS/s.
        (8_000_000, "stable for 110 ns"),
        (3_500_000, "Only 3.5 samples a cycle"),
    ],
)
def test_a_rate_that_cannot_resolve_the_bus_is_said(rate, text, random_bus, sampled_bus) -> None:
    cycles = read(sampled_bus(*random_bus, rate=rate), {"CLK": "PHI2"})
    assert len(cycles) > 500
    assert text in texts(cycles)
    assert bool(text) == ("Capture at" in texts(cycles))


def test_fewer_than_three_samples_a_cycle_are_refused(random_bus, sampled_bus) -> None:
    cycles = read(sampled_bus(*random_bus, rate=2_500_000), {"CLK": "PHI2"})
    assert len(cycles) == 0
    assert "too few" in cycles.reason


def test_a_clock_far_below_the_boards_may_be_an_artefact(random_bus, sampled_bus) -> None:
    """1 MHz sampled at 0.8 MS/s looks like 0.2 MHz."""
    board = SimpleNamespace(clock_hz=Fraction(10**6))
    cycles = read(sampled_bus(*random_bus, rate=800_000), {"CLK": "PHI2"}, board)
    assert "artefact" in texts(cycles)


def test_be_and_aec_low_take_the_bus_from_the_cpu() -> None:
    """W65C02S sheet 3.1: BE low, bus in high impedance. AEC likewise on the 6510 sheet."""
    times, levels = square(6)
    be = [1, 1, 0, 0, 1, 1]
    state = [level | be[min(i // 2, 5)] << 1 for i, level in enumerate(levels)]
    for pin, owners in (("BE", OWNER_FOREIGN), ("AEC", OWNER_FOREIGN), ("BA", OWNER_UNKNOWN)):
        capture = Capture(
            "timing",
            np.array(times, dtype=np.int64),
            np.array(state, dtype=np.uint64),
            None,
            ("PHI2", pin),
            Fraction(10**8),
            np.zeros((0, 2), dtype=np.int64),
            7 * US,
        )
        cycles = find_cycles(capture, identify_hookup(capture))
        expected = [OWNER_CPU if high else owners for high in be]
        assert cycles.owner.tolist() == expected


def test_aec_tells_the_owner_where_ba_only_announces() -> None:
    times, levels = square(4)
    ba, aec = [1, 0, 0, 1], [1, 1, 0, 1]
    state = [
        level | ba[min(i // 2, 3)] << 1 | aec[min(i // 2, 3)] << 2 for i, level in enumerate(levels)
    ]
    capture = dataclasses.replace(clock_only(times, state, 5 * US), lines=("PHI2", "BA", "AEC"))
    cycles = find_cycles(capture, identify_hookup(capture))
    assert cycles.owner.tolist() == [OWNER_CPU, OWNER_CPU, OWNER_FOREIGN, OWNER_CPU]


def test_shifting_time_shifts_the_cycles_and_nothing_else(random_bus, sampled_bus) -> None:
    capture = sampled_bus(*random_bus)
    shift = -(10**15) + 7
    moved = Capture(
        "timing",
        capture.time_ps + shift,
        capture.state,
        None,
        capture.lines,
        capture.rate,
        capture.gaps,
        capture.end_ps + shift,
    )
    one, two = read(capture), read(moved)
    assert np.array_equal(one.time_ps + shift, two.time_ps)
    assert np.array_equal(one.rise_ps + shift, two.rise_ps)
    for name in ("address", "data", "control", "flags", "other_address", "other_data"):
        assert np.array_equal(getattr(one, name), getattr(two, name)), name


def test_the_order_of_lines_does_not_matter(random_bus, sampled_bus) -> None:
    capture = sampled_bus(*random_bus)
    order = np.random.default_rng(1).permutation(len(capture.lines))
    state = np.zeros(len(capture), dtype=np.uint64)
    for new, old in enumerate(order):
        state |= ((capture.state >> np.uint64(old)) & np.uint64(1)) << np.uint64(new)
    shuffled = Capture(
        "timing",
        capture.time_ps,
        state,
        None,
        tuple(capture.lines[i] for i in order),
        capture.rate,
        capture.gaps,
        capture.end_ps,
    )
    one, two = read(capture), read(shuffled)
    for name in ("time_ps", "address", "data", "control", "flags", "other_address", "other_data"):
        assert np.array_equal(getattr(one, name), getattr(two, name)), name


def phi2() -> Hookup:
    return Hookup((Tap("PHI2", 0, "PHI2"),))


def test_the_mean_period_is_finer_than_a_sample():
    """1.25 MHz at 24 MS/s: no cycle is 800 ns in whole samples, their mean is."""
    reading = boot(cycles=600, clock_hz=Fraction(1_250_000), rate=24_000_000)
    cycles = reading.cycles
    assert abs(cycles.clock.period_ps - 800_000) > 5_000
    assert cycles.mean_period_ps == pytest.approx(800_000, rel=1e-3)
