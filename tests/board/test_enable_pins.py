"""What each pin of a chip's enable decides, and which chip a part number makes."""

from collections.abc import Callable
from pathlib import Path

import pytest

from bustrace.board import READ, WRITE, Board
from bustrace.errors import BoardError, nearest

MakeBoard = Callable[..., Board]


def chip(table: str) -> str:
    return f'cpu = "6502"\n[[chips]]\nref = "U6"\n{table}\n'


def answers(board: Board, address: int) -> tuple[bool, bool]:
    """Whether the only chip takes writes and answers reads at an address."""
    return bool(board.map.responds[WRITE, address]), bool(board.map.responds[READ, address])


@pytest.mark.parametrize("pin", ["/OE", "/G", "OE#", "/RD"])
def test_an_output_enable_of_a_ram_gates_its_reads_only(write_board: MakeBoard, pin: str) -> None:
    """The write cycle of a static RAM is ended by /W or /E; /G may be high (makers' sheets of the
    6116, from memory).
    """
    board = write_board(
        chip(f'part = "6116"\nrange = "$0000-$07FF"\nenable = {{ "{pin}" = "!R/W" }}')
    )
    assert answers(board, 0x0100) == (True, True)
    assert answers(board, 0x0900) == (False, False)


def test_a_write_enable_of_a_ram_gates_its_writes_only(write_board: MakeBoard) -> None:
    board = write_board(
        chip('part = "6116"\nenable = { "/CS" = "A15", "/WE" = "R/W", "/OE" = "A14" }')
    )
    assert answers(board, 0x0000) == (True, True)
    assert answers(board, 0x4000) == (True, False)
    assert answers(board, 0x8000) == (False, False)


def test_where_an_output_enable_is_all_that_is_told_it_stands_for_the_select(
    write_board: MakeBoard,
) -> None:
    board = write_board(chip('part = "6116"\nenable = { "/OE" = "A15" }'))
    assert answers(board, 0x0000) == (True, True)
    assert answers(board, 0x8000) == (False, False)


def test_a_port_with_only_a_write_pin_is_only_written(write_board: MakeBoard) -> None:
    table = 'part = "custom"\nrole = "io"\nsize = 1\nrange = "$A000-$BFFF"\n'
    assert answers(write_board(chip(table + 'enable = { "/W" = "R/W" }')), 0xA000) == (True, False)
    both = 'enable = { "/WR" = "R/W", "/RD" = "!R/W" }'
    assert answers(write_board(chip(table + both)), 0xA000) == (True, True)


def test_ram_that_takes_no_writes_is_told(write_board: MakeBoard) -> None:
    silent = write_board(chip('part = "6116"\nenable = { "/CS" = "!R/W" }'))
    assert any("takes no writes" in note.text for note in silent.notes)
    board = write_board(chip('part = "6116"\nenable = { "/CS" = "A15", "/OE" = "!R/W" }'))
    assert not any("takes no writes" in note.text for note in board.notes)


def test_a_pin_that_a_known_part_does_not_have_is_refused(write_board: MakeBoard) -> None:
    with pytest.raises(BoardError, match=r"a 6116 has no pin XYZ that enables it") as caught:
        write_board(chip('part = "6116"\nenable = { "/XYZ" = "A15" }'))
    assert caught.value.key == "chips[0].enable./XYZ"
    board = write_board(chip('role = "ram"\nsize = "2K"\nenable = { "/XYZ" = "A15" }'))
    assert answers(board, 0) == (True, True)


@pytest.mark.parametrize(
    "pin",
    [
        *("/CS", "CS1", "/CS2", "/CS2B", "/CE", "/CE1", "CE2", "/E", "E1", "/S"),
        *("/OE", "/G", "/WE", "/W", "/RAS", "/CAS", "/PGM", "RS", "PHI2"),
    ],
)
def test_names_that_makers_give_to_enable_pins_are_taken(write_board: MakeBoard, pin: str) -> None:
    """Names on makers' sheets of 2114, 6116, 6264, 27128, 4164, 6522, 6532, 6551 and 6850 (from
    memory).
    """
    level = "low" if pin.startswith("/") else "high"
    board = write_board(
        chip(f'part = "6116"\nrange = "$0000-$07FF"\nenable = {{ "{pin}" = "{level}" }}')
    )
    assert answers(board, 0x0100) == (True, True)


def test_a_latch_with_an_address_is_a_port_of_one_address(write_board: MakeBoard) -> None:
    board = write_board(chip('part = "74LS374"\nwrite_range = "$C000-$C0FF"'))
    assert (board.chip("U6").role, board.chip("U6").size) == ("io", 1)
    assert any("I/O" in note.text for note in board.notes)
    # Eight latches, chosen by three address pins (makers' sheets of the 74LS259, from memory).
    board = write_board(chip('part = "74HC259"\nwrite_range = "$C000-$C0FF"'))
    assert board.chip("U6").size == 8


def test_a_chip_of_the_74_family_without_an_address_is_logic(write_board: MakeBoard) -> None:
    board = write_board(chip('part = "74LS374"'))
    assert board.chip("U6").role == "logic"
    assert board.map.chips == ()


@pytest.mark.parametrize("table", ["", 'part = "2764"\n', 'size = "8K"\n'])
def test_an_image_for_one_run_must_have_the_size_of_the_roms_own(
    write_board: MakeBoard, tmp_path: Path, table: str
) -> None:
    (tmp_path / "short.bin").write_bytes(bytes(875))
    text = chip(f'role = "rom"\nrange = "$E000-$FFFF"\nfile = "own.bin"\n{table}')
    message = r"875 bytes, (which do not fill the 8,192|size says 8192)"
    with pytest.raises(BoardError, match=message) as caught:
        write_board(text, {"own.bin": bytes(0x2000)}, fit={"U6": tmp_path / "short.bin"})
    assert caught.value.key == "--fit"
    assert caught.value.found == str(tmp_path / "short.bin")


def test_an_image_that_cannot_repeat_through_its_range_is_refused(
    write_board: MakeBoard, tmp_path: Path
) -> None:
    (tmp_path / "short.bin").write_bytes(bytes(875))
    text = chip('role = "rom"\nrange = "$E000-$FFFF"')
    with pytest.raises(BoardError, match="do not fill the 8,192") as caught:
        write_board(text, fit={"U6": tmp_path / "short.bin"})
    assert caught.value.key == "--fit"
    with pytest.raises(BoardError, match="cannot repeat") as caught:
        write_board(text + 'file = "short.bin"\n')
    assert caught.value.key == "chips[0].file"


@pytest.mark.parametrize(
    ("word", "known", "near"),
    [
        ("rnage", ["range", "ref"], "range"),
        ("BNAK", ["BANK", "ROMOFF"], "BANK"),
        ("U9", ["U4", "U6"], None),
        ("OUTPUT", ["inputs"], None),
        ("WAIT", ["A1", "A10"], None),
    ],
)
def test_only_a_slip_of_the_hand_is_guessed(word: str, known: list[str], near: str | None) -> None:
    assert nearest(word, known) == near
