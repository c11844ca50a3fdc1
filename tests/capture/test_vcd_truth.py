"""Exports of a simulated board, against the true bus cycles they were made from."""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from bustrace.capture import Capture, read_vcd
from bustrace.units import sample_times_ps

NAMES = ["healthy", "irq_held_low", "d1_d4_short", "rom_never_drives"]


def test_every_vcd_of_the_folder_is_tested(captures_dir: Path):
    assert sorted(path.stem for path in captures_dir.glob("*.vcd")) == sorted(NAMES)


@pytest.mark.parametrize("name", NAMES)
def test_levels_just_before_each_clock_fall_are_the_true_ones(captures_dir: Path, name: str):
    """`fall_sample` is the first sample after the edge that ends a cycle (the folder's README)."""
    label = json.loads((captures_dir / "labels.json").read_text())[name]
    truth = np.load(captures_dir / f"{name}.truth.npz")
    capture = read_vcd(captures_dir / label["file"])
    assert capture.rate == Fraction(label["sample_rate_hz"])
    assert capture.known is None
    assert not [note for note in capture.notes if note.kind != "fact"]

    # Times were rounded to 1 ns and may start anywhere; the first fall tells where.
    clock = next(line for line, pin in label["lines"].items() if pin == "PHI2")
    levels = capture.levels(clock)
    first_fall = capture.time_ps[1:][(levels[:-1] == 1) & (levels[1:] == 0)][0]
    rate = capture.rate
    samples = truth["fall_sample"]
    start = int(first_fall) - int(sample_times_ps(int(samples[0]), 1, rate)[0])
    before = np.array([sample_times_ps(int(s) - 1, 1, rate)[0] for s in samples]) + start
    # Half a sample later: rounding can then not push a change across.
    before += int(Fraction(10**12) / rate / 2)
    row = np.searchsorted(capture.time_ps, before, side="right") - 1

    expected = {f"A{bit}": truth["addr"] >> np.uint16(bit) & 1 for bit in range(16)} | {
        f"D{bit}": truth["data"] >> np.uint8(bit) & 1 for bit in range(8)
    }
    expected |= {pin: truth[pin.lower()] for pin in ("RW", "SYNC", "RES", "IRQ", "NMI", "RDY")}
    compared = 0
    for line, pin in (label["lines"] | buses(capture)).items():
        if line in capture.lines and pin in expected:
            assert np.array_equal(capture.levels(line)[row], expected[pin]), line
            compared += 1
    assert compared >= 24


def buses(capture: Capture) -> dict[str, str]:
    """Bits of the exports' bus signals, and the pins they are."""
    pins = {"addr_bus": "A", "DATA": "D"}
    found = {}
    for line in capture.lines:
        base, bracket, bit = line.rstrip("]").partition("[")
        if bracket:
            found[line] = pins[base] + bit
    return found
