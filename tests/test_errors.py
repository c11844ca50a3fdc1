"""Errors for users: one tree, place as data, one clear message."""

from pathlib import Path

import pytest

from bustrace import errors
from bustrace.errors import (
    BoardError,
    BustraceError,
    CaptureError,
    HookupError,
    ImageError,
    InputError,
    nearest,
)

KINDS = (CaptureError, BoardError, HookupError, ImageError)


@pytest.mark.parametrize("kind", KINDS)
def test_every_input_error_is_one_and_a_value_error(kind):
    """Whoever catches the root or ValueError gets them all."""
    assert issubclass(kind, InputError)
    assert issubclass(InputError, BustraceError)
    assert issubclass(InputError, ValueError)
    assert not issubclass(BustraceError, ValueError)


def test_the_tree_at_the_top_of_the_file_is_the_tree():
    """The drawing names every class, and no class that is not there."""
    classes = {
        name
        for name, value in vars(errors).items()
        if isinstance(value, type) and issubclass(value, BustraceError)
    }
    drawn = {
        word
        for line in (errors.__doc__ or "").splitlines()
        for word in line.replace("└──", " ").replace("├──", " ").split()[:1]
        if word.endswith("Error")
    }
    assert drawn == classes


def test_message_gives_place_what_found_expected_and_advice_in_that_order():
    error = CaptureError(
        "the time goes backwards",
        path=Path("boot.csv"),
        line=12,
        column=3,
        key="Time",
        found="0.5",
        expected="a time not before 0.7",
        advice="export again",
    )
    assert str(error).splitlines() == [
        "boot.csv, line 12, column 3, Time: the time goes backwards",
        "  found:    0.5",
        "  expected: a time not before 0.7",
        "  to do:    export again",
    ]
    assert (error.path, error.line, error.column, error.key) == ("boot.csv", 12, 3, "Time")
    assert (error.what, error.found) == ("the time goes backwards", "0.5")
    assert error.args == (error.message,)


def test_message_leaves_out_what_is_not_known():
    assert str(InputError("nothing in it")) == "nothing in it"
    assert str(BoardError("unknown key", key="cpu.prat")) == "cpu.prat: unknown key"
    assert InputError("nothing in it").path is None


def test_line_zero_would_still_be_shown():
    """Absent is None, never a false value."""
    assert str(InputError("odd", line=0, found="")) == "line 0: odd\n  found:    "


def test_long_text_is_shortened():
    """A megabyte in one cell does not fill the screen."""
    shown = str(InputError("odd", found="x" * 1_000_000)).splitlines()[1]
    assert shown.endswith("...")
    assert len(shown) == len("  found:    ") + 120


def test_control_characters_are_escaped():
    """Text from a stranger's file cannot move the cursor or colour the terminal."""
    message = str(InputError("odd", found="a\x1b[31m\nb\x00"))
    assert "\x1b" not in message
    assert r"a\x1b[31m\nb\x00" in message


def test_the_nearest_known_word_ignores_case():
    assert nearest("CLOKC", ["clock", "reset"]) == "clock"
    assert nearest("a0", ["A0", "A1"]) == "A0"


def test_nothing_near_is_none():
    assert nearest("zzz", ["clock", "reset"]) is None
    assert nearest("clock", []) is None
