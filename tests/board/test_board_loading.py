"""Board files that are right: defaults, images, what is fitted, and boards without a file."""

import hashlib
import subprocess
import sys
import zlib
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from bustrace.board import (
    READ,
    WRITE,
    Board,
    ClipPlace,
    Cpu,
    NormalHold,
    board_from_roms,
    load_board,
    unknown_board,
)
from bustrace.errors import ImageError

MINIMAL = """
cpu = "6502"
clock = "1 MHz"

[[chips]]
ref = "U4"
part = "2764"
range = "$E000-$FFFF"
file = "monitor.bin"

[[chips]]
ref = "U6"
part = "6116"
range = "$0000-$1FFF"
"""
MONITOR = bytes(range(256)) * 32


def test_the_smallest_file_defaults_everything_else(write_board: Callable[..., Board]) -> None:
    board = write_board(MINIMAL, {"monitor.bin": MONITOR})
    assert board.name == "board"
    assert board.complete
    assert board.cpu == Cpu("CPU", "6502", "6502", None)
    assert board.clock_hz == Fraction(10**6)
    assert [(chip.ref, chip.role, chip.size, chip.fitted) for chip in board.chips] == [
        ("CPU", "cpu", None, True),
        ("U4", "rom", 8192, True),
        ("U6", "ram", 2048, True),
    ]
    assert board.map.chips == ("U4", "U6")
    assert [chip.ref for chip in board.mapped] == ["U4", "U6"]
    assert board.holds == ()
    assert board.clip.default == ClipPlace("CPU")
    assert not board.clip.stated
    assert board.irq_from == board.nmi_from == ()
    assert [note.kind for note in board.notes] == ["guess"]
    assert "2,048 bytes, from its part number" in board.notes[0].text


def test_everything_that_can_be_said_is_kept(write_board: Callable[..., Board]) -> None:
    board = write_board(
        """
name = "Tide gauge"
cpu = { ref = "U1", part = "6502A", socketed = true, rails = { "+5V" = 8, GND = [1, 21] } }
clock = { rate = "1.8432 MHz", from = "u12" }
reset = "U11"
irq = ["U9", "u4"]
nmi = { from = "U9" }
clip = { A9 = "U4.24", default = "U9", D = "u4", "/IRQ" = "U9.21" }
[[holds]]
line = "/RDY"
level = "low"
cycles = 40
why = "display"
[[chips]]
ref = "U4"
role = "ram"
range = "$0000-$07FF"
socketed = false
pins = { A9 = 24 }
rails = { "+5V" = 28 }
[[chips]]
ref = "U9"
[[chips]]
ref = "U11"
part = "555"
fitted = false
[[chips]]
ref = "U12"
part = "74LS04"
"""
    )
    assert board.name == "Tide gauge"
    assert board.clock_hz == 1843200
    assert (board.clock_from, board.reset_from) == ("U12", "U11")
    assert (board.irq_from, board.nmi_from) == (("U9", "U4"), ("U9",))
    assert board.holds == (NormalHold("RDY", 0, "display", 40),)
    places = {line: str(board.clip.place_of(line)) for line in ("A9", "A8", "D0", "IRQ", "RW")}
    assert places == {"A9": "U4.24", "A8": "U9", "D0": "U4", "IRQ": "U9.21", "RW": "U9"}
    assert board.clip.stated
    assert board.cpu.socketed is True
    assert board.chip("u1").rails == {"+5V": ("8",), "GND": ("1", "21")}
    assert board.chip("U4").socketed is False
    assert board.chip("U4").pins == {"A9": "24"}
    assert board.chip("U9").role == "other"
    assert board.chip("U12").role == "logic"
    assert not board.chip("U11").fitted
    assert board.map.chips == ("U4",)
    with pytest.raises(KeyError):
        board.chip("U99")
    with pytest.raises(KeyError):
        board.map.index("U9")


def test_a_single_line_wins_over_its_bus_in_either_order(write_board: Callable[..., Board]) -> None:
    for clip in ('{ D = "U4", D3 = "U4.13" }', '{ D3 = "U4.13", D = "U4" }'):
        board = write_board(f'cpu = "6502"\nclip = {clip}\n[[chips]]\nref = "U4"\n')
        assert str(board.clip.place_of("D3")) == "U4.13"
        assert str(board.clip.place_of("D2")) == "U4"


