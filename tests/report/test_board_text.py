"""The address map as text."""

from pathlib import Path

import pytest

from bustrace.board import load_board
from bustrace.report import board_text

BOARD = Path(__file__).resolve().parents[2] / "fixtures" / "tide_gauge" / "board.toml"


def test_map_tiles_all_addresses_within_80_columns():
    """No address is left out, none is told twice."""
    text = board_text(load_board(BOARD)).plain()
    assert max(map(len, text.splitlines())) <= 80
    part = text[text.index("Addresses") : text.index("In all")]
    spans = [line.split()[0].replace("$", "").split("-") for line in part.splitlines()
             if line.startswith("  $")]  # fmt: skip
    at = 0
    for span in spans:
        assert int(span[0], 16) == at
        at = int(span[-1], 16) + 1
    assert at == 0x10000


def test_map_shows_mirrors_gaps_and_the_vectors_owner():
    """2 KB of RAM in an 8 KB select is there four times; the ROM holds the vectors."""
    text = board_text(load_board(BOARD)).plain()
    flat = " ".join(text.split())
    assert "$0800-$1FFF U4 U4 again $0000-$07FF; 3 more images" in flat
    assert "$2000-$7FFF - - nobody answers" in flat
    assert "$E000-$FFFF U5 - vectors; reset leads to $E000" in flat
    assert "No read is driven by two chips." in flat
    assert "U4: 2,048 bytes, from its part number. To change it: the key 'size'" in flat


def test_doubled_drivers_are_called_a_fault(tmp_path):
    """Two chips in one range, and how many addresses that is."""
    (tmp_path / "b.toml").write_text(
        'format = 1\ncpu = "6502"\n'
        '[[chips]]\nref = "U1"\nrole = "ram"\nrange = "$0000-$1FFF"\n'
        '[[chips]]\nref = "U2"\nrole = "ram"\nrange = "$1000-$2FFF"\n',
        encoding="utf-8",
    )
    paper = board_text(load_board(tmp_path / "b.toml"))
    loud = ["".join(span.text for span in line) for line in paper.lines
            if any(span.mark == "bad" for span in line)]  # fmt: skip
    assert any("$1000-$1FFF" in line for line in loud)
    assert not any("$0000-$0FFF" in line for line in loud)
    flat = " ".join(paper.plain().split())
    assert "DOUBLED: U1 and U2 drive the same read" in flat
    assert "Two chips drive the same read at 4,096 addresses, the first at $1000" in flat


@pytest.mark.parametrize("pulled", ["U5", "u5"])
def test_a_pulled_chip_answers_nowhere(pulled):
    """Without its ROM nobody holds the vectors."""
    flat = " ".join(board_text(load_board(BOARD, without=[pulled])).plain().split())
    assert "NOT FITTED" in flat
    assert "vectors: nobody answers" in flat


BANKED = """
format = 1
cpu = "6502"
[[state]]
name = "BANK"
reset = 0
write = "$C000-$C0FF"
bit = 3
[[state]]
name = "ROMOFF"
reset = 0
access = { 0 = "$D000", 1 = "$D001" }
[[chips]]
ref = "U4"
role = "rom"
size = "16K"
range = "$E000-$FFFF"
bank_lines = ["BANK"]
when = { ROMOFF = 0 }
[[chips]]
ref = "U6"
role = "ram"
size = "8K"
range = "$0000-$1FFF"
[[chips]]
ref = "U7"
role = "rom"
size = "8K"
range = "$E000-$FFFF"
when = { ROMOFF = 1 }
"""


def test_each_bank_that_differs_shows_only_what_changes(tmp_path):
    """Four states: the ROM's other half, and another ROM whatever the bank bit is."""
    (tmp_path / "b.toml").write_text(BANKED, encoding="utf-8")
    text = board_text(load_board(tmp_path / "b.toml")).plain()
    assert max(map(len, text.splitlines())) <= 80
    parts = [" ".join(part.split()) for part in text.split("\n\n")]
    assert any("BANK bank bit 0 after reset; bit 3 of a write to $C000-$C0FF" in p for p in parts)
    assert any(p.startswith("Addresses, with BANK = 0, ROMOFF = 0 ") for p in parts)
    others = [part for part in parts if part.startswith("With ")]
    assert others == [
        "With BANK = 1, ROMOFF = 0 $E000-$FFFF U4 - vectors; U4 from its byte $2000 on",
        "With BANK = 0, ROMOFF = 1, and in 1 more state $E000-$FFFF U7 - vectors",
    ]


def test_a_board_without_banks_says_nothing_of_states():
    assert "With " not in board_text(load_board(BOARD)).plain()


def test_more_states_than_a_reader_wants_are_cut(tmp_path):
    """Six bits on a ROM's address pins: 64 maps, of which 16 are shown beside the first."""
    states = "".join(
        f'[[state]]\nname = "S{n}"\nreset = 0\nwrite = "$C000"\nbit = {n}\n' for n in range(6)
    )
    chip = (
        '[[chips]]\nref = "U4"\nrole = "rom"\nsize = "64K"\nrange = "$FC00-$FFFF"\n'
        'bank_lines = ["S0", "S1", "S2", "S3", "S4", "S5"]\n'
    )
    (tmp_path / "b.toml").write_text('format = 1\ncpu = "6502"\n' + states + chip)
    text = board_text(load_board(tmp_path / "b.toml")).plain()
    assert text.count("With S0") == 16
    assert "More than 16 states differ; the others are not shown." in text


def test_a_bank_of_narrow_chips_is_one_row(tmp_path):
    """Eight chips of one bit: one line of the list, one word in the map, one assumption."""
    (tmp_path / "b.toml").write_text(
        'format = 1\ncpu = "6502"\n'
        '[[chips]]\nref = ["U20", "U21", "U22", "U23", "U24", "U25", "U26", "U27"]\n'
        'part = "4164"\nrange = "$0000-$BFFF"\nselect = "RAS_GATE"\n',
        encoding="utf-8",
    )
    text = board_text(load_board(tmp_path / "b.toml")).plain()
    assert "U20-U27 4164        ram, 65,536 bytes each, select line RAS_GATE" in text
    assert "  $0000-$BFFF  U20-U27     U20-U27\n" in text
    assert text.count("from its part number") == 1
    assert "U21" not in text


def test_a_bank_that_doubles_is_named_whole(tmp_path):
    """Nine chips on one read: two names."""
    (tmp_path / "b.toml").write_text(
        'format = 1\ncpu = "6502"\n'
        '[[chips]]\nref = ["U20", "U21", "U22", "U23", "U24", "U25", "U26", "U27"]\n'
        'part = "4164"\nrange = "$0000-$BFFF"\n'
        '[[chips]]\nref = "U7"\nrole = "io"\nsize = 16\nrange = "$A000-$A00F"\n',
        encoding="utf-8",
    )
    flat = " ".join(board_text(load_board(tmp_path / "b.toml")).plain().split())
    assert "DOUBLED: U20-U27 and U7 drive the same read" in flat


def test_rows_that_repeat_a_pattern_name_no_chips_as_if_they_answered_together():
    """28 pins: all of the map comes eight times."""
    text = board_text(load_board(BOARD.parents[1] / "kiln_control" / "board.toml")).plain()
    (row,) = [line for line in text.splitlines() if line.startswith("  $3000-")]
    assert row.split("again")[0].split() == ["$3000-$EFFF", "as", "above", "as", "above"]
    heads = next(line for line in text.splitlines() if line.startswith("  from-to"))
    assert row.index("as above") == heads.index("reads")
    assert row.rindex("as above") == heads.index("writes")
