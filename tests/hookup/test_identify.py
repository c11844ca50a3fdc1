"""From line names to a hookup: traps, overriding, the board's selects."""

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest

from bustrace.board import Board, Chip, SelectLine, unknown_board
from bustrace.capture.model import Capture
from bustrace.errors import HookupError
from bustrace.hookup import Hookup, identify_hookup


def capture_of(*lines: str, state: list[int] | None = None, mode: str = "timing") -> Capture:
    levels = np.array(state or [0, 1], dtype=np.uint64)
    return Capture(
        mode,
        np.arange(len(levels), dtype=np.int64) * 10**6,
        levels,
        None,
        lines,
        Fraction(10**6),
        np.zeros((0, 2), dtype=np.int64),
        len(levels) * 10**6,
    )


def pins(hookup: Hookup) -> dict[str, str]:
    return {tap.line: tap.pin for tap in hookup.taps}


def numbered(prefix: str, count: int, first: int = 0) -> list[str]:
    return [f"{prefix}{i}" for i in range(first, first + count)]


def board_of(*chips: Chip) -> Board:
    return replace(unknown_board(), chips=chips)


def text_of(hookup: Hookup) -> str:
    return " ".join(note.text for note in hookup.notes)


# Names that are the analyser's own.


@pytest.mark.parametrize(
    "lines",
    [
        numbered("D", 8),
        numbered("D", 16),
        numbered("D", 24),
        numbered("CH", 16),
        numbered("Channel ", 8),
        numbered("A", 8) + numbered("B", 8),
        numbered("A", 8) + numbered("B", 8) + numbered("C", 8) + numbered("D", 8),
        numbered("A", 16),
        numbered("", 16),
        numbered("P", 8),
        [f"{i:02}" for i in range(16)],
        numbered("DIO", 16),
    ],
    ids=lambda lines: f"{lines[0]}-{lines[-1]}",
)
def test_channels_of_the_analyser_are_asked_about_and_not_taken(lines: list[str]) -> None:
    hookup = identify_hookup(capture_of(*lines))
    assert hookup.taps == ()
    assert hookup.unused == tuple(lines)
    assert len(hookup.questions) == 1
    assert "phase 2" in hookup.questions[0]
    assert f"--line {lines[0]}=" in hookup.questions[0]


def test_named_lines_stay_when_the_rest_are_channels() -> None:
    hookup = identify_hookup(capture_of("PHI2", "R/W", *numbered("D", 14, first=2)))
    assert pins(hookup) == {"PHI2": "PHI2", "R/W": "RW"}
    assert len(hookup.questions) == 1


def test_pods_are_not_taken_beside_a_named_clock() -> None:
    lines = ("PHI2", *numbered("A", 7, first=1), *numbered("B", 8), *numbered("D", 8))
    hookup = identify_hookup(capture_of(*lines))
    assert pins(hookup) == {"PHI2": "PHI2"}
    assert len(hookup.questions) == 1


def test_channels_that_stand_at_their_own_number_are_asked_about() -> None:
    """Of eight channels two were renamed; D2 to D7 are where the analyser has them."""
    hookup = identify_hookup(capture_of("PHI2", "R/W", *numbered("D", 6, first=2)))
    assert pins(hookup) == {"PHI2": "PHI2", "R/W": "RW"}
    assert len(hookup.questions) == 1


def test_a_whole_data_bus_beside_a_clock_is_the_data_bus() -> None:
    hookup = identify_hookup(capture_of(*numbered("D", 8), "PHI2", "R/W"))
    assert hookup.data_mask == 0xFF
    assert hookup.questions == ()


def test_one_data_line_after_other_names_is_taken() -> None:
    lines = ("PHI2", "RES", "R/W", "SYNC", "IRQ", "RDY", "CS_ROM", "D0")
    hookup = identify_hookup(capture_of(*lines))
    assert hookup.data_mask == 1
    assert hookup.questions == ()


def test_both_buses_without_a_clock_are_enough_where_no_other_line_could_be_it() -> None:
    lines = (*numbered("A", 16), *numbered("D", 8))
    assert identify_hookup(capture_of(*lines)).questions == ()
    left_out = identify_hookup(capture_of(*lines, "PHI2"), given={"PHI2": "-"})
    assert left_out.questions == ()
    assert not left_out.has("PHI2")


