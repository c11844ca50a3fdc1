"""Times within the cycle: against the truth of captures, and the limits against the sheets."""

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from drill_readings import boot, read, run

from bustrace.capture import open_capture
from bustrace.cpu.makers_limits import AT_MOST, MEANINGS, makers_limits
from bustrace.cycles import (
    can_fail,
    clock_to_trust,
    measure_select,
    measure_timings,
    rule_on,
    sample_ps,
    slow_lines,
)
from bustrace.drill.waveform import waveform
from bustrace.hookup import ADDRESS_PINS, DATA_PINS
from bustrace.reading import read_boot

MHZ = 1_000_000


def timings_of(reading):
    return measure_timings(reading.capture, reading.hookup, reading.cycles)


@pytest.fixture(scope="module")
def healthy(captures_dir):
    """A capture that this project did not make: 24 MS/s, 1 MHz, timings in the makers' limits."""
    return read_boot(open_capture(captures_dir / "healthy.vcd"))


@pytest.mark.slow
def test_times_are_those_with_which_the_captures_were_made(healthy):
    """The captures' README: address valid 100-200 ns after the fall; a sample is 42 ns."""
    step = sample_ps(healthy.capture)
    assert step == 41_667
    timing = timings_of(healthy)["tADS"]
    length = (timing.end_ps - timing.begin_ps)[timing.seen]
    assert timing.count > 4000
    assert length.min() > 100_000 - step
    assert length.max() < 200_000 + step


@pytest.mark.slow
def test_widths_are_those_of_the_true_edges(healthy, captures_dir):
    """Rise and fall samples of the capture's own truth give phase 2's high and low times."""
    with np.load(captures_dir / "healthy.truth.npz") as truth:
        rise, fall = truth["rise_sample"].astype(np.int64), truth["fall_sample"].astype(np.int64)
    high = set((fall - rise).tolist())
    timing = timings_of(healthy)["tPWH"]
    measured = (timing.end_ps - timing.begin_ps)[timing.seen] / sample_ps(healthy.capture)
    assert set(np.round(measured).astype(int).tolist()) <= high
    assert timing.count > 5900


def test_one_stray_cycle_in_a_hundred_is_no_timing():
    """Noise of single samples does not decide what a board keeps."""
    clean, noisy = (timings_of(boot(cycles=900, noise=n)) for n in (0.0, 2e-5))
    for name in ("tADS", "tAH"):
        most = name in AT_MOST
        apart = abs(clean[name].worst_ps(most) - noisy[name].worst_ps(most))
        assert apart <= 42_000, name


@pytest.mark.parametrize(
    ("variant", "hertz", "name", "limit"),
    [
        # Rockwell R650X/R651X, document 29000D39 revision 8, page 13.
        ("6502", MHZ, "tADS", 225),
        ("6502", MHZ, "tACC", 650),
        ("6502", MHZ, "tMDS", 175),
        ("6502", 2 * MHZ, "tADS", 140),
        ("6502", 2 * MHZ, "tDSU", 50),
        ("6507", 1_190_000, "tADS", 140),
        ("6502", 3 * MHZ, "tADS", 110),
        # Synertek SY6500, page 3-39.
        ("6502", 4 * MHZ, "tAH", 10),
        ("6502", 4 * MHZ, "tMDS", 70),
        # The 6510's sheet, revision A, November 1982.
        ("6510", MHZ, "tADS", 300),
        # Synertek SY65C02, preliminary: a 65C02 of no maker named.
        ("65C02", 2 * MHZ, "tADS", 140),
        # Rockwell R65C02, revision 6, page 1-13.
        ("R65C02", 2 * MHZ, "tADS", 100),
        ("R65C02", 4 * MHZ, "tMDS", 55),
        # WDC W65C02S, 8 October 2018, table 6-3.
        ("W65C02S", 2 * MHZ, "tADS", 30),
        ("W65C02S", 14 * MHZ, "tDSU", 10),
    ],
)
def test_limits_are_those_of_the_sheets(variant, hertz, name, limit):
    """One value a column at least, read in the sheet named above it."""
    assert makers_limits(variant, Fraction(hertz))[name] == limit


