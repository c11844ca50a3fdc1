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

_AHEAD = 6
"""Cycles looked at, the open one included: to the end of the instruction."""


@dataclass(frozen=True, slots=True)
class Seen:
    """What was observed, as columns of n cycles or of none: those of the kernel.

    Attributes
    ----------
    reads, reads_known, pins : uint8
    levels, telling : uint32
        The bus, and which levels may decide.
    """

    reads: npt.NDArray[np.uint8]
    reads_known: npt.NDArray[np.uint8]
    pins: npt.NDArray[np.uint8]
    levels: npt.NDArray[np.uint32]
    telling: npt.NDArray[np.uint32]


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
    ended = [False] * len(ways)
    left = list(range(len(ways)))
    for at in range(cycle, min(cycle + _AHEAD, len(seen.reads))):
        left = [n for n in left if ended[n] or _fits(trials[n], at, seen, by_sync=at > cycle)]
        if len({_now(ways[n], row) for n in left}) == 1:
            chosen = ways[left[0]]
            if len({int(ways[n][cpu.P]) for n in left}) > 1:
                chosen[cpu.PM] = state[cpu.PM]
            state[:] = chosen
            return True
        known = int(seen.reads_known[at]) if len(seen.reads_known) else 0xFF
        levels = int(seen.pins[at]) if len(seen.pins) else 31
        for n in left:
            # What comes after the instruction may hang on other unknown bits.
            ended[n] |= at > cycle and bool(trials[n][cpu.ENTRY] == cpu.FETCH)
            cpu.end_cycle(trials[n], row, int(seen.reads[at]), known, levels)
    return False


def _now(way: State, row: Row) -> tuple[int, int]:
    """What tells the ways apart in the open cycle itself: carry, and decimal flag if it counts."""
    end = int(row[way[cpu.ENTRY]]) >> 14 & 15
    carry = 0 if end == cpu.END_BINARY else int(way[cpu.CARRY])
    counts = end == cpu.END_BINARY or (end == cpu.END_SAME_BINARY and not carry)
    return carry, int(way[cpu.P]) & cpu.FLAG_D if counts else 0


def _ways(state: State, row: Row) -> list[State]:
    """States in which the way on, and what comes later in the instruction, is known."""
    end = int(row[state[cpu.ENTRY]]) >> 14 & 15
    if end not in (cpu.END_SAME, cpu.END_SKIP_SAME, cpu.END_SAME_BINARY, cpu.END_BINARY):
        return []
    carries = (0, 1) if not state[cpu.CARRYM] else (int(state[cpu.CARRY]),)
    if end == cpu.END_BINARY:
        carries = (int(state[cpu.CARRY]),)
    open_flag = end in (cpu.END_BINARY, cpu.END_SAME_BINARY) and not state[cpu.PM] & cpu.FLAG_D
    ways = []
    for carry in carries:
        way = state.copy()
        if end != cpu.END_BINARY:
            way[cpu.CARRY], way[cpu.CARRYM] = carry, 1
        ways += [_with_decimal(way, flag) for flag in (0, cpu.FLAG_D)] if open_flag else [way]
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
    if not len(seen.levels):
        return True
    level, known = int(seen.levels[at]), int(seen.telling[at])
    if by_sync and known & cpu.SYNC_LEVEL:
        return bool(level & cpu.SYNC_LEVEL) == bool(trial[cpu.ENTRY] == cpu.FETCH)
    off = (level ^ int(trial[cpu.ADDRESS])) & known & 0xFFFF
    return (off & int(trial[cpu.ADDRESSM])) == 0
