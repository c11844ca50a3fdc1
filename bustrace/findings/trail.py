"""Where the CPU was not as its program implies, and where the bus was another owner's."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from bustrace.cycles import Cycles
from bustrace.program import Kind, Program
from bustrace.reading import Reading

MANY_LINES = 3
"""Address lines that no single fault turns at once."""

AGAIN = 4
"""Cycles in which a line must differ to count among those that do so again and again."""


def left_by_another(
    cycles: Cycles, n: int, disbelieved: int
) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.uint8]]:
    """What another owner of the bus left on the data lines in the other half of each cycle.

    Only where that half had an address of its own. With the CPU's address there it is no other
    owner: a chip that is not gated by phase 2 then drives in both halves, and its byte says
    nothing of an undriven bus.

    Returns
    -------
    left, known : uint8, shape (n,)
    """
    both = cycles.other_address_known[:n] & cycles.address_known[:n]
    another = (cycles.other_address[:n] ^ cycles.address[:n]) & both != 0
    believed = np.uint8(~disbelieved & 0xFF)
    known = np.where(another, cycles.other_data_known[:n] & believed, np.uint8(0))
    return cycles.other_data[:n] & known, known


def went_elsewhere(reading: Reading, n: int) -> npt.NDArray[np.bool_]:
    """Cycles in which the CPU put out another address than its program implies: bool, shape (n,).

    A fault of a line or two leaves the others right; where `MANY_LINES` that move in the capture
    differ at once, or one here and one there again and again, the CPU read something else before
    than the clips show. Lines that always move as one count as one. So it did where a line differs
    `AGAIN` times, though never as the program itself is read, and is mostly right with the same
    levels beside it: the CPU saw another pointer.
    """
    cycles, intent = reading.cycles, reading.program.intent
    seen, known = cycles.address[:n], cycles.address_known[:n]
    high = np.bitwise_or.reduce(seen & known, initial=0)
    moving = high & np.bitwise_or.reduce(~seen & known, initial=0)
    meant, compared = intent.address[:n], known & intent.address_known[:n]
    off = (seen ^ meant) & compared & moving
    elsewhere: npt.NDArray[np.bool_] = np.bitwise_count(off) >= MANY_LINES
    again = [bit for bit in range(16) if int((off[~elsewhere] >> bit & 1).sum()) >= AGAIN]
    if len(again) - _as_one(seen, known, again) >= MANY_LINES:
        elsewhere = off != 0
        return elsewhere
    itself = _reads_itself(reading.program, n)
    for bit in again:
        if f"A{bit}" in reading.program.lines_aside:
            continue  # it differs throughout
        differs = (off >> bit & 1 == 1) & ~elsewhere
        right = (compared & ~off) >> bit & 1 == 1
        if (differs & itself).any() or (right & itself).sum() < differs.sum():
            continue
        beside = meant >> 8 if bit >= 8 else meant & 0xFF
        met = [np.bincount(beside[where], minlength=256) for where in (right, differs)]
        if (met[0] >= met[1]).all():
            elsewhere |= differs
    return elsewhere


def _as_one(seen: npt.NDArray[np.integer], known: npt.NDArray[np.integer], bits: list[int]) -> int:
    """How many of these address lines never part from one before them: a joint is one fault."""
    both = {bit: known >> bit & 1 == 1 for bit in bits}
    return sum(
        any(
            not ((seen >> bit ^ seen >> before) & 1)[both[bit] & both[before]].any()
            for before in bits[:i]
        )
        for i, bit in enumerate(bits)
    )


def _reads_itself(program: Program, n: int) -> npt.NDArray[np.bool_]:
    """Cycles that may read the instruction itself: the first three of each, bool, shape (n,)."""
    found = np.zeros(n, dtype=np.bool_)
    first = program.first_cycle[program.kind == Kind.INSTRUCTION]
    for step in range(3):
        found[first[first + step < n] + step] = True
    return found
