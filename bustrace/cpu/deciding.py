"""Which way the CPU went where that hangs on an unknown bit, told by what it did next.

What NMOS parts leave open is decided where they are executed; this is for the ways that only CMOS
parts have. They are few in a capture, so it need not be compiled.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bustrace.cpu import _kernels as cpu

State = npt.NDArray[np.int64]
Row = npt.NDArray[np.int32]

_AHEAD = 3
"""Cycles looked at, the open one included."""


@dataclass(frozen=True, slots=True)
class Seen:
    """What was observed, as columns of n cycles or of none: those of `replay`."""

    reads: npt.NDArray[np.uint8]
    reads_known: npt.NDArray[np.uint8]
    pins: npt.NDArray[np.uint8]
    address: npt.NDArray[np.uint16]
    address_known: npt.NDArray[np.uint16]
    control: npt.NDArray[np.uint8]
    control_known: npt.NDArray[np.uint8]


def settle(state: State, row: Row, cycle: int, seen: Seen) -> bool:
    """Set the unknown bits so that the only way on that fits is taken; False without one.

    Parameters
    ----------
    state : int64, shape (STATE_FIELDS,)
        The CPU in `cycle`; written where a way was found.
    row : int32
        One row of the packed table.
    cycle : int
    seen : Seen
    """
    ways = _ways(state, row)
    trials = [way.copy() for way in ways]
    for at in range(cycle, min(cycle + _AHEAD, len(seen.reads)) if len(ways) > 1 else cycle):
        fits = [_fits(trial, at, seen, by_sync=at > cycle) for trial in trials]
        if sum(fits) == 1:
            state[:] = ways[fits.index(True)]
            return True
        known = int(seen.reads_known[at]) if len(seen.reads_known) else 0xFF
        levels = int(seen.pins[at]) if len(seen.pins) else 31
        for trial in trials:
            cpu.end_cycle(trial, row, int(seen.reads[at]), known, levels)
    return False


def _ways(state: State, row: Row) -> list[State]:
    """States in which the way on is known, one for each way."""
    entry = int(row[state[cpu.ENTRY]])
    end = entry >> 14 & 15
    decimal_open = not state[cpu.PM] & cpu.FLAG_D
    if end == cpu.END_BINARY and decimal_open:
        return [_with_decimal(state, flag) for flag in (0, cpu.FLAG_D)]
    if end not in (cpu.END_SAME, cpu.END_SKIP_SAME, cpu.END_SAME_BINARY):
        return []
    ways = []
    for carry in (0, 1) if not state[cpu.CARRYM] else (int(state[cpu.CARRY]),):
        way = state.copy()
        way[cpu.CARRY], way[cpu.CARRYM] = carry, 1
        hangs = end == cpu.END_SAME_BINARY and not carry and decimal_open
        ways += [_with_decimal(way, flag) for flag in (0, cpu.FLAG_D)] if hangs else [way]
    for way in ways:
        cpu.show(way, row)
    return ways


def _with_decimal(state: State, flag: int) -> State:
    way = state.copy()
    way[cpu.P] = way[cpu.P] & ~cpu.FLAG_D | flag
    way[cpu.PM] |= cpu.FLAG_D
    return way


def _fits(trial: State, at: int, seen: Seen, *, by_sync: bool) -> bool:
    """Whether the cycle may be what was observed: by SYNC where that was, else the address."""
    if len(seen.control) and int(seen.control_known[at]) & cpu.SYNC_BIT and by_sync:
        return bool(seen.control[at] & cpu.SYNC_BIT) == bool(trial[cpu.ENTRY] == cpu.FETCH)
    if not len(seen.address):
        return True
    off = (int(seen.address[at]) ^ int(trial[cpu.ADDRESS])) & int(seen.address_known[at])
    return (off & int(trial[cpu.ADDRESSM])) == 0
