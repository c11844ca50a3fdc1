"""One net, two clips: which is read, and what is refused."""

from dataclasses import replace

import numpy as np
import pytest

from bustrace.board import Clip, ClipPlace, unknown_board
from bustrace.capture.model import Capture
from bustrace.errors import HookupError
from bustrace.hookup import identify_hookup


def capture(*lines: str) -> Capture:
    """Lines that all move, each in its own way."""
    rows = np.arange(64, dtype=np.uint64)
    return Capture(
        mode="timing",
        time_ps=(rows * 1000).astype(np.int64),
        state=(rows * np.uint64(0x9E3779B1)) & np.uint64((1 << len(lines)) - 1),
        known=None,
        lines=lines,
        rate=None,
        gaps=np.zeros((0, 2), np.int64),
        end_ps=64_000,
    )


LINES = ("PHI2", "RW", *(f"A{bit}" for bit in range(16)), *(f"D{bit}" for bit in range(8)))


def test_a_clip_elsewhere_is_second_and_the_named_line_stays() -> None:
    hookup = identify_hookup(capture(*LINES, "CH9"), None, {"CH9": "A7@U4.3"})
    assert hookup.tap("A7").line == "A7"
    assert [(tap.line, tap.pin, tap.place) for tap in hookup.second] == [("CH9", "A7", "U4.3")]
    assert "CH9" not in hookup.unused
    assert any("A7 is clipped twice" in note.text for note in hookup.notes)


def test_the_clip_at_the_cpu_is_read_in_whatever_order_they_are_given() -> None:
    board = unknown_board()
    board = replace(board, cpu=replace(board.cpu, ref="U1"))
    given = {"CH8": "A7@U4.3", "CH9": "A7@U1.16"}
    hookup = identify_hookup(capture(*LINES, "CH8", "CH9"), board, given)
    assert hookup.tap("A7").line == "CH9"
    assert [tap.line for tap in hookup.second] == ["CH8"]


def test_a_clip_elsewhere_alone_is_read() -> None:
    lines = tuple(line for line in LINES if line != "A7")
    hookup = identify_hookup(capture(*lines, "CH9"), None, {"CH9": "A7@U4.3"})
    assert hookup.tap("A7").line == "CH9"
    assert hookup.second == ()


def test_the_board_file_tells_that_a_line_is_clipped_twice() -> None:
    clip = Clip(ClipPlace("CPU"), second={"A7": ClipPlace("U4", "3")}, stated=True)
    board = replace(unknown_board(), clip=clip)
    hookup = identify_hookup(capture(*LINES, "a7"), board)
    assert [(tap.line, tap.place) for tap in hookup.second] == [("a7", "U4.3")]
    without = identify_hookup(capture(*LINES, "a7"))
    assert without.second == ()
    assert any("differ" in note.text for note in without.notes)


@pytest.mark.parametrize(
    "given",
    [
        {"CH8": "A7", "CH9": "A7"},
        {"CH8": "A7@U4.3", "CH9": "A7@U5.3"},
        {"CH8": "PHI2", "CH9": "PHI2@U4.3"},
    ],
)
def test_two_clips_without_places_or_on_the_clock_are_refused(given: dict[str, str]) -> None:
    with pytest.raises(HookupError, match=r"(?s)both given as.*needs the place of the second"):
        identify_hookup(capture(*LINES, "CH8", "CH9"), None, given)
