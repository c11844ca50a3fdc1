"""One cause behind several chips: a bank, a decoder, a data buffer, a rail, the clock's chip."""

from pathlib import Path

import numpy as np
import pytest

from bustrace.board import load_board
from bustrace.drill import Planting, plantable, shared_groups, simulate, variants_of
from bustrace.faults import Fault

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"
ROM = bytes([0xA2, 0xFF, 0x9A, 0xA9, 0x5A, 0x8D, 0x10, 0x00, 0xAD, 0x10, 0x00]) + bytes(
    [0x8D, 0x00, 0x60, 0xAD, 0x00, 0x60, 0x4C, 0x08, 0xF0]
)
"""Set the stack, write RAM and a register, read both for ever."""
BOARD = """
format = 1
name = "buffered"
cpu = { part = "6502", ref = "U1" }
clock = { rate = "1 MHz", from = "U8" }
reset = { from = "U8" }

[[chips]]
ref = "U8"
part = "custom"

[[chips]]
ref = "U3"
part = "74LS245"
buffers = { lines = "D0-D7", from = "U1", to = ["U4", "U6"], direction = "R/W" }

[[chips]]
ref = "U4"
role = "ram"
size = 2048
range = "$0000-$07FF"
rails = { "+12V" = 8 }
select = { line = "CS_RAM" }

[[chips]]
ref = "U6"
role = "io"
size = 1
range = "$6000-$6000"
rails = { "+12V" = 1, "-5V" = 2 }

[[chips]]
ref = "U5"
role = "rom"
size = 4096
file = "rom.bin"
range = "$F000-$FFFF"
rails = { "-5V" = 1 }
"""


@pytest.fixture(scope="module")
def board(tmp_path_factory):
    folder = tmp_path_factory.mktemp("buffered")
    image = bytearray(b"\xea" * 4096)
    image[: len(ROM)] = ROM
    image[-6:] = bytes([0x00, 0xF0] * 3)
    (folder / "rom.bin").write_bytes(image)
    (folder / "board.toml").write_text(BOARD)
    return load_board(folder / "board.toml")


@pytest.fixture(scope="module")
def departures():
    return load_board(FIXTURES / "departure_board" / "board.toml")


def with_fault(board, fault, variant=None):
    planting = Planting(Fault.parse(fault), variant)
    return simulate(board, cycles=300, seed=3, faults=[planting], undriven="high")


def takes(run, ref):
    """Bytes that the CPU takes from a chip's addresses, once it has begun to poll them."""
    where = {"U4": 0x0010, "U6": 0x6000}[ref]
    return set(run.cpu_data[100:][(run.cpu_address[100:] == where) & (run.cpu_rw[100:] == 1)])


def test_a_board_names_what_its_chips_share(board, departures):
    groups = shared_groups(board)
    assert {word: group.chips for word, group in groups.items()} == {
        "U3": ("U4", "U6"),
        "U8": (),
        "rail-12V": ("U4", "U6"),
        "rail-minus5V": ("U6", "U5"),
    }
    assert [g.kind for g in groups.values()] == ["buffer", "clock", "rail", "rail"]
    for word in groups:
        assert Fault("shared", chip=word) in plantable(board)
    assert list(shared_groups(departures)) == ["ram-bank", "U4"]
    assert len(shared_groups(departures)["U4"].chips) == len(departures.map.chips)


def test_what_is_not_shared_is_refused(board):
    with pytest.raises(ValueError, match="share on this board is U3, U8, rail-12V"):
        with_fault(board, "shared:ram-bank")


@pytest.mark.parametrize("fault", ["shared:U3", "silent:U3", "shared:rail-12V"])
def test_chips_that_are_cut_off_neither_drive_nor_take_a_byte(board, fault):
    assert takes(simulate(board, cycles=300, seed=3), "U4") == {0x5A}
    run = with_fault(board, fault)
    assert takes(run, "U4") == takes(run, "U6") == {0xFF}
    assert not (run.drives("U4") | run.drives("U6")).any()
    assert run.drives("U5").any()


def test_a_buffer_that_passes_one_way_only_reads_or_writes(board):
    away = with_fault(board, "stuck:DIR=0@U3")
    assert takes(away, "U4") == {0xFF}
    towards = with_fault(board, "stuck:DIR=1@U3")
    assert towards.drives("U4").any()
    assert takes(towards, "U6") == {0}  # as at power-on
    assert {str(f) for f in plantable(board)} >= {"stuck:DIR=0@U3", "stuck:DIR=1@U3"}


def test_a_decoder_that_is_dead_leaves_every_select_at_rest(departures):
    run = with_fault(departures, "shared:U4")
    assert run.selected("U5").sum() == run.selected("U20").sum() == 0
    assert not (run.drivers & np.uint32(0x7FFFFFFF)).any()


def test_the_chip_that_makes_clock_and_reset_takes_the_clock_along(board):
    assert len(with_fault(board, "shared:U8")) == 0


def test_a_multiplexer_that_never_switches_gives_the_row_as_the_column_too(departures):
    run = with_fault(departures, "shared:ram-bank", "multiplexer")
    at = run.chip_address[:, run.board.map.index("U20")]
    assert np.array_equal(at >> 8, at & 0xFF)
    assert np.array_equal(at & 0xFF, run.cpu_address & 0xFF)
    assert np.array_equal(run.chip_address[:, run.board.map.index("U5")], run.cpu_address)


def test_only_dynamic_ram_has_a_multiplexer(board, departures):
    bank = Fault.parse("shared:ram-bank")
    assert variants_of(departures, bank)[-1] == "multiplexer"
    assert "multiplexer" not in variants_of(board, bank)
    assert variants_of(departures, Fault.parse("shared:U4")) == ("dead",)
