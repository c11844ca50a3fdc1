"""A ROM that is judged though its lowest address lines are not clipped, and nobody knows where the
program is.
"""

from dataclasses import replace

import numpy as np
import pytest
from drill_readings import boot, only, rules, tide_gauge

from bustrace import diagnose
from bustrace.board import Board
from bustrace.findings import find_all
from bustrace.findings.rom_page_rules import _alone_in, _may_give, _one_line

LINES = (
    *("PHI2", "RES", "RW"),
    *(f"D{bit}" for bit in range(8)),
    *(f"A{bit}" for bit in range(15, 2, -1)),
)
"""Twenty-four clips: no SYNC, no A0 to A2."""


def from_the_middle(*faults, start, seed):
    """A boot that begins where nobody knows where in an instruction it is."""
    return boot(*faults, cycles=6000, lines=LINES, start_cycle=start, seed=seed)


@pytest.fixture(scope="module")
def board() -> Board:
    return tide_gauge()


def test_a_place_may_give_what_the_image_has_at_its_addresses(board):
    image = board.image_bytes("U5")
    alone = _alone_in(board, "U5", 7)
    assert alone[0xE000:].all()
    assert not alone[:0x8000].any()
    may_give = _may_give(board, "U5", np.array([0xE008, 0xFFF8]), 7)
    for row, first in zip(may_give, (0xE008, 0xFFF8), strict=True):
        assert set(np.flatnonzero(row)) == set(image[first : first + 8].tolist())


def test_a_place_may_give_what_any_known_revision_has_there(board):
    chip = board.chip("U5")
    (image,) = chip.images
    other = replace(image, content=image.content ^ np.uint8(0xFF))
    two = replace(chip, images=(image, other))
    chips = tuple(two if each.ref == "U5" else each for each in board.chips)
    may_give = _may_give(replace(board, chips=chips), "U5", np.array([0xE008]), 7)
    held = board.image_bytes("U5")[0xE008:0xE010]
    assert may_give[0, held].all()
    assert may_give[0, held ^ 0xFF].all()


@pytest.mark.parametrize(("bit", "apart", "line"), [(3, 5, "D3"), (3, 3, None)])
def test_bytes_that_fit_but_for_one_line_are_that_lines(board, bit, apart, line):
    """Of fewer than four it may be by chance."""
    first = 0xE000 + 8 * np.arange(apart)
    may_give = _may_give(board, "U5", first, 7)
    gave = board.image_bytes("U5")[first].astype(np.int64) ^ 1 << bit
    assert _one_line(may_give, np.arange(apart), gave) == line


def test_bytes_that_fit_in_no_way_are_no_lines(board):
    may_give = np.zeros((8, 256), np.bool_)
    assert _one_line(may_give, np.arange(8), np.arange(8)) is None


@pytest.mark.parametrize("start", [700, 2000])
def test_a_rom_that_gives_what_is_nowhere_near_is_told_without_a_program(start):
    reading = from_the_middle("silent:U5", start=start, seed=1)
    finding = only(find_all(reading), "rom-pages")
    assert finding.severity == "fault"
    assert finding.count == finding.opportunities > 1000
    diagnosis = diagnose(reading)
    assert diagnosis.verdict == "fault"
    (suspect,) = diagnosis.suspects
    named = {str(fault) for fault in (suspect.fault, *suspect.alike)}
    assert named == {"content:U5", "silent:U5"}


@pytest.mark.parametrize("seed", range(1, 5))
def test_a_rom_that_gives_its_image_hears_nothing_of_it(seed):
    reading = from_the_middle(start=2000, seed=seed)
    assert "rom-pages" not in rules(find_all(reading))
