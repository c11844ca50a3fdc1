"""Times within the cycle: against the truth of captures, and the limits against the sheets."""

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from drill_readings import boot

from bustrace.capture import open_capture
from bustrace.cpu.makers_limits import AT_MOST, MEANINGS, makers_limits
from bustrace.draw import draw_bus_cycle
from bustrace.draw.timings import measure_timings, sample_ps
from bustrace.reading import read_boot

MHZ = 1_000_000


@pytest.fixture(scope="module")
def healthy(captures_dir):
    """A capture that this project did not make: 24 MS/s, 1 MHz, timings in the makers' limits."""
    return read_boot(open_capture(captures_dir / "healthy.vcd"))


@pytest.mark.slow
def test_times_are_those_with_which_the_captures_were_made(healthy):
    """The captures' README: address valid 100-200 ns after the fall; a sample is 42 ns."""
    step = sample_ps(healthy)
    assert step == 41_667
    timing = measure_timings(healthy)["tADS"]
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
    timing = measure_timings(healthy)["tPWH"]
    measured = (timing.end_ps - timing.begin_ps)[timing.seen] / sample_ps(healthy)
    assert set(np.round(measured).astype(int).tolist()) <= high
    assert timing.count > 5900


def test_a_line_that_does_not_move_has_no_time(reading_of):
    """The loop's address changes in each cycle, R/W in two of eleven."""
    reading = reading_of(400)
    timings = measure_timings(reading)
    written = reading.cycles.pin("RW") == 0
    assert timings["tRWS"].count == 2 * int(written.sum())
    assert not timings["tACC"].seen[written].any()
    assert not timings["tMDS"].seen[~written].any()
    # The invented lines all move 150 ns after the fall.
    assert timings["tADS"].usual_ps() == 150_000
    assert timings["tAH"].worst_ps(at_most=False) == 150_000


def test_one_stray_cycle_in_a_hundred_is_no_timing():
    """Noise of single samples does not decide what a board keeps."""
    clean, noisy = (measure_timings(boot(cycles=900, noise=n)) for n in (0.0, 2e-5))
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


def test_the_picture_names_limits_times_and_source(reading_of):
    """What the sheet asks, what was measured, and where the limit stands."""
    figure = draw_bus_cycle(reading_of(400))
    shown = [text.get_text() for ax in figure.axes for text in ax.texts]
    assert "150 ns (sheet: at most 225)" in shown
    assert "150 ns (sheet: at least 30)" in shown
    assert any("29000D39" in text for text in shown)
    assert any("a read from $E005" in text and "a write to $0341" in text for text in shown)
    # All the invented lines move at once: tACC was never seen.
    assert "not seen" in shown
    # 225 - 150 ns is more than a sample of 42; R/W alike, and 30 ns of hold too.
    assert shown.count("kept") >= 3


def test_nothing_is_claimed_within_a_sample_of_the_limit():
    """At 4 MS/s a sample is 250 ns: no delay of an NMOS part can be told from its limit."""
    figure = draw_bus_cycle(boot(cycles=300, rate=4_000_000))
    shown = [text.get_text() for ax in figure.axes for text in ax.texts]
    assert "outside" not in shown
    assert "too close to tell" in shown


def test_a_limit_is_kept_only_with_a_sample_to_spare(reading_of):
    """All lines move 150 ns after the fall. With samples of 50 ns tADS, 225 at most, is kept; with
    samples of 100 ns it may be 150 or 250, and nothing is said."""
    for rate, said in ((20_000_000, "kept"), (10_000_000, "too close to tell")):
        reading = reading_of(400)
        reading.capture = replace(reading.capture, rate=Fraction(rate))
        figure = draw_bus_cycle(reading)
        rows: dict[float, list[str]] = {}
        for text in (text for ax in figure.axes for text in ax.texts):
            rows.setdefault(text.get_position()[1], []).append(text.get_text())
        row = next(r for r in rows.values() if MEANINGS["tADS"] in r)
        assert said in row


def test_the_cycle_asked_for_is_drawn(reading_of):
    """Cycle 40 and the next."""
    figure = draw_bus_cycle(reading_of(400), cycle=40)
    shown = [text.get_text() for ax in figure.axes for text in ax.texts]
    assert {"40", "41"} <= set(shown)
    assert "42" not in shown
