"""Chips that make selects, against function tables of their makers and plain logic."""

from collections.abc import Callable
from itertools import product

import numpy as np
import pytest

from bustrace.board import READ, WRITE, Board
from bustrace.board.decoders import decode_139
from bustrace.errors import BoardError

MakeBoard = Callable[..., Board]

RAM = '[[chips]]\nref = "{0}"\nrole = "ram"\nsize = "{1}"\n'


def answering(board: Board, address: int, rw: int = READ, state: int = 0) -> list[str]:
    bits = int(board.maps[state].responds[rw, address])
    return [ref for index, ref in enumerate(board.map.chips) if bits >> index & 1]


def test_a_half_of_a_74x139_follows_its_function_table() -> None:
    """TI SN74LS139A, SDLS013 (from memory): G high, all high; else Yn low, n = 2B + A."""
    for b, a, g in product((False, True), repeat=3):
        levels = decode_139([np.array([a]), np.array([b])], np.array([g]))
        low = None if g else 2 * b + a
        assert [bool(level) for level in levels[:, 0]] == [n != low for n in range(4)]


def test_both_halves_of_a_74x139_select(write_board: MakeBoard) -> None:
    """Half 1 makes 16 KB blocks; half 2 cuts its second block in 4 KB blocks by A12 and A13."""
    board = write_board(
        'cpu = "6502"\n[[chips]]\nref = "U7"\npart = "74LS139"\n'
        'inputs = { 1A = "A14", 1B = "A15", 2A = "A12", 2B = "A13" }\n'
        'enable = { "/2G" = "U7.1Y1" }\n'
        'outputs = { 1Y0 = "M0", 1Y3 = "M3", 2Y0 = "N0", 2O3 = "N3" }\n'
        + RAM.format("M0", "16K")
        + RAM.format("M3", "16K")
        + RAM.format("N0", "4K")
        + RAM.format("N3", "4K")
    )
    expected = {0x0000: ["M0"], 0x3FFF: ["M0"], 0x4000: ["N0"], 0x4FFF: ["N0"], 0x5000: []}
    expected |= {0x7000: ["N3"], 0x7FFF: ["N3"], 0x8000: [], 0xC000: ["M3"], 0xFFFF: ["M3"]}
    assert {address: answering(board, address) for address in expected} == expected


@pytest.mark.parametrize(
    ("wiring", "key", "message"),
    [
        ('inputs = { A = "A14", B = "A15" }', "chips[0].inputs", "two decoders: A does not say"),
        ('inputs = { 1A = "A14" }', "chips[0].inputs", "1B is missing"),
        (
            'inputs = { 1A = "A14", 1B = "A15" }\noutputs = { 2Y0 = "U7" }',
            "chips[0].outputs.2Y0",
            "no such output",
        ),
        (
            'inputs = { 1A = "A14", 1B = "A15" }\nenable = { G1 = "low" }',
            "chips[0].enable",
            "G1 does not say|no such pin",
        ),
    ],
)
def test_wiring_that_a_74x139_cannot_have_is_refused(
    write_board: MakeBoard, wiring: str, key: str, message: str
) -> None:
    with pytest.raises(BoardError, match=message) as caught:
        write_board(f'cpu = "6502"\n[[chips]]\nref = "U7"\npart = "74LS139"\n{wiring}\n')
    assert caught.value.key == key


EQUATIONS = """
cpu = "6502"
[[chips]]
ref = "U8"
part = "82S100"
equations = { "/F0" = "A15 & A14 & A13", "F1" = "!A15 | A15 & !A14 & R/W" }
[[chips]]
ref = "ROM1"
role = "rom"
size = "8K"
enable = { "/CE" = "U8.F0" }
[[chips]]
ref = "M1"
role = "ram"
size = "32K"
enable = { CS = "U8.F1" }
"""


def plain_answers(address: int, rw: int) -> list[str]:
    a15, a14, a13 = (address >> bit & 1 for bit in (15, 14, 13))
    rom = ["ROM1"] if a15 and a14 and a13 and rw else []
    return rom + (["M1"] if not a15 or (not a14 and rw) else [])


def test_equations_select_with_the_level_that_the_pins_name_tells(write_board: MakeBoard) -> None:
    board = write_board(EQUATIONS)
    for address, rw in product(range(0, 0x10000, 0x7FF), (WRITE, READ)):
        assert answering(board, address, rw) == plain_answers(address, rw)


def dump(lines: list[str]) -> bytes:
    """The same array as if read like an EPROM: F0 on D6, F1 on D2, the rest high."""
    content = bytearray()
    for index in range(1 << len(lines)):
        at = {line: index >> bit & 1 for bit, line in enumerate(lines)}
        address = at["A15"] << 15 | at["A14"] << 14 | at["A13"] << 13
        who = plain_answers(address, at["R/W"])
        rom = bool(at["A15"] and at["A14"] and at["A13"])
        content.append(0xBB | (0 if rom else 0x40) | (0x04 if "M1" in who else 0))
    return bytes(content)


