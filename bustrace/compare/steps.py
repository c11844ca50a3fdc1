"""The two timelines cycle by cycle, beside each other by what the CPU did."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import zip_longest

import numpy as np

from bustrace.compare.align import own_cycles
from bustrace.compare.model import Comparison
from bustrace.program import Kind
from bustrace.reading import Reading

_RESET_SHOWN = 4
"""Last cycles of the reset sequence that are shown: the vector's read, and what comes before."""


@dataclass(frozen=True, slots=True)
class Step:
    """One cycle of both boots, or of one.

    Attributes
    ----------
    good, bad : int or None
        Cycle in each boot.
    good_row, bad_row : int or None
        Row of the program where the cycle is its first that is shown.
    apart : bool
        The boots run different instructions here: what stands beside each other is not the same.
    diverges : bool
        The first divergence.
    differs : tuple of str
        ``address``, ``data``, ``R/W``: what both clips saw, and not alike. Empty where apart.
    """

    good: int | None
    bad: int | None
    good_row: int | None
    bad_row: int | None
    apart: bool
    diverges: bool
    differs: tuple[str, ...]


def steps_around(
    comparison: Comparison, cycle: int | None = None, *, before: int = 4, after: int = 6
) -> tuple[Step, ...]:
    """Both timelines around a cycle of the bad boot.

    Parameters
    ----------
    comparison : Comparison
    cycle : int or None
        By default the first divergence, else where the ways part, else the first instruction.
    before, after : int
        Rows of the bad program around the one that covers it.
    """
    bad = comparison.bad
    if not len(bad.cycles) or not len(bad.program):
        return ()
    if cycle is None:
        cycle = _interesting(comparison)
    cycle = min(max(cycle, 0), len(bad.cycles) - 1)
    middle = bad.program.row_of(cycle)
    rows = range(max(middle - before, 0), min(middle + after + 1, len(bad.program)))
    return tuple(_steps(comparison, rows))


def _interesting(comparison: Comparison) -> int:
    if comparison.first is not None:
        return comparison.first.cycle
    if comparison.parting is not None:
        return comparison.parting.cycle
    named = np.flatnonzero(comparison.bad.program.kind == Kind.INSTRUCTION)
    return int(comparison.bad.program.first_cycle[named[0]]) if len(named) else 0


def _steps(comparison: Comparison, rows: range) -> Iterator[Step]:
    good, bad = comparison.good, comparison.bad
    first = comparison.first.cycle if comparison.first is not None else -1
    following: int | None = None
    for row in rows:
        partner = int(comparison.partner[row]) if good is not None else -1
        apart = partner < 0
        if good is not None and apart and bad.program.kind[row] == Kind.RESET:
            resets = np.flatnonzero(good.program.kind == Kind.RESET)
            partner, apart = (int(resets[0]), False) if len(resets) else (-1, True)
        elif apart and following is not None and good is not None and following < len(good.program):
            partner = following
        following = partner + 1 if partner >= 0 else None
        yield from _beside(comparison, row, partner if partner >= 0 else None, apart, first)


def _beside(
    comparison: Comparison, row: int, partner: int | None, apart: bool, first: int
) -> Iterator[Step]:
    theirs = _shown(comparison.bad, row)
    mine = _shown(comparison.good, partner) if comparison.good and partner is not None else []
    for place, (one, two) in enumerate(zip_longest(mine, theirs)):
        yield Step(
            good=one,
            bad=two,
            good_row=partner if place == 0 and mine else None,
            bad_row=row if place == 0 else None,
            apart=apart and comparison.good is not None,
            diverges=two is not None and two == first,
            differs=() if apart else _differences(comparison, one, two),
        )


def _shown(reading: Reading, row: int) -> list[int]:
    cycles: list[int] = own_cycles(reading, row).tolist()
    if reading.program.kind[row] == Kind.RESET:
        return cycles[-_RESET_SHOWN:]
    return cycles


def _differences(comparison: Comparison, one: int | None, two: int | None) -> tuple[str, ...]:
    if comparison.good is None or one is None or two is None:
        return ()
    mine, theirs = comparison.good.cycles, comparison.bad.cycles
    found = []
    both = int(mine.address_known[one] & theirs.address_known[two])
    if int(mine.address[one] ^ theirs.address[two]) & both:
        found.append("address")
    both = int(mine.data_known[one] & theirs.data_known[two])
    if int(mine.data[one] ^ theirs.data[two]) & both:
        found.append("data")
    if (
        int(mine.control[one] ^ theirs.control[two])
        & 1
        & int(mine.control_known[one] & theirs.control_known[two])
    ):
        found.append("R/W")
    return tuple(found)
