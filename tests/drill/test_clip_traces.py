"""Clip faults planted on traces of a transistor-level simulation of the NMOS 6502."""

import numpy as np
import pytest

from bustrace.cpu import CpuState, replay
from bustrace.drill import Occurrence, Planting, misclip
from bustrace.faults import Fault


@pytest.fixture(scope="module", params=["exer_interrupts", "exer_rdy"])
def trace(request, reference_dir):
    with np.load(reference_dir / "chip_traces" / f"{request.param}.npz") as arrays:
        return {name: arrays[name][:20_000] for name in arrays.files if len(arrays[name]) > 1000}


def clip(line, variant=None, **when):
    return Planting(Fault("clip", (line,)), variant, Occurrence(**when))


def bit(column, place):
    return column >> place & 1


def leaves(shown):
    """First cycle in which the CPU does not do what these clips show; None for never."""
    return replay(
        CpuState.at_reset("6502"),
        shown["data"],
        res=shown["res"],
        irq=shown["irq"],
        nmi=shown["nmi"],
        rdy=shown["rdy"],
        address=shown["addr"],
        data=shown["data"],
        rw=shown["rw"],
        sync=shown["sync"],
    ).first_mismatch


@pytest.mark.parametrize(("line", "name"), [("A9", "addr"), ("D2", "data")])
def test_every_way_shows_what_it_says_and_nothing_else(trace, line, name):
    place = int(line[1:])
    true, beside = trace[name], int(line[1:]) ^ 1
    for variant, want in (
        ("low", 0 * true),
        ("high", 0 * true + 1),
        ("copies", bit(true, beside)),
        ("exchanged", bit(true, beside)),
        ("inverted", 1 - bit(true, place)),
    ):
        shown = misclip(trace, [clip(line, variant)])
        assert np.array_equal(bit(shown[name], place), want)
        also = bit(true, place) if variant == "exchanged" else bit(true, beside)
        assert np.array_equal(bit(shown[name], beside), also)
        assert not ((shown[name] ^ true) & ~np.asarray(1 << place | 1 << beside, true.dtype)).any()
        assert all(np.array_equal(shown[key], trace[key]) for key in trace if key != name)


def test_a_clip_that_comes_and_goes(trace):
    planting = clip("A3", "inverted", onset=500, activity=0.2, burst=10)
    shown = misclip(trace, [planting], seed=4)
    acts = planting.when.acts(len(trace["addr"]), 4)
    assert np.array_equal(shown["addr"] ^ trace["addr"], acts.astype(np.uint16) << 3)


def test_the_true_trace_follows_and_a_wrong_clip_does_not(trace):
    """The executor against the simulation of the chip, with and without the fault."""
    assert leaves(trace) is None
    for planting in (clip("A0", "low"), clip("D0", "inverted"), clip("SYNC", "high")):
        assert leaves(misclip(trace, [planting])) is not None, str(planting)


def test_only_clips_and_lines_of_a_trace(trace):
    for planting, says in (
        (Planting(Fault.parse("stuck:A0=1@bus")), "only clips"),
        (clip("SO", "low"), "no such line"),
        (clip("RW", "copies"), "cannot be copies"),
        (clip("A3", "sideways"), "cannot be sideways"),
    ):
        with pytest.raises(ValueError, match=says):
            misclip(trace, [planting])


def test_without_a_way_it_is_off_at_a_level_of_the_seed(trace):
    levels = {int(misclip(trace, [clip("IRQ")], seed=seed)["irq"][0]) for seed in range(8)}
    assert levels == {0, 1}
