"""The CPU acted on another level than the clip saw: whose word counts."""

from __future__ import annotations

import numpy as np
import pytest
from drill_readings import boot, only, reread, rules
from programmed_boards import programmed

from bustrace.diagnosis import diagnose
from bustrace.findings import find_all
from bustrace.reading import Reading, read_boot


def jumps(code):
    """A chain of short loops at many addresses; a misread opcode sends the CPU astray."""
    code.label("top")
    for _ in range(40):
        code.op("LDX", "imm", 1)
        again = code.fresh("turn")
        code.label(again)
        code.op("DEX")
        code.op("BNE", "rel", again)
        code.op("JSR", "call", "sub")
        code.op("LDA", "zp", 0x10)
    code.op("JMP", "jump", "top")
    code.label("sub")
    code.op("RTS", "rts")


def fetches(reading: Reading, opcode: int, every: int = 1) -> list[int]:
    program = reading.program
    rows = np.flatnonzero(program.opcode == opcode)
    return [int(c) for c in program.first_cycle[rows][3::every]]


@pytest.mark.slow
def test_a_clip_that_misses_one_line_again_and_again_is_that_clip(tmp_path):
    """D5 of some JSR opcodes is inverted at the clip; the CPU went on as the ROM says."""
    reading = boot(board=programmed(tmp_path, jumps), cycles=2500)
    chosen = fetches(reading, 0x20, every=5)[:8]
    found = find_all(reread(reading, "D5", None, chosen))
    finding = only(found, "line-marginal")
    assert (finding.severity, finding.lines) == ("oddity", ("D5",))
    assert set(finding.cycles) <= set(chosen)
    assert finding.count >= 4
    assert "it is the clip" in finding.text
    assert rules(found, "fault") == set()


@pytest.mark.slow
def test_misses_on_many_lines_are_noise(tmp_path):
    reading = boot(board=programmed(tmp_path, jumps), cycles=2500)
    for line, cycle in zip(("D5", "D6", "D1"), fetches(reading, 0x20, every=7), strict=False):
        reading = reread(reading, line, None, [cycle])
    found = find_all(reading)
    assert only(found, "reads-in-doubt").severity == "note"
    assert rules(found, "fault") == set()


@pytest.mark.slow
def test_a_cpu_that_misses_what_the_clip_sees_is_at_fault(tmp_path):
    """D2 is lost on its way into the CPU at some opcodes: LDX # is taken for LDY # and so on.

    The board runs with these ROM cells bad; the clip is then given the image's level.
    """
    board = programmed(tmp_path, jumps)
    image = board.chip("U5").images[0].content
    offsets = [i for i in range(len(image)) if image[i] == 0xA5][2:12]
    cells = [f"cell:U5.{offset:04X}.2=0" for offset in offsets]  # LDA $10 becomes LDA ($10,x)
    reading = boot(*cells, board=board, cycles=3000)
    bad = np.flatnonzero(
        np.isin(reading.cycles.address - 0xE000, offsets) & (reading.cycles.pin("SYNC") == 1)
    )
    seen = reread(reading, "D2", 1, bad.tolist())
    diagnosis = diagnose(read_boot(seen.capture, board))
    finding = only(diagnosis.findings, "line-marginal")
    assert (finding.severity, finding.lines) == ("fault", ("D2",))
    assert "the CPU's own input is in doubt" in finding.text
    assert "rom-content" not in rules(diagnosis.findings)
    assert str(diagnosis.suspects[0].fault) == "stuck:D2=0@cpu"
    assert "U1" in diagnosis.suspects[0].check


@pytest.mark.slow
def test_a_healthy_boot_has_no_doubtful_read(tmp_path):
    found = find_all(boot(board=programmed(tmp_path, jumps), cycles=2500))
    assert not {"line-marginal", "reads-in-doubt"} & rules(found)
