"""What to do: pins and sockets as far as the board file knows them, cheap things first."""

from __future__ import annotations

from dataclasses import replace

import pytest
from drill_readings import FIXTURES, tide_gauge

from bustrace.board import Board, load_board, unknown_board
from bustrace.board.model import Chip
from bustrace.diagnosis.advice import check_for, chip_name, place_of_line, tell_apart
from bustrace.faults import FAMILIES, Fault

EXAMPLES = {
    "stuck": "stuck:A9=1@bus", "open": "open:A7@U4", "clip": "clip:A3", "held": "held:IRQ=0",
    "short": "short:D1+D4@bus", "silent": "silent:U4", "always": "always:U6",
    "content": "content:U5", "cell": "cell:U4.0012.3=1", "plane": "plane:U5.3",
    "retention": "retention:U4", "register": "register:U6", "cpu": "cpu:U1",
    "doubled": "doubled:U4+U6", "swapped": "swapped:U4+U5", "clock": "clock:stops",
    "reset": "reset:held", "shared": "shared:ram-bank",
}  # fmt: skip


def with_socket(board: Board, ref: str, socketed: bool | None) -> Board:
    """The board with one chip socketed, soldered, or nobody knows."""
    chips: list[Chip] = [
        replace(chip, socketed=socketed) if chip.ref == ref else chip for chip in board.chips
    ]
    return replace(board, chips=tuple(chips))


@pytest.mark.parametrize("family", FAMILIES)
def test_every_family_has_its_instruction(family):
    """One sentence or a few that name what the fault is about."""
    fault = Fault.parse(EXAMPLES[family])
    text = check_for(fault, tide_gauge())
    assert text.endswith(".")
    for name in (*fault.lines, *fault.chips[-1:]):
        assert name in text


@pytest.mark.parametrize("family", FAMILIES)
def test_every_family_has_its_instruction_without_a_board(family):
    """Nothing is made up: no pin of a chip nobody described."""
    text = check_for(Fault.parse(EXAMPLES[family]), unknown_board())
    assert text.endswith(".")
    assert "U4 pin" not in text
    assert "soldered" not in text


def test_a_line_is_named_with_the_pins_that_are_known():
    """By the sheets (6502: A9 is pin 18; 6116: 22; 2764: 24, from memory) or by the board file."""
    board = tide_gauge()
    assert place_of_line(board, "A9") == "A9 (U1 pin 18, U4 pin 22, U5 pin 24)"
    assert place_of_line(board, "NOWHERE") == "NOWHERE"
    chips = [replace(c, pins={"A9": "77"}) if c.ref == "U5" else c for c in board.chips]
    told = replace(board, chips=tuple(chips))
    assert place_of_line(told, "A9") == "A9 (U1 pin 18, U4 pin 22, U5 pin 77)"
    assert "U5 pin 77" in check_for(Fault.parse("stuck:A9=1@bus"), told)


def test_a_chip_is_named_with_part_and_socket_as_far_as_known():
    board = tide_gauge()
    assert chip_name(board, "U4") == "U4 (6116, socketed)"
    assert chip_name(board, "U7") == "U7 (74LS374, soldered)"
    assert chip_name(with_socket(board, "U4", None), "U4") == "U4 (6116)"
    assert chip_name(board, "U99") == "U99"


def test_a_socketed_chip_is_pulled_a_soldered_one_measured_first():
    """Nobody desolders before every socketed part has been tried."""
    fault = Fault.parse("plane:U4.3")
    board = tide_gauge()
    assert "pull U4" in check_for(fault, board)
    soldered = check_for(fault, with_socket(board, "U4", False))
    assert "pull" not in soldered
    assert "do every socketed part first" in soldered
    unknown = check_for(fault, with_socket(board, "U4", None))
    assert "if it is socketed" in unknown


def test_of_the_chips_on_a_held_line_the_socketed_are_pulled_first():
    board = replace(tide_gauge(), irq_from=("U7", "U6"))
    text = check_for(Fault.parse("held:IRQ=0"), board)
    assert "U7" in text
    assert "pull U6 first" in text


def test_the_clock_is_walked_back_to_the_chip_that_makes_it():
    assert "U3 (74LS04, soldered)" in check_for(Fault.parse("clock:stops"), tide_gauge())
    assert "U8 (555, soldered)" in check_for(Fault.parse("reset:held"), tide_gauge())


def test_power_is_off_before_an_ohmmeter_or_a_puller_touches_the_board():
    """A caution where it belongs."""
    for name in ("stuck:A9=1@bus", "short:D1+D4@bus", "open:A7@U4", "plane:U4.3"):
        text = check_for(Fault.parse(name), tide_gauge()).casefold()
        assert "power off" in text


def test_a_single_fault_needs_no_telling_apart():
    assert tell_apart(Fault.parse("silent:U4"), (), tide_gauge()) is None


@pytest.mark.parametrize(
    ("first", "others", "word"),
    [
        ("silent:U5", ("stuck:CS_U5=1@decoder",), "select"),
        ("stuck:D3=0@read", ("stuck:D3=0@behind",), "D3"),
        ("stuck:A2=1@behind", ("stuck:A2=1@U5",), "U5"),
        ("plane:U4.3", ("stuck:D3=0@U4",), "U4"),
        ("clip:A3", ("stuck:A3=0@bus",), "clip"),
    ],
)
def test_a_class_comes_with_the_measurement_that_splits_it(first, others, word):
    text = tell_apart(Fault.parse(first), tuple(map(Fault.parse, others)), tide_gauge())
    assert text is not None
    assert word in text


def test_a_select_is_named_by_its_chip_and_as_the_board_file_names_it():
    """Not by the name that faults have for it, which stands in no file and on no clip."""
    board = load_board(FIXTURES / "departure_board" / "board.toml")
    for fault in ("clip:CS_U7", "stuck:CS_U7=1@decoder"):
        text = check_for(Fault.parse(fault), board)
        assert "the select of U7 (CS_LAT)" in text
        assert "CS_U7" not in text