def test_limits_of_a_grade_fit_in_its_cycle():
    """The memory's time is what the CPU's own delays leave: tCYC - tADS - tDSU, less the rise."""
    for variant, mhz in (("6502", 1), ("6502", 2), ("6502", 4)):
        limits = makers_limits(variant, Fraction(mhz * MHZ))
        left = limits["tCYC"] - limits["tADS"] - limits["tDSU"]
        assert 0 <= left - limits["tACC"] <= 25
        assert set(limits.ns) <= set(MEANINGS)


def test_no_sheet_covers_a_clock_above_its_fastest_part():
    """Then the picture says so, and judges nothing."""
    assert makers_limits("6502", Fraction(9 * MHZ)) is None
    assert makers_limits("6502", Fraction(1_023_000)).grade == "R6500, 1 MHz"


@pytest.mark.parametrize(
    ("variant", "hertz", "name", "loosest"),
    [
        # The 6510's sheet, revision A, November 1982, is slower than Rockwell's for the 6502.
        ("6502", MHZ, "tADS", 300),
        ("6507", MHZ, "tMDS", 200),
        ("6502", MHZ, "tAH", 10),
        # One maker only at 4 MHz: Synertek SY6500, page 3-39.
        ("6502", 4 * MHZ, "tADS", 90),
        # Synertek's 65C02 beside Rockwell's, and the other way round.
        ("R65C02", MHZ, "tADS", 225),
        ("65C02", MHZ, "tMDS", 200),
        ("R65C02", 2 * MHZ, "tDSU", 50),
        # WDC W65C02S, table 6-3, 1.8 V.
        ("W65C02S", MHZ, "tADS", 150),
        ("W65C02S", MHZ, "tDSU", 10),
    ],
)
def test_the_loosest_limit_is_that_of_the_most_patient_sheet(variant, hertz, name, loosest):
    limits = makers_limits(variant, Fraction(hertz))
    assert limits.loosest[name] == loosest
    assert limits.loosest.keys() == limits.ns.keys()


@pytest.mark.parametrize(
    ("name", "measured_ns", "sample_ns", "said"),
    [
        # 1 MHz: tADS 225 at most (Rockwell), 300 (the 6510's); 30 ns of slack at 100 MS/s.
        ("tADS", 190, 10, "kept"),
        ("tADS", 210, 10, "too close to tell"),
        ("tADS", 270, 10, "past this sheet"),
        ("tADS", 320, 10, "past this sheet"),
        ("tADS", 331, 10, "outside"),
        # tDSU 100 at least; at 24 MS/s even the shortest that can be seen may be right.
        ("tDSU", 140, 10, "kept"),
        ("tDSU", 90, 10, "too close to tell"),
        ("tDSU", 60, 10, "outside"),
        ("tDSU", 42, 42, "cannot be resolved"),
        # A hold of 10 ns is beyond any rate at which edges have a width.
        ("tDHR", 0, 2, "cannot be resolved"),
        ("tDHR", 60, 10, "kept"),
    ],
)
def test_a_ruling_needs_a_sample_the_skew_and_the_threshold(name, measured_ns, sample_ns, said):
    limits = makers_limits("6502", Fraction(MHZ))
    assert rule_on(name, 1000 * measured_ns, limits, 1000 * sample_ns) == said


def test_no_limit_no_ruling():
    """Synertek's CMOS sheet gives no tRWS, and WDC's no tACC for slower clocks."""
    assert rule_on("tRWS", 0, makers_limits("65C02", Fraction(MHZ)), 1000) is None
    assert rule_on("tACC", 0, makers_limits("W65C02S", Fraction(MHZ)), 1000) is None


def test_what_can_fail_depends_on_the_rate():
    """100 ns of setup: four samples of 25 ns tell, two of 42 ns do not."""
    limits = makers_limits("6502", Fraction(MHZ))
    assert can_fail("tDSU", limits, 25_000)
    assert not can_fail("tDSU", limits, 41_667)
    assert not can_fail("tAH", limits, 2_000)
    assert can_fail("tADS", limits, 250_000)


