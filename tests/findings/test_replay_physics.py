"""The replay against boards simulated by other code: the right assumption leaves nothing wrong."""

from __future__ import annotations

import numpy as np
import pytest
from drill_readings import boot, run

from bustrace.diagnosis.hypotheses import Hypothesis, enumerate_hypotheses
from bustrace.drill import Planting
from bustrace.faults import Fault
from bustrace.findings import Evidence, answers, gather

SEED = 6

WRONG = 1000.0
"""Price of a wrong bit below: no sum of small surprises comes near it."""

PLANTED = (
    "stuck:A9=1@bus", "stuck:A3=0@bus", "stuck:A6=0@behind", "stuck:A9=1@behind",
    "stuck:A14=1@decoder", "stuck:A13=0@decoder", "stuck:A2=1@U5", "stuck:A4=0@U4", "open:A3@U5",
    "open:A1@U4", "stuck:D3=0@read", "stuck:D6=1@read", "stuck:D5=1@write", "stuck:D1=0@write",
    "stuck:D2=0@bus", "stuck:D4=1@bus", "stuck:D2=1@behind", "stuck:D6=0@U5", "stuck:D0=1@U4",
    "plane:U4.3", "plane:U5.6", "short:A3+A4@bus", "short:A0+A1@behind",
    "short:A13+A15@behind", "short:A13+A14@bus", "short:D1+D4@bus",
    "silent:U4", "silent:U5", "silent:U6", "always:U4", "always:U5", "doubled:U5+U4",
    "doubled:U4+U5", "content:U5", "clip:A3", "clip:A12", "clip:RW", "stuck:RW=1@bus",
    "stuck:RW=0@behind", "stuck:RW=1@behind", "stuck:CS_U5=1@decoder", "stuck:CS_U4=1@decoder",
    "stuck:A9=1@cpu", "open:A4@cpu", "open:A5@behind", "open:A15@decoder", "open:D2@cpu",
    "open:D3@read", "open:D3@write", "open:D3@U5", "open:D3@U4", "stuck:D4=0@cpu",
    "short:A0+A1@U4", "short:A2+A5@U5", "short:A13+A15@decoder", "short:D2+D5@cpu",
    "short:D2+D5@behind", "short:D2+D5@read", "short:D2+D5@write", "short:D1+D6@U5",
    "short:D1+D6@U4", "stuck:RW=1@U4", "stuck:RW=0@U4", "stuck:RW=1@decoder",
    "stuck:RW=0@decoder", "open:RW@U4", "open:RW@cpu", "stuck:CS_U5=1@behind",
    "stuck:CS_U4=1@U4", "open:CS_U5@U5", "swapped:U4+U5",
)  # fmt: skip


OTHERWISE = (
    ("short:A3+A4@bus", "high"), ("short:A3+A4@bus", "stronger"), ("short:A0+A1@behind", "high"),
    ("short:D1+D4@bus", "high"), ("short:D1+D4@bus", "stronger"), ("short:D2+D5@read", "high"),
    ("always:U5", "high"), ("always:U5", "stronger"), ("doubled:U4+U5", "high"),
    ("doubled:U4+U5", "stronger"), ("content:U5", "blank"), ("plane:U5.6", "high"),
)  # fmt: skip
"""Faults that show themselves in another way than the plainest."""


def right(evidence: Evidence, fault: Fault) -> list[Hypothesis]:
    """Hypotheses of that very fault: a clip has two levels, a doubling comes with its select."""
    return [h for h in enumerate_hypotheses(evidence) if h.fault == fault]


