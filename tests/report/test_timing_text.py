"""`look --timing`: times beside the makers' limits, in words."""

from __future__ import annotations

from dataclasses import replace

import pytest
from drill_readings import TRIAGE, boot

from bustrace.board import unknown_board
from bustrace.cycles import find_cycles
from bustrace.hookup import identify_hookup
from bustrace.reading import Reading, read_boot
from bustrace.report import look_text


def rows(reading: Reading, *, everything: bool = False, board=None) -> dict[str, str]:
    """The part about times: rows by what they begin with, and the whole under ""."""
    paper = look_text(
        reading.capture,
        reading.hookup,
        reading.cycles,
        timed_for=board or reading.board,
        everything=everything,
    )
    lines = paper.plain().splitlines()
    assert all(len(line) <= 80 for line in lines)
    part = lines[lines.index("Times in the cycle") : lines.index("Doubts and guesses")]
    found = {line.split()[0]: line for line in reversed(part) if line.strip()}
    return found | {"": " ".join(" ".join(part).split())}


def test_limits_measures_and_what_they_say_stand_in_a_row():
    """Rockwell's R650X sheet, page 13, 1 MHz: tADS 225 at most, tDSU 100 at least."""
    found = rows(boot(cycles=900, rate=100_000_000))
    assert "<= 225" in found["tADS"]
    assert found["tDSU"].endswith("kept")
    assert ">= 100" in found["tDSU"]
    assert found["tDHR"].endswith("cannot be resolved")
    assert "capture faster" in found[""]
    assert "document 29000D39" in found[""]
    assert "No line of a bus is slower" in found[""]


def test_each_captured_select_has_its_times():
    found = rows(boot(cycles=900))
    assert {"U4", "U5"} <= found.keys()
    assert "fall to selected" in found["U5"]


def test_all_shows_the_distribution_in_samples():
    """The counts are those of the cycles that show it."""
    text = rows(boot(cycles=900), everything=True)[""]
    assert "by length in samples:" in text
    assert "shortest" in text


def test_without_a_measure_the_reason_is_said():
    """One row a cycle, no clock, a name that does not tell the phase, no R/W, no board file."""
    reading = boot(cycles=300)
    state = read_boot(replace(reading.capture, mode="state", rate=None), reading.board)
    assert "one row a cycle" in rows(state)[""]
    assert "not captured" in rows(boot(cycles=300, without=["PHI2"]))[""]
    lines = tuple("CLK" if line == "PHI2" else line for line in reading.capture.lines)
    vague = rows(read_boot(replace(reading.capture, lines=lines), reading.board))
    assert "does not tell whether it is phase 2" in vague[""]
    assert "<=" in vague["tADS"]
    assert not any(row.endswith("kept") for row in vague.values())
    assert "R/W was not captured" in rows(boot(cycles=300, without=["RW"]))[""]
    assert "an NMOS 6502 is assumed" in rows(reading, board=unknown_board())[""]


@pytest.mark.parametrize("lines", [TRIAGE, ("PHI2", "RW"), ("PHI2",)])
def test_few_lines_show_what_they_can(lines):
    capture = boot(cycles=300, lines=lines).capture
    hookup = identify_hookup(capture, unknown_board())
    cycles = find_cycles(capture, hookup, unknown_board())
    text = look_text(capture, hookup, cycles, timed_for=unknown_board()).plain()
    assert "tADS  fall to address valid" in text
    assert "not seen" in text
