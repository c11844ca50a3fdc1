"""Selects where no address was captured: what SYNC and R/W show of the stack and the vectors."""

from __future__ import annotations

import pytest
from drill_readings import TRIAGE, boot, complaints, first_class, only, rules

from bustrace.diagnosis import diagnose
from bustrace.drill import Planting
from bustrace.faults import Fault
from bustrace.findings import find_all

WITH_RAM = tuple("CS_RAM" if line == "CS_ROM" else line for line in TRIAGE)
"""The first look's lines, its select the RAM's."""


@pytest.mark.parametrize(
    ("fault", "way", "lines", "rule"),
    [
        ("doubled:U5+U4", "stronger", WITH_RAM, "select-doubled"),
        ("stuck:CS_U4=1@bus", "plain", WITH_RAM, "select-missing"),
        ("stuck:CS_U4=0@bus", "stronger", WITH_RAM, "select-always"),
        ("shared:U2", "dead", TRIAGE, "select-missing"),
        ("stuck:CS_U5=0@decoder", "stronger", TRIAGE, "select-always"),
    ],
)
def test_the_stack_and_the_vectors_tell_whose_select_is_wrong(fault, way, lines, rule):
    diagnosis = diagnose(boot(Planting(Fault.parse(fault), way), lines=lines))
    assert only(diagnosis.findings, rule).severity == "fault"
    assert fault in first_class(diagnosis)


def test_a_select_that_rests_may_be_its_clip():
    diagnosis = diagnose(boot("stuck:CS_U4=1@bus", lines=WITH_RAM))
    assert {"clip:CS_U4", "shared:U2", "stuck:CS_U4=1@decoder"} < first_class(diagnosis)
    assert not first_class(diagnosis) & {"stuck:CS_U4=0@bus", "stuck:CS_U4=1@U4", "silent:U4"}


@pytest.mark.parametrize("lines", [TRIAGE, WITH_RAM])
@pytest.mark.parametrize("seed", [5, 6, 7])
def test_a_healthy_board_shows_no_such_thing(lines, seed):
    assert complaints(diagnose(boot(lines=lines, seed=seed, cycles=6000))) == []


def test_a_sequence_that_is_cut_off_tells_nothing():
    found = find_all(boot("doubled:U5+U4", lines=WITH_RAM, cycles=18))
    assert rules(found, "fault") == set()
