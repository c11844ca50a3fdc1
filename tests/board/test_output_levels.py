"""A decoder's output on a pin: the level at which it selects must be the one that enables."""

import numpy as np
import pytest

from bustrace.board import WRITE, load_board
from bustrace.errors import InputError

BOARD = """format = 1
cpu = {{ part = "6502", ref = "U1" }}

[[chips]]
ref = "U8"
part = "82S100"
[chips.equations]
"{output}" = "A15 & A14 & !A13 & !R/W"

[[chips]]
ref = "U7"
part = "74HC273"
enable = {{ {pin} = "{net}" }}
select = "{select}"
"""


def board_of(folder, output, pin, net, select="CS_LAT"):
    path = folder / "board.toml"
    path.write_text(BOARD.format(output=output, pin=pin, net=net, select=select), encoding="utf-8")
    return load_board(path)


def where(board):
    return np.flatnonzero(board.map.responds[WRITE])


@pytest.mark.parametrize(
    ("output", "pin", "net"),
    [("/LAT", '"/LE"', "U8.LAT"), ("/LAT", "LE", "!U8.LAT"), ("LAT", "LE", "U8.LAT"),
     ("LAT", '"/LE"', "!U8.LAT")],
)  # fmt: skip
def test_an_output_enables_where_its_equation_holds(tmp_path, output, pin, net):
    """Whichever levels the pin and the output have, with an inverter or without."""
    board = board_of(tmp_path, output, pin.replace("LE", "WE"), net)
    assert (where(board) == np.arange(0xC000, 0xE000)).all()


@pytest.mark.parametrize(
    ("output", "pin", "net", "advice"),
    [
        ("/LAT", "WE", "U8.LAT", '"/WE" = "U8.LAT", or "WE" = "!U8.LAT"'),
        ("LAT", '"/WE"', "U8.LAT", '"WE" = "U8.LAT", or "/WE" = "!U8.LAT"'),
    ],
)
def test_an_output_of_the_other_level_is_refused(tmp_path, output, pin, net, advice):
    """Or the chip would be enabled nearly everywhere, and nothing it does could be judged."""
    with pytest.raises(InputError) as caught:
        board_of(tmp_path, output, pin, net)
    assert "where it selects" in str(caught.value)
    assert "all the other addresses" in str(caught.value)
    assert advice in str(caught.value)


@pytest.mark.parametrize("pin", ["CLK", "CP"])
@pytest.mark.parametrize("output", ["/LAT", "LAT"])
@pytest.mark.parametrize("net", ["U8.LAT", "!U8.LAT"])
def test_a_clock_pin_takes_the_byte_at_the_end_of_the_pulse(tmp_path, pin, output, net):
    """74x273, 74x374, 74x377 clock at the rise (makers' sheets, from memory): the output's pulse
    has one such edge in the cycle whichever its level, so the write is that cycle's.
    """
    board = board_of(tmp_path, output, pin, net)
    assert (where(board) == np.arange(0xC000, 0xE000)).all()


@pytest.mark.parametrize(("output", "level"), [("/LAT", 0), ("LAT", 1)])
@pytest.mark.parametrize("inverter", ["", "!"])
def test_the_select_line_is_the_outputs_own(tmp_path, output, level, inverter):
    """The clip sits on the net that the array drives, also where an inverter follows."""
    board = board_of(tmp_path, output, "CLK", f"{inverter}U8.LAT")
    (select,) = board.chip("U7").selects
    assert select.active == level
    assert "U8.LAT" in select.aliases


def test_the_file_may_say_otherwise(tmp_path):
    """`active` in the file is the last word."""
    path = tmp_path / "board.toml"
    text = BOARD.format(output="/LAT", pin="CLK", net="!U8.LAT", select="X")
    path.write_text(text.replace('"X"', '{ line = "X", active = "high" }'), encoding="utf-8")
    assert load_board(path).chip("U7").selects[0].active == 1
