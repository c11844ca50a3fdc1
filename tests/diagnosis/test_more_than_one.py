"""Faults beside what is only another state of the board, and chips that fight."""

from __future__ import annotations

import pytest
from drill_readings import boot, first_class, members, read, run, tide_gauge

from bustrace.diagnosis import diagnose
from bustrace.drill import Nuisances, Planting, as_described
from bustrace.faults import Fault

pytestmark = pytest.mark.slow


def revised(*faults, seed=5):
    """A boot judged by the image of another revision of its ROM."""
    board = as_described(tide_gauge(), Nuisances(other_revision="U5"), 8)
    return diagnose(read(run(*faults, seed=seed, cycles=4000), board=board, seed=seed))


def test_another_revision_that_runs_well_is_said_to_be_perhaps_just_that():
    (suspect,) = revised().suspects
    assert str(suspect.fault) == "content:U5"
    assert any("another revision" in against for against in suspect.against)


@pytest.mark.parametrize("fault", ["plane:U4.3", "cell:U4.0000.0=1", "stuck:D6=1@write"])
def test_what_else_is_wrong_stands_before_another_revision(fault):
    diagnosis = revised(fault)
    assert fault in first_class(diagnosis)
    assert any("content:U5" in members(suspect) for suspect in diagnosis.suspects[1:])


@pytest.mark.parametrize(("chip", "seed"), [("U6", 3), ("U5", 2), ("U4", 4)])
def test_a_chip_that_is_stronger_than_some_others_is_named(chip, seed):
    """It always drives, and wins against RAM alone, against ROM alone, or against both."""
    fault = f"always:{chip}"
    reading = boot(Planting(Fault.parse(fault), "stronger"), seed=seed, cycles=3000)
    assert fault in first_class(diagnose(reading))
