"""What bytes of a memory that nobody knows cost, and so what they tell of the lines."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from drill_readings import members, read, run, undumped
from programmed_boards import programmed

from bustrace.diagnosis import diagnose
from bustrace.findings import HIGH_WINS, LATE, LOW_WINS, Assumption
from bustrace.findings._kernels import (
    ACCESSES,
    ANY_BYTES,
    BRANCHES,
    FILLINGS,
    JUMPS,
    OPCODES,
    PAGES,
    ROM_BYTES,
)
from bustrace.findings.answers import BoardReplay
from bustrace.findings.usual_bytes import (
    AT_ITS_BASE,
    FILLED_WITH,
    NOWHERE,
    SOMEWHERE,
    operands,
    usual_bytes,
    usual_on,
)

BYTES = np.arange(256)


def test_lines_that_tell_nothing_leave_the_sum_of_all_bytes():
    """Each mask of lines parts the whole probability among what it may show."""
    usual = usual_bytes("6502")
    assert usual.sum(axis=2) == pytest.approx(np.ones((4, 256)))
    for lines in (0x00, 0x0F, 0x81, 0xFF):
        assert not usual[:, lines, BYTES & lines != BYTES].any()
    for shown in range(4):
        alike = np.equal(BYTES & 0x03, shown)
        assert usual[:, 0x03, shown] == pytest.approx(usual[:, 0xFF, alike].sum(axis=1))


def test_a_program_is_told_from_what_ram_holds_at_power_on():
    """LDA # is common, what no sheet lists is not; an operand is 0 more often than 0x5B."""
    one = usual_bytes("6502")[:, 0xFF]
    lda, undocumented = 0xA9, 0xAB
    assert one[OPCODES, lda] > 2 * one[ANY_BYTES, lda]
    assert one[OPCODES, undocumented] < 0.1 * one[ANY_BYTES, undocumented]
    assert one[ROM_BYTES, 0x00] > 8 * one[ROM_BYTES, 0x5B]
    assert set(one[ANY_BYTES]) == {1 / 256}
    assert set(np.argsort(one[FILLINGS])[-3:]) == set(FILLED_WITH)


@pytest.mark.slow
def test_code_costs_less_in_a_rom_than_in_a_ram():
    """Opcodes of a program that runs well; with the ROM's content in doubt they cost as any."""
    replay = BoardReplay(undumped(cycles=3000))
    rom = replay.chips.index("U5")
    reads = (
        (replay.healthy.drivers == 1 << rom) & (replay.read == 1) & (replay._obeyed_as == OPCODES)
    )
    anything = replay.replay(Assumption(loose=rom))
    new = np.flatnonzero(reads & (anything.cost > 6))
    assert len(new) > 30
    assert np.median(replay.healthy.cost[new]) < 7.0
    assert anything.total > replay.healthy.total + 80


@pytest.mark.slow
def test_of_two_joined_lines_the_common_level_is_all_that_is_news():
    """In memory that holds one byte over and over it is no news either."""
    replay = BoardReplay(undumped("open:D4@read"))
    rom = (replay.healthy.drivers == 1 << replay.chips.index("U5")) & (replay.read == 1)
    cells, first = np.unique(replay.address[rom], return_index=True)
    at = np.flatnonzero(rom)[first]
    assert len(cells) > 200
    for wins in (LOW_WINS, HIGH_WINS):
        joined = replay.replay(Assumption(data_short_a=0, data_short_b=1, short_wins=wins))
        together = np.isin(replay.data[at] & 3, (0, 3))
        assert np.median(joined.cost[at[together]]) < 0.5


@pytest.mark.slow
def test_lines_that_tell_because_they_moved_are_news_each():
    """A RAM that may be late: where a line is as it was before, nothing is known of its cell; the
    others are no row of one byte, though they all differ from the same byte before.
    """
    replay = BoardReplay(undumped(cycles=3000))
    ram = replay.chips.index("U4")
    late = replay.replay(Assumption(weak_chip=ram, weak_lines=0xFF, weak_way=LATE))
    at = np.flatnonzero((replay.healthy.cost > 7.9) & (replay.healthy.drivers == 1 << ram))
    moved = np.bitwise_count(replay.data[at] ^ replay.data[at - 1])
    assert len(at) > 5
    assert (late.cost[at] > moved - 0.01).all()


@pytest.mark.slow
def test_the_level_that_wins_between_unknown_drivers_is_less_news_than_the_other():
    """The ROM drives along with RAM that nobody wrote: a low comes three times of four, and tells
    of neither; a high is both chips' own.
    """
    replay = BoardReplay(undumped("always:U5", cycles=1500))
    ram, rom = replay.chips.index("U4"), replay.chips.index("U5")
    both = replay.replay(Assumption(always=1 << rom))
    at = int(np.flatnonzero((both.drivers == 1 << ram | 1 << rom) & (both.cost > 0))[0])
    ones = int(replay.data[at])
    count = ones.bit_count()
    of_rom = usual_bytes("6502")[ROM_BYTES, ones, ones]
    assert 0 < count < 8
    assert both.cost[at] == pytest.approx(0.415 * (8 - count) + count - np.log2(of_rom), abs=1e-3)
    again = (replay.address == replay.address[at]) & (replay.data == ones) & (replay.read == 1)
    assert not both.cost[np.flatnonzero(again)[1:]].any()


