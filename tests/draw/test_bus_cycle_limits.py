"""A bus cycle's picture against the makers' limits."""

from dataclasses import replace
from fractions import Fraction

from drill_readings import boot

from bustrace.cpu.makers_limits import MEANINGS
from bustrace.cycles import measure_timings
from bustrace.draw import draw_bus_cycle


def test_a_line_that_does_not_move_has_no_time(reading_of):
    """The loop's address changes in each cycle, R/W in two of eleven."""
    reading = reading_of(400)
    timings = measure_timings(reading.capture, reading.hookup, reading.cycles)
    written = reading.cycles.pin("RW") == 0
    assert timings["tRWS"].count == 2 * int(written.sum())
    assert not timings["tACC"].seen[written].any()
    assert not timings["tMDS"].seen[~written].any()
    # The invented lines all move 150 ns after the fall.
    assert timings["tADS"].usual_ps() == 150_000
    assert timings["tAH"].worst_ps(at_most=False) == 150_000


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
    assert {"too close to tell", "cannot be resolved"} <= set(shown)


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
