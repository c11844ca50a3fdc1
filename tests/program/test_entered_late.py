"""Captures that begin in mid-program, where no line shows where an instruction begins."""

import numpy as np
import pytest
from drill_readings import boot, rules

from bustrace.campaign.boards import loaded, made_up_board
from bustrace.findings import find_all
from bustrace.program import Kind

LINES = (
    *("PHI2", "RES", "RW"),
    *(f"D{bit}" for bit in range(8)),
    *(f"A{bit}" for bit in range(15, 2, -1)),
)
"""Twenty-four clips: no SYNC, no IRQ, no A0 to A2."""

STARTS = 4635
"""In the midst of a storm of interrupts."""


@pytest.fixture(scope="module")
def storm():
    """The storm of an IRQ that is held low, from its midst on."""
    board = loaded(made_up_board(1))
    return boot("held:IRQ=0", board=board, cycles=6000, lines=LINES, start_cycle=STARTS)


@pytest.mark.slow
def test_a_storm_of_interrupts_is_followed_from_its_midst(storm):
    """Few instructions come in a row there, and none of them shows its whole address."""
    program = storm.program
    assert program.lost_at is None
    assert (program.kind == Kind.IRQ).sum() > 40
    assert (program.intent.rw[50:] < 2).all()
    assert (program.intent.address_known[50:] == 0xFFFF).mean() > 0.6


@pytest.mark.slow
def test_and_its_cause_is_seen(storm):
    assert "irq-storm" in rules(find_all(storm), "fault")


@pytest.mark.slow
def test_a_sound_program_is_entered_near_the_beginning():
    board = loaded(made_up_board(1))
    reading = boot(board=board, cycles=6000, lines=LINES, start_cycle=STARTS)
    entered = np.flatnonzero(reading.program.intent.rw < 2)[0]
    assert entered < 500
    assert rules(find_all(reading), "fault") == set()