def test_a_line_without_a_name_may_be_the_clock_and_is_asked_for() -> None:
    hookup = identify_hookup(capture_of(*numbered("A", 16), *numbered("D", 8), "Probe"))
    assert (hookup.address_mask, hookup.data_mask) == (0xFFFF, 0xFF)
    assert len(hookup.questions) == 1
    assert "Which line is phase 2" in hookup.questions[0]


def test_state_rows_need_no_clock() -> None:
    lines = (*numbered("A", 16), *numbered("D", 8))
    assert identify_hookup(capture_of(*lines, mode="state")).questions == ()


def test_a_pod_of_ports_is_no_clock() -> None:
    """P2 beside P3 is a port; P2 beside PHI names or alone is phase 2."""
    assert identify_hookup(capture_of(*numbered("P", 4), "SYNC")).tap("PHI2") is None
    assert identify_hookup(capture_of("P2", "SYNC")).tap("PHI2").line == "P2"
    assert identify_hookup(capture_of("01", "02", "SYNC")).tap("PHI2").line == "02"
    assert identify_hookup(capture_of("01", "02", "03", "SYNC")).tap("PHI2") is None


# Two lines for one pin.


def test_a_bus_shown_twice_is_taken_once() -> None:
    hookup = identify_hookup(capture_of("phi2", "a0", "addr_bus[0]", state=[0, 7, 6, 1]))
    assert pins(hookup) == {"phi2": "PHI2", "a0": "A0"}
    assert "always at the level of a0" in text_of(hookup)


def test_two_lines_of_one_name_that_differ_are_a_doubt() -> None:
    hookup = identify_hookup(capture_of("phi2", "a0", "addr_bus[0]", state=[0, 3, 6, 1]))
    assert pins(hookup) == {"phi2": "PHI2", "a0": "A0"}
    assert [note.kind for note in hookup.notes if "differ" in note.text] == ["doubt"]


def test_a_clock_of_no_name_stands_back_behind_phase_2() -> None:
    hookup = identify_hookup(capture_of("CLK", "PHI2", "SYNC"))
    assert hookup.tap("PHI2").line == "PHI2"
    assert hookup.unused == ("CLK",)


def test_a_vague_clock_is_a_guess_that_is_shown() -> None:
    hookup = identify_hookup(capture_of("CLK", "SYNC"))
    assert hookup.tap("PHI2").line == "CLK"
    guess = [note for note in hookup.notes if note.kind == "guess"]
    assert len(guess) == 1
    assert guess[0].option.startswith("--line CLK=")


# Overriding.


def test_given_lines_are_taken_as_given() -> None:
    given = {"CH0": "PHI2", "CH1": "!RES", "CH2": "A0@U7.2", "CH3": "-", "CH4": "r/w"}
    hookup = identify_hookup(capture_of(*numbered("CH", 6)), given=given)
    assert pins(hookup) == {"CH0": "PHI2", "CH1": "RES", "CH2": "A0", "CH4": "RW"}
    assert hookup.tap("RES").inverted
    assert not hookup.tap("RW").inverted
    assert hookup.tap("A0").place == "U7.2"
    assert {tap.why for tap in hookup.taps} == {"given"}
    assert hookup.unused == ("CH3", "CH5")
    assert hookup.questions == ()


def test_channels_given_one_by_one_leave_no_question() -> None:
    given = {"D0": "PHI2", "D1": "RW"} | {f"D{i + 2}": f"D{i}" for i in range(8)}
    hookup = identify_hookup(capture_of(*numbered("D", 16)), given=given)
    assert pins(hookup) == given
    assert hookup.questions == ()
    assert hookup.unused == tuple(numbered("D", 6, first=10))


def test_a_given_pin_is_not_taken_by_name_again() -> None:
    hookup = identify_hookup(capture_of("PHI2", "X", "SYNC"), given={"X": "PHI2"})
    assert pins(hookup) == {"X": "PHI2", "SYNC": "SYNC"}


def test_a_key_may_be_the_pin_that_was_recognised() -> None:
    hookup = identify_hookup(capture_of("clk", "/RST", "SYNC"), given={"RES": "-", "PHI2": "PHI1"})
    assert pins(hookup) == {"clk": "PHI1", "SYNC": "SYNC"}


