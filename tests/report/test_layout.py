"""Laying out text: widths, marks, colour only where it is wanted."""

import io
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bustrace.report import Paper, show
from bustrace.report.layout import Cell, clean, wants_colour


class Screen(io.StringIO):
    """A stream that says it is a terminal."""

    def isatty(self):
        return True


@pytest.fixture
def terminal(monkeypatch):
    """A terminal that can colour."""
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setenv("TERM", "xterm-256color")
    return Screen()


def _paper():
    paper = Paper()
    paper.say("It stops.", mark="bad")
    paper.heading("Part")
    paper.say("words " * 40, cells=[Cell("clock", 10), Cell("BAD", 6, "bad")])
    return paper


@given(st.text(max_size=400), st.text(max_size=30), st.integers(0, 8))
def test_no_line_is_too_wide(text, word, indent):
    """Whatever the words are, lines keep to 80 columns and hold no control character."""
    paper = Paper()
    paper.say(text, indent=indent, cells=[Cell(word, 12)], lead="- ")
    lines = paper.plain().split("\n")
    assert max(map(len, lines)) <= 80
    assert all(line.isprintable() for line in lines)


@given(st.text(alphabet="abc ", max_size=300))
def test_no_word_is_lost(text):
    """Wrapping keeps every word and their order."""
    paper = Paper()
    paper.say(text, cells=[Cell("x", 12)])
    assert paper.plain().split() == ["x", *text.split()]


def test_text_wraps_beside_its_cells():
    """The second line begins where the first one's text did."""
    lines = _paper().plain().splitlines()
    assert lines[3].startswith("  clock     BAD   words")
    assert lines[4].startswith(" " * 18 + "words")


def test_a_cell_that_is_too_long_takes_a_line_of_its_own():
    """Names are never cut."""
    paper = Paper()
    paper.say("text", cells=[Cell("a_very_long_name", 8)])
    assert paper.plain() == "  a_very_long_name\n          text\n"


def test_blank_lines_do_not_pile_up():
    """A part begins with one empty line, the first with none."""
    paper = Paper()
    paper.heading("One")
    paper.blank()
    paper.heading("Two")
    assert paper.plain() == "One\n\nTwo\n"


def test_colour_on_a_terminal_changes_no_word(terminal):
    """The escape codes aside, the terminal gets the same text."""
    show(_paper(), terminal)
    shown = terminal.getvalue()
    assert "\x1b[" in shown
    assert re.sub(r"\x1b\[[0-9;]*m", "", shown) == _paper().plain()


@pytest.mark.parametrize(("name", "value"), [("NO_COLOR", "1"), ("TERM", "dumb")])
def test_a_terminal_that_wants_no_colour_gets_none(terminal, monkeypatch, name, value):
    """NO_COLOR (no-color.org, from memory) and a dumb terminal are respected."""
    assert wants_colour(terminal)
    monkeypatch.setenv(name, value)
    show(_paper(), terminal)
    assert terminal.getvalue() == _paper().plain()


def test_a_pipe_gets_no_colour(monkeypatch):
    """What is no terminal gets plain text."""
    monkeypatch.setenv("TERM", "xterm-256color")
    stream = io.StringIO()
    show(_paper(), stream)
    assert stream.getvalue() == _paper().plain()


def test_control_characters_are_shown():
    """A name from a file cannot move the cursor or turn the text around."""
    assert clean("a\x1b[2Jb\u202ec\td") == "a\\x1b[2Jb\\u202ec\\td"
