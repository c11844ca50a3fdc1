"""Inputs of the CPU that go low now and then, and boards on which that is as it should be."""

from __future__ import annotations

from dataclasses import replace

import pytest
from drill_readings import boot, only, reread, rules, tide_gauge

from bustrace.board import NormalHold
from bustrace.diagnosis import diagnose
from bustrace.drill import Occurrence, Planting
from bustrace.faults import Fault
from bustrace.findings import find_all


def now_and_then(fault: str, activity: float = 0.1, **options):
    """A boot in which a fault acts in a share of the cycles, eight at a time."""
    planting = Planting(Fault.parse(fault), "plain", Occurrence(activity=activity, burst=8))
    return boot(planting, cycles=3000, **options)


@pytest.mark.slow
def test_a_cpu_that_waits_for_nobody_known():
    reading = now_and_then("held:RDY=0")
    diagnosis = diagnose(reading)
    finding = only(diagnosis.findings, "waits-undeclared")
    assert (finding.severity, finding.lines) == ("oddity", ("RDY",))
    assert str(diagnosis.suspects[0].fault) == "held:RDY=0"
    assert diagnosis.verdict == "healthy up to"


@pytest.mark.slow
def test_waits_that_the_board_file_has_are_none_of_the_rules_business():
    hold = NormalHold("RDY", 0, "a slow chip", 64)
    board = replace(tide_gauge(), holds=(hold,))
    assert "waits-undeclared" not in rules(find_all(now_and_then("held:RDY=0", board=board)))


@pytest.mark.slow
def test_ready_that_is_low_while_the_cpu_goes_on_is_not_a_wait():
    found = find_all(reread(boot(cycles=3000), "RDY", 0, range(500, 2500, 20)))
    assert "waits-undeclared" not in rules(found)


@pytest.mark.slow
def test_a_request_that_goes_away_by_itself_is_no_chips():
    diagnosis = diagnose(now_and_then("held:IRQ=0"))
    finding = only(diagnosis.findings, "irq-withdrawn")
    assert (finding.severity, finding.lines) == ("fault", ("IRQ",))
    assert "held:IRQ=0" in {str(s.fault) for s in diagnosis.suspects}


@pytest.mark.slow
def test_resets_all_over_a_boot_are_no_chatter():
    diagnosis = diagnose(now_and_then("reset:held", 0.4))
    assert only(diagnosis.findings, "reset-scattered").severity == "fault"
    assert str(diagnosis.suspects[0].fault) == "reset:held"


@pytest.mark.slow
@pytest.mark.parametrize("line", ["RDY", "IRQ", "RES"])
def test_a_few_stray_samples_are_no_pulses(line):
    """One low cycle in a thousand."""
    found = find_all(reread(boot(cycles=4000), line, 0, range(600, 4000, 1000)))
    assert not {"waits-undeclared", "irq-withdrawn", "reset-scattered"} & rules(found)


@pytest.mark.slow
def test_a_watchdog_whose_releases_chatter_stays_a_watchdog():
    reading = boot("reset:repeats", cycles=6000, chatter=3)
    assert "reset-scattered" not in rules(find_all(reading))
    assert str(diagnose(reading).suspects[0].fault) == "reset:repeats"