def test_keys_ignore_case_where_that_is_clear() -> None:
    assert pins(identify_hookup(capture_of("Ch0", "x"), given={"CH0": "phi2"}))["Ch0"] == "PHI2"


def test_an_unknown_line_names_the_nearest() -> None:
    with pytest.raises(HookupError, match="no line 'CH9'; the nearest is CH0"):
        identify_hookup(capture_of("CH0", "XYZ"), given={"CH9": "PHI2"})


def test_an_unknown_pin_names_the_nearest() -> None:
    with pytest.raises(HookupError, match="'PHY2' is no pin; the nearest is PHI2"):
        identify_hookup(capture_of("CH0"), given={"CH0": "PHY2"})


@pytest.mark.parametrize("pin", ["D9", "A16", "", "!", "@U1"])
def test_a_pin_that_no_6502_has_is_refused(pin: str) -> None:
    with pytest.raises(HookupError, match="is no pin"):
        identify_hookup(capture_of("CH0"), given={"CH0": pin})


def test_two_lines_given_for_one_pin_are_refused() -> None:
    with pytest.raises(HookupError, match="CH0 and CH1 are both given as PHI2"):
        identify_hookup(capture_of("CH0", "CH1"), given={"CH0": "PHI2", "CH1": "p2"})


# Selects.

ROM = Chip("U4", "27128", "rom", selects=(SelectLine("/ROMCS", ("KERN",), 0),))
RAM = Chip("U6", "6264", "ram", selects=(SelectLine("CS2", (), 1),))


@pytest.mark.parametrize(
    ("line", "pin", "inverted"),
    [
        ("/ROMCS", "select:U4", True),
        ("romcs", "select:U4", True),
        ("KERN", "select:U4", True),
        ("CS_U4", "select:U4", True),
        ("U4_CE", "select:U4", True),
        ("CS_ROM", "select:U4", True),
        ("CS2", "select:U6", False),
        ("cs_ram", "select:U6", False),
    ],
)
def test_the_boards_select_names_are_known(line: str, pin: str, inverted: bool) -> None:
    hookup = identify_hookup(capture_of("PHI2", line), board_of(ROM, RAM))
    tap = hookup.selects[0]
    assert (tap.pin, tap.inverted, tap.why) == (pin, inverted, "board")


def test_a_select_of_a_chip_the_board_lacks_is_left_out_and_said() -> None:
    hookup = identify_hookup(capture_of("PHI2", "CS_VIA"), board_of(ROM))
    assert hookup.unused == ("CS_VIA",)
    assert "CS_VIA left out" in text_of(hookup)


def test_without_a_board_selects_are_assumed_active_low() -> None:
    hookup = identify_hookup(capture_of("PHI2", "CS_ROM", "/CS_RAM"))
    assert [(tap.pin, tap.inverted) for tap in hookup.selects] == [
        ("select:ROM", True),
        ("select:RAM", True),
    ]
    guess = [note for note in hookup.notes if note.kind == "guess"]
    assert "active low" in guess[0].text
    assert guess[0].option == "--line CS_ROM=!select:ROM"


def test_an_exclamation_mark_turns_a_select_over() -> None:
    hookup = identify_hookup(capture_of("PHI2", "CS_ROM"), given={"CS_ROM": "!select:ROM"})
    assert not hookup.selects[0].inverted


def test_a_select_goes_before_the_output_enable_of_the_same_chip() -> None:
    hookup = identify_hookup(capture_of("PHI2", "OE_U4", "CS_U4", state=[0, 3, 4, 1]))
    assert hookup.tap("select:U4").line == "CS_U4"


def test_a_select_on_a_board_must_be_one_of_its_chips() -> None:
    with pytest.raises(HookupError, match="'select:U5' is no pin"):
        identify_hookup(capture_of("X"), board_of(ROM), given={"X": "select:U5"})
    hookup = identify_hookup(capture_of("X"), board_of(ROM), given={"X": "select:u4"})
    assert hookup.selects[0].pin == "select:U4"


def test_the_order_of_lines_changes_no_pin() -> None:
    lines = ["PHI2", "R/W", *numbered("AB", 16), *numbered("DB", 8), "/RES", "CS_ROM"]
    forward = pins(identify_hookup(capture_of(*lines)))
    assert forward == pins(identify_hookup(capture_of(*reversed(lines))))
    assert len(forward) == len(lines)