@pytest.mark.parametrize("rate", [24_000_000, 100_000_000])
def test_the_distribution_is_that_of_the_waveform(rate):
    """The edges that were sampled, without samples: fall to address, within a sample."""
    record = run(cycles=900)
    reading = read(record, rate=rate, skew_ps=0)
    step = sample_ps(reading.capture)
    spread = timings_of(reading)["tADS"].spread(step)
    wave = waveform(record, seed=5)
    settles = []
    for bit in range(16):
        times, levels = wave.lines[f"A{bit}"]
        moved = times[1:][levels[1:] != levels[:-1]]
        cycle = np.searchsorted(wave.fall_ps, moved, side="right") - 1
        settles.append((cycle, moved - wave.fall_ps[cycle]))
    latest = np.zeros(len(wave.fall_ps), np.int64)
    for cycle, delay in settles:
        np.maximum.at(latest, cycle, delay)
    truth = np.sort(latest[latest > 0])
    assert abs(spread.usual - np.median(truth)) <= step
    assert abs(spread.least - truth[0]) <= step
    assert abs(spread.most - truth[-1]) <= step
    assert spread.least <= spread.low <= spread.usual <= spread.high <= spread.most
    assert spread.counts.sum() == spread.count <= spread.opportunities
    assert np.argmax(spread.counts) * step == pytest.approx(spread.usual, abs=step)


def test_a_select_comes_after_its_address_and_stays_with_it():
    """A 74x138 takes 12 to 60 ns after the address here (`bustrace.drill.waveform`)."""
    reading = boot(cycles=900, rate=100_000_000)
    tap = reading.hookup.tap("select:U5")
    times = measure_select(reading.capture, tap, reading.cycles)
    settled = timings_of(reading)["tADS"].usual_ps()
    assert 10_000 <= times.delay.usual_ps() - settled <= 70_000
    whole = times.delay.lengths() + times.setup.lengths()
    assert np.all(np.abs(whole - reading.cycles.clock.period_ps) <= 11_000)
    assert times.hold.worst_ps(at_most=False) > 0
    assert times.delay.count <= times.delay.asked.sum() <= (reading.cycles.select("U5") == 1).sum()


def shifted(capture, line, by_ps):
    """The same capture with one line seen later."""
    bit = np.uint64(1 << capture.lines.index(line))
    times = np.union1d(capture.time_ps, capture.time_ps + by_ps)
    times = times[times < capture.end_ps]

    def at(when):
        return capture.state[np.maximum(np.searchsorted(capture.time_ps, when, "right") - 1, 0)]

    state = at(times) & ~bit | at(times - by_ps) & bit
    kept = np.append(True, state[1:] != state[:-1])
    return replace(capture, time_ps=times[kept], state=state[kept])


def test_a_slow_line_is_told_from_its_bus():
    """A14 100 ns behind: two samples and more; 30 ns are within a sample and the skew."""
    reading = boot(cycles=900)
    for by, told in ((100_000, ["A14"]), (30_000, [])):
        capture = shifted(reading.capture, "A14", by)
        slow = slow_lines(capture, reading.hookup, reading.cycles, ADDRESS_PINS)
        assert [pin for pin, _ in slow] == told
        assert all(abs(late - by) < 60_000 for _, late in slow)
    assert slow_lines(reading.capture, reading.hookup, reading.cycles, DATA_PINS) == ()


def test_limits_are_only_held_against_phase_2_itself():
    """The sheets count from phase 2; phase 0 comes before it, by up to 75 ns (Rockwell's R650X
    sheet, page 13), and a name such as CLK may be either."""
    reading = boot(cycles=300)
    capture = reading.capture
    assert clock_to_trust(capture, reading.hookup, reading.cycles) is None
    for name in ("PHI0", "CLK"):
        lines = tuple(name if line == "PHI2" else line for line in capture.lines)
        other = read_boot(replace(capture, lines=lines), reading.board)
        assert name in clock_to_trust(other.capture, other.hookup, other.cycles)
    without = boot(cycles=300, without=["PHI2"])
    assert "not captured" in clock_to_trust(without.capture, without.hookup, without.cycles)
    late = shifted(capture, "PHI2", 120_000)
    other = read_boot(late, reading.board)
    assert "late" in clock_to_trust(late, other.hookup, other.cycles)
