"""The program one line an instruction, and the story of the boot."""

import re

import pytest

from bustrace.program import Kind
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
    assert "LEAVES ITS PATH" not in text
    assert re.search(r"7,298 +7\.298 ms +the capture ends", text)


def story_of(verdict_on, name):
    return " ".join(boot_story(verdict_on(name)[1]).plain().split())


def test_every_story_fits_and_marks_the_derail_of_the_verdict(verdict_on, fixture_name):
    """At its cycle, once, and between the phases that come before and after it."""
    diagnosis, reading = verdict_on(fixture_name)
    if not len(reading.program):
        return
    lines = boot_story(reading).plain().splitlines()
    assert max(map(len, lines)) <= 80
    told = lines[1 : lines.index("All along")]
    cycles = [int(text.replace(",", "")) for line in told for text in re.findall(r"^[\d,]+", line)]
    assert cycles == sorted(cycles)
    marks = [line.split()[0] for line in told if "LEAVES ITS PATH" in line]
    assert marks == ([f"{diagnosis.derail.cycle:,}"] if diagnosis.derail else [])


def test_a_loop_behind_the_derail_is_not_called_the_main_loop(verdict_on):
    """RAM is silent: the search for its end turns until the capture ends."""
    flat = story_of(verdict_on, "tide_gauge_ram_silent")
    assert "goes round $E036-$E05B (29 times)" in flat
    assert "main loop" not in flat


def test_a_stopped_clock_ends_the_story(verdict_on):
    flat = story_of(verdict_on, "tide_gauge_clock_stops")
    assert "the clock stops All along" in flat
    assert "the capture ends" not in flat


def test_where_code_came_from_is_not_claimed_without_addresses(verdict_on):
    """Eight lines, none of an address."""
    flat = story_of(verdict_on, "tide_gauge_triage")
    assert re.search(r"Where [\d,]+ instructions came from is not known\.", flat)
    assert "All code comes from ROM" not in flat


def test_what_is_polled_is_told_where_cycles_are_stolen(verdict_on):
    """The firmware's source: BIT PORTA ($A001), BMI; the display takes cycles of the bus."""
    flat = story_of(verdict_on, "departure_board_healthy")
    assert "waits for $A001 bit 7, U6 (register 1): 22 looks" in flat
    assert "It polls $A001 bit 7 at $E0BD: 25 looks" in flat


def test_brks_are_counted_and_said_never_to_return(verdict_on):
    reading = verdict_on("tide_gauge_io_always_drives")[1]
    count = int((reading.program.kind == Kind.BRK).sum())
    flat = story_of(verdict_on, "tide_gauge_io_always_drives")
    assert f"{count} BRKs, from cycle 24 on, to $0180" in flat
    assert f"runs $0000; {count} BRKs" in flat


def test_a_storm_of_interrupts_is_called_one(verdict_on):
    flat = " ".join(boot_story(verdict_on("tide_gauge_irq_storm")[1]).plain().split())
    count = re.search(r"(\d+) of them directly behind the one before", flat)
    assert count is not None
    assert int(count[1]) > 10
