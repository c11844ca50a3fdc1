"""The listing: one line a cycle, instructions beside it."""

import re

import pytest

from bustrace.report import listing_lines
from bustrace.report.listing import hex_known

SMALL = "tide_gauge_clock_stops"


def test_each_cycle_has_a_line_and_instructions_their_text(verdict_on):
    """SEI, CLD, LDX #$FF: the firmware's first instructions, as its source has them."""
    _, reading = verdict_on(SMALL)
    lines = list(listing_lines(reading, everything=True))
    assert [int(line[:9]) for line in lines[1:]] == list(range(len(reading.cycles)))
    assert max(map(len, lines)) <= 80
    texts = [line[27:43].strip() for line in lines[1:]]
    at = texts.index("SEI")
    assert lines[at + 1].split() == [str(at), "E000", "78", "SEI", "E000", "78", "R"]
    assert [text for text in texts[at:] if text][:3] == ["SEI", "CLD", "LDX #$FF"]
    assert lines[at + 2].split()[1:] == ["E001", "D8", "R"]


def test_a_span_shows_whole_instructions(verdict_on):
    """From the instruction that holds the first cycle to the one that holds the last."""
    _, reading = verdict_on(SMALL)
    whole = list(listing_lines(reading, everything=True))
    row = reading.program.row_of(40)
    first = int(reading.program.first_cycle[row])
    lines = list(listing_lines(reading, first=40, last=40))
    assert lines[0] == whole[0]
    assert lines[1:] == whole[1 + first : 1 + first + int(reading.program.length[row])]
    assert list(listing_lines(reading, first=180, last=10**6))[-1] == whole[-1]
    assert list(listing_lines(reading, first=10**6)) == []


def test_last_before_first_is_refused(verdict_on):
    """A programmer's mistake, said as such."""
    with pytest.raises(ValueError, match="before first"):
        list(listing_lines(verdict_on(SMALL)[1], first=5, last=4))


def test_long_rows_are_folded(verdict_on):
    """Reset's many cycles take a few lines, and say how many are left out."""
    _, reading = verdict_on(SMALL)
    whole = list(listing_lines(reading, everything=True))
    folded = list(listing_lines(reading))
    hidden = [int(m[1]) for line in folded if (m := re.search(r"(\d+) more cycles", line))]
    assert hidden
    assert len(whole) == len(folded) - len(hidden) + sum(hidden)


@pytest.mark.slow
def test_lines_that_differ_from_what_was_meant_are_marked(verdict_on):
    """A10 tied low for everyone: the cycle shows which line, and the address meant."""
    _, reading = verdict_on("tide_gauge_a10_stuck_low")
    lines = list(listing_lines(reading, first=18, last=30))
    assert any("FBFC" in line and "! A10 (meant FFFC)" in line for line in lines)


@pytest.mark.slow
def test_what_was_not_captured_is_a_dash(verdict_on):
    """Eight lines without the address bus: dashes, never zeros."""
    _, reading = verdict_on("tide_gauge_triage")
    lines = list(listing_lines(reading, first=100, last=110))
    assert all(" ---- -? " in line for line in lines[1:])


def test_digits_known_in_part():
    """One unknown bit makes its digit a question mark."""
    assert hex_known(0xE0C5, 0xFFFF, 4) == "E0C5"
    assert hex_known(0xE005, 0xFF0F, 4) == "E0-5"
    assert hex_known(0xE0C5, 0xFFF7, 4) == "E0C?"
    assert hex_known(0, 0, 2) == "--"
