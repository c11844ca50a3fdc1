"""Captures made from a transistor-level simulation of the CPU, and their true cycles.

The first wrong cycle is told by the truth alone: healthy and faulty runs execute the same program,
so that from the reset vector's read on they are the same, cycle by cycle, until the fault acts.
"""

import json

import numpy as np
import pytest
from labelled_captures import LABELLED

from bustrace.capture import open_capture
from bustrace.compare import compare, compare_rom
from bustrace.reading import read_boot

BLAMES = {
    "rom_never_drives": "answer",
    "d3_stuck_low_at_cpu": "answer",
    "a9_stuck_high": "cpu",
    "d1_d4_short": "answer",
    "a6_stuck_low_behind_cpu": "answer",
    "reset_held_low": "reset",
    "irq_held_low": "line",
    "clock_stops": "clock",
    "ram_answers_with_rom": "select",
}
COLUMNS = ("addr", "data", "rw", "sync", "res", "irq", "nmi", "rdy", "csel")


def vector_read(truth):
    return int(np.flatnonzero((truth["addr"] == 0xFFFC) & (truth["res"] == 1))[0])


def first_wrong_cycle(name, healthy, truth):
    if name == "reset_held_low":
        return 0
    if name == "clock_stops":
        return len(truth["addr"])
    released = {side: int(np.flatnonzero(t["res"] == 0)[-1]) + 1 for side, t in
                (("good", healthy), ("bad", truth))}  # fmt: skip
    n = min(len(healthy["addr"]) - released["good"], len(truth["addr"]) - released["bad"])
    wrong = np.zeros(n, np.bool_)
    for column in COLUMNS:
        one = healthy[column][released["good"] :][:n] != truth[column][released["bad"] :][:n]
        if column in ("addr", "data", "rw", "sync", "csel"):
            # Until the vector is read the CPU shows what it had before.
            one[: vector_read(truth) - released["bad"]] = False
        wrong |= one
    return released["bad"] + int(np.argmax(wrong))


@pytest.fixture(scope="module")
def recorded(captures_dir, exerciser_board):
    labels = json.loads((captures_dir / "labels.json").read_text(encoding="utf-8"))

    def load(name):
        hookup = labels[name]["lines"] if name == "healthy_16_lines" else None
        reading = read_boot(
            open_capture(captures_dir / labels[name]["file"]), exerciser_board, hookup
        )
        return reading, dict(np.load(captures_dir / f"{name}.truth.npz"))

    return load


@pytest.mark.slow
@pytest.mark.parametrize("name", [name for name in LABELLED if name in BLAMES])
def test_the_divergence_is_the_first_wrong_cycle_of_the_truth(name, recorded):
    good, healthy = recorded("healthy")
    bad, truth = recorded(name)
    wrong = first_wrong_cycle(name, healthy, truth)
    for found in (compare(good, bad), compare_rom(bad)):
        assert found.first.cycle == wrong
        assert found.first.blame == BLAMES[name]


@pytest.mark.slow
@pytest.mark.parametrize("name", ["healthy", "healthy_16_lines"])
def test_healthy_captures_do_not_diverge(name, recorded):
    good, _ = recorded("healthy")
    bad, _ = recorded(name)
    for found in (compare(good, bad), compare(bad, good), compare_rom(bad)):
        assert found.verdict == "no divergence", (found.reason, found.first)