def test_names_to_look_for_in_a_capture(write_board: Callable[..., Board]) -> None:
    chip = '[[chips]]\nref = "{}"\nrole = "ram"\nrange = "{}"\n{}\n'
    board = write_board(
        'cpu = "6502"\n'
        + chip.format("U4", "$8000-$8FFF", 'select = "ROMSEL"')
        + chip.format("U5", "$9000-$9FFF", 'select = { active = "high", phi2 = true, pin = "CS" }')
        + chip.format("U6", "$A000-$AFFF", "")
    )
    named, table, default = (board.chip(ref).selects[0] for ref in ("U4", "U5", "U6"))
    assert named.name == "ROMSEL"
    assert {"CS_U4", "/CS_U4", "U4_CS", "U4"} <= set(named.aliases)
    assert (named.active, named.with_phi2, named.pin) == (0, None, None)
    assert (table.name, table.active, table.with_phi2, table.pin) == ("CS_U5", 1, True, "CS")
    assert (default.name, default.active) == ("CS_U6", 0)
    assert "CS_U6" not in default.aliases


def test_the_decoders_output_is_another_name_of_the_select(
    write_board: Callable[..., Board],
) -> None:
    board = write_board(
        'cpu = "6502"\n'
        '[[chips]]\nref = "U7"\npart = "74LS138"\ninputs = { A = "A13", B = "A14", C = "A15" }\n'
        'outputs = { Y0 = "U6" }\n'
        '[[chips]]\nref = "U6"\npart = "6264"\nenable = { CS2 = "high" }\n'
        'select = { pin = "/CS1" }\n'
        '[[chips]]\nref = "U9"\npart = "6522"\nenable = { CS1 = "A12", "/CS2" = "u7.Y4" }\n'
    )
    ram, via = board.chip("U6").selects[0], board.chip("U9").selects[0]
    assert {"U7.Y0", "U6.CS1"} <= set(ram.aliases)
    assert (ram.pin, ram.active) == ("CS1", 0)
    assert {"U7.Y4", "U9.CS2"} <= set(via.aliases)
    assert (via.pin, via.active) == ("CS2", 0)


def test_images_carry_their_checksums_and_revisions_their_names(
    write_board: Callable[..., Board],
) -> None:
    chip = 'cpu = "6502"\n[[chips]]\nref = "U4"\nrange = "$E000-$FFFF"\n'
    images = {"a.bin": MONITOR, "roms/b.bin": MONITOR[::-1]}
    for files, names in (
        ('["a.bin", "roms/b.bin"]', ["a", "b"]),
        ('{ "issue 1" = "a.bin", "issue 2" = "roms/b.bin" }', ["issue 1", "issue 2"]),
    ):
        board = write_board(chip + f"files = {files}\n", images)
        first, second = board.chip("U4").images
        assert [first.name, second.name] == names
        assert bytes(first.content) == MONITOR
        assert first.sha256 == hashlib.sha256(MONITOR).hexdigest()
        assert second.crc32 == zlib.crc32(MONITOR[::-1])
        assert not first.content.flags.writeable
        assert len(second) == 8192
        assert board.image_bytes("U4", 1)[0xE000] == 255


def test_an_image_smaller_than_its_range_repeats(write_board: Callable[..., Board]) -> None:
    board = write_board(
        'cpu = "6502"\n[[chips]]\nref = "U4"\nrange = "$C000-$FFFF"\nfile = "m.bin"\n',
        {"m.bin": MONITOR},
    )
    expected = board.image_bytes("U4")
    assert bytes(expected[0xC000:0xE000].astype(np.uint8)) == MONITOR
    assert np.array_equal(expected[0xC000:0xE000], expected[0xE000:])
    assert np.all(expected[:0xC000] == -1)


@pytest.mark.parametrize(("base", "byte"), [("$D000", 0), ("$C000", 16)])
def test_base_decides_where_byte_0_appears(
    write_board: Callable[..., Board], base: str, byte: int
) -> None:
    content = bytes(address >> 8 for address in range(0x2000))
    board = write_board(
        f'cpu = "6502"\n[[chips]]\nref = "U4"\nrange = "$D000-$EFFF"\nfile = "m.bin"\n'
        f'base = "{base}"\n',
        {"m.bin": content},
    )
    assert int(board.image_bytes("U4")[0xD000]) == byte


def test_an_image_of_12_kb_starts_with_its_range(write_board: Callable[..., Board]) -> None:
    content = bytes(address >> 8 for address in range(0x3000))
    board = write_board(
        'cpu = "6502"\n[[chips]]\nref = "U4"\nrange = "$D000-$FFFF"\nfile = "m.bin"\n',
        {"m.bin": content},
    )
    assert bytes(board.image_bytes("U4")[0xD000:].astype(np.uint8)) == content


