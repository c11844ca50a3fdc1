"""A CPU that breaks its data sheet always in one way, and what is no such thing."""

from __future__ import annotations

import pytest
from drill_readings import boot, only, read, rules, tide_gauge

from bustrace.diagnosis import diagnose
from bustrace.drill import Planting, simulate
from bustrace.faults import Fault
from bustrace.findings import find_all
from bustrace.reading import Reading

CPU = Fault.parse("cpu:U1")


def departing(variant: str, seed: int) -> Reading:
    record = simulate(tide_gauge(), cycles=4000, faults=[Planting(CPU, variant)], seed=seed)
    return read(record, seed=seed)


@pytest.mark.slow
@pytest.mark.parametrize(("variant", "seed"), [("flag", 1), ("flag", 4), ("opcode", 3)])
def test_a_cpu_that_always_errs_in_one_way_is_followed_and_named(variant, seed):
    reading = departing(variant, seed)
    diagnosis = diagnose(reading)
    finding = only(diagnosis.findings, "cpu-departs")
    assert finding.severity == "fault"
    assert finding.chips == ("U1",)
    assert diagnosis.suspects[0].fault == CPU
    # With the one departure all of the rest follows from what was read.
    assert reading.program.lost_at is None
    assert not reading.program.read_corrections


@pytest.mark.slow
def test_a_sound_cpu_departs_from_nothing_not_even_in_noise():
    for noise in (0.0, 2e-5):
        reading = boot(cycles=4000, noise=noise)
        assert reading.program.departure is None
        assert "cpu-departs" not in rules(find_all(reading))


@pytest.mark.slow
@pytest.mark.parametrize("fault", ["content:U5", "stuck:D3=0@read", "plane:U4.3", "doubled:U5+U4"])
def test_a_cpu_fed_wrong_bytes_departs_from_nothing(fault):
    assert boot(fault, cycles=4000).program.departure is None
