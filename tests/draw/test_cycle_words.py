"""Every cycle of every instruction has words, and they say what the bus does."""

import pytest

from bustrace.cpu import VARIANTS, opcode_info, variant_named
from bustrace.draw.cycle_words import cycle_words


def words_of(variant, number):
    """(name, reason) of all cycles of an opcode, at its longest."""
    opcode = opcode_info(variant.name, number)
    table = variant.modes()[opcode.microcycles]
    return table, [cycle_words(opcode, table, place) for place in range(len(table) + 1)]


@pytest.mark.parametrize("variant", VARIANTS, ids=lambda v: v.name)
def test_every_cycle_is_named_and_explained(variant):
    """No entry of the microcycle table is left without words, in any part."""
    for number in range(256):
        for name, reason in words_of(variant, number)[1]:
            assert name, number
            assert reason.endswith("."), (number, reason)


@pytest.mark.parametrize("variant", VARIANTS, ids=lambda v: v.name)
def test_words_of_writing_stand_at_the_cycles_that_write(variant):
    """A cycle is called a write or a push when R/W is low in it, and never otherwise."""
    for number in range(256):
        table, words = words_of(variant, number)
        for cycle, (name, _) in zip(table, words[1:], strict=True):
            assert name.startswith(("Write", "Push")) == (cycle.access != "R"), (number, name)


def test_jsr_in_the_order_of_the_makers_manual():
    """MCS6500 Hardware Manual, A.5.3: opcode, low byte, stack, PCH, PCL, then the high byte."""
    names = [name for name, _ in words_of(variant_named("6502"), 0x20)[1]]
    assert names == [
        "Fetch the opcode",
        "Target, low byte",
        "Idle read of the stack",
        "Push PC, high byte",
        "Push PC, low byte",
        "Target, high byte",
    ]


def test_a_change_in_memory_writes_the_old_byte_first_on_nmos():
    """Read old, write old, write new: same manual, A.4, and W65C02S sheet, table 7-1."""
    names = [name for name, _ in words_of(variant_named("6502"), 0xEE)[1]]
    assert names[-3:] == ["Read the old byte", "Write the old byte back", "Write the new byte"]


def test_the_longest_way_is_told_for_a_branch():
    """Two cycles, three when taken, four into another page (same manual, A.5.8)."""
    names = [name for name, _ in words_of(variant_named("6502"), 0xD0)[1]]
    assert names[1:] == [
        "Distance of the branch",
        "Idle read; branch taken",
        "Idle read; page crossed",
    ]
