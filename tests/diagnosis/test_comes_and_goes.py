"""Faults that are not always there, or not in the same way: forgetting, turns, contacts."""

from __future__ import annotations

import pytest
from drill_readings import read, tide_gauge

from bustrace.diagnosis import Diagnosis, diagnose
from bustrace.drill import Occurrence, Planting, simulate
from bustrace.faults import Fault


def judged(fault: str, variant: str, seed: int, when: Occurrence | None = None) -> Diagnosis:
    planting = Planting(Fault.parse(fault), variant, when or Occurrence())
    record = simulate(tide_gauge(), cycles=5000, faults=[planting], seed=seed)
    return diagnose(read(record, seed=seed))


def first_class(diagnosis: Diagnosis) -> list[str]:
    first = diagnosis.suspects[0]
    return [str(fault) for fault in (first.fault, *first.alike)]


@pytest.mark.slow
def test_ram_that_loses_what_was_not_used_for_long_is_said_to_forget():
    diagnosis = judged("retention:U4", "plain", 3)
    assert first_class(diagnosis) == ["retention:U4"]


@pytest.mark.slow
def test_two_drivers_of_which_now_one_wins_and_now_the_other_are_seen_as_two():
    diagnosis = judged("always:U5", "marginal", 2)
    assert "always:U5" in first_class(diagnosis)


@pytest.mark.slow
def test_a_contact_that_comes_and_goes_is_named_and_said_to_do_so():
    when = Occurrence(0, 0.1, 8)
    diagnosis = judged("stuck:D4=0@read", "plain", 2, when)
    assert "stuck:D4=0@read" in first_class(diagnosis)
    assert any("comes and goes" in text for text in diagnosis.suspects[0].against)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("fault", "variant"),
    [
        ("clip:A2", "inverted"),
        ("clip:A3", "exchanged"),
        ("clip:D2", "inverted"),
        ("clip:D4", "exchanged"),
        ("clip:RES", "high"),
        ("clip:CS_U5", "high"),
    ],
)
def test_a_clip_that_shows_something_else_is_the_only_suspect(fault, variant):
    diagnosis = judged(fault, variant, 2)
    assert fault in {str(suspect.fault) for suspect in diagnosis.suspects}
    assert {suspect.fault.family for suspect in diagnosis.suspects} == {"clip"}
    assert diagnosis.verdict != "fault"
