"""Rows of the listing: what was executed, searched for, lost, or not the CPU's."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bustrace.cpu import SequenceKind, Variant
from bustrace.cycles.model import CONTROL_BIT, OWNER_FOREIGN, Cycles
from bustrace.program.boundaries import Boundaries, halted, in_reset
from bustrace.program.model import Kind
from bustrace.program.searched import Searched
from bustrace.program.thread import Thread

_KINDS = {
    SequenceKind.INSTRUCTION: Kind.INSTRUCTION,
    SequenceKind.RESET: Kind.RESET,
    SequenceKind.IRQ: Kind.IRQ,
    SequenceKind.NMI: Kind.NMI,
    SequenceKind.BRK: Kind.BRK,
    SequenceKind.BRK_NMI: Kind.NMI,
}

_JAM_CYCLES = 5
"""Cycles of a jam opcode before the bus rests (recorded chip traces; the sheets do not list it)."""

_STOP_CYCLES = 3
"""Cycles of STP (W65C816S sheet, table 5-7)."""

_RDY = np.uint16(1 << CONTROL_BIT["RDY"])

_LONG_WAIT = 16
"""Cycles of RDY low at the end of a capture that are a row of their own."""

_NARROW_CONFIDENCE = 0.9
"""Of a row that only R/W and data confirm."""


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """Rows that tile all cycles: columns as in `Program`."""

    first_cycle: npt.NDArray[np.int64]
    kind: npt.NDArray[np.uint8]
    opcode: npt.NDArray[np.int16]
    pc: npt.NDArray[np.int32]
    confidence: npt.NDArray[np.float32]
    registers: npt.NDArray[np.uint8]
    known: npt.NDArray[np.uint8]
    searched: npt.NDArray[np.bool_]

    def ordered(self, chosen: npt.NDArray[np.int64]) -> Rows:
        """Some of the rows, in another order."""
        return Rows(*(getattr(self, name)[chosen] for name in self.__dataclass_fields__))


def rows_executed(thread: Thread) -> Rows:
    """Rows of what was followed by executing it."""
    rows = thread.rows
    if not rows.cycle:
        return Rows(
            np.zeros(0, np.int64),
            np.zeros(0, np.uint8),
            np.zeros(0, np.int16),
            np.zeros(0, np.int32),
            np.zeros(0, np.float32),
            np.zeros((0, 5), np.uint8),
            np.zeros((0, 5), np.uint8),
            np.zeros(0, np.bool_),
        )
    first = np.concatenate(rows.cycle)
    table = np.zeros(max(_KINDS) + 1, np.uint8)
    table[list(_KINDS)] = list(_KINDS.values())
    sequence = np.concatenate(rows.kind)
    kind = table[sequence]
    opcode = np.concatenate(rows.opcode).astype(np.int16)
    opcode[
        (kind == Kind.RESET) | (sequence == SequenceKind.IRQ) | (sequence == SequenceKind.NMI)
    ] = -1
    pc_known = np.concatenate(rows.pc_known)
    pc = (np.concatenate(rows.pc) & (pc_known | np.uint16(thread.pins))).astype(np.int32)
    pc[(pc_known & thread.pins != thread.pins) | (kind == Kind.RESET)] = -1
    lines = thread.captured[first]
    wide = (np.bitwise_count(lines & 0xFFFF) >= 8) | (lines >> 25 & 1 == 1) | thread.low[first]
    return Rows(
        first_cycle=first,
        kind=kind,
        opcode=opcode,
        pc=pc,
        confidence=np.where(wide, np.float32(1), np.float32(_NARROW_CONFIDENCE)),
        registers=np.concatenate(rows.registers),
        known=np.concatenate(rows.known),
        searched=np.zeros(len(first), np.bool_),
    )


def merged(executed: Rows, rest: Boundaries, done: npt.NDArray[np.bool_]) -> Rows:
    """Executed rows where the program was followed, the others elsewhere."""
    # A stretch that was not followed begins inside one of the other rows.
    breaks = np.flatnonzero(np.diff(done.astype(np.int8), prepend=1) == -1)
    begins = np.union1d(rest.first_cycle[~done[rest.first_cycle]], breaks)
    source = np.searchsorted(rest.first_cycle, begins, side="right") - 1
    whole = rest.first_cycle[source] == begins
    other = Rows(
        first_cycle=begins,
        kind=np.where(
            whole | (rest.kind[source] != Kind.INSTRUCTION), rest.kind[source], Kind.LOST
        ).astype(np.uint8),
        opcode=np.where(whole, rest.opcode[source], -1).astype(np.int16),
        pc=np.where(whole, rest.pc[source], -1).astype(np.int32),
        confidence=np.where(whole, rest.confidence[source], 0).astype(np.float32),
        registers=np.zeros((len(begins), 5), np.uint8),
        known=np.zeros((len(begins), 5), np.uint8),
        searched=np.zeros(len(begins), np.bool_),
    )
    both = Rows(
        *(
            np.concatenate([getattr(executed, name), getattr(other, name)])
            for name in Rows.__dataclass_fields__
        )
    )
    return both.ordered(np.argsort(both.first_cycle, kind="stable"))


def with_searched(rows: Rows, searched: Searched, n: int) -> Rows:
    """Rows of the search instead of lost ones, where one of them lies wholly in lost cycles."""
    lengths = np.diff(rows.first_cycle, append=n)
    lost = np.append(0, np.cumsum(np.repeat(rows.kind == Kind.LOST, lengths)))
    begins = searched.first_cycle
    stops = np.append(begins[1:], n)
    inside = (lost[stops] - lost[begins] == stops - begins) & (searched.kind != Kind.LOST)
    if not inside.any():
        return rows
    spans = np.diff(np.append(begins, n))
    taken = np.append(np.zeros(begins[0], np.bool_), np.repeat(inside, spans))
    keep = ~taken[rows.first_cycle]
    # What is left of a lost row after one that was found.
    after = stops[inside][stops[inside] < n]
    after = after[~taken[after] & ~np.isin(after, rows.first_cycle[keep])]
    count = len(after)
    parts = {
        "first_cycle": (after, begins[inside]),
        "kind": (np.full(count, Kind.LOST, np.uint8), searched.kind[inside]),
        "opcode": (np.full(count, -1, np.int16), searched.opcode[inside]),
        "pc": (np.full(count, -1, np.int32), searched.pc[inside]),
        "confidence": (np.zeros(count, np.float32), searched.confidence[inside]),
        "registers": (np.zeros((count, 5), np.uint8), searched.registers[inside]),
        "known": (np.zeros((count, 5), np.uint8), searched.known[inside]),
        "searched": (np.zeros(count, np.bool_), np.ones(int(inside.sum()), np.bool_)),
    }
    both = Rows(*(np.concatenate([getattr(rows, name)[keep], *parts[name]]) for name in parts))
    return both.ordered(np.argsort(both.first_cycle, kind="stable"))


def alternatives(rows: Rows, searched: Searched | str | None) -> tuple[tuple[int, int], ...]:
    """Twins of rows that the search gave, by row."""
    if not isinstance(searched, Searched):
        return ()
    at = {int(rows.first_cycle[row]): row for row in np.flatnonzero(rows.searched).tolist()}
    return tuple((at[cycle], opcode) for cycle, opcode in searched.twins if cycle in at)


def reset_and_lost(cycles: Cycles) -> Boundaries:
    """Rows when nothing marks instructions: reset where RES is low, lost elsewhere."""
    low = in_reset(cycles)
    foreign = cycles.owner == OWNER_FOREIGN
    state = low.astype(np.int8) + 2 * foreign.astype(np.int8)
    first = np.flatnonzero(np.diff(state, prepend=-1)).astype(np.int64)
    kind = np.full(len(first), Kind.LOST, np.uint8)
    kind[low[first]] = Kind.RESET
    kind[foreign[first]] = Kind.FOREIGN
    return Boundaries(
        first_cycle=first,
        kind=kind,
        opcode=np.full(len(first), -1, np.int16),
        pc=np.full(len(first), -1, np.int32),
        confidence=(kind != Kind.LOST).astype(np.float32),
    )


def resets_from_low(rows: Rows, low: npt.NDArray[np.bool_]) -> Rows:
    """Let a reset row begin where RES went low: the CPU takes two cycles to obey."""
    first = rows.first_cycle.copy()
    edges = np.flatnonzero(np.append(low[:1], low[1:] & ~low[:-1]))
    moved = False
    for row in np.flatnonzero(rows.kind == Kind.RESET).tolist():
        at = int(np.searchsorted(edges, first[row], side="right")) - 1
        if at >= 0 and 0 < first[row] - edges[at] <= 3:
            first[row] = edges[at]
            moved = True
    if not moved:
        return rows
    # What began after RES went low, and before the CPU obeyed, is part of the reset.
    keep = np.append(first[:-1] < np.minimum.accumulate(first[::-1])[::-1][1:], True)
    others = (getattr(rows, name) for name in list(Rows.__dataclass_fields__)[1:])
    moved_rows = Rows(first, *others)
    return moved_rows if keep.all() else moved_rows.ordered(np.flatnonzero(keep))


def _split(
    rows: Rows, chosen: npt.NDArray[np.int64], after: npt.NDArray[np.int64], kind: Kind, part: int
) -> Rows:
    """Cut rows in two, `after` cycles from their start; part 0 or 1 becomes `kind`, nameless."""
    order = np.sort(np.concatenate([np.arange(len(rows.first_cycle)), chosen]))
    split = rows.ordered(order)
    second = np.flatnonzero(np.diff(order, prepend=-1) == 0)
    split.first_cycle[second] += after
    nameless = second if part else second - 1
    split.kind[nameless] = kind
    split.opcode[nameless] = -1
    split.pc[nameless] = -1
    return split


def foreign_apart(rows: Rows, foreign: npt.NDArray[np.bool_]) -> Rows:
    """Split off cycles that another bus owner had before an instruction was fetched."""
    if not foreign.any():
        return rows
    ends = np.append(rows.first_cycle[1:], len(foreign))
    own = np.append(np.flatnonzero(~foreign), len(foreign))
    back = own[np.searchsorted(own, rows.first_cycle)]
    named = (rows.kind == Kind.INSTRUCTION) | (rows.kind == Kind.LOST)
    rows.kind[named & (back >= ends)] = Kind.FOREIGN
    chosen = np.flatnonzero(named & (back > rows.first_cycle) & (back < ends))
    return _split(rows, chosen, (back - rows.first_cycle)[chosen], Kind.FOREIGN, 0)


def waiting_apart(rows: Rows, cycles: Cycles, part: Variant) -> Rows:
    """Split off a wait that lasts until the end of the capture as `Kind.STALLED`.

    A CPU that waits for an interrupt pulls RDY low itself (W65C02S sheet): that is no stall.
    """
    n = len(cycles)
    end = slice(max(n - _LONG_WAIT, 0), n)
    if (cycles.control[end] & _RDY | ~cycles.control_known[end] & _RDY).any():
        return rows
    free = np.flatnonzero(~(halted(cycles, part) & (cycles.pin("RDY") == 0)))
    begin = int(free[-1]) + 1 if len(free) else 0
    if n - begin < _LONG_WAIT:
        return rows
    row = int(np.searchsorted(rows.first_cycle, begin, side="right")) - 1
    if rows.opcode[row] in part.opcodes_of("WAI"):
        return rows
    rows = rows.ordered(np.arange(row + 1))
    after = begin - int(rows.first_cycle[row])
    if after:
        return _split(rows, np.array([row]), np.array([after]), Kind.STALLED, 1)
    rows.kind[row], rows.opcode[row], rows.pc[row] = Kind.STALLED, -1, -1
    return rows


def stopped_apart(rows: Rows, n: int, part: Variant) -> Rows:
    """Split off what follows an instruction that is meant to stop the CPU as `Kind.STALLED`."""
    stops = _named(rows, part, "STP")
    held = stops[_lengths(rows, stops, n) > _STOP_CYCLES]
    if not len(held):
        return rows
    return _split(rows, held, np.full(len(held), _STOP_CYCLES), Kind.STALLED, 1)


def _named(rows: Rows, part: Variant, mnemonic: str) -> npt.NDArray[np.int64]:
    """Rows that are instructions of that name, and were executed."""
    codes = part.opcodes_of(mnemonic)
    if not codes:
        return np.zeros(0, np.int64)
    ours = np.zeros(257, np.bool_)  # the last one is for opcode -1
    ours[list(codes)] = True
    named = np.flatnonzero(ours[rows.opcode])
    executed = (rows.kind[named] == Kind.INSTRUCTION) & ~rows.searched[named]
    found: npt.NDArray[np.int64] = named[executed]
    return found


def _lengths(rows: Rows, chosen: npt.NDArray[np.int64], n: int) -> npt.NDArray[np.int64]:
    """Cycles of some of the rows that tile `n` cycles."""
    last = chosen + 1 == len(rows.first_cycle)
    ends = np.where(last, n, rows.first_cycle[np.where(last, 0, chosen + 1)])
    lengths: npt.NDArray[np.int64] = ends - rows.first_cycle[chosen]
    return lengths


def jammed_apart(rows: Rows, n: int, part: Variant) -> tuple[Rows, int | None]:
    """Split off what follows a jam opcode as `Kind.STALLED`."""
    jams = _named(rows, part, "JAM")
    last = len(rows.first_cycle) - 1
    jam_at = int(rows.first_cycle[last]) if len(jams) and jams[-1] == last else None
    held = jams[_lengths(rows, jams, n) > _JAM_CYCLES]
    if not len(held):
        return rows, jam_at
    return _split(rows, held, np.full(len(held), _JAM_CYCLES), Kind.STALLED, 1), jam_at
