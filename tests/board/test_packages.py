"""Pins: only those that were given or that a table holds."""

from pathlib import Path

import pytest

from bustrace.board import known_packages, package_of, pin_of, supply_pins
from bustrace.board.packages import CPU_LINES, line_name

DOCS = Path(__file__).resolve().parents[2] / "docs" / "board-file.md"

PACKAGES = known_packages()
BYTEWIDE_28 = ["2764", "27128", "27256", "27512", "6264", "62256"]
BYTEWIDE_24 = ["2716", "2732", "2316", "2332", "2364", "6116"]

WITNESSES = {
    # Single pins as the sheets' drawings have them, written apart from the table (from memory).
    "6502": {
        "A9": "18",
        "A12": "22",
        "D0": "33",
        "D7": "26",
        "R/W": "34",
        "/RES": "40",
        "SYNC": "7",
    },
    "W65C02S6TPG-14": {"BE": "36", "PHI2": "37", "/VP": "1", "/ML": "5", "A15": "25"},
    "6510": {"AEC": "5", "P0": "29", "D0": "37", "A14": "22", "R/W": "38"},
    "6507": {"A12": "17", "D0": "25", "RDY": "3", "PHI2": "28", "PHI0": "27"},
    "6522": {"PHI2": "25", "/CS2": "23", "RS0": "38", "/IRQ": "21", "D0": "33"},
    "6520": {"CS0": "22", "CS1": "24", "/CS2": "23", "/IRQA": "38", "/IRQB": "37"},
    "6532": {"A6": "40", "/RS": "36", "CS1": "38", "D0": "33", "PB0": "24"},
    "6551": {"PHI2": "27", "R/W": "28", "D0": "18", "TXD": "10"},
    "6845": {"/CS": "25", "RS": "24", "HS": "39", "CLK": "21"},
    "2114": {"/WE": "10", "A9": "15", "IO1": "14", "/CS": "8"},
    "4116": {"DOUT": "14", "/CAS": "15", "-5V": "1", "+12V": "8", "+5V": "9", "GND": "16"},
    "4164": {"DOUT": "14", "DIN": "2", "+5V": "8", "ROW7": "9", "GND": "16"},
    "41464": {"/OE": "1", "/CAS": "16", "+5V": "9", "GND": "18", "IO4": "17"},
    "6116": {"/WE": "21", "/OE": "20", "/CS": "18", "A10": "19"},
    "62256": {"/WE": "27", "A14": "1", "A13": "26"},
    "2732": {"A11": "21", "/CE": "18"},
    "2332": {"A11": "18", "CS1": "20", "CS2": "21"},
    "2364": {"A11": "18", "A12": "21", "CS": "20"},
    "27512": {"A15": "1", "A14": "27", "/CE": "20"},
    "82S100": {"F0": "18", "F7": "10", "I0": "9", "I15": "20", "/CE": "19"},
    "74LS138": {"Y0": "15", "Y7": "7", "G1": "6", "A": "1"},
    "SN74LS139N": {"1Y0": "4", "2Y0": "12", "/2G": "15"},
    "74LS257": {"SEL": "1", "4Y": "12", "/G": "15"},
    "74LS244": {"1Y1": "18", "2A1": "11"},
    "74HCT245": {"DIR": "1", "A1": "2", "B1": "18", "/G": "19"},
    "74LS374": {"CLK": "11", "8Q": "19", "1Q": "2"},
    "74LS373": {"C": "11", "1D": "3"},
}


@pytest.mark.parametrize("package", PACKAGES, ids=lambda package: package.title)
def test_every_package_has_a_whole_row_of_pins_and_a_source(package):
    assert len(package.pins) in (14, 16, 18, 20, 24, 28, 40)
    named = [pin for pin in package.pins if pin not in ("-", "GND")]
    assert len(named) == len(set(named))
    assert package.numbers("GND")
    assert package.numbers("+5V")
    assert "sheet" in package.source or "JEDEC" in package.source or "Manual" in package.source


@pytest.mark.parametrize("package", PACKAGES, ids=lambda package: package.title)
def test_a_bus_chip_has_its_data_pins_once(package):
    if package.bus and package.title != "2114":
        assert [len(package.numbers(f"D{bit}")) for bit in range(8)] == [1] * 8


@pytest.mark.parametrize("family", [BYTEWIDE_24, BYTEWIDE_28])
def test_bytewide_memories_share_the_pins_that_jedec_gives_them(family):
    """JEDEC Standard 21-C: 24 and 28 pins are one family, aligned at the ground end."""
    tables = [package_of(part) for part in family]
    for line in (*(f"A{bit}" for bit in range(11)), *(f"D{bit}" for bit in range(8)), "GND"):
        assert len({table.numbers(line) for table in tables}) == 1, line


def test_the_28_pin_memories_continue_the_24_pin_ones():
    small, large = package_of("2716"), package_of("2764")
    for line in (*(f"A{bit}" for bit in range(11)), *(f"D{bit}" for bit in range(8))):
        assert int(large.numbers(line)[0]) == int(small.numbers(line)[0]) + 2


