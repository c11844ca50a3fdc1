"""Faults of a banked board, simulated by code of its own: who is suspected first."""

from __future__ import annotations

import pytest
from banked_boot import Wrong, read

from bustrace.diagnosis import Diagnosis, diagnose
from bustrace.faults import Fault
from bustrace.report.words import fault_words


def suspected(diagnosis: Diagnosis) -> list[str]:
    """The first suspect and those like it."""
    first = diagnosis.suspects[0]
    return [str(fault) for fault in (first.fault, *first.alike)]


@pytest.mark.slow
@pytest.mark.parametrize("bit", range(3))
@pytest.mark.parametrize("level", range(2))
def test_a_stuck_output_of_the_latch_comes_first(bit, level):
    mask = 1 << bit
    wrong = Wrong(latch_or=mask) if level else Wrong(latch_and=7 & ~mask)
    diagnosis = diagnose(read(wrong))
    name = ("B0", "B1", "RAMON")[bit]
    assert str(diagnosis.suspects[0].fault) == f"stuck:{name}={level}@U9"
    assert name in diagnosis.suspects[0].check
    assert "U9" in diagnosis.suspects[0].check


@pytest.mark.slow
def test_a_latch_that_never_takes_a_byte_comes_first():
    diagnosis = diagnose(read(Wrong(latch_dead=True)))
    assert str(diagnosis.suspects[0].fault) == "register:U9"


@pytest.mark.slow
@pytest.mark.parametrize(
    ("wrong", "fault"),
    [
        (Wrong(buffer_silent=True), "silent:U3"),
        (Wrong(buffer_outwards=True), "stuck:DIR=0@U3"),
        (Wrong(buffer_inwards=True), "stuck:DIR=1@U3"),
    ],
)
def test_a_buffer_competes_with_the_chips_behind_it(wrong, fault):
    assert fault in suspected(diagnose(read(wrong, buffered=True)))


@pytest.mark.slow
def test_a_rom_and_a_ram_in_each_others_sockets_come_first():
    assert suspected(diagnose(read(Wrong(swapped=True))))[0] == "swapped:U4+U6"


def test_faults_of_latches_and_buffers_have_words():
    assert fault_words(Fault.parse("stuck:B0=0@U9")) == "B0 stuck low at U9's own pin"
    assert (
        fault_words(Fault.parse("register:U9")) == "a register of U9 does not hold what it should"
    )
