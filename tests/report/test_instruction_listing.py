"""The program one line an instruction, and the story of the boot."""

import re

import pytest

from bustrace.program.symbols import Symbols
from bustrace.report import boot_story, instruction_lines

pytestmark = pytest.mark.slow


def lines_of(verdict_on, name, **how):
    return list(instruction_lines(verdict_on(name)[1], **how))


def test_an_instruction_has_registers_and_what_it_wrote(verdict_on):
    """The firmware's start: its source has LDX #$FF, TXS, LDA #$00, STA LATCH at $A000."""
    lines = lines_of(verdict_on, "tide_gauge_healthy")
    assert max(map(len, lines)) <= 80
    at = next(n for n, line in enumerate(lines) if "TXS" in line)
    txs, lda, sta = lines[at : at + 3]
    assert txs.split() == ["26", "E004", "9A", "TXS", "--", "FF", "--", "1D", "N-.I.-"]
    assert lda.split()[2:] == ["A9", "00", "LDA", "#$00", "--", "FF", "--", "FF", "N-.I.-"]
    assert sta.split()[-3:] == ["W", "A000", "00"]


def test_loops_are_folded_and_can_be_unfolded(verdict_on):
    """The firmware clears page 0 in 256 turns of three instructions."""
    folded = lines_of(verdict_on, "tide_gauge_healthy")
    whole = lines_of(verdict_on, "tide_gauge_healthy", everything=True)
    assert any("these 3 instructions 256 times" in line for line in folded)
    reading = verdict_on("tide_gauge_healthy")[1]
    assert len(whole) == len(reading.program) + 1
    assert len(folded) < len(whole) / 4


def test_interrupts_are_marked_until_they_return(verdict_on):
    lines = lines_of(verdict_on, "tide_gauge_irq_storm")
    first = next(n for n, line in enumerate(lines) if "interrupt (IRQ)" in line)
    assert " > " in lines[first + 1]
    assert not any(" > " in line for line in lines[:first])


def test_names_stand_in_operands_and_as_labels(verdict_on):
    symbols = Symbols({"reset": 0xE000, "latch": 0xA000}, {0xE000: "reset", 0xA000: "latch"})
    lines = lines_of(verdict_on, "tide_gauge_healthy", symbols=symbols)
    assert any("STA latch" in line for line in lines)
    at = next(n for n, line in enumerate(lines) if line.strip() == "reset:")
    assert "SEI" in lines[at + 1]


def test_the_story_has_phases_and_what_goes_on_all_along(verdict_on):
    text = boot_story(verdict_on("tide_gauge_healthy")[1]).plain()
    assert max(map(len, text.splitlines())) <= 80
    flat = " ".join(text.split())
    for phrase in ("clears $0000-$00FF", "sums $F000-$F0FF", "sets up U6", "3 IRQs"):
        assert phrase in flat, flat
    assert "All code comes from ROM." in flat


def test_a_storm_of_interrupts_is_called_one(verdict_on):
    flat = " ".join(boot_story(verdict_on("tide_gauge_irq_storm")[1]).plain().split())
    count = re.search(r"(\d+) of them directly behind the one before", flat)
    assert count is not None
    assert int(count[1]) > 10
