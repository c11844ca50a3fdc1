"""What a RAM holds when it was left alone too long."""

import numpy as np
import pytest
from drill_readings import boot
from programmed_boards import programmed

from bustrace.findings import Assumption, gather

CELL = 0x20


def long_pauses(code):
    """Read a byte that nobody wrote, and then write it and read it back, each after 3,800 cycles;
    the pauses use neither the byte nor a row of it.
    """

    def pause(name):
        code.op("LDY", "imm", 3)
        code.label(name)
        code.op("DEX")
        code.op("BNE", "rel", name)
        code.op("DEY")
        code.op("BNE", "rel", name)

    code.op("LDX", "imm", 0)
    pause("first")
    code.op("LDA", "zp", CELL)
    code.label("again")
    code.op("LDA", "imm", 0x5A)
    code.op("STA", "zp", CELL)
    pause("wait")
    code.op("LDA", "zp", CELL)
    code.op("JMP", "jump", "again")


@pytest.mark.parametrize("seed", range(3))
def test_what_is_lost_leaves_the_same_byte_every_time(tmp_path, seed):
    """A cell leaks to a level of its own: what came after power-on is no news again."""
    reading = boot("retention:U4", board=programmed(tmp_path, long_pauses), cycles=16000, seed=seed)
    replay = gather(reading).replay
    reads = np.flatnonzero((replay.address == CELL) & (replay.read == 1))
    assert len(reads) >= 4
    assert set(reading.cycles.data[reads]) == {reading.cycles.data[reads[0]]} != {0x5A}
    ram = replay.chips.index("U4")
    forgets = Assumption(forgets=1 << ram, forgets_after=3000, forgets_rows=2047)
    prices = replay.replay(forgets).cost[reads]
    assert prices[0] == pytest.approx(8, abs=3)
    assert prices[1] == 1.0
    assert (prices[2:] == 0).all()
