"""A memory's output enable gates reads only, its write enable writes only.

Function tables of the 6116 and 6264 sheets (from memory): with the chip selected, /WE low writes
whatever /OE is; /OE low with /WE high reads.
"""

import numpy as np
import pytest

from bustrace.board import READ, WRITE, board_from_roms
from bustrace.errors import BoardError, ImageError

RAM = 'cpu = "6502"\n[[chips]]\nref = "U4"\npart = "6116"\nrange = "$0000-$07FF"\n'


@pytest.mark.parametrize(
    "enable",
    [
        '{ "/OE" = "!R/W" }',
        '{ "/G" = "!R/W", "/W" = "R/W" }',
        '{ "/WE" = "R/W" }',
        '{ "/CS" = "A15", "/OE" = "!R/W", "/WE" = "R/W" }',
    ],
)
def test_a_ram_is_read_and_written_with_its_direction_pins_wired(write_board, enable):
    table = write_board(RAM + f"enable = {enable}\n").map
    assert table.readers("U4")[:0x800].all()
    assert table.takers("U4")[:0x800].all()


def test_a_ram_whose_output_enable_is_high_is_not_read_but_written(write_board):
    table = write_board(RAM + 'enable = { "/OE" = "A10" }\n').map
    assert not table.readers("U4")[0x400:0x800].any()
    assert table.takers("U4")[0x400:0x800].all()


def test_the_select_line_is_the_chip_select_not_an_enable_of_one_direction(write_board):
    table = write_board(RAM + 'enable = { "/OE" = "!R/W", "/CS" = "A15" }\n').map
    for direction in (READ, WRITE):
        assert (table.asserts[direction, :0x800] == 1).all()
        assert (table.asserts_known[direction, :0x800] == 1).all()


def test_on_a_latch_the_same_names_enable_the_whole_chip(write_board):
    table = write_board(
        'cpu = "6502"\n[[chips]]\nref = "U7"\npart = "74LS374"\nrange = "$A000"\n'
        'enable = { "/W" = "R/W" }\n'
    ).map
    assert not table.readers("U7").any()
    assert np.flatnonzero(table.takers("U7")).tolist() == [0xA000]


def test_logic_with_an_address_is_io_and_says_that_it_was_guessed(write_board):
    board = write_board(
        'cpu = "6502"\n[[chips]]\nref = "U7"\npart = "74LS374"\nwrite_range = "$A000"\n'
    )
    assert board.chip("U7").role == "io"
    assert board.chip("U7").size == 1
    assert any("U7: taken for I/O" in note.text for note in board.notes)


@pytest.mark.parametrize(("size", "right"), [(0x2000, True), (0x1000, True), (0x2001, False),
                                             (100, False), (0x1800, False)])  # fmt: skip
def test_a_fitted_image_fills_its_chip(write_board, tmp_path, size, right):
    (tmp_path / "test.bin").write_bytes(bytes(size))
    text = 'cpu = "6502"\n[[chips]]\nref = "U5"\npart = "2764"\nrange = "$E000-$FFFF"\n'
    fit = {"U5": tmp_path / "test.bin"}
    if right:
        assert write_board(text + 'file = "a.bin"\n', {"a.bin": bytes(0x2000)}, fit=fit)
        return
    with pytest.raises(BoardError, match=r"bytes") as caught:
        write_board(text + 'file = "a.bin"\n', {"a.bin": bytes(0x2000)}, fit=fit)
    assert caught.value.key == "--fit"


def test_a_rom_image_that_is_not_there_is_named(tmp_path):
    with pytest.raises(ImageError, match="no such file") as caught:
        board_from_roms([(tmp_path / "gone.bin", "E000")])
    assert "E000" not in caught.value.message
    assert "gone.bin" in caught.value.message


def test_a_reference_that_is_no_text_is_told_what_one_looks_like(write_board):
    with pytest.raises(BoardError, match='"U4"'):
        write_board('cpu = "6502"\n[[chips]]\nref = 4\n')
