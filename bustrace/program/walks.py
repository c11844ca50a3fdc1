"""Instructions that walk through memory: one place after the other, in equal steps."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bustrace.program.accesses import NONE

FEWEST = 8
"""Addresses of a walk."""

LONGEST_STEP = 256
"""A page: a walk that looks at one byte of each still covers what it walks through."""


@dataclass(frozen=True, slots=True, eq=False)
class Walk:
    """One instruction that met the addresses of a range in equal steps.

    Attributes
    ----------
    pc : int
    way : int
        `READ`, `WRITE` or `MODIFY`.
    low, high : int
    step : int
        From one address to the next; 1 leaves none out.
    value : int or None
        The one byte that was met everywhere; None where it varies or is not known.
    bytes : int16, shape (k,)
        What was read or written, in order; -1 where not known.
    """

    pc: int
    way: int
    low: int
    high: int
    step: int
    value: int | None
    bytes: npt.NDArray[np.int16]


def walks_of(
    pc: npt.NDArray[np.int32],
    way: npt.NDArray[np.uint8],
    address: npt.NDArray[np.int64],
    byte: npt.NDArray[np.int16],
) -> list[Walk]:
    """Walks among some instructions, in the order of their addresses; all arrays of shape (n,)."""
    asked = (way != NONE) & (pc >= 0)
    found = []
    order = np.flatnonzero(asked)[np.argsort(pc[asked], kind="stable")]
    cuts = np.flatnonzero(np.diff(pc[order])) + 1
    for rows in np.split(order, cuts):
        if len(rows) < FEWEST:
            continue
        places = np.unique(address[rows])
        if len(places) < FEWEST:
            continue
        # Each of them once, or twice and more where the loop goes round again.
        steps = np.diff(places)
        if steps[0] > LONGEST_STEP or (steps != steps[0]).any():
            continue
        low, high, step = int(places[0]), int(places[-1]), int(steps[0])
        values = np.unique(byte[rows])
        single = int(values[0]) if len(values) == 1 and values[0] >= 0 else None
        found.append(Walk(int(pc[rows[0]]), int(way[rows[0]]), low, high, step, single, byte[rows]))
    return found
