"""Memories that nobody knows, beside a bank of narrow chips, a register, or nobody."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from drill_readings import FIXTURES, boot, read, run, undumped

from bustrace.board import load_board
from bustrace.findings import FIRST_WINS, Assumption
from bustrace.findings._kernels import AS_IT_SHOULD, AT_REST, REMEMBERS, ROM_BYTES
from bustrace.findings.answers import BoardReplay
from bustrace.findings.usual_bytes import usual_bytes

pytestmark = pytest.mark.slow


def undumped_bank(*faults, cycles=1500):
    """A boot of a board whose RAM is eight chips of one bit, judged without its ROM's image."""
    board = load_board(FIXTURES / "departure_board" / "board.toml")
    without = replace(board, chips=tuple(replace(chip, images=()) for chip in board.chips))
    return read(run(*faults, board=board, cycles=cycles), board=without)


def test_each_chip_of_a_bank_is_laid_its_own_line():
    """The ROM drives along with RAM of one bit a chip: each low that may be either's costs."""
    replay = BoardReplay(undumped_bank("always:U5"))
    rom = replay.chips.index("U5")
    both = replay.replay(Assumption(always=1 << rom))
    bank = sum(1 << i for i, ref in enumerate(replay.chips) if ref.startswith("U2"))
    together = np.flatnonzero((both.drivers == (bank | 1 << rom)) & (both.cost > 0))
    at = int(together[0])
    zeros = 8 - int(replay.data[at]).bit_count()
    assert zeros > 2
    assert both.cost[at] > AS_IT_SHOULD * zeros


def test_a_chip_without_outputs_drives_no_read_however_it_is_selected():
    """U7 is a latch that is written only: its select stuck active disturbs no read."""
    replay = BoardReplay(boot())
    latch = replay.chips.index("U7")
    held = replay.replay(Assumption(select_on=latch))
    assert not (held.drivers >> np.uint32(latch) & 1).any()
    assert np.array_equal(held.drivers, replay.healthy.drivers)


def test_an_undriven_bus_keeps_what_it_held_while_nothing_was_seen():
    """A cycle that had not settled hides the byte, and does not make the next one news."""
    reading = boot("silent:U5", cycles=1500)
    replay = BoardReplay(reading)
    alone = (replay.address >= 0) & (replay.read == 1) & (replay.healthy.drivers == 0)
    still = alone[1:-1] & alone[2:] & (replay.data[1:-1] == replay.data[:-2])
    still &= replay.data[2:] == replay.data[1:-1]
    at = int(np.flatnonzero(still)[-1]) + 1
    known = reading.cycles.data_known.copy()
    known[at] = 0
    hidden = BoardReplay(replace(reading, cycles=replace(reading.cycles, data_known=known)))
    assert hidden.healthy.expected_known[at + 1] == 0xFF
    assert hidden.healthy.cost[at + 1] < 1


def test_a_register_does_not_remember_by_address():
    """With A15 high at the decoder the port answers for the RAM, and would have to hold what was
    written at each of its many addresses.
    """
    replay = BoardReplay(undumped())
    port = replay.replay(Assumption(decoder_or=0x8000))
    reads = (replay.healthy.drivers == 1 << replay.chips.index("U4")) & (replay.read == 1)
    told = []
    for at in np.flatnonzero(reads):
        before = np.flatnonzero(replay.address[:at] == replay.address[at])
        if len(before) and replay.data[before[-1]] == replay.data[at]:  # no news
            told.append(port.cost[at])
    assert len(told) > 20
    assert max(told) >= REMEMBERS


def test_a_rom_that_overrules_a_register_gives_the_same_byte_again():
    """Nobody knows its content, but it has one."""
    reading = undumped(cycles=1500)
    replay = BoardReplay(reading)
    rom, port = replay.chips.index("U5"), replay.chips.index("U6")
    stronger = Assumption(always=1 << port, fight=FIRST_WINS, strong=rom)
    reads = (replay.healthy.drivers == 1 << rom) & (replay.read == 1) & (replay.data_known == 0xFF)
    again = [
        int(a) for a in np.flatnonzero(reads) if (replay.address[:a] == replay.address[a]).any()
    ]
    at = again[-1]
    data = reading.cycles.data.copy()
    data[at] ^= 0x10
    other = BoardReplay(replace(reading, cycles=replace(reading.cycles, data=data)))
    wrong = other.replay(stronger)
    assert wrong.expected_known[at] == 0xFF
    assert wrong.cost[at] - replay.replay(stronger).cost[at] > 9


def test_a_high_beside_a_register_is_the_roms_own():
    """The low level wins: what is high at once is high in both, and a low may be the register's.
    Nobody knows the port here; its registers are at rest.
    """
    reading = undumped("always:U6", cycles=1500)
    chips = (replace(c, part="custom") if c.ref == "U6" else c for c in reading.board.chips)
    replay = BoardReplay(replace(reading, board=replace(reading.board, chips=tuple(chips))))
    rom, port = replay.chips.index("U5"), replay.chips.index("U6")
    both = replay.replay(Assumption(always=1 << port))
    count = np.bitwise_count(replay.data)
    along = (both.drivers == (1 << rom | 1 << port)) & (count > 0)
    at = int(np.flatnonzero(along & (both.cost > 0))[0])
    ones = int(count[at])
    of_rom = usual_bytes("6502")[ROM_BYTES, replay.data[at], replay.data[at]]
    news = AS_IT_SHOULD * (8 - ones) + min(ones, AT_REST) - np.log2(of_rom)
    assert both.cost[at] == pytest.approx(news, abs=1e-3)
