"""Which reads of I/O chips their makers' sheets decide, as columns for the replay."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from hashlib import blake2b
from itertools import chain, repeat
from typing import Any

import numpy as np
import numpy.typing as npt

from bustrace.cycles import IN_RESET, OWNER_CPU, SHORT, STRETCHED
from bustrace.findings._kernels import TAKEN_OFFSET, TAKEN_WRITE
from bustrace.findings.banks import Banks
from bustrace.findings.io_chips import (
    FORGET,
    LOSE_COUNT,
    PERHAPS_READ,
    READ,
    RESET,
    WAYS,
    WRITE,
    asking_spans,
    expected_reads,
    kept_bytes,
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
    kept : int32, shape (changes, 5)
        Cycle from which on, chip, register, byte and known bits: what the registers that keep what
        they are given would show of themselves, in order of cycles. Before its first row nothing
        is known of a register.
    """

    chips: int
    asked: npt.NDArray[np.uint32]
    expected: npt.NDArray[np.uint8]
    known: npt.NDArray[np.uint8]
    kept: npt.NDArray[np.int32]


def no_sheets() -> IoReads:
    """Of no chip is the sheet known."""
    nothing = np.zeros((len(WAYS), 1), dtype=np.uint8)
    return IoReads(0, np.zeros(1, dtype=np.uint32), nothing, nothing, _in_order([]))


def known_sheets(reading: Reading) -> int:
    """Chips of the address map whose sheets are known, a bit each."""
    board = reading.board
    chips = [board.chip(ref) for ref in board.map.chips]
    return sum(
        1 << bit
        for bit, chip in enumerate(chips)
        if chip.role == "io" and sheet_of(chip.part, chip.size) is not None
    )


MOST_AGAIN = 2_000
"""Accesses of a chip that are gone through again where a fault makes them others; what it gives
later is left open. Enough to tell, and some hundred faults may want it."""

Bytes = npt.NDArray[np.uint8]