@pytest.mark.parametrize("part", WITNESSES)
def test_pins_are_those_of_the_sheet(part):
    package = package_of(part)
    for name, pin in WITNESSES[part].items():
        assert package.numbers(name) == (pin,), name


@pytest.mark.parametrize(
    ("mark", "title"),
    [
        ("HM6264LP-15", "6264"),
        ("AM27128-2", "27128"),
        ("D27C256", "27256"),
        ("MK4116 N-3", "4116"),
        ("SN74LS138N", "74x138"),
        ("R6502AP", "6502"),
        ("R65C02P2", "65C02 of other makers"),
        ("W65C02S6TPG-14", "W65C02S"),
        ("68B21", "6520, 6521, 6821"),
        ("TMS4416", "4416, 41464, 4464"),
    ],
)
def test_a_makers_mark_around_the_number_does_not_matter(mark, title):
    assert package_of(mark).title == title


@pytest.mark.parametrize("mark", ["custom", "65816", "271280", "6512", "74LS1380", "7501"])
def test_nothing_is_said_of_parts_that_no_table_holds(mark):
    assert package_of(mark) is None


def test_every_part_of_the_table_is_named_in_the_document():
    text = " ".join(DOCS.read_text(encoding="utf-8").split())
    for package in PACKAGES:
        assert package.title in text


def test_a_pin_is_the_files_or_the_tables_and_never_a_guess(write_board):
    board = write_board(
        'cpu = { ref = "U1", part = "6502", pins = { "R/W" = 99 } }\n'
        '[[chips]]\nref = "U4"\npart = "2764"\nrange = "$E000-$FFFF"\n'
        'pins = { A9 = 77, "/CE" = 20 }\n'
        '[[chips]]\nref = "U5"\nrole = "ram"\nrange = "$0000-$07FF"\n'
        '[[chips]]\nref = "U6"\npart = "6522"\nrange = "$9000-$9FFF"\n'
        'enable = { CS1 = "A12", "/CS2" = "!A15" }\n'
        '[[chips]]\nref = ["U7", "U8"]\npart = "2114"\nrange = "$4000-$43FF"\n'
        '[[chips]]\nref = "U9"\npart = "74LS245"\n'
    )
    assert pin_of(board, "U1", "A9") == "18"
    assert pin_of(board, "u1", "IRQ") == "4"
    assert pin_of(board, "U1", "RW") == "99"
    assert pin_of(board, "U4", "A9") == "77"
    assert pin_of(board, "U4", "/CE") == "20"
    assert pin_of(board, "U4", "A8") == "25"
    assert pin_of(board, "U4", "A13") is None, "an 8 KB ROM has no A13"
    assert pin_of(board, "U1", "BE") is None
    assert pin_of(board, "U99", "A9") is None
    assert pin_of(board, "U5", "A9") is None
    assert pin_of(board, "U6", "A0") == "38", "register selects are the lowest lines"
    assert pin_of(board, "U6", "A12") == "24", "as the file wires CS1"
    assert pin_of(board, "U6", "A15") is None, "an inverter stands between"
    assert pin_of(board, "U7", "D0") == "14"
    assert pin_of(board, "U7", "D4") is None
    assert pin_of(board, "U8", "D4") == "14"
    assert pin_of(board, "U9", "A1") is None, "a buffer's A1 is no address line"


def test_address_pins_above_a_banks_window_are_not_the_cpus(write_board):
    board = write_board(
        'cpu = "6502"\n'
        '[[state]]\nname = "BANK"\nreset = 0\nwrite = "$8000"\nbit = 0\n'
        '[[chips]]\nref = "U4"\npart = "27128"\nrange = "$E000-$FFFF"\nbank_lines = ["BANK"]\n'
    )
    assert pin_of(board, "U4", "A12") == "2"
    assert pin_of(board, "U4", "A13") is None


def test_supplies_are_the_files_else_the_tables(write_board):
    board = write_board(
        'cpu = { ref = "U1", part = "6502" }\n'
        '[[chips]]\nref = "U4"\npart = "2764"\nrange = "$E000-$FFFF"\n'
        'rails = { "+5V" = 1, GND = [2, 3] }\n'
        '[[chips]]\nref = "U5"\npart = "XR99"\n'
    )
    assert supply_pins(board, "U1") == {"+5V": ("8",), "GND": ("1", "21")}
    assert supply_pins(board, "U4") == {"+5V": ("1",), "GND": ("2", "3")}
    assert not supply_pins(board, "U5")


def test_names_of_lines_are_read_as_people_write_them():
    names = ["/RES", "RST#", "R/W", "nothing", "phi2", "a15", "A16", "D7", "RESET", "~IRQ", "/VP"]
    assert [line_name(name) for name in names] == [
        *("RES", "RES", "RW", None, "PHI2", "A15", None, "D7", "RES", "IRQ", "VPB")
    ]
    assert "BE" in CPU_LINES
