"""A data line of which the CPU and the clip often see different levels: one that is marginal."""

from __future__ import annotations

from bustrace.cycles.model import Cycles
from bustrace.program.follow import Followed, follow
from bustrace.program.thread import Thread

_FEWEST, _SHARE = 2, 0.5
"""Bytes that the CPU must have read otherwise in one line alone, and the share of all bytes that it
must have read otherwise, for that line to be unsteady."""


def with_unsteady_line(
    cycles: Cycles, variant: str, thread: Thread, followed: Followed
) -> tuple[Thread, Followed]:
    """Follow again with a line known to be unsteady, where one is in most bytes that the CPU must
    have read otherwise than the clips, and where that goes further, or as far with less read
    otherwise in other lines: of a line that is often between the levels several reads are wrong in
    a row, which only it explains.
    """
    differ = _differ(cycles, followed)
    count, line = max((differ.count(1 << bit), 1 << bit) for bit in range(8))
    if count < max(_FEWEST, _SHARE * len(differ)):
        return thread, followed
    trial = Thread(cycles, thread.pins)
    trial.unsteady = line
    trial_followed = follow(trial, variant)
    further = int(trial.done.sum()) - int(thread.done.sum())
    others = [_bits(each, ~line) for each in (_differ(cycles, trial_followed), differ)]
    if further < 0 or (further == 0 and others[0] >= others[1]):
        return thread, followed
    return trial, trial_followed


def _differ(cycles: Cycles, followed: Followed) -> list[int]:
    """Bits of each byte that the CPU must have read otherwise than the clips."""
    return [
        int(cycles.data[cycle]) ^ value
        for patch in followed.misread
        for cycle, value in zip(patch.cycles, patch.values, strict=True)
    ]


def _bits(differ: list[int], lines: int) -> int:
    """How many levels differ on some lines."""
    return sum((each & lines).bit_count() for each in differ)