@pytest.mark.slow
@pytest.mark.parametrize("name", PLANTED)
def test_the_right_assumption_explains_every_byte(name, monkeypatch):
    """No wrong byte, address, R/W or select is left, and it costs less than a healthy board."""
    evidence = gather(boot(name, cycles=1500, seed=SEED))
    hypotheses = right(evidence, Fault.parse(name))
    assert hypotheses
    told = [evidence.replay.replay(h.assumption) for h in hypotheses]
    best = min(told, key=lambda answer: answer.total)
    assert best.total <= evidence.replay.healthy.total
    prices = np.array([WRONG, WRONG, WRONG, 0.0, 0.0, 0.0])
    monkeypatch.setattr(answers, "PRICES", prices)
    left = min(evidence.replay.replay(h.assumption).total for h in hypotheses)
    assert left < WRONG
    n = evidence.n
    off = (evidence.reading.cycles.data[:n] ^ best.expected) & best.expected_known
    off &= evidence.reading.cycles.data_known[:n]
    asked = np.flatnonzero((evidence.replay.read == 1) & (evidence.replay.address >= 0))
    simulated = run(name, cycles=1500, seed=SEED).drivers[asked + 1]
    assert np.array_equal(best.drivers[asked], simulated)
    reads = (evidence.replay.read == 1) & (best.drivers != 0)
    if not name.startswith("content"):  # such a ROM's wrong bytes are just what is believed
        assert not ((off != 0) & reads).any()


@pytest.mark.slow
@pytest.mark.parametrize(("name", "way"), OTHERWISE)
def test_some_assumption_explains_the_other_ways_of_a_fault(name, way, monkeypatch):
    """Whichever level wins, one of the fault's own assumptions leaves nothing wrong."""
    fault = Fault.parse(name)
    evidence = gather(boot(Planting(fault, way), cycles=1500, seed=SEED))
    prices = np.array([WRONG, WRONG, WRONG, 0.0, 0.0, 0.0])
    monkeypatch.setattr(answers, "PRICES", prices)
    left = min(evidence.replay.replay(h.assumption).total for h in right(evidence, fault))
    assert left < WRONG


@pytest.mark.slow
@pytest.mark.parametrize("name", ["stuck:A3=0@bus", "stuck:D3=0@read", "silent:U4", "plane:U4.3"])
def test_a_healthy_board_does_not_explain_a_fault(name):
    """The same walk without the assumption leaves wrong bytes: the test above can fail."""
    evidence = gather(boot(name, cycles=1500, seed=SEED))
    best = min(
        evidence.replay.replay(h.assumption).total for h in right(evidence, Fault.parse(name))
    )
    assert evidence.replay.healthy.total > best + 20


def test_a_healthy_boot_costs_unknown_cells_and_registers_only(monkeypatch):
    """Nothing is wrong on a healthy board, whatever the RAM held at power-on."""
    monkeypatch.setattr(answers, "PRICES", np.array([WRONG, WRONG, WRONG, 0.0, 0.0, 0.0]))
    assert gather(boot(cycles=4000)).replay.healthy.total < WRONG


def test_drivers_are_those_of_the_simulation():
    """Who drives each read is what the simulated board knows of itself."""
    record = run(cycles=1500)
    reading = boot(cycles=1500)
    replay = gather(reading).replay
    rows = np.flatnonzero((replay.address >= 0) & (replay.read == 1))
    assert len(rows) > 1000
    # The recording starts in the midst of cycle 0, so that cycle 1 is the first whole one.
    assert np.array_equal(replay.address[rows], record.cpu_address[rows + 1])
    assert np.array_equal(replay.healthy.drivers[rows], record.drivers[rows + 1])


def test_every_family_of_hypotheses_is_planted_or_cannot_be():
    """A new family needs its proof here; these are no faults that the simulation knows."""
    evidence = gather(boot("stuck:D0=1@U4", cycles=1500))
    tried = {Fault.parse(name).family for name in PLANTED}
    offered = {h.fault.family for h in enumerate_hypotheses(evidence)}
    assert offered - tried <= {"retention", "swapped", "cell", "shared"}


@pytest.mark.slow
@pytest.mark.parametrize(
    "name", ["cell:U4.01FF.5=0", "cell:U4.01FF.2=1", "cell:U4.0000.0=1", "cell:U4.0400.3=0"]
)
def test_a_stuck_cell_is_proposed_and_explains_what_it_did(name, monkeypatch):
    """Cells are proposed from what a healthy board leaves wrong, and then explain it."""
    evidence = gather(boot(name, cycles=2500, seed=SEED))
    hypotheses = right(evidence, Fault.parse(name))
    assert hypotheses
    assert evidence.replay.replay(hypotheses[0].assumption).total < evidence.replay.healthy.total
    monkeypatch.setattr(answers, "PRICES", np.array([WRONG, WRONG, WRONG, 0.0, 0.0, 0.0]))
    assert evidence.replay.replay(hypotheses[0].assumption).total < WRONG
