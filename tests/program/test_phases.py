"""The boot in words, held against what py65 makes of the same image.

py65 is an instruction-level simulator of the 6502 by other people: what a phase claims of memory
must be true in its memory.
"""

import re
from itertools import pairwise

import pytest
from drill_readings import read
from programmed_boards import VIA, programmed, start_timer
from py65.devices.mpu6502 import MPU

from bustrace.drill import simulate
from bustrace.program import (
    code_elsewhere,
    fetched_from,
    interrupts_of,
    phases_of,
    polls_of,
    reads_of,
    stack_depth,
)

pytestmark = pytest.mark.slow


def page_loop(code, label, *body):
    """X from 0 to 0 again."""
    code.op("LDX", "imm", 0)
    code.label(label)
    for mnemonic, mode, value in body:
        code.op(mnemonic, mode, value)
    code.op("INX")
    code.op("BNE", "rel", label)


def busy(code):
    """Clears a page, fills one, copies it, sums the ROM, counts, sets up the 6522, waits."""
    code.op("LDA", "imm", 0)
    page_loop(code, "clear", ("STA", "abs,x", 0x0200))
    code.op("LDA", "imm", 0x5A)
    page_loop(code, "fill", ("STA", "abs,x", 0x0300))
    page_loop(code, "copy", ("LDA", "abs,x", 0xE000), ("STA", "abs,x", 0x0400))
    code.op("CLC")
    page_loop(code, "sum", ("ADC", "abs,x", 0xE000))
    code.op("LDY", "imm", 0)
    code.label("count")
    code.op("DEY")
    code.op("BNE", "rel", "count")
    for register in (2, 3, 11):
        code.op("LDA", "imm", 0xFF if register == 2 else 0)
        code.op("STA", "abs", VIA + register)
    code.op("JSR", "call", "deep")
    code.op("LDA", "imm", 0)
    code.op("STA", "zp", 0x10)
    code.label("wait")
    code.op("BIT", "zp", 0x10)
    code.op("BPL", "rel", "wait")
    code.op("JMP", "jump", "wait")
    code.label("deep")
    code.op("PHA", "push")
    code.op("PLA", "pull")
    code.op("RTS", "rts")


@pytest.fixture(scope="module")
def story(tmp_path_factory):
    board = programmed(tmp_path_factory.mktemp("busy"), busy)
    reading = read(simulate(board, cycles=14_000, seed=4))
    return reading, phases_of(reading.program, reading.cycles, reading.board)


def test_each_stretch_is_told_for_what_it_does(story):
    _, phases = story
    told = [phase.text for phase in phases]
    expected = [
        r"reset, then starts at \$E000",
        r"clears \$0200-\$02FF",
        r"fills \$0300-\$03FF with \$5A",
        r"copies \$E000-\$E0FF to \$0400-\$04FF",
        r"sums \$E000-\$E0FF",
        r"counts for \d.*s",
        r"sets up U6 \(registers 2, 3, 11\)",
        r"waits for \$0010 bit 7: [\d,]+ looks, .*s",
    ]
    assert len(told) == len(expected), told
    for text, pattern in zip(told, expected, strict=True):
        assert re.fullmatch(pattern, text), (text, pattern)


def test_the_phases_tile_the_capture(story):
    reading, phases = story
    assert phases[0].first == 0
    assert phases[-1].last == len(reading.cycles) - 1
    assert all(a.last + 1 == b.first for a, b in pairwise(phases))


def booted(board):
    """py65 at the reset vector of the board's ROM, its RAM full of $A5."""
    mpu = MPU()
    mpu.memory[0xE000:0x10000] = list(bytes(board.chip("U5").images[0].content))
    mpu.memory[0x0200:0x0500] = [0xA5] * 0x300
    mpu.pc = mpu.memory[0xFFFC] | mpu.memory[0xFFFD] << 8
    return mpu


def test_what_the_phases_claim_is_so_in_py65(story):
    """Cleared, filled, copied: the same image run by another simulator."""
    reading, phases = story
    mpu = booted(reading.board)
    for _ in range(5000):
        mpu.step()
    told = " ".join(phase.text for phase in phases)
    for low, high in re.findall(r"clears \$(\w{4})-\$(\w{4})", told):
        assert set(mpu.memory[int(low, 16) : int(high, 16) + 1]) == {0}
    for low, high, byte in re.findall(r"fills \$(\w{4})-\$(\w{4}) with \$(\w\w)", told):
        assert set(mpu.memory[int(low, 16) : int(high, 16) + 1]) == {int(byte, 16)}
    (copied,) = re.findall(r"copies \$(\w{4})-\$(\w{4}) to \$(\w{4})-\$(\w{4})", told)
    a, b, c, d = (int(text, 16) for text in copied)
    assert mpu.memory[a : b + 1] == mpu.memory[c : d + 1]


def test_what_is_summed_is_what_py65_adds_up(story):
    """The claimed range added with its carries is what py65 has in A behind the loop."""
    reading, phases = story
    (phase,) = (phase for phase in phases if phase.text.startswith("sums"))
    low, high = (int(text, 16) for text in re.findall(r"\$(\w{4})", phase.text))
    mpu = booted(reading.board)
    run_to(mpu, 0x18)  # CLC, before the sum
    total, carry = mpu.a, 0
    run_to(mpu, 0xA0)  # LDY #$00, behind it
    for byte in mpu.memory[low : high + 1]:
        total += byte + carry
        total, carry = total & 0xFF, total >> 8
    assert (mpu.a, mpu.p & 1) == (total, carry)


