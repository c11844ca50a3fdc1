"""Faults beside what is only another state of the board, and chips that fight."""

from __future__ import annotations

import pytest
from drill_readings import FIXTURES, boot, first_class, members, read, run, tide_gauge

from bustrace.board import load_board
from bustrace.diagnosis import diagnose
from bustrace.drill import Display, Nuisances, Occurrence, Planting, as_described
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


@pytest.mark.parametrize(
    ("planting", "named"),
    [
        (Planting(Fault.parse("reset:held"), "plain", Occurrence(0, 0.1, 64)), "reset:held"),
        (Planting(Fault.parse("reset:repeats"), "plain"), "reset:repeats"),
    ],
)
def test_a_reset_at_no_steady_pace_is_no_watchdogs(planting, named):
    diagnosis = diagnose(boot(planting, cycles=9000))
    assert named in first_class(diagnosis)
    assert "falls again" in diagnosis.suspects[0].check


AGAIN = {"cycles": 1500, "reset_low": ((0, 12), (700, 720))}


def test_a_reset_that_comes_once_more_is_told_on_a_board_that_is_ill():
    suspects = diagnose(boot("plane:U4.3", **AGAIN)).suspects
    assert "plane:U4.3" in members(suspects[0])
    (again,) = (s for s in suspects if "reset:repeats" in members(s))
    assert again.probability < 0.5
    assert any("button" in against for against in again.against)


def test_a_reset_that_comes_once_more_by_itself_is_a_finger():
    assert not diagnose(boot(**AGAIN)).suspects


def test_reset_that_is_pulled_in_single_cycles_from_the_start_is_told():
    """It is never high for long: no release stands out."""
    pulled = Planting(Fault.parse("reset:held"), "plain", Occurrence(0, 0.4, 1))
    assert "reset:held" in first_class(diagnose(boot(pulled)))


@pytest.mark.parametrize("start", [0, 3000])
def test_ready_held_low_is_told_while_a_display_takes_the_bus(start):
    """The address moves, but not by the CPU's doing."""
    board = load_board(FIXTURES / "departure_board" / "board.toml")
    record = run("held:RDY=0", board=board, cycles=6000, display=Display(200, 32, 0x0400, 24, 50))
    assert "held:RDY=0" in first_class(diagnose(read(record, start_cycle=start)))
