"""Chips in the path of a bus: what they let through decides who answers."""

from collections.abc import Callable

import pytest

from bustrace.board import READ, WRITE, Board
from bustrace.errors import BoardError

MakeBoard = Callable[..., Board]

RAM = '[[chips]]\nref = "U6"\nrole = "ram"\nsize = "2K"\nrange = "$0000-$07FF"\n'
ROM = '[[chips]]\nref = "U4"\nrole = "rom"\nsize = "8K"\nrange = "$E000-$FFFF"\n'


def board_text(*buffers: str) -> str:
    return 'cpu = { part = "6502", ref = "U1" }\n' + "".join(buffers) + RAM + ROM


def buffer(ref: str, keys: str, enable: str = "") -> str:
    wired = f"enable = {{ {enable} }}\n" if enable else ""
    return f'[[chips]]\nref = "{ref}"\npart = "74LS245"\n{wired}buffers = {{ {keys} }}\n'


def answers(board: Board, ref: str, address: int) -> tuple[bool, bool]:
    """Whether a chip takes writes and answers reads at an address."""
    bit = board.map.index(ref)
    return tuple(bool(int(board.map.responds[rw, address]) >> bit & 1) for rw in (WRITE, READ))


@pytest.mark.parametrize(
    ("direction", "enable", "expected"),
    [
        ("R/W", "", (True, True)),
        ("high", "", (False, True)),
        ("low", "", (True, False)),
        ("R/W", '"/G" = "A10"', (True, True)),
        ("R/W", '"/G" = "!A10"', (False, False)),
        ("R/W", '"/G" = "R/W"', (True, False)),
    ],
)
def test_data_passes_only_in_the_direction_and_while_enabled(
    write_board: MakeBoard, direction: str, enable: str, expected: tuple[bool, bool]
) -> None:
    """The 74x245 passes A to B with DIR high, B to A with DIR low, nothing with /G high (makers'
    sheets, from memory); which side is the CPU's is the board's choice, so the file says.
    """
    keys = f'lines = "D0-D7", to = "U6", direction = "{direction}"'
    board = write_board(board_text(buffer("U3", keys, enable)))
    assert answers(board, "U6", 0x0100) == expected
    # The ROM is not behind it.
    assert answers(board, "U4", 0xE000) == (False, True)


def test_a_direction_that_lets_nothing_through_is_refused(write_board: MakeBoard) -> None:
    keys = 'lines = "D0-D7", to = "U6", direction = "!R/W"'
    with pytest.raises(BoardError, match=r"U6 never answers.*U3 never let through"):
        write_board(board_text(buffer("U3", keys)))


def test_an_address_buffer_always_passes_away_from_the_cpu(write_board: MakeBoard) -> None:
    keys = 'lines = ["A0-A7", "A8", "RW"], to = ["U6", "U4"]'
    board = write_board(board_text(buffer("U3", keys)))
    assert board.buffers[0].lines == (*(f"A{n}" for n in range(9)), "RW")
    assert answers(board, "U6", 0) == (True, True)


def test_a_data_buffer_without_a_direction_passes_writes_only(write_board: MakeBoard) -> None:
    board = write_board(board_text(buffer("U3", 'lines = "D0-D7", to = "U6"')))
    assert answers(board, "U6", 0) == (True, False)


def test_buffers_in_a_row_must_all_pass(write_board: MakeBoard) -> None:
    near = buffer("U2", 'lines = "D0-D7", to = "U3", direction = "R/W"', '"/G" = "A15"')
    far = buffer("U3", 'lines = "D0-D7", from = "U2", to = ["U6", "U4"], direction = "R/W"')
    with pytest.raises(BoardError, match=r"U4 never answers.*U2 and U3 never let through"):
        write_board(board_text(near, far))  # The ROM lies at A15 = 1, where U2 is shut.
    board = write_board(board_text(near.replace("A15", "A10"), far))
    assert answers(board, "U6", 0x03FF) == (True, True)
    assert answers(board, "U6", 0x0400) == (False, False)
    assert answers(board, "U4", 0xE000) == (False, True)
    assert answers(board, "U4", 0xE400) == (False, False)


def test_a_data_buffer_that_is_pulled_cuts_its_chips_off(write_board: MakeBoard) -> None:
    keys = 'lines = "D0-D7", to = "U6", direction = "R/W"'
    board = write_board(board_text(buffer("U3", keys)), without=["U3"])
    assert answers(board, "U6", 0) == (False, False)
    assert not board.buffers[0].fitted


@pytest.mark.parametrize(
    ("keys", "key", "message"),
    [
        ('lines = "D0-D9", to = "U6"', "lines", "D8 is no line"),
        ('lines = ["D0-D7", "FOO"], to = "U6"', "lines[1]", "FOO is no line"),
        ('lines = "D0-D7", to = "U66"', "to", "no such chip"),
        ('lines = "D0-D7", to = "U1"', "to", "CPU stands before"),
        ('lines = "D0-D7", to = "U6", from = "U9"', "from", "no such chip"),
        ('lines = "D0-D7", to = "U6", direction = "DIR"', "direction", "not a net"),
        ('lines = "D0-D7", to = "U3"', "", "in a circle"),
        ('lines = "D0-D7", from = "U3", to = "U6"', "", "in a circle"),
        ('to = "U6"', "lines", "is missing"),
    ],
)
def test_paths_that_cannot_be_are_refused(
    write_board: MakeBoard, keys: str, key: str, message: str
) -> None:
    with pytest.raises(BoardError, match=message) as caught:
        write_board(board_text(buffer("U3", keys)))
    assert caught.value.key == "chips[0].buffers" + (f".{key}" if key else "")
