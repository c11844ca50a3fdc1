"""Where instructions begin when SYNC was captured, from the bus pattern alone."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from bustrace.cpu import Variant, variant_named
from bustrace.cycles import IN_RESET, OWNER_FOREIGN, Cycles, stretches
from bustrace.cycles.model import CONTROL_BIT
from bustrace.program.model import Kind

_RESET_LENGTH = 7
"""Cycles from the forced fetch to the fetch at the vector (W65C02S sheet 3.11; NMOS alike)."""

NMOS = variant_named("6502")

_GRACE = 16
"""RES may be high this long before it counts as released: no reset sequence fits in less."""

_MOVES, _MOSTLY_MOVES = 8, 0.5
"""Reads with RDY low after which the address moves on, and their share of all such reads, that say
that the CPU does not wait."""


@dataclass(frozen=True, slots=True, eq=False)
class Boundaries:
    """Rows that tile all cycles, without registers.

    Attributes
    ----------
    first_cycle : int64, shape (n,)
    kind : uint8
        A `Kind`.
    opcode : int16
        -1 where not known.
    pc : int32
        -1 where not known.
    confidence : float32
    """

    first_cycle: npt.NDArray[np.int64]
    kind: npt.NDArray[np.uint8]
    opcode: npt.NDArray[np.int16]
    pc: npt.NDArray[np.int32]
    confidence: npt.NDArray[np.float32]


def in_reset(cycles: Cycles) -> npt.NDArray[np.bool_]:
    """Cycles that ended with RES low, as far as RES was captured: bool, shape (n_cycles,)."""
    bit = np.uint16(1 << CONTROL_BIT["RES"])
    low: npt.NDArray[np.bool_] = ~cycles.control & cycles.control_known & bit != 0
    low |= cycles.flags & IN_RESET != 0
    return low


def sync_usable(cycles: Cycles) -> bool:
    """Whether SYNC was captured and moves: a SYNC line that never rises marks nothing."""
    if not int(np.bitwise_or.reduce(cycles.control_known, initial=0)) >> CONTROL_BIT["SYNC"] & 1:
        return False
    level = cycles.pin("SYNC")
    return bool((level == 1).any() and (level == 0).any())


def halted(cycles: Cycles, part: Variant) -> npt.NDArray[np.bool_]:
    """Cycles the CPU could not use, and repeats later: RDY low, or a foreign owner.

    RDY does not stop the writes of an NMOS part (makers' sheets).

    Returns
    -------
    bool, shape (n_cycles,)
    """
    waits: npt.NDArray[np.bool_] = cycles.pin("RDY") == 0
    if not part.cmos:
        waits &= cycles.pin("RW") != 0
    waits |= cycles.owner == OWNER_FOREIGN
    return waits


def does_not_wait(cycles: Cycles) -> bool:
    """Whether the CPU goes on in reads in which RDY shows low: it is the clip that does.

    Where another owner drives the address lines nobody sees whether it does.
    """
    low, own = cycles.pin("RDY") == 0, cycles.owner != OWNER_FOREIGN
    held = np.flatnonzero((low & own & (cycles.pin("RW") == 1))[:-1] & own[1:])
    moved = cycles.address[held] != cycles.address[held + 1]
    return bool(moved.sum() >= _MOVES and moved.mean() > _MOSTLY_MOVES)


def fetch_cycles(cycles: Cycles, part: Variant) -> npt.NDArray[np.bool_]:
    """First cycle of every opcode fetch that SYNC shows, outside reset.

    A fetch that is halted repeats with SYNC high, and counts once. Where RDY was not captured,
    SYNC high again at the same address is taken for such a repeat: no NMOS instruction is
    shorter than two cycles, and where a CMOS part has one of one cycle its address moves on.

    Returns
    -------
    bool, shape (n_cycles,)
    """
    high = (cycles.pin("SYNC") == 1) & ~in_reset(cycles)
    begins: npt.NDArray[np.bool_] = high.copy()
    if len(begins) < 2:
        return begins
    both = cycles.address_known[1:] & cycles.address_known[:-1]
    moved = (cycles.address[1:] ^ cycles.address[:-1]) & both != 0
    repeat = (
        high[1:]
        & high[:-1]
        & (halted(cycles, part)[:-1] | ((cycles.pin("RDY")[:-1] == 2) & ~moved))
    )
    begins[1:] &= ~repeat
    return begins


def sync_boundaries(cycles: Cycles, part: Variant = NMOS) -> Boundaries:
    """Rows from SYNC: instruction, reset, interrupt and BRK told apart by what they did.

    Resets are found from RES; with RES not captured, from a vector fetch at $FFFC. An interrupt
    or BRK is the only sequence that writes three times; with R/W not captured, the one that
    reads $FFFA or $FFFE last. Cycles before the first fetch are `Kind.LOST`.

    Returns
    -------
    Boundaries
    """
    n = len(cycles)
    begins = fetch_cycles(cycles, part)
    low = in_reset(cycles)
    kind_at = np.full(n, Kind.INSTRUCTION, np.uint8)
    sure_at = np.ones(n, np.float32)
    starts = np.flatnonzero(begins)
    if len(starts):
        kind, sure = _kinds(cycles, starts)
        kind_at[starts], sure_at[starts] = kind, sure
    for first, end in _reset_spans(cycles, low, starts, kind_at):
        begins[first:end] = False
        begins[first] = True
        kind_at[first] = Kind.RESET
    if n and not begins[0]:
        begins[0] = True
        kind_at[0] = Kind.LOST
        sure_at[0] = 0.0
    rows = np.flatnonzero(begins)
    kind = kind_at[rows]
    fetched = (kind != Kind.RESET) & (kind != Kind.LOST)
    # A fetch under a slow memory is halted first; the byte that counts is the last one.
    at = rows + _halted_run(halted(cycles, part) & (cycles.pin("SYNC") == 1), rows)
    opcode = cycles.data[at].astype(np.int16)
    opcode[~fetched | (cycles.data_known[at] != 0xFF)] = -1
    pc = (cycles.address[at] & 0xFFFF).astype(np.int32)
    pc[~fetched | (cycles.address_known[at] & 0xFFFF != 0xFFFF)] = -1
    return Boundaries(
        first_cycle=rows.astype(np.int64),
        kind=kind,
        opcode=opcode,
        pc=pc,
        confidence=sure_at[rows],
    )


def _halted_run(held: npt.NDArray[np.bool_], at: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """How many halted cycles follow one another from each of the cycles `at`."""
    free = np.flatnonzero(~held)
    where = np.searchsorted(free, at)
    last = np.minimum(where, max(len(free) - 1, 0))
    end = free[last] if len(free) else np.full(len(at), len(held) - 1)
    end = np.where(where < len(free), end, len(held) - 1)
    run: npt.NDArray[np.int64] = np.maximum(end - at, 0)
    return run


def _kinds(
    cycles: Cycles, starts: npt.NDArray[np.int64]
) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.float32]]:
    """Kind of the rows that begin at `starts`, and how sure that is."""
    n = len(cycles)
    ends = np.append(starts[1:], n)
    kind = np.full(len(starts), Kind.INSTRUCTION, np.uint8)
    sure = np.ones(len(starts), np.float32)
    rw = cycles.pin("RW")
    writes = np.add.reduceat((rw == 0).astype(np.int32), starts)
    rw_seen = np.minimum.reduceat((rw != 2).astype(np.uint8), starts) == 1
    complete = ends < n
    # Vector fetch: the last two reads. Halts repeat an address, so look at the last cycle.
    last, before = ends - 1, np.maximum(ends - 2, 0)
    wide = (cycles.address_known[last] & cycles.address_known[before] & 0xFFFF) == 0xFFFF
    high = (cycles.address[last] & 0xFFFF).astype(np.int64)
    vectored = wide & complete & (high >= 0xFFFB) & (high & 1 == 1) & (ends - starts >= 7)
    vectored &= (cycles.address[before].astype(np.int64) & 0xFFFF == high - 1) | (
        cycles.address[before].astype(np.int64) & 0xFFFF == high
    )
    three = rw_seen & complete & (writes == 3)
    pushed = three | (~rw_seen & vectored & (high != 0xFFFD))

    opcode_zero = (cycles.data_known[starts] == 0xFF) & (cycles.data[starts] == 0)
    obeyed, certain = _pushed_break(cycles, starts, ends)
    broke = pushed & np.where(certain, obeyed, opcode_zero)
    by_vector_nmi = vectored & (high == 0xFFFB)
    kind[pushed] = Kind.IRQ
    kind[pushed & by_vector_nmi] = Kind.NMI
    kind[broke] = Kind.BRK
    sure[pushed & ~vectored & ~broke] = 0.7
    quiet = rw_seen & (writes == 0)
    kind[vectored & (high == 0xFFFD) & quiet] = Kind.RESET
    return kind, sure


def _pushed_break(
    cycles: Cycles, starts: npt.NDArray[np.int64], ends: npt.NDArray[np.int64]
) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    """B bit of the status byte a row pushed last, and whether it could be read.

    Bit 4 of the pushed byte is 1 for BRK and 0 for an interrupt (hardware manual, A.5.4).
    """
    rw = cycles.pin("RW")
    position = np.where(rw == 0, np.arange(len(cycles)), -1)
    last_write = np.maximum.reduceat(position, starts)
    inside = last_write >= starts
    at = np.where(inside, last_write, starts)
    seen = inside & (cycles.data_known[at] & 0x10 != 0)
    return (cycles.data[at] & 0x10 != 0) & seen, seen


def _reset_spans(
    cycles: Cycles,
    low: npt.NDArray[np.bool_],
    starts: npt.NDArray[np.int64],
    kind_at: npt.NDArray[np.uint8],
) -> list[tuple[int, int]]:
    """First cycle and end of every reset: from RES low to the fetch at the vector."""
    n = len(cycles)
    spans: list[tuple[int, int]] = []
    first, release = stretches(low)
    if len(first):
        joined = first[1:] - release[:-1] < _GRACE
        first = first[np.append(True, ~joined)]
        release = release[np.append(~joined, True)]
    for begin, end in zip(first.tolist(), release.tolist(), strict=True):
        after = int(np.searchsorted(starts, end))
        ahead = [*starts[after : after + 4].tolist(), n][:4]
        pairs = list(pairwise(ahead))
        stop = next((stop for at, stop in pairs if at < n and kind_at[at] == Kind.RESET), None)
        if stop is None:
            if end - begin < 2 and len(ahead) == 4:
                continue  # too short for the CPU, and it went on as though nothing had happened
            stop = next((stop for at, stop in pairs if stop - at >= _RESET_LENGTH), ahead[0])
        spans.append((begin, stop))
    return spans
