"""Cycles of real-style exports, against the truth kept beside them.

The truth comes from a transistor-level simulation of the CPU, made outside this project.
"""

import json
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from labelled_captures import LABELLED

from bustrace.capture import open_capture
from bustrace.capture.model import Capture
from bustrace.cycles import UNSETTLED, Cycles, find_cycles
from bustrace.hookup import identify_hookup


def test_every_labelled_capture_is_tested_here(captures_dir: Path) -> None:
    assert set(json.loads((captures_dir / "labels.json").read_text())) == set(LABELLED)


@pytest.fixture(params=LABELLED, scope="module")
def case(request: pytest.FixtureRequest, captures_dir: Path):
    name = request.param
    label = json.loads((captures_dir / "labels.json").read_text())[name]
    capture = open_capture(captures_dir / label["file"])
    given = label["lines"] if name == "healthy_16_lines" else {}
    hookup = identify_hookup(capture, given=given)
    truth = np.load(captures_dir / f"{name}.truth.npz")
    return label, capture, hookup, find_cycles(capture, hookup), truth


def _samples(times: np.ndarray, capture: Capture, label: dict) -> np.ndarray:
    rate = Fraction(int(label["sample_rate_hz"]))
    return np.round((times - capture.start_ps) * float(rate) / 1e12).astype(np.int64)


def test_every_line_is_taken_for_the_pin_of_the_label(case) -> None:
    label, _, hookup, _, _ = case
    taken = {tap.line: tap.pin.replace("select:", "CS_") for tap in hookup.taps}
    bus_columns = [line for line in taken if "[" in line and line not in label["lines"]]
    expected = dict(label["lines"])
    for line in bus_columns:
        expected[line] = taken[line]
    pins = set(label["lines"].values())
    assert set(taken.values()) == pins
    assert all(expected[line] == pin for line, pin in taken.items())
    assert hookup.questions == ()


def test_cycles_match_the_truth_on_every_whole_cycle(case) -> None:
    label, capture, hookup, cycles, truth = case
    assert isinstance(cycles, Cycles)
    assert len(cycles) == len(truth["cycle"]) == label["whole_cycles"]
    assert np.array_equal(_samples(cycles.time_ps, capture, label), truth["fall_sample"])
    assert np.array_equal(_samples(cycles.rise_ps, capture, label), truth["rise_sample"])
    assert (cycles.address_known == hookup.address_mask).all()
    assert (cycles.data_known == hookup.data_mask).all()
    assert np.array_equal(cycles.address, truth["addr"] & cycles.address_known)
    assert np.array_equal(cycles.data, truth["data"])
    for pin in ("RW", "SYNC", "RES", "IRQ", "NMI", "RDY"):
        if hookup.has(pin):
            assert np.array_equal(cycles.pin(pin), truth[pin.lower()]), pin
        else:
            assert (cycles.pin(pin) == 2).all()


def test_selects_match_whether_gated_with_phase_2_or_not(case) -> None:
    """RAM's select is gated with phase 2, ROM's is not; other chips are absent."""
    _, _, _, cycles, truth = case
    for bit, ref in enumerate(("RAM", "ROM")):
        if ref in cycles.select_names:
            assert np.array_equal(cycles.select(ref), truth["csel"] >> bit & 1), ref
    for ref in set(cycles.select_names) - {"RAM", "ROM"}:
        assert not cycles.select(ref).any()


def test_healthy_timing_needs_no_doubt(case) -> None:
    label, _, _, cycles, _ = case
    assert not (cycles.flags & UNSETTLED).any()
    assert cycles.notes == ()
    assert (cycles.owner == 0).all()
    period = 10**6 / label["clock_mhz"]
    assert abs(cycles.clock.period_ps - period) <= 10**12 / label["sample_rate_hz"]
    assert (cycles.clock.stops_ps is not None) == (label["faults"] == ["clock:stops"])