def test_without_and_fit_change_one_run(write_board: Callable[..., Board], tmp_path: Path) -> None:
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (elsewhere / "test.bin").write_bytes(MONITOR[::-1])
    board = write_board(
        MINIMAL,
        {"monitor.bin": MONITOR},
        without=["u6"],
        fit={"u4": elsewhere / "test.bin"},
    )
    assert not board.chip("U6").fitted
    assert not board.map.readers("U6").any()
    assert [image.name for image in board.chip("U4").images] == ["test"]
    assert bytes(board.chip("U4").images[0].content) == MONITOR[::-1]


def test_roms_alone_make_a_board_that_says_nothing_of_the_rest(tmp_path: Path) -> None:
    (tmp_path / "x.bin").write_bytes(MONITOR)
    board = board_from_roms([(tmp_path / "x.bin", "E000"), (b"\xea" * 0x1000, 0xC000)])
    assert not board.complete
    assert board.map.chips == ("ROM1", "ROM2")
    assert int(board.image_bytes("ROM2")[0xCFFF]) == 0xEA
    assert np.count_nonzero(board.map.described) == 0x3000
    assert not board.map.responds[WRITE].any()
    single = board_from_roms([(MONITOR, "$E000")])
    assert single.map.chips == ("ROM",)
    assert single.chip("ROM").selects[0].name == "CS_ROM"


@pytest.mark.parametrize(
    ("images", "message"),
    [
        ([(MONITOR, "F000")], "run past"),
        ([(MONITOR, "$E000"), (b"12", "$FFFE")], "lies over"),
        ([(b"", "$E000")], "empty"),
        ([(MONITOR, "E0")], "not an address"),
        ([("no/such/file.bin", "$E000")], "no such file"),
    ],
)
def test_roms_that_cannot_stand_where_told_are_refused(
    images: list[tuple[str | bytes, str]], message: str
) -> None:
    with pytest.raises(ImageError, match=message):
        board_from_roms(images)


def test_the_unknown_board_claims_nothing() -> None:
    board = unknown_board()
    assert not board.complete
    assert board.map.chips == ()
    assert not board.map.described.any()
    assert board.clock_hz is None
    assert not board.map.doubled().any()


def test_importing_the_room_leaves_the_slow_library_alone() -> None:
    code = "import bustrace.board, sys; sys.exit('pydantic' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_the_map_of_the_captured_board_is_what_a_chip_level_simulation_did(
    exerciser_board: Board, captures_dir: Path
) -> None:
    """Truth of the shared captures: who was selected, who drove, and what byte, in each cycle."""
    truth = np.load(captures_dir / "healthy.truth.npz")
    address, rw = truth["addr"].astype(np.uint32), truth["rw"].astype(np.uint8)
    table = exerciser_board.map
    assert table.chips == ("RAM", "ROM")
    asserts, sure = table.asserts_at(address, rw)
    assert np.array_equal(asserts & sure, truth["csel"] & sure)
    assert np.all(sure[rw == READ] == 3)
    reads = rw == READ
    assert np.array_equal(table.map_at(address[reads]), truth["drv"][reads] & 3)
    expected = exerciser_board.image_bytes("ROM")[address]
    here = reads & (expected >= 0)
    assert np.count_nonzero(here) > 1000
    assert np.array_equal(expected[here], truth["data"][here])
    assert exerciser_board.chip("RAM").selects[0].with_phi2 is True
    assert exerciser_board.chip("ROM").selects[0].with_phi2 is False


def test_the_captured_boards_file_is_a_few_lines() -> None:
    text = (Path(__file__).parent.parent / "boards" / "exerciser.toml").read_text()
    assert len(text.splitlines()) <= 24
    assert load_board.__kwdefaults__ == {"without": (), "fit": None}


def test_priors_are_kept_by_family_and_by_the_boards_own_reference(write_board) -> None:
    """A fact that is told, since it leans on the suspects."""
    text = 'cpu = "6502"\n[[chips]]\nref = "U4"\nrole = "ram"\nrange = "$0000-$07FF"\n'
    board = write_board(text + "[priors]\nu4 = 5\nopen = 0.5\n")
    assert board.priors == {"U4": 5.0, "open": 0.5}
    (told,) = [note for note in board.notes if note.option == "priors"]
    assert (told.kind, told.text[-14:]) == ("fact", "U4 5, open 0.5")
    assert write_board(text).priors == {}
    assert not [note for note in write_board(text).notes if note.option == "priors"]
