"""Where the clips saw something else than the CPU meant."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bustrace.cycles.model import OWNER_FOREIGN, Cycles
from bustrace.program.model import Intent

LINES = (*(f"A{bit}" for bit in range(16)), *(f"D{bit}" for bit in range(8)), "RW", "SYNC")
"""Lines that follow the CPU's intent; bit i of a line mask is ``LINES[i]``."""


@dataclass(frozen=True, slots=True, eq=False)
class Disagreements:
    """Captured against intended, one row a cycle, as line masks over `LINES`.

    Attributes
    ----------
    off : uint32, shape (n_cycles,)
        Lines whose captured level is not the one the CPU meant.
    compared : uint32, shape (n_cycles,)
        Lines captured in a cycle in which the intent is known: the opportunities. Data lines
        only in cycles in which the CPU wrote.
    """

    off: npt.NDArray[np.uint32]
    compared: npt.NDArray[np.uint32]

    def __post_init__(self) -> None:
        self.off.setflags(write=False)
        self.compared.setflags(write=False)

    def count(self, line: str) -> tuple[int, int]:
        """How many cycles disagree on a line, out of how many that could.

        Raises
        ------
        ValueError
            No such line in `LINES`.
        """
        bit = np.uint32(1 << LINES.index(line))
        return int(np.count_nonzero(self.off & bit)), int(np.count_nonzero(self.compared & bit))

    @property
    def lines(self) -> tuple[str, ...]:
        """Lines that disagree at least once."""
        seen = int(np.bitwise_or.reduce(self.off)) if len(self.off) else 0
        return tuple(line for bit, line in enumerate(LINES) if seen >> bit & 1)

    @property
    def cycles(self) -> npt.NDArray[np.int64]:
        """Cycles in which any line disagrees: int64."""
        return np.flatnonzero(self.off)


def captured_levels(cycles: Cycles) -> tuple[npt.NDArray[np.uint32], npt.NDArray[np.uint32]]:
    """Captured levels as line masks over `LINES`, and which of them are known.

    Cycles that another bus owner had count as not captured.

    Returns
    -------
    level, known : uint32, shape (n_cycles,)
    """
    level, known = cycles.address.astype("<u4"), cycles.address_known.astype("<u4")
    for to, data, control in (
        (level, cycles.data, cycles.control),
        (known, cycles.data_known, cycles.control_known),
    ):
        to.view(np.uint8)[2::4] = data
        # The registry of control pins begins with R/W and SYNC.
        to.view(np.uint8)[3::4] = control & np.uint16(3)
    foreign = cycles.owner == OWNER_FOREIGN
    if foreign.any():
        known[foreign] = 0
    level &= known
    return level, known


def intended_levels(intent: Intent) -> tuple[npt.NDArray[np.uint32], npt.NDArray[np.uint32]]:
    """What the CPU meant as line masks over `LINES`, and which of it is known.

    Returns
    -------
    level, known : uint32, shape (n_cycles,)
    """
    known = np.where(intent.inside == 1, intent.certain & np.uint32(0xFF00FFFF), intent.certain)
    return intent.levels & known, known


def disagreements(cycles: Cycles, intent: Intent) -> Disagreements:
    """Compare what was captured with what the CPU meant.

    Parameters
    ----------
    cycles : Cycles
    intent : Intent
        Of the same cycles, as in `Program.intent`.

    Returns
    -------
    Disagreements

    Raises
    ------
    ValueError
        Cycles and intent differ in length.
    """
    if len(intent.levels) != len(cycles):
        raise ValueError(f"intent has {len(intent.levels)} rows, not {len(cycles)}")
    seen, captured = captured_levels(cycles)
    meant, certain = intended_levels(intent)
    compared = captured & certain
    return Disagreements(off=(seen ^ meant) & compared, compared=compared)