def run_to(mpu, opcode):
    """Run until an opcode comes next."""
    for _ in range(20_000):
        if mpu.memory[mpu.pc] == opcode:
            return
        mpu.step()
    raise AssertionError(f"py65 never comes to ${opcode:02X}")


def test_the_stack_is_as_deep_as_in_py65(story):
    """JSR pushes two bytes, PHA a third: from $FF down to $FC."""
    depth = stack_depth(story[0].program)
    assert (depth.lowest, depth.highest) == (0xFC, 0xFF)
    mpu, pointers = booted(story[0].board), []
    for _ in range(8000):
        mpu.step()
        pointers.append(mpu.sp)
    assert min(pointers[4:]) == depth.lowest


def test_the_stack_counts_from_where_the_program_sets_it(story):
    """Not before, nor behind the cycle that was given."""
    program = story[0].program
    assert stack_depth(program, before=20) is None
    assert stack_depth(program, before=100).lowest == 0xFF


def test_code_in_rom_is_nothing_to_tell(story):
    reading, _ = story
    assert code_elsewhere(reading.program, reading.cycles, reading.board) == ()
    told = fetched_from(reading.program, reading.cycles, reading.board)
    assert set(told.place) == {"rom"}


def test_a_poll_is_told_with_all_its_looks(story):
    """BIT $10, BPL: as many looks as there are reads of $0010 after it was written."""
    reading, phases = story
    program, cycles = reading.program, reading.cycles
    (poll,) = polls_of(program, reads_of(program, cycles), "6502")
    assert (poll.address, poll.bits) == (0x10, 0x80)
    reads = ((cycles.address == 0x10) & (cycles.pin("RW") == 1))[phases[-1].first :]
    assert abs(poll.looks - int(reads.sum())) <= 1
    assert poll.first >= phases[-1].first - 20
    assert poll.last > len(cycles) - 20


def test_behind_the_derail_no_loop_is_the_main_loop(ticking):
    """A phase begins with the first instruction behind it."""
    program, cycles, board = ticking.program, ticking.cycles, ticking.board
    whole = phases_of(program, cycles, board)
    derail = whole[-1].first + 100
    *before, last = phases_of(program, cycles, board, derail)
    assert whole[-1].kind == "main loop"
    assert last.kind == "loop"
    assert last.text.startswith("goes round $E0")
    assert derail < last.first <= derail + 8 + 60
    assert before[-1].last == last.first - 1


def test_code_copied_to_ram_and_run_there_is_told(tmp_path):
    def main(code):
        for place, byte in enumerate((0xEA, 0x4C, 0x00, 0x02)):  # NOP, JMP $0200
            code.op("LDA", "imm", byte)
            code.op("STA", "abs", 0x0200 + place)
        code.op("JMP", "jump", 0x0200)

    reading = read(simulate(programmed(tmp_path, main), cycles=600, seed=1))
    (found,) = code_elsewhere(reading.program, reading.cycles, reading.board)
    assert (found.place, found.chips, found.first, found.last) == ("ram", ("U4",), 0x200, 0x201)


def test_code_from_nowhere_is_told(tmp_path):
    def main(code):
        code.op("JMP", "jump", 0x9000)

    reading = read(simulate(programmed(tmp_path, main), cycles=400, seed=1, undriven="high"))
    found = code_elsewhere(reading.program, reading.cycles, reading.board)
    assert [each.place for each in found][:1] == ["nobody"]
    assert found[0].first >= 0x9000
    phases = phases_of(reading.program, reading.cycles, reading.board)
    wild = next(phase for phase in phases if phase.kind == "wild")
    assert wild.text.startswith("runs wild ($9000")
    assert wild.first == found[0].cycle


@pytest.fixture(scope="module")
def ticking(tmp_path_factory):
    """Timer 1 of the 6522, free running, every 200 + 2 cycles; the handler reads its counter."""

    def main(code):
        start_timer(code, 200)
        code.label("main")
        code.op("INC", "zp", 0x20)
        code.op("JMP", "jump", "main")

    def handler(code):
        code.op("BIT", "abs", VIA + 4)

    board = programmed(tmp_path_factory.mktemp("ticking"), main, handler)
    return read(simulate(board, cycles=4000, seed=2))


def test_interrupts_come_at_the_timers_pace_and_are_answered_in_time(ticking):
    """N + 2 cycles from one to the next (6522 sheets, from memory). The instruction that runs is
    finished first: INC zp takes five cycles, JMP three (MCS6500 Hardware Manual, appendix A), and
    IRQ is looked at in the cycle but one before its end, so the answer comes 2 to 7 cycles later.
    """
    (found,) = interrupts_of(ticking.program, ticking.cycles)
    assert found.line == "IRQ"
    assert found.count > 10
    assert abs(found.every_ps - 202 * ticking.cycles.clock.period_ps) < 8e6
    usual, longest = found.latency
    assert 2 <= usual <= longest <= 7
    assert found.back_to_back == 0
    assert len(found.handlers) == 1


def test_a_main_loop_is_told_with_its_interrupts(ticking):
    last = phases_of(ticking.program, ticking.cycles, ticking.board)[-1]
    assert (last.kind, last.last) == ("main loop", len(ticking.cycles) - 1)
    assert last.turns > 100
    assert last.interrupts > 10
