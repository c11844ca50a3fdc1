"""Whose each bus cycle was."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from bustrace.cycles.model import CONTROL_BIT, OWNER_CPU, OWNER_FOREIGN, OWNER_UNKNOWN
from bustrace.cycles.stretches import stretches

_NOTICE = 3
"""Cycles between BA's fall and the first that is not the CPU's: the most writes that follow one
another in an instruction or interrupt sequence, which RDY cannot stop (6510 sheet, from memory)."""


def owners(
    address: npt.NDArray[np.uint32],
    address_known: npt.NDArray[np.uint32],
    control: npt.NDArray[np.uint16],
    known: npt.NDArray[np.uint16],
) -> npt.NDArray[np.uint8]:
    """Who drives the bus: BE or AEC low takes it from the CPU; BA low announces it.

    A line that is never high tells nothing: its clip is off, or the board ties it, and a CPU that
    never has the bus would show as a bus at rest.

    Parameters
    ----------
    address, address_known : uint32, shape (n,)
    control, known : uint16, shape (n,)
        `Cycles` columns.

    Returns
    -------
    uint8, shape (n,)
        `OWNER_CPU`, `OWNER_FOREIGN` or `OWNER_UNKNOWN`.
    """
    owner = np.full(len(control), OWNER_CPU, dtype=np.uint8)
    seen = int(np.bitwise_or.reduce(control & known)) if len(control) else 0
    told = [name for name in ("AEC", "BE") if seen >> CONTROL_BIT[name] & 1]
    if not told and seen >> CONTROL_BIT["BA"] & 1:
        return _by_notice(address, address_known, control, known)
    for name in told:
        bit = np.uint16(1 << CONTROL_BIT[name])
        owner[known & bit == 0] = OWNER_UNKNOWN
    for name in told:
        bit = np.uint16(1 << CONTROL_BIT[name])
        owner[(known & bit != 0) & (control & bit == 0)] = OWNER_FOREIGN
    return owner


def _by_notice(
    address: npt.NDArray[np.uint32],
    address_known: npt.NDArray[np.uint32],
    control: npt.NDArray[np.uint16],
    known: npt.NDArray[np.uint16],
) -> npt.NDArray[np.uint8]:
    """Owners from BA alone.

    In the cycles of notice the CPU still writes, and stops at its first read, which it repeats when
    it has the bus again: BA goes to RDY (common practice). Where RDY was captured it tells this
    itself; else a read is taken for a stopped one when its address is the one that comes after, or
    when the capture ends before; without any address it stays open.
    """
    n = len(control)
    ba, rw, rdy = (np.uint16(1 << CONTROL_BIT[name]) for name in ("BA", "RW", "RDY"))
    low = (known & ba != 0) & (control & ba == 0)
    first, end = stretches(low)
    run = np.cumsum(np.diff(low.astype(np.int8), prepend=0) == 1) - 1
    place = np.arange(n) - first[np.maximum(run, 0)] if len(first) else np.zeros(n, dtype=np.int64)
    notice = low & (place < _NOTICE)
    owner = np.full(n, OWNER_CPU, dtype=np.uint8)
    owner[known & ba == 0] = OWNER_UNKNOWN
    owner[low & ~notice] = OWNER_FOREIGN
    stopped = notice & (known & rdy == 0) & ((known & rw == 0) | (control & rw != 0))
    if stopped.any():
        after = end[run[stopped]]
        cut_off = after == n
        after = np.minimum(after, n - 1)
        both = address_known[stopped] & address_known[after]
        differs = ((address[stopped] ^ address[after]) & both != 0) & ~cut_off
        owner[np.flatnonzero(stopped)[~differs]] = OWNER_FOREIGN
        owner[np.flatnonzero(stopped)[both == 0]] = OWNER_UNKNOWN
    return owner