class IoSheets:
    """The sheets of a reading's I/O chips, gone through for any accesses.

    Parameters
    ----------
    reading : Reading
    banks : Banks
    accesses : Accesses

    Attributes
    ----------
    reads : IoReads
        With the accesses that a healthy board's map gives.
    """

    def __init__(self, reading: Reading, banks: Banks, accesses: Accesses) -> None:
        board, chips = reading.board, known_sheets(reading)
        self._makes = {
            bit: make
            for bit, ref in enumerate(board.map.chips)
            if (make := sheet_of(board.chip(ref).part, board.chip(ref).size)) and chips >> bit & 1
        }
        self._happenings = _happenings(reading, accesses)
        self._perhaps = {bit: _perhaps_asked(banks, accesses, bit) for bit in self._makes}
        self._memory: dict[bytes, tuple[Bytes, Bytes]] = {}
        self._columns: dict[int, tuple[npt.NDArray[Any], ...]] = {}
        n = len(accesses.address)
        judged = (accesses.address >= 0) & (accesses.bank >= 0)
        address = np.maximum(accesses.address, 0)
        row = banks.rows[np.maximum(accesses.bank, 0), address]
        asked = np.where(judged, banks.responds[row, accesses.read & 1], np.uint32(0))
        asked &= np.uint32(chips)
        expected = np.zeros((len(WAYS), n), dtype=np.uint8)
        known = np.zeros_like(expected)
        for bit in self._makes:
            at = np.flatnonzero(asked >> np.uint32(bit) & 1)
            offset = banks.inner[bit, address[at]] + banks.page[accesses.bank[at], bit]
            told = np.where(accesses.read[at] == 1, READ, WRITE)
            columns = (at, told, offset, accesses.written[at], accesses.written_known[at])
            self._columns[bit] = columns
            for way, (given, bits) in enumerate(self._go_through(bit, WAYS, columns)):
                reads = at[told == READ]
                expected[way, reads], known[way, reads] = given, bits
        self._kept = {bit: self._kept_by(bit, self._columns[bit]) for bit in self._makes}
        self.reads = IoReads(chips, asked, expected, known, _in_order(self._kept.values()))

    def under(
        self,
        taken: npt.NDArray[np.uint16],
        exact: int,
        unasked: int,
        sure: npt.NDArray[np.uint8],
    ) -> IoReads:
        """The columns where some of the chips, those in `exact`, got other accesses. What they
        show of themselves is told of those that may drive `unasked`.

        Parameters
        ----------
        taken : uint16, shape (chips, n)
            What each got in each cycle, as the kernel's `TAKEN` has it.
        exact, unasked : int
        sure : uint8, shape (n,)
            Bits of the byte on the bus that are known.
        """
        expected, known = self.reads.expected.copy(), self.reads.known.copy()
        kept = dict(self._kept)
        for bit in self._makes:
            if not exact >> bit & 1:
                continue
            known[0, self.reads.asked >> np.uint32(bit) & 1 == 1] = 0
            at = np.flatnonzero(taken[bit])[:MOST_AGAIN]
            what = taken[bit, at]
            told = np.where(what & TAKEN_WRITE, WRITE, READ)
            columns = (at, told, what >> TAKEN_OFFSET & 31, what & 0xFF, sure[at])
            key = blake2b(at.tobytes() + what.tobytes() + bytes((bit,))).digest()
            if key not in self._memory:
                self._memory[key] = self._go_through(bit, WAYS[:1], columns)[0]
            reads = at[told == READ]
            expected[0, reads], known[0, reads] = self._memory[key]
            kept[bit] = self._kept_by(bit, columns) if unasked >> bit & 1 else []
        rows = _in_order(kept.values())
        return IoReads(self.reads.chips, self.reads.asked, expected, known, rows)

    def _kept_by(self, chip: int, columns: tuple[npt.NDArray[Any], ...]) -> list[_Kept]:
        """Rows of `IoReads.kept` for a chip that gets these accesses."""
        events = self._events(chip, columns)
        if len(columns[0]) == MOST_AGAIN:
            last = int(columns[0][-1])
            events = [event for event in events if event[0] <= last]
            events.append((last, FORGET, 0, 0, 0))
        changing = [event for event in events if event[1] in (WRITE, RESET, FORGET)]
        found = kept_bytes(self._makes[chip], changing)
        return [(cycle, chip, register, byte, known) for cycle, register, byte, known in found]

    def _go_through(
        self, chip: int, ways: Iterable[str], columns: tuple[npt.NDArray[Any], ...]
    ) -> list[tuple[Bytes, Bytes]]:
        """What each read of a chip must give, and which bits its sheet decides, in several ways."""
        events = self._events(chip, columns)
        found = []
        for way in ways:
            given = np.array(expected_reads(self._makes[chip], way, events), dtype=np.uint8)
            byte, known = given.reshape(-1, 2).T
            found.append((byte, known))
        return found

    def asking(self, chip: int) -> list[tuple[int, int]]:
        """First cycle, and cycle after the last, of each time in which a chip must pull IRQ."""
        events = self._events(chip, self._columns[chip])
        return asking_spans(self._makes[chip], events, len(self.reads.asked))

    def _events(
        self, chip: int, columns: tuple[npt.NDArray[Any], ...]
    ) -> list[tuple[int, int, int, int, int]]:
        """All that happens to a chip, in order."""
        cycle, *told = map(_ints, columns)
        steps = [(at, order, what, 0, 0, 0) for at, order, what in self._happenings]
        steps += [(at, 0, what, 0, 0, 0) for at, what in self._perhaps[chip]]
        steps += zip(cycle, repeat(_ACCESS), *told, strict=False)
        steps.sort()
        return [(at, what, reg, byte, known) for at, _, what, reg, byte, known in steps]


_Kept = tuple[int, int, int, int, int]
"""A row of `IoReads.kept`."""


def _in_order(rows: Iterable[list[_Kept]]) -> npt.NDArray[np.int32]:
    """Rows of several chips as one column each."""
    found = sorted(chain.from_iterable(rows), key=lambda row: row[0])
    return np.array(found, dtype=np.int32).reshape(-1, 5)


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
    reads = missed & (accesses.read == 1)
    anything = missed & ~reads
    for _, end in reading.capture.gaps.tolist():
        at = int(np.searchsorted(cycles.time_ps[:n], end))
        anything[at : at + 1] = True
    for what, so in ((FORGET, anything), (PERHAPS_READ, reads)):
        begins = so & ~np.concatenate([[False], so[:-1]])
        found += [(cycle, 0, what) for cycle in _ints(np.flatnonzero(begins))]
    return found


def _perhaps_asked(banks: Banks, accesses: Accesses, chip: int) -> list[tuple[int, int]]:
    """Cycles in which a chip may be asked, as state bits that are not known will have it, and what
    that does to it.
    """
    open_ = np.flatnonzero((accesses.address >= 0) & (accesses.bank < 0))
    row = banks.rows[:, accesses.address[open_]]
    answers = banks.responds[row, accesses.read[open_] & 1]
    perhaps = open_[(answers >> np.uint32(chip) & 1).any(axis=0)]
    told = np.where(accesses.read[perhaps] == 1, PERHAPS_READ, FORGET)
    return list(zip(_ints(perhaps), _ints(told), strict=True))
