"""SYNC and the next address, where nobody followed the program."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from drill_readings import boot

from bustrace.findings import gather
from bustrace.findings.step_rules import stuck_by_steps
from bustrace.program.model import Intent
from bustrace.reading import Reading


@pytest.fixture(scope="module")
def sound() -> Reading:
    return boot(start_cycle=300, cycles=3000)


def unfollowed(reading: Reading, bit: int | None = None, level: int = 0) -> Reading:
    """The same as if nobody had followed its program, with an address line held."""
    cycles, program = reading.cycles, reading.program
    if bit is not None:
        held = cycles.address & np.uint16(0xFFFF ^ 1 << bit) | np.uint16(level << bit)
        cycles = replace(cycles, address=held)
    nothing = np.zeros_like(program.intent.certain)
    return replace(
        reading, cycles=cycles, program=replace(program, intent=Intent(nothing, nothing))
    )


@pytest.mark.parametrize(("bit", "level"), [(0, 0), (1, 1), (2, 0), (2, 1)])
def test_an_address_line_that_never_moves_is_told_by_the_byte_behind_an_opcode(sound, bit, level):
    (finding,) = stuck_by_steps(gather(unfollowed(sound, bit, level)))
    assert finding.lines == (f"A{bit}",)
    assert finding.rule == "line-stuck"
    assert finding.count == finding.opportunities
    assert f"is always {level}" in finding.text


def test_lines_that_move_and_lines_that_no_program_needs_are_not_told_of(sound):
    assert list(stuck_by_steps(gather(unfollowed(sound)))) == []
    above = unfollowed(sound, 14, int(sound.cycles.address[100] >> 14 & 1))
    assert list(stuck_by_steps(gather(above))) == []


def test_where_the_program_was_followed_it_says_so_itself(sound):
    program, held = sound.program, unfollowed(sound, 2).cycles
    assert list(stuck_by_steps(gather(replace(sound, cycles=held, program=program)))) == []
