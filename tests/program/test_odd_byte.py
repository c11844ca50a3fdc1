"""A byte that the clip saw otherwise once, and a program that goes on alike for long."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from drill_readings import read, rules, run
from programmed_boards import VIA, programmed, start_timer

from bustrace.diagnosis import diagnose
from bustrace.program import recover_program

FEW = ("PHI2", "RES", "RW", *(f"A{bit}" for bit in range(11, 16)), *(f"D{bit}" for bit in range(8)))
"""Lines of an analyser with 16 channels."""


def polls_while_a_timer_interrupts(code):
    start_timer(code, 0x180)
    code.label("poll")
    code.op("LDA", "abs", VIA + 1)
    code.op("AND", "imm", 0x00)
    code.op("BEQ", "rel", "poll")


def acknowledges(code):
    code.op("PHA", "push")
    code.op("LDA", "abs", VIA + 4)
    code.op("PLA", "pull")


def test_a_branch_that_the_clip_saw_shorter_once_is_taken_as_it_was_before(tmp_path):
    """The bytes of both ways are the same, and of the address five lines are seen; only the
    return address that an interrupt pushes tells.
    """
    board = programmed(tmp_path, polls_while_a_timer_interrupts, acknowledges)
    reading = read(run(board=board, cycles=3000), lines=FEW)
    cycles = reading.cycles
    offsets = np.flatnonzero((cycles.data[1:] == 0xF9) & (cycles.data[:-1] == 0xF0)) + 1
    once = int(offsets[len(offsets) // 2])
    data = cycles.data.copy()
    data[once] = 0xFD
    cycles = replace(cycles, data=data)
    program = recover_program(cycles, board)
    assert [(fix.cycle, fix.believed) for fix in program.read_corrections] == [(once, 0xF9)]
    assert program.lost_at is None
    diagnosis = diagnose(replace(reading, cycles=cycles, program=program))
    assert not rules(diagnosis.findings, "fault", "oddity")
