"""Setup and hold as distributions against the limits."""

from dataclasses import replace

import pytest
from drill_readings import boot
from matplotlib.collections import PolyCollection

from bustrace.cycles import Clock, measure_timings
from bustrace.draw import draw_margins


def words(figure):
    return [text.get_text() for ax in figure.axes for text in ax.texts]


def row_of(figure, name):
    """Texts that stand beside a name."""
    texts = [text for ax in figure.axes for text in ax.texts]
    y = next(text.get_position()[1] for text in texts if text.get_text() == name)
    return {text.get_text() for text in texts if abs(text.get_position()[1] - y) < 14}


def test_each_time_stands_with_its_limit_and_what_that_says(reading_of):
    """Invented lines move 150 ns after the fall. Rockwell R650X, page 13: tADS 225, tAH 30."""
    figure = draw_margins(reading_of(400))
    assert {"kept", "≤ 225", "fall of phase 2 to address valid"} <= row_of(figure, "tADS")
    assert {"kept", "≥ 30"} <= row_of(figure, "tAH")
    assert "not seen" in row_of(figure, "tACC")
    assert any("29000D39" in text for text in words(figure))
    assert "fall of phase 2 to selected" in row_of(figure, "U4")


def test_a_bar_stands_for_each_length_that_was_seen():
    """As many as the distribution has."""
    reading = boot(cycles=600)
    spread = measure_timings(reading.capture, reading.hookup, reading.cycles)["tADS"].spread(41_667)
    figure = draw_margins(reading)
    bars = [
        len(found.get_paths())
        for found in figure.axes[0].collections
        if isinstance(found, PolyCollection) and found.get_zorder() == 3.0
    ]
    assert bars[0] == (spread.counts > 0).sum()


def test_what_is_outside_every_sheet_is_said(reading_of):
    """150 ns beside the 90 of a 4 MHz part (Synertek SY6500, page 3-39): as though the clock ran so
    fast."""
    reading = reading_of(400)
    reading.cycles = replace(reading.cycles, clock=Clock("PHI2", "phase 2", period_ps=250_000))
    reading.capture = replace(reading.capture, rate=100_000_000)
    assert "outside" in row_of(draw_margins(reading), "tADS")


def test_a_clock_that_is_no_measure_gives_times_without_limits(reading_of):
    reading = reading_of(400)
    reading.cycles = replace(reading.cycles, clock=Clock("PHI0", "phase 0", period_ps=1_000_000))
    shown = words(draw_margins(reading))
    assert not {"kept", "outside", "≤ 225"} & set(shown)
    assert any(text.startswith("Not held against a maker's sheet") for text in shown)


@pytest.mark.parametrize("how", ["state", "clockless", "empty"])
def test_a_capture_without_times_says_so(reading_of, how):
    reading = reading_of(400, reason="no clock" if how == "empty" else None)
    if how == "state":
        reading.capture = replace(reading.capture, mode="state", rate=None)
    if how == "clockless":
        reading.cycles = replace(reading.cycles, clock=Clock(None, "estimated", period_ps=10**6))
    assert any("does not show it" in text for text in words(draw_margins(reading, width=7)))
