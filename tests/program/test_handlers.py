"""Which rows belong to handlers, held against a plain walk through the rows."""

from dataclasses import dataclass

import numpy as np
import pytest
from drill_readings import read
from hypothesis import given, settings
from hypothesis import strategies as st
from programmed_boards import programmed, start_timer

from bustrace.drill import simulate
from bustrace.program import Kind, interrupts_of, main_rows, open_interrupts, phases_of
from bustrace.program.handlers import LONGEST_OPEN

RTI, NOP = 0x40, 0xEA
ROWS = {
    "i": (Kind.IRQ, -1),
    "n": (Kind.NMI, -1),
    "b": (Kind.BRK, 0),
    "r": (Kind.INSTRUCTION, RTI),
    ".": (Kind.INSTRUCTION, NOP),
    "R": (Kind.RESET, -1),
}


@dataclass
class Rows:
    """What these functions ask of a program."""

    kind: np.ndarray
    opcode: np.ndarray

    def __len__(self):
        return len(self.kind)


def rows_of(letters):
    kinds, opcodes = zip(*(ROWS[letter] for letter in letters), strict=True)
    return Rows(np.array(kinds, dtype=np.uint8), np.array(opcodes, dtype=np.int16))


def depth_by_hand(letters):
    depth, shown = 0, []
    for letter in letters:
        depth = 0 if letter == "R" else depth + (letter in "inb")
        shown.append(depth)
        depth -= letter == "r" and depth > 0
    return shown


@pytest.mark.parametrize(
    ("letters", "depth"),
    [
        ("..i..r..", "00111100"),
        (".i.n.r.r.", "011222110"),
        ("i.b.Rr..i", "112200001"),
        (".r.i.r", "000111"),
    ],
)
def test_interrupts_nest_return_and_end_with_a_reset(letters, depth):
    assert open_interrupts(rows_of(letters)).tolist() == [int(digit) for digit in depth]


@settings(deadline=None, max_examples=200)
@given(st.text(alphabet="inbr.R", min_size=1, max_size=60))
def test_any_order_of_interrupts_is_counted_as_by_hand(letters):
    assert open_interrupts(rows_of(letters)).tolist() == depth_by_hand(letters)


@pytest.mark.parametrize(("rows", "goes_on"), [(LONGEST_OPEN - 1, False), (LONGEST_OPEN, True)])
def test_a_handler_that_goes_on_and_on_is_where_the_program_went(rows, goes_on):
    """One that only has not returned when the capture ends is still a handler."""
    main = main_rows(rows_of(".." + "i" + "." * rows))
    assert main.tolist() == [0, 1, *(range(3, 3 + rows) if goes_on else [])]


def nothing(code):
    code.op("NOP")


def timer(code):
    start_timer(code, 200)
    code.label("main")
    code.op("INC", "zp", 0x20)
    code.op("JMP", "jump", "main")


@pytest.mark.slow
def test_interrupts_back_to_back_are_a_phase_of_their_own(tmp_path):
    """The handler does not clear the 6522's flag: IRQ stays low, and after each RTI the CPU takes
    it again before an instruction of the main program (RTI restores I before IRQ is looked at:
    MCS6500 Programming Manual, chapter 9, from memory)."""
    reading = read(simulate(programmed(tmp_path, timer, nothing), cycles=3000, seed=2))
    *_, before, storm = phases_of(reading.program, reading.cycles, reading.board)
    taken = int((reading.program.kind == Kind.IRQ).sum())
    assert (storm.kind, storm.turns, storm.interrupts) == ("storm", taken, taken)
    assert storm.text.startswith(f"{taken} interrupts (IRQ) back to back")
    assert storm.last == len(reading.cycles) - 1
    assert before.kind == "main loop"
    first = reading.program.first_cycle[reading.program.kind == Kind.IRQ][0]
    assert (before.last, storm.first) == (first - 1, first)


@pytest.mark.slow
def test_the_story_goes_on_in_a_handler_that_never_returns(tmp_path):
    """BRK leads to code that clears a page and then turns for ever."""

    def main(code):
        code.op("NOP")
        code.bytes += b"\0\0"  # BRK and the byte that it skips

    def handler(code):
        code.op("LDA", "imm", 0)
        code.op("TAX")
        code.label("clear")
        code.op("STA", "abs,x", 0x0300)
        code.op("INX")
        code.op("BNE", "rel", "clear")
        code.label("ever")
        code.op("INC", "zp", 0x20)
        code.op("JMP", "jump", "ever")

    reading = read(simulate(programmed(tmp_path, main, handler), cycles=4000, seed=1))
    told = [p.text for p in phases_of(reading.program, reading.cycles, reading.board)]
    assert told[-2] == "clears $0300-$03FF"
    assert told[-1].startswith("main loop at $E0")
    (found,) = interrupts_of(reading.program, reading.cycles)
    assert (found.line, found.count, found.gone, found.latency) == ("BRK", 1, 1, None)
