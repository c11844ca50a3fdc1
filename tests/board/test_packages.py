"""Pins: only those that were given or that a table holds."""

from collections.abc import Callable

from bustrace.board import Board, pin_of
from bustrace.board.packages import CPU_6502_DIP40, line_name


def test_the_table_of_the_40_pin_6502_uses_each_pin_once() -> None:
    """The pins that carry a line, from memory: 40 less two unused, NC 5, 35, 36, and ground 21."""
    pins = sorted(int(pin) for pin in CPU_6502_DIP40.values())
    assert pins == sorted(set(range(1, 41)) - {5, 21, 35, 36})
    assert CPU_6502_DIP40["A9"] == "18"


def test_a_pin_is_the_files_or_the_tables_and_never_a_guess(
    write_board: Callable[..., Board],
) -> None:
    board = write_board(
        'cpu = { ref = "U1", part = "6502", pins = { "R/W" = 99 } }\n'
        '[[chips]]\nref = "U4"\npart = "2764"\nrange = "$E000-$FFFF"\n'
        'pins = { A9 = 24, "/CE" = 20 }\n'
    )
    assert pin_of(board, "U1", "A9") == "18"
    assert pin_of(board, "u1", "IRQ") == "4"
    assert pin_of(board, "U1", "RW") == "99"
    assert pin_of(board, "U4", "A9") == "24"
    assert pin_of(board, "U4", "/CE") == "20"
    assert pin_of(board, "U4", "A8") is None
    assert pin_of(board, "U1", "BE") is None
    assert pin_of(board, "U99", "A9") is None


def test_names_of_lines_are_read_as_people_write_them() -> None:
    names = ["/RES", "RST#", "R/W", "nothing", "phi2", "a15", "A16", "D7", "RESET", "~IRQ"]
    assert [line_name(name) for name in names] == [
        "RES",
        "RES",
        "RW",
        None,
        "PHI2",
        "A15",
        None,
        "D7",
        "RES",
        "IRQ",
    ]
