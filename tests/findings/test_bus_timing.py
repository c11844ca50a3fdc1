"""Lines and chips that come later than any sheet allows, and all that is no such thing."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from drill_readings import boot, only, rules

from bustrace.capture.model import Capture
from bustrace.cycles import measure_timings
from bustrace.drill import healthy_boots
from bustrace.findings import find_all
from bustrace.hookup import ADDRESS_PINS, DATA_PINS
from bustrace.reading import Reading, read_boot

TIMING = {"line-late", "data-late"}


def later(reading: Reading, lines: tuple[str, ...], by_ps: int) -> Reading:
    """The same capture read again, with some lines seen later."""
    capture = reading.capture
    bits = np.uint64(sum(1 << capture.lines.index(line) for line in lines))
    times = np.union1d(capture.time_ps, capture.time_ps + by_ps)
    times = times[times < capture.end_ps]

    def at(when):
        return capture.state[np.maximum(np.searchsorted(capture.time_ps, when, "right") - 1, 0)]

    state = at(times) & ~bits | at(times - by_ps) & bits
    kept = np.append(True, state[1:] != state[:-1])
    drawn: Capture = replace(capture, time_ps=times[kept], state=state[kept])
    return read_boot(drawn, reading.board)


def held(reading: Reading, lines: tuple[str, ...], begin, end, level: int | None) -> Reading:
    """The same capture read again, with lines held in spans: at a level, or None for their own."""
    capture = reading.capture
    bits = np.uint64(sum(1 << capture.lines.index(line) for line in lines))
    times = np.union1d(capture.time_ps, np.concatenate([begin, end]))

    def at(when):
        return capture.state[np.maximum(np.searchsorted(capture.time_ps, when, "right") - 1, 0)]

    span = np.maximum(np.searchsorted(begin, times, "right") - 1, 0)
    inside = (times >= begin[span]) & (times < end[span])
    kept_level = at(begin[span] - 1) & bits if level is None else bits * np.uint64(level)
    state = np.where(inside, at(times) & ~bits | kept_level, at(times))
    kept = np.append(True, state[1:] != state[:-1])
    return read_boot(replace(capture, time_ps=times[kept], state=state[kept]), reading.board)


@pytest.mark.parametrize("line", ["A14", "A2", "RW"])
def test_a_line_far_behind_its_bus_is_slow(line):
    """Usually 100 to 190 ns after the fall; 300 more is beyond the 300 that the slowest sheet of
    an NMOS part allows (the 6510's, revision A, tADS)."""
    reading = boot(cycles=900)
    found = find_all(later(reading, (line,), 300_000))
    finding = only(found, "line-late")
    assert (finding.severity, finding.lines) == ("oddity", (line,))
    assert finding.count > 0.9 * finding.opportunities
    assert "300 ns" in finding.expected


def test_a_data_line_that_is_late_in_writes_is_named():
    """330 ns after the rise: beyond the 200 that the 6510's sheet gives for tMDS."""
    reading = boot(cycles=2500)
    cycles = reading.cycles
    writes = np.flatnonzero((cycles.pin("RW") == 0) & (cycles.rise_ps >= 0))[1:]
    spans = (cycles.time_ps[writes - 1] + 200_000, cycles.rise_ps[writes] + 330_000)
    finding = only(find_all(held(reading, ("D5",), *spans, None)), "line-late")
    assert finding.lines == ("D5",)
    assert "tMDS" in finding.expected


def test_nothing_is_claimed_within_the_slack():
    """A sample of 42 ns, 5 of skew, 15 of threshold: 340 ns may be 300, and no sheet is passed."""
    reading = boot(cycles=900)
    usual = measure_timings(reading.capture, reading.hookup, reading.cycles)["tADS"].usual_ps()
    found = find_all(later(reading, ("A14",), 330_000 - usual))
    assert not TIMING & rules(found)
    found = find_all(later(reading, ("A14",), 420_000 - usual))
    assert "line-late" in rules(found)


def test_a_bus_that_is_late_as_a_whole_is_no_slow_line():
    """Then the clock's clip is early, or another owner has the bus in the first half."""
    reading = boot(cycles=900)
    assert "line-late" not in rules(find_all(later(reading, (*ADDRESS_PINS, "RW"), 280_000)))


def answering_late(reading: Reading, chip: str, before_ps: int) -> Reading:
    """The same, with a chip's data there only so long before the fall in three reads of four. The
    bus floats high until then.
    """
    cycles = reading.cycles
    mine = np.flatnonzero((cycles.select(chip) == 1) & (cycles.pin("RW") == 1))
    mine = mine[(mine > 20) & (mine % 4 > 0)]
    spans = (cycles.time_ps[mine - 1] + 30_000, cycles.time_ps[mine] - before_ps)
    return held(reading, DATA_PINS, *spans, 1)


@pytest.mark.slow
@pytest.mark.parametrize("chip", ["U4", "U5"])
def test_a_chip_whose_data_come_after_the_cpu_needs_them_is_late(chip):
    """40 ns before the fall, where R650X's sheet asks for 100 (tDSU), and no maker for less."""
    reading = boot(cycles=1500, rate=100_000_000)
    finding = only(find_all(answering_late(reading, chip, 40_000)), "data-late")
    assert (finding.severity, finding.chips) == ("oddity", (chip,))
    assert "60 ns" in finding.measured
    assert "tDSU" in finding.expected
    assert 0.4 < finding.count / finding.opportunities < 0.9
    assert not TIMING & rules(find_all(answering_late(reading, chip, 80_000)))


@pytest.mark.slow
def test_a_rate_that_cannot_show_it_claims_nothing():
    """At 24 MS/s a sample is 42 ns: 40 ns of setup may be 100 less the slack."""
    reading = boot(cycles=900)
    assert not TIMING & rules(find_all(answering_late(reading, "U5", 40_000)))


def test_a_clock_that_may_be_another_phase_is_no_measure():
    reading = later(boot(cycles=900), ("A14",), 300_000)
    lines = tuple("CLK" if line == "PHI2" else line for line in reading.capture.lines)
    assert "line-late" not in rules(
        find_all(read_boot(replace(reading.capture, lines=lines), reading.board))
    )


@pytest.mark.slow
def test_healthy_boots_keep_their_limits(tmp_path: Path):
    """Noise, chatter, late clocks, all rates: nothing."""
    from bustrace import load_board, open_capture

    for made in healthy_boots(tmp_path, 6, seed=77):
        reading = read_boot(open_capture(made.capture_path), load_board(made.board_path))
        assert not TIMING & rules(find_all(reading)), made.about
    assert not TIMING & rules(find_all(boot(cycles=2500, noise=2e-5, rate=100_000_000)))
