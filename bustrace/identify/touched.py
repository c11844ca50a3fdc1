"""Counting what the bus did, address by address."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bustrace.board.model import N_ADDRESSES
from bustrace.cycles import IN_RESET, OWNER_CPU, UNSETTLED, Cycles
from bustrace.identify.model import Touched

ALL_LINES = 0xFFFF
WHOLE_BYTE = 0xFF


@dataclass(frozen=True, slots=True, eq=False)
class Accesses:
    """The cycles that count: the CPU's own, settled, outside reset, address and R/W known.

    Arrays of shape (n,).

    Attributes
    ----------
    cycle : int64, number of the cycle.
    address : int64
    read : bool
    fetch : bool, SYNC was high.
    data : int16, -1 where not wholly known.
    """

    cycle: npt.NDArray[np.int64]
    address: npt.NDArray[np.int64]
    read: npt.NDArray[np.bool_]
    fetch: npt.NDArray[np.bool_]
    data: npt.NDArray[np.int16]

    def __len__(self) -> int:
        return len(self.cycle)

    def where(self, chosen: npt.NDArray[np.bool_]) -> Accesses:
        """Some of them."""
        return Accesses(
            self.cycle[chosen],
            self.address[chosen],
            self.read[chosen],
            self.fetch[chosen],
            self.data[chosen],
        )


def accesses(
    cycles: Cycles, fetch: npt.NDArray[np.bool_], early: npt.NDArray[np.bool_]
) -> Accesses:
    """Take the cycles that count.

    Parameters
    ----------
    cycles : Cycles
    fetch : bool, shape (n_cycles,)
        Opcode fetches.
    early : bool, shape (n_cycles,)
        Cycles between the release of reset and the vector; left out.
    """
    rw = cycles.pin("RW")
    good = (cycles.owner == OWNER_CPU) & (cycles.flags & (UNSETTLED | IN_RESET) == 0)
    good &= (cycles.address_known == ALL_LINES) & (rw < 2) & ~early
    cycle = np.flatnonzero(good)
    data = np.where(cycles.data_known == WHOLE_BYTE, cycles.data, -1).astype(np.int16)
    return Accesses(
        cycle,
        cycles.address[cycle].astype(np.int64),
        rw[cycle] == 1,
        fetch[cycle],
        data[cycle],
    )


def count(seen: Accesses) -> Touched:
    """Count the accesses of each address; linear but for one sort."""
    known = seen.read & (seen.data >= 0)
    byte = np.full(N_ADDRESSES, -1, dtype=np.int16)
    byte[seen.address[known]] = seen.data[known]
    odd = seen.address[known][seen.data[known] != byte[seen.address[known]]]
    steady = byte >= 0
    steady[odd] = False
    returned, lost = came_back(seen, seen.address)
    return Touched(
        reads=per_address(seen.address[seen.read]),
        writes=per_address(seen.address[~seen.read]),
        fetches=per_address(seen.address[seen.fetch & seen.read]),
        byte=byte,
        steady=steady,
        returned=per_address(seen.address[returned]),
        lost=per_address(seen.address[lost]),
    )


def came_back(
    seen: Accesses, cell: npt.NDArray[np.int64]
) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    """Reads that gave what was last written to their cell, and reads that did not.

    Parameters
    ----------
    seen : Accesses
    cell : int64, shape (n,)
        The cell that each access is taken to reach: its address, or part of it.

    Returns
    -------
    returned, lost : bool, shape (n,)
        Both False for writes, for reads before any write, and where a byte is not known.
    """
    order = np.argsort(cell, kind="stable")
    sorted_cell, data = cell[order], seen.data[order]
    place = np.arange(len(order))
    write = np.maximum.accumulate(np.where(seen.read[order], -1, place)) if len(order) else place
    judged = seen.read[order] & (write >= 0) & (data >= 0)
    judged &= (sorted_cell == sorted_cell[write]) & (data[write] >= 0)
    same = data == data[write]
    returned, lost = np.zeros(len(order), dtype=np.bool_), np.zeros(len(order), dtype=np.bool_)
    returned[order] = judged & same
    lost[order] = judged & ~same
    return returned, lost


def per_address(address: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """How often each address occurs: int64, shape (65536,)."""
    return np.bincount(address, minlength=N_ADDRESSES).astype(np.int64)