def without_images(board):
    """The board as it is judged where nobody has a dump."""
    return replace(board, chips=tuple(replace(chip, images=()) for chip in board.chips))


def nothing(code):
    """A program that is all in the free space of its ROM, which `programmed` fills with NOP."""
    code.op("NOP")


@pytest.mark.slow
@pytest.mark.parametrize(("line", "byte"), [("D0", 0xEB), ("D2", 0xEE)])
def test_free_space_that_is_filled_with_an_odd_byte_tells_of_the_line_that_makes_it_odd(
    line, byte, tmp_path
):
    """NOP in all of the free space is common, and this byte is not: one line parts the two."""
    board = programmed(tmp_path, nothing)
    reading = read(run(f"stuck:{line}=1@U5", board=board, cycles=900), board=without_images(board))
    replay = BoardReplay(reading)
    assert np.median(replay.data[replay.read == 1]) == byte
    held = Assumption(data_pin_chip=replay.chips.index("U5"), data_pin_or=1 << int(line[1]))
    assert replay.healthy.total - replay.replay(held).total > 8
    assert any(f"stuck:{line}=1@U5" in members(s) for s in diagnose(reading).suspects[:2])


@pytest.mark.slow
def test_a_program_begins_where_a_rom_is():
    """The page of the vector is none of a board's others, but for one time in a thousand."""
    board = undumped(cycles=100).board
    pages = usual_on(board)[PAGES, 0xFF]
    rom = pages > 1 / 256
    assert pages[rom].sum() == pytest.approx(1 - NOWHERE)
    assert set(np.flatnonzero(rom)) == set(range(0xE0, 0x100))


@pytest.mark.slow
@pytest.mark.parametrize("line", ["D5", "D7"])
def test_a_vector_that_leads_nowhere_tells_of_the_line_that_would_lead_it_into_the_rom(line):
    """$E0 is read as $C0, or as $60, where no ROM is."""
    fault = f"stuck:{line}=0@U5"
    suspects = diagnose(undumped(fault, cycles=400)).suspects[:2]
    assert any(fault in members(s) for s in suspects)


@pytest.mark.slow
def test_a_vector_is_no_row_of_one_byte():
    """With its high lines held, its two bytes are alike: they stand where they must."""
    reading = undumped(cycles=100)
    replay = BoardReplay(reading)
    held = Assumption(data_pin_chip=replay.chips.index("U5"), data_pin_or=0xE0)
    at = int(np.flatnonzero(replay.address == 0xFFFD)[0])
    assert (int(replay.data[at - 1]), int(replay.data[at])) == (0x00, 0xE0)
    pages = usual_on(reading.board)[PAGES]
    assert replay.replay(held).cost[at] == pytest.approx(-np.log2(pages[0x1F, 0]), abs=1e-4)


@pytest.mark.slow
def test_operands_lead_to_where_something_is():
    """Calls into the ROM, accesses to chips and to the base of an I/O chip, short branches."""
    board = undumped(cycles=100).board
    usual = usual_on(board)[:, 0xFF]
    for row in (JUMPS, ACCESSES, BRANCHES):
        assert usual[row].sum() == pytest.approx(1.0)
    assert usual[JUMPS, 0xE0:].sum() == pytest.approx(SOMEWHERE + (1 - SOMEWHERE) / 8)
    answers = (board.map.responds[0] | board.map.responds[1]).reshape(256, 256)
    nowhere = ~(answers != 0).any(axis=1)
    assert usual[ACCESSES, nowhere].sum() == pytest.approx((1 - SOMEWHERE) * nowhere.mean())
    port = 1 << board.map.chips.index("U6")
    pages = np.flatnonzero((answers & port != 0).any(axis=1))
    mine = usual[ACCESSES, pages]
    assert mine[0] > AT_ITS_BASE * mine.sum()
    assert usual[BRANCHES, 0xFB] > 4 * usual[BRANCHES, 0x60]


def test_the_byte_that_tells_where_to_follows_from_the_opcode():
    byte, use = operands("6502")
    assert (byte[0x20], use[0x20]) == (2, JUMPS)
    assert (byte[0x8D], use[0x8D]) == (2, ACCESSES)
    assert (byte[0xD0], use[0xD0]) == (1, BRANCHES)
    lda_immediate, undocumented = 0xA9, 0x0C
    assert not byte[[lda_immediate, undocumented]].any()


@pytest.mark.slow
def test_an_operand_costs_less_than_any_byte_where_it_leads_somewhere():
    """Of a program that runs well."""
    replay = BoardReplay(undumped(cycles=3000))
    rom = replay.chips.index("U5")
    reads = (replay.healthy.drivers == 1 << rom) & (replay.read == 1) & (replay.healthy.cost > 1)
    for row, least in ((JUMPS, 2), (ACCESSES, 1), (BRANCHES, 4)):
        mine = reads & (replay._obeyed_as == row)
        assert mine.sum() >= least
        assert np.median(replay.healthy.cost[mine]) < 7.5
