"""Which reads of I/O chips their makers' sheets decide, as columns for the replay."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bustrace.cycles import IN_RESET, OWNER_CPU, SHORT, STRETCHED
from bustrace.findings.banks import Banks
from bustrace.findings.io_chips import (
    FORGET,
    LOSE_COUNT,
    READ,
    RESET,
    WAYS,
    WRITE,
    Event,
    expected_reads,
    sheet_of,
)
from bustrace.program import Kind
from bustrace.reading import Reading

SHORTEST_RESET = 3
"""Cycles with RES low that are a reset, not a stray sample: a CPU needs two (MCS6500 Hardware
Manual)."""


@dataclass(frozen=True, slots=True, eq=False)
class Accesses:
    """What a healthy board's chips are asked, cycle by cycle; columns have shape (n,).

    Attributes
    ----------
    address : int32
        -1 where it is not known.
    bank : int16
        Map of `Banks`, -1 where who answers is not known.
    read : uint8
    written, written_known : uint8
        Byte written, and its bits that are sure to arrive.
    """

    address: npt.NDArray[np.int32]
    bank: npt.NDArray[np.int16]
    read: npt.NDArray[np.uint8]
    written: npt.NDArray[np.uint8]
    written_known: npt.NDArray[np.uint8]


@dataclass(frozen=True, slots=True, eq=False)
class IoReads:
    """What the sheets of the I/O chips decide.

    Attributes
    ----------
    chips : int
        Chips whose sheets are known, a bit each.
    asked : uint32, shape (n,)
        Of these, the ones that a healthy board's map asks in each cycle.
    expected, known : uint8, shape (ways, n)
        Byte of the chip that is read, and which bits its sheet decides; a row for each of `WAYS`.
        With no such chip all columns have one row.
    """

    chips: int
    asked: npt.NDArray[np.uint32]
    expected: npt.NDArray[np.uint8]
    known: npt.NDArray[np.uint8]


def no_sheets() -> IoReads:
    """Of no chip is the sheet known."""
    nothing = np.zeros((len(WAYS), 1), dtype=np.uint8)
    return IoReads(0, np.zeros(1, dtype=np.uint32), nothing, nothing)


def known_sheets(reading: Reading) -> int:
    """Chips of the address map whose sheets are known, a bit each."""
    board = reading.board
    chips = [board.chip(ref) for ref in board.map.chips]
    return sum(
        1 << bit
        for bit, chip in enumerate(chips)
        if chip.role == "io" and sheet_of(chip.part, chip.size) is not None
    )


def io_reads(reading: Reading, banks: Banks, accesses: Accesses) -> IoReads:
    """Go through the accesses of every I/O chip whose sheet is known, once for each of `WAYS`."""
    chips = known_sheets(reading)
    n = len(accesses.address)
    judged = (accesses.address >= 0) & (accesses.bank >= 0)
    address = np.maximum(accesses.address, 0)
    row = banks.rows[np.maximum(accesses.bank, 0), address]
    asked = np.where(judged, banks.responds[row, accesses.read & 1], np.uint32(0))
    asked &= np.uint32(chips)
    expected = np.zeros((len(WAYS), n), dtype=np.uint8)
    known = np.zeros_like(expected)
    board = reading.board
    events = _happenings(reading, accesses)
    for bit, ref in enumerate(board.map.chips):
        make = sheet_of(board.chip(ref).part, board.chip(ref).size) if chips >> bit & 1 else None
        if make is None:
            continue
        at = np.flatnonzero(asked >> np.uint32(bit) & 1)
        if not len(at):
            continue
        offset = banks.inner[bit, address[at]] + banks.page[accesses.bank[at], bit]
        told = np.where(accesses.read[at] == 1, READ, WRITE)
        columns = (at, told, offset, accesses.written[at], accesses.written_known[at])
        all_events = [
            *((cycle, order, Event(cycle, what)) for cycle, order, what in events),
            *(
                (event[0], _ACCESS, Event(*event))
                for event in zip(*map(_ints, columns), strict=True)
            ),
            *(
                (cycle, 0, Event(cycle, FORGET))
                for cycle in _ints(_perhaps_asked(banks, accesses, bit))
            ),
        ]
        all_events.sort(key=lambda each: each[:2])
        reads = at[told == READ]
        for way, name in enumerate(WAYS):
            given = expected_reads(make, name, (event for _, _, event in all_events))
            expected[way, reads] = [byte for byte, _ in given]
            known[way, reads] = [bits for _, bits in given]
    return IoReads(chips, asked, expected, known)


_BEFORE, _ACCESS, _AFTER = 1, 2, 3


def _ints(column: npt.NDArray[np.integer]) -> list[int]:
    found: list[int] = column.tolist()
    return found


def _happenings(reading: Reading, accesses: Accesses) -> list[tuple[int, int, int]]:
    """Cycle, order within it, and what happens to every chip there."""
    cycles, n = reading.cycles, len(accesses.address)
    flags = cycles.flags[:n]
    found = [
        (cycle, order, LOSE_COUNT)
        for cycle in _ints(np.flatnonzero(flags & (STRETCHED | SHORT)))
        for order in (_BEFORE, _AFTER)
    ]
    low = flags & IN_RESET != 0
    edges = np.flatnonzero(np.diff(low.astype(np.int8), prepend=0, append=0))
    writes = (accesses.read == 0) & (accesses.address >= 0)
    for first, after in edges.reshape(-1, 2).tolist():
        real = after - first >= SHORTEST_RESET and not writes[first:after].any()
        found += [(cycle, 0, RESET if real else FORGET) for cycle in (first, after - 1)]
    program = reading.program
    found += [
        (cycle, 0, RESET)
        for cycle in _ints(program.first_cycle[program.kind == Kind.RESET])
        if cycle < n
    ]
    missed = (accesses.address < 0) & (cycles.owner[:n] == OWNER_CPU) & ~low
    missed[:1] = False
    for _, end in reading.capture.gaps.tolist():
        at = int(np.searchsorted(cycles.time_ps[:n], end))
        missed[at : at + 1] = True
    begins = missed & ~np.concatenate([[False], missed[:-1]])
    found += [(cycle, 0, FORGET) for cycle in _ints(np.flatnonzero(begins))]
    return found


def _perhaps_asked(banks: Banks, accesses: Accesses, chip: int) -> npt.NDArray[np.int64]:
    """Cycles in which a chip may be asked, as state bits that are not known will have it."""
    open_ = np.flatnonzero((accesses.address >= 0) & (accesses.bank < 0))
    row = banks.rows[:, accesses.address[open_]]
    answers = banks.responds[row, accesses.read[open_] & 1]
    perhaps: npt.NDArray[np.int64] = open_[(answers >> np.uint32(chip) & 1).any(axis=0)]
    return perhaps
