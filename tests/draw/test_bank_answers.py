"""Pictures name the chip that answered in the bank of that very cycle."""

import numpy as np
import pytest
from drill_readings import FIXTURES
from matplotlib.figure import Figure

from bustrace.board import load_board
from bustrace.capture import open_capture
from bustrace.cycles.model import OWNER_FOREIGN
from bustrace.draw import (
    draw_boot,
    draw_instruction,
    draw_interrupt,
    draw_line_moves,
    draw_reset,
    draw_timeline,
)
from bustrace.draw.address_map import _table
from bustrace.draw.answering import answering_in, banks_met, responds_met
from bustrace.draw.buses import address_text
from bustrace.draw.lanes import View
from bustrace.draw.look import SCREEN
from bustrace.draw.sheet import Sheet
from bustrace.draw.story import chips_in
from bustrace.draw.touched import CODE, touched
from bustrace.draw.window import Window
from bustrace.reading import read_boot

pytestmark = pytest.mark.slow


def reading_of(board, capture):
    (path,) = (FIXTURES / capture).glob("capture.*")
    return read_boot(open_capture(path), load_board(FIXTURES / board / "board.toml"))


@pytest.fixture(scope="module")
def departure():
    return reading_of("departure_board", "departure_board_healthy")


@pytest.fixture(scope="module")
def kiln():
    return reading_of("kiln_control", "kiln_control_healthy")


def code_at(reading, page):
    seen = touched(reading)
    return seen.cycle[(seen.kind == CODE) & (seen.address >> 8 == page)]


def test_code_run_from_banked_ram_is_the_rams(departure):
    """At $C100 the ROM answers after reset; the program runs there with BANK = 1, from RAM, whose
    select is low and the ROM's is not: the clips are the witness.
    """
    cycles = code_at(departure, 0xC1)
    assert len(cycles) > 50
    assert set(np.array(chips_in(departure, 0, len(departure.cycles) - 1))[cycles]) == {"U20-U27"}
    assert (departure.cycles.select("U20")[cycles] == 1).all()
    assert (departure.cycles.select("U5")[cycles] == 0).all()


def test_every_sure_read_has_the_select_that_the_clip_saw(departure):
    """Of U5, over the whole capture, in both banks."""
    seen = touched(departure)
    read = seen.kind != 2
    found = answering_in(
        departure, seen.cycle, seen.address.astype(np.uint32), read.astype(np.uint8)
    )
    u5 = departure.board.map.index("U5")
    told = read & ~found.open
    assert told.sum() > 1000
    assert (found.by(u5)[told] == (departure.cycles.select("U5")[seen.cycle[told]] == 1)).all()


def test_the_maps_table_counts_each_access_in_its_bank(departure):
    rows = {row[0]: row for row in _table(departure, touched(departure))}
    ram_code = int(rows["U20"][3].replace(",", ""))
    assert ram_code == len(code_at(departure, 0xC1))
    assert "bank not known" not in rows


def test_states_that_were_met_give_the_names_of_a_band(departure):
    assert banks_met(departure) == [0, 1]
    bits = int(responds_met(departure)[1, 0xC100])
    names = {ref for bit, ref in enumerate(departure.board.map.chips) if bits >> bit & 1}
    assert names == {"U5", *(f"U{n}" for n in range(20, 28))}


def test_a_28_pin_cpu_fetches_its_vector_from_1ffc(kiln):
    """A 6507 has thirteen address pins (Rockwell R650X sheet, page 2): no digit is unknown."""
    texts = [address_text(kiln, cycle) for cycle in range(len(kiln.cycles))]
    assert "$1FFC" in texts
    assert not any("?" in text for text in texts)


def words_on(picture):
    return " ".join(text.get_text() for ax in picture.axes for text in ax.texts)


def test_texts_of_a_28_pin_cpu_say_what_its_pins_show(kiln):
    """Thirteen address pins and no SYNC (Rockwell R650X sheet, page 2): the vector is at $1FFC."""
    told = (
        words_on(draw_reset(kiln))
        + words_on(draw_instruction(kiln))
        + words_on(draw_timeline(kiln))
    )
    assert "Read from $1FFC" in told
    assert "which the pins show as $1000" in told
    assert "the pins show $F" in told
    assert "SYNC" not in told + words_on(draw_line_moves(kiln))


def test_no_cycle_of_a_28_pin_cpu_has_an_unknown_address(kiln):
    assert touched(kiln).left_out == 0
    reset = words_on(draw_timeline(kiln, first=0, last=30))
    assert "in reset" in reset
    assert "D7 to D0" not in reset


def test_a_cpu_without_interrupt_pins_is_not_asked_to_clip_them(kiln):
    """A 6507 has neither IRQ nor NMI (Rockwell R650X sheet, page 2)."""
    figure = draw_interrupt(kiln)
    told = " ".join(text.get_text() for ax in figure.axes for text in ax.texts)
    assert "a 6507 has no interrupt pins" in told
    assert "arm the analyser" not in told


def test_stolen_cycles_of_a_healthy_board_differ_from_nothing(departure):
    """What a display has on the bus is not held against what the CPU meant."""
    window = Window(0, len(departure.cycles) - 1, 0, 1, "")
    sheet = Sheet(Figure().add_axes((0, 0, 1, 1)), SCREEN, 0, 1, 500.0)
    view = View(departure, window, sheet)
    assert (departure.cycles.owner == OWNER_FOREIGN).any()
    assert not view.difference("address").any()
    assert not view.difference("data").any()


def test_the_boot_says_which_banks_its_chips_are_of(departure):
    figure = draw_boot(departure)
    told = " ".join(text.get_text() for ax in figure.axes for text in ax.texts)
    assert "BANK = 0; BANK = 1" in told
