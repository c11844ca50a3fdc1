"""BE, AEC and BA; selects that come late or drop out; what the sample rate cannot show."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from drill_readings import boot, only, redrawn, rules, tide_gauge

from bustrace.board import NormalHold
from bustrace.capture.model import Capture
from bustrace.findings import find_all
from bustrace.reading import Reading, read_boot


def with_line(reading: Reading, name: str, spans: list[tuple[int, int]]) -> Capture:
    """The capture with one more line: low in these spans of ps, else high."""
    capture = reading.capture
    bit = np.uint64(1 << len(capture.lines))
    wider = replace(capture, lines=(*capture.lines, name), state=capture.state | bit, known=None)
    return redrawn(wider, name, spans, 0)


def whole(reading: Reading, first: int, last: int) -> tuple[int, int]:
    """From the fall that begins a cycle to the one that ends another."""
    time = reading.cycles.time_ps
    return int(time[first - 1]) + 100_000, int(time[last]) + 100_000


@pytest.mark.parametrize("pin", ["BE", "AEC"])
def test_a_bus_that_is_never_given_is_a_fault(pin):
    """The CPU waits off the bus; nothing moves."""
    running = boot(cycles=600)
    capture = running.capture
    still = capture.state & np.uint64(1 << capture.lines.index("PHI2"))
    still |= np.uint64((1 << capture.lines.index("RW")) | (1 << capture.lines.index("RES")))
    quiet = replace(running, capture=replace(capture, state=still, known=None))
    spans = [(capture.start_ps, capture.end_ps)]
    found = find_all(read_boot(with_line(quiet, pin, spans), tide_gauge()))
    finding = only(found, "bus-held")
    assert (finding.severity, finding.lines) == ("fault", (pin,))


def test_be_low_while_the_cpu_fetches_its_vector_is_the_clip():
    reading = boot(cycles=1500)
    spans = [(reading.capture.start_ps, reading.capture.end_ps)]
    found = find_all(read_boot(with_line(reading, "BE", spans), tide_gauge()))
    assert ("BE",) in {f.lines for f in found if f.rule == "clip-off"}
    assert "bus-held" not in rules(found)


def test_a_bus_taken_by_nobody_declared_is_an_oddity_and_a_declared_hold_nothing():
    reading = boot(cycles=1500)
    capture = with_line(reading, "BA", [whole(reading, k, k + 3) for k in range(300, 1200, 100)])
    found = find_all(read_boot(capture, tide_gauge()))
    finding = only(found, "bus-taken")
    assert (finding.severity, finding.lines) == ("oddity", ("BA",))
    declared = replace(tide_gauge(), holds=(NormalHold("BA", 0, "display"),))
    assert "bus-taken" not in rules(find_all(read_boot(capture, declared)))


def test_a_bus_that_changes_hands_in_mid_cycle_is_an_oddity():
    """BE falls in the second quarter of phase 2 high, and is back before the next rise."""
    reading = boot(cycles=1500, rate=50_000_000)
    rise, fall = reading.cycles.rise_ps, reading.cycles.time_ps
    spans = [(int(rise[k]) + 200_000, int(fall[k]) + 60_000) for k in range(400, 1200, 100)]
    found = find_all(read_boot(with_line(reading, "BE", spans), tide_gauge()))
    finding = only(found, "bus-cut-in-cycle")
    assert (finding.severity, finding.count) == ("oddity", 8)
    between = [(int(fall[k]) + 60_000, int(fall[k]) + 300_000) for k in range(400, 1200, 100)]
    found = find_all(read_boot(with_line(reading, "BE", between), tide_gauge()))
    assert "bus-cut-in-cycle" not in rules(found)


def rom_reads(reading: Reading) -> list[int]:
    cycles = reading.cycles
    reads = (cycles.address >= 0xE000) & (cycles.pin("RW") == 1) & (cycles.pin("RES") == 1)
    return [int(cycle) for cycle in np.flatnonzero(reads)]


@pytest.mark.slow
def test_a_select_that_comes_after_the_data_must_is_late():
    """50 ns before the fall, where data must be there for 100 ns (R650X sheet, tDSU)."""
    reading = boot(cycles=1200, rate=100_000_000)
    spans = [(int(reading.cycles.rise_ps[k]) - 300_000, int(reading.cycles.time_ps[k]) - 50_000)
             for k in rom_reads(reading)[40:]]  # fmt: skip
    found = find_all(read_boot(redrawn(reading.capture, "CS_ROM", spans, 1), tide_gauge()))
    finding = only(found, "select-late")
    assert (finding.severity, finding.chips) == ("oddity", ("U5",))
    assert "50 ns" in finding.text
    assert not {"select-late", "select-glitches"} & rules(find_all(reading))


@pytest.mark.slow
def test_a_select_that_drops_out_is_a_glitch():
    reading = boot(cycles=1200, rate=100_000_000)
    fall = reading.cycles.time_ps
    spans = [(int(fall[k]) - 180_000, int(fall[k]) - 120_000) for k in rom_reads(reading)[::4]]
    found = find_all(read_boot(redrawn(reading.capture, "CS_ROM", spans, 1), tide_gauge()))
    finding = only(found, "select-glitches")
    assert (finding.severity, finding.chips) == ("oddity", ("U5",))
    assert "select-late" not in rules(found)


def test_a_coarse_rate_says_what_it_cannot_show():
    """A sample every 62 ns cannot show the last 100 ns of a cycle."""
    finding = only(find_all(boot(cycles=600, rate=16_000_000)), "select-timing-unseen")
    assert finding.severity == "note"
    assert "select-timing-unseen" not in rules(find_all(boot(cycles=600, rate=100_000_000)))