@pytest.mark.parametrize("lines", [["A13", "A14", "A15", "R/W"], ["R/W", "A15", "A13", "A14"]])
def test_a_dump_gives_the_same_map_as_the_equations_whatever_line_is_where(
    write_board: MakeBoard, lines: list[str]
) -> None:
    head, tail = EQUATIONS.split("equations = ")
    table = (
        f'truth_table = {{ file = "array.bin", inputs = {lines}, '
        'outputs = { "/F0" = "D6", F1 = "D2" } }\n'
    )
    board = write_board(head + table + tail.split("\n", 1)[1], {"array.bin": dump(lines)})
    assert np.array_equal(board.map.responds, write_board(EQUATIONS).map.responds)


@pytest.mark.parametrize(
    ("table", "key", "message"),
    [
        (
            'file = "a.bin", inputs = ["A13", "A14", "A15"], outputs = { F0 = "D0" }',
            "file",
            "16 bytes, 3 inputs make 8.*\n.*\n.*4 inputs for this dump",
        ),
        ('file = "a.bin", inputs = [], outputs = { F0 = "D0" }', "inputs", "1 to 16 inputs"),
        (
            'file = "a.bin", inputs = ["A1", "A2", "A3", "NO"], outputs = { F0 = "D0" }',
            "inputs[3]",
            "not a net",
        ),
        (
            'file = "a.bin", inputs = ["A1", "A2", "A3", "A4"], outputs = { F0 = "D8" }',
            "outputs.F0",
            "no data line of the dump",
        ),
        (
            'file = "../a.bin", inputs = ["A1"], outputs = { F0 = "D0" }',
            "file",
            "leaves the board file's folder",
        ),
    ],
)
def test_a_dump_that_does_not_fit_is_refused(
    write_board: MakeBoard, table: str, key: str, message: str
) -> None:
    text = f'cpu = "6502"\n[[chips]]\nref = "U8"\ntruth_table = {{ {table} }}\n'
    with pytest.raises(BoardError, match=message) as caught:
        write_board(text, {"a.bin": bytes(16)})
    assert caught.value.key == f"chips[0].truth_table.{key}"


@pytest.mark.parametrize(
    ("text", "key", "message"),
    [
        ('equations = { F0 = "A15 &" }', "chips[0].equations.F0", "at the end"),
        ('equations = { F0 = "A15", "/f0" = "A14" }', "chips[0].equations./f0", "given twice"),
        ('equations = { "F 0" = "A15" }', "chips[0].equations.F 0", "cannot be an output"),
        (
            'equations = { F0 = "A15" }\ninputs = { A = "A1" }',
            "chips[0].inputs",
            "exclude each other",
        ),
        ('equations = { F0 = "A15" }\nenable = { G = "A1" }', "chips[0].enable", "own enable"),
        ('equations = { F0 = "U8.F0 | A15" }\noutputs = { F0 = "M" }', "chips", "in a circle"),
        ('equations = { F0 = "U9.F0 | A15" }', "chips[0].equations", "U9 is no decoder"),
        ('equations = { F0 = "U8.F7" }', "chips[0].equations", "no output F7"),
    ],
)
def test_equations_that_cannot_be_wired_are_refused(
    write_board: MakeBoard, text: str, key: str, message: str
) -> None:
    board = f'cpu = "6502"\n[[chips]]\nref = "U8"\n{text}\n' + RAM.format("M", "1K")
    board += 'range = "$0000-$03FF"\n'
    with pytest.raises(BoardError, match=message) as caught:
        write_board(board)
    assert caught.value.key == key


def test_banks_and_arrays_beyond_what_can_be_gone_through_are_refused_at_once(
    write_board: MakeBoard,
) -> None:
    states = [f'{{ name = "S{n}", reset = 0, write = "$C000", bit = {n} }}' for n in range(8)]
    wide = " & ".join([f"S{n}" for n in range(8)] + [f"A{n}" for n in range(8)])
    arrays = "".join(
        f'[[chips]]\nref = "U{n}"\nequations = {{ '
        + ", ".join(f'F{k} = "{wide}"' for k in range(17))
        + " }\n"
        for n in range(1, 2)
    )
    ram = RAM.format("M", "1K") + 'range = "$0000-$03FF"\nenable = { CS = "U1.F0" }\n'
    with pytest.raises(BoardError, match="256 states of 18 pins and outputs") as caught:
        write_board(f'cpu = "6502"\nstate = [{", ".join(states)}]\n{arrays}{ram}')
    assert caught.value.key == "state"


def test_equations_beyond_what_can_be_read_in_a_moment_are_refused(write_board: MakeBoard) -> None:
    text = " | ".join(["A15 & A14"] * 300)
    arrays = "".join(
        f'[[chips]]\nref = "U{n}"\nequations = {{ F0 = "{text}" }}\n' for n in range(20)
    )
    with pytest.raises(BoardError, match="equations have 71940 characters in all"):
        write_board('cpu = "6502"\n' + arrays)
