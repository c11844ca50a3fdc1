"""Findings follow what happened, not when it was recorded nor in which order lines were clipped."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from drill_readings import boot
from hypothesis import given, settings
from hypothesis import strategies as st

from bustrace.capture.model import Capture
from bustrace.findings import Finding, find_all
from bustrace.reading import Reading, read_boot

FAULTS = ("", "stuck:D3=0@read", "plane:U4.3", "clip:A3", "held:IRQ=0", "reset:held")


@cache
def reading(fault: str) -> Reading:
    return boot(*([fault] if fault else []), cycles=800, seed=6)


@cache
def told(fault: str) -> list[Finding]:
    return list(find_all(reading(fault)))


def again(capture: Capture, fault: str) -> list[Finding]:
    return list(find_all(read_boot(capture, reading(fault).board)))


@pytest.mark.slow
@settings(max_examples=25, deadline=None)
@given(st.sampled_from(FAULTS), st.integers(-(10**12), 10**12))
def test_a_shift_in_time_changes_nothing(fault, shift):
    """Zero may lie anywhere: trigger, start of the recording, a clock on the wall."""
    capture = reading(fault).capture
    moved = replace(
        capture,
        time_ps=capture.time_ps + shift,
        end_ps=capture.end_ps + shift,
        state=capture.state.copy(),
        gaps=capture.gaps.copy(),
    )
    assert again(moved, fault) == told(fault)


@pytest.mark.slow
@settings(max_examples=25, deadline=None)
@given(st.sampled_from(FAULTS), st.randoms(use_true_random=False))
def test_the_order_of_the_lines_changes_nothing(fault, random):
    """But for the order in which lines that never moved are listed."""
    capture = reading(fault).capture
    order = list(range(len(capture.lines)))
    random.shuffle(order)
    state = np.zeros(len(capture), np.uint64)
    for new, old in enumerate(order):
        state |= (capture.state >> np.uint64(old) & np.uint64(1)) << np.uint64(new)
    shuffled = replace(
        capture,
        lines=tuple(capture.lines[old] for old in order),
        state=state,
        time_ps=capture.time_ps.copy(),
        gaps=capture.gaps.copy(),
    )
    assert plain(again(shuffled, fault)) == plain(told(fault))


def plain(findings: list[Finding]) -> list[Finding]:
    """Findings with the lists of still lines in one order."""
    ordered = [
        replace(f, lines=tuple(sorted(f.lines)), text="") if f.rule == "line-still" else f
        for f in findings
    ]
    return sorted(ordered, key=lambda f: (f.rule, f.lines, f.chips, f.cycles))
