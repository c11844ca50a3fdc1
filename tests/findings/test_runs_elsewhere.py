"""A recording that begins when the CPU is no longer in its ROM."""

from types import SimpleNamespace

import numpy as np
import pytest
from drill_readings import boot, only, rules
from programmed_boards import BOARD, programmed

from bustrace import diagnose
from bustrace.diagnosis.among_suspects import SENT_BEFORE, sent_before
from bustrace.diagnosis.suspected import suspected
from bustrace.faults import Fault
from bustrace.findings import find_all, gather, observe
from bustrace.findings.trail import AGAIN, went_elsewhere

LOOP = 0x0300
BANKED = (
    BOARD
    + """
[[chips]]
ref = "U8"
role = "ram"
size = 8192
range = "$8000-$9FFF"
when = { BANK = 1 }

[[chips]]
ref = "U9"
role = "logic"
range = "$5000-$5FFF"

[[state]]
name = "BANK"
reset = 0
from = "U9"
write = "$5000-$5FFF"
bit = 0
"""
)


def into_ram(code):
    """Copy a small loop into RAM and run it there."""
    body = (0xE6, 0x10, 0xA5, 0x10, 0x4C, LOOP & 0xFF, LOOP >> 8)  # INC $10, LDA $10, JMP LOOP
    for offset, byte in enumerate(body):
        code.op("LDA", "imm", byte)
        code.op("STA", "abs", LOOP + offset)
    code.op("JMP", "jump", LOOP)


def test_a_program_that_was_loaded_before_is_neither_healthy_nor_a_fault(tmp_path):
    """Nobody saw who wrote it: it may as well be what a CPU that lost its way came to."""
    reading = boot(board=programmed(tmp_path, into_ram), cycles=2000, start_cycle=400)
    finding = only(find_all(reading), "runs-in-ram")
    assert (finding.severity, "$0300 to $0306" in finding.text) == ("oddity", True)
    diagnosis = diagnose(reading)
    assert diagnosis.verdict == "cannot conclude"
    assert not diagnosis.suspects
    assert diagnosis.next_steps[0].startswith("Record again from before RES rises")
    (rung,) = [r for r in observe(reading).ladder if r.name == "ROM runs"]
    assert (rung.status, "nothing of them surely from a ROM" in rung.text) == ("not seen", True)


def copied(code):
    """Copy the first bytes of the ROM to as far into the RAM, and run them there."""
    code.op("JMP", "jump", "copy")
    loop = code.label("loop")
    for mnemonic, mode, *operand in (
        ("INC", "zp", 0xF0), ("LDA", "zp", 0xF0), ("EOR", "imm", 0x55), ("CLC", "imp"),
        ("BCC", "rel", "loop"),
    ):  # fmt: skip
        code.op(mnemonic, mode, *operand)
    code.label("copy")
    code.op("LDX", "imm", 0x20)
    code.label("next")
    code.op("LDA", "abs,x", 0xE000)
    code.op("STA", "abs,x", 0x0000)
    code.op("DEX")
    code.op("BPL", "rel", "next")
    code.op("JMP", "jump", loop & 0x1FFF)


def test_what_a_rom_holds_as_far_into_the_ram_may_be_the_rom_answering(tmp_path):
    """Or was copied there before: no verdict, but a suspect, and what speaks against it."""
    reading = boot(board=programmed(tmp_path, copied), cycles=3000, start_cycle=1000)
    diagnosis = diagnose(reading)
    assert diagnosis.verdict == "cannot conclude"
    (suspect,) = diagnosis.suspects
    assert "U5" in suspect.fault.chip
    assert suspect.probability == 0.5
    assert suspect.explains == ("runs-in-ram",)
    assert suspect.against


def test_a_program_that_is_seen_to_be_loaded_is_sound(tmp_path):
    reading = boot(board=programmed(tmp_path, into_ram), cycles=2000)
    assert "runs-in-ram" not in rules(find_all(reading))
    assert diagnose(reading).exit_code == 0


def astray(code):
    """Go where RAM answers in one state of a bank latch, and in the other nobody."""
    code.op("JMP", "jump", 0x8100)


def test_a_bank_that_nobody_knows_hides_no_program_that_runs_through_one_byte(tmp_path):
    """The latch was set before the recording; whoever answers there gives nothing but one byte."""
    board = programmed(tmp_path, astray, board=BANKED)
    reading = boot(board=board, cycles=1500, start_cycle=200)
    assert (gather(reading).replay.address == -1).sum() > 500
    finding = only(find_all(reading), "runs-empty")
    assert "from $81" in finding.text


@pytest.mark.parametrize(("start", "left"), [(200, 0.4), (0, 0.8)])
def test_what_sent_the_cpu_astray_may_be_out_of_view(tmp_path, start, left):
    """It ran through one byte from the first cycle on, and nothing was wrong since."""
    board = programmed(tmp_path, astray, board=BANKED)
    seen = observe(boot(board=board, cycles=1500, start_cycle=start))
    faults = [f for f in seen.findings if f.severity == "fault"]
    fault = Fault.parse("stuck:A13=1@behind")
    (suspect,) = sent_before(seen, faults, [suspected(fault, 0.8, ("runs-empty",), board)])
    assert suspect.probability == pytest.approx(left)
    assert (SENT_BEFORE in suspect.against) == bool(start)


@pytest.mark.parametrize(("kinds", "told"), [(4, True), (2, False)])
def test_a_cmos_cpu_has_fewer_opcodes_that_are_in_no_sheet(tmp_path, kinds, told):
    """Reserved ones are one in six of a W65C02S (opcode matrix of its sheet): one in seven of what
    runs is as many as of bytes by chance.
    """

    def odd(code):
        code.label("main")
        for reserved in (0x02, 0x22, 0x42, 0x62)[:kinds]:
            code.bytes += bytes((reserved, 0x00))
        for _ in range(24):
            code.op("INX")
        code.op("JMP", "jump", "main")

    board = programmed(tmp_path, odd, board=BOARD.replace('part = "6502"', 'part = "W65C02S"'))
    assert ("program-nonsense" in rules(find_all(boot(board=board, cycles=800)))) == told


@pytest.mark.parametrize("joined", [True, False])
def test_two_lines_that_never_part_are_one_fault_beside_a_third(joined):
    """Three lines that differ here and there are more than a fault turns, but a joint is one."""
    meant = np.tile(np.array([0x0000, 0x0070, 0x0010, 0x0020, 0x0040]), AGAIN)
    seen = meant | np.where((meant & 0x30 != 0) & joined, 0x30, 0)
    if not joined:
        seen = meant ^ np.where(np.isin(meant, (0x10, 0x20)), 0x30, 0)
    seen[meant == 0x40] = 0x00
    known = np.full(len(meant), 0xFFFF)
    columns = SimpleNamespace(address=seen, address_known=known)
    intent = SimpleNamespace(address=meant, address_known=known)
    program = SimpleNamespace(
        intent=intent,
        lines_aside=("A4", "A5", "A6"),
        first_cycle=np.zeros(0, int),
        kind=np.zeros(0, int),
    )
    astray = went_elsewhere(SimpleNamespace(cycles=columns, program=program), len(meant))
    assert astray.any() == (not joined)
