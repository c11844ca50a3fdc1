"""From cycles to instructions."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt

from bustrace.capture.model import Note
from bustrace.cpu import SequenceKind, Variant, die_of, variant_named
from bustrace.cycles.model import CONTROL_BIT, OWNER_FOREIGN, Cycles
from bustrace.program.boundaries import (
    Boundaries,
    does_not_wait,
    halted,
    in_reset,
    sync_boundaries,
    sync_usable,
)
from bustrace.program.departures import with_departure
from bustrace.program.follow import Followed, follow, follow_on
from bustrace.program.model import Intent, Kind, Program, ReadCorrection
from bustrace.program.searched import Searched, search_cycles
from bustrace.program.slipped import (
    beginning,
    contradicted_data,
    resting_data,
    turned_over,
    without_clips,
)
from bustrace.program.thread import Thread

if TYPE_CHECKING:
    from bustrace.board import Board

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

_PASSES = 8
"""Times a capture with a data clip off is followed again, each time further."""

_FURTHER = 24
"""Cycles that going another way must win: without a resting line, or from another beginning."""

_FIRST_CYCLES, _FOLLOWED = 1024, 0.75
"""Cycles over which a data line is tried upside down, and the share of them that must be followed
so, and is not otherwise."""

_PER_INSTRUCTION = 8
"""Cycles of an instruction, more than any program needs on average: a CPU that stands in one read
follows from anything."""

_NARROW_CONFIDENCE = 0.9
"""Of a row that only R/W and data confirm."""


@dataclass(frozen=True, slots=True, eq=False)
class _Rows:
    """Rows that tile all cycles: columns as in `Program`."""

    first_cycle: npt.NDArray[np.int64]
    kind: npt.NDArray[np.uint8]
    opcode: npt.NDArray[np.int16]
    pc: npt.NDArray[np.int32]
    confidence: npt.NDArray[np.float32]
    registers: npt.NDArray[np.uint8]
    known: npt.NDArray[np.uint8]
    searched: npt.NDArray[np.bool_]

    def ordered(self, chosen: npt.NDArray[np.int64]) -> _Rows:
        """Some of the rows, in another order."""
        return _Rows(*(getattr(self, name)[chosen] for name in self.__dataclass_fields__))


@dataclass(frozen=True, slots=True)
class _ClipsOff:
    """Data lines that were not followed as they show, and what there is to say of them."""

    lines: tuple[str, ...] = ()
    notes: tuple[Note, ...] = ()


_ALL_ON = _ClipsOff()


def recover_program(cycles: Cycles, board: Board | None = None) -> Program:
    """Find the instructions that the cycles were.

    The program is entered at a reset (or, failing that, a vector fetch, a fetch whose address is
    on the bus, or the start that explains the writes) and followed by executing what was read.
    Where it cannot be followed, SYNC alone gives the rows, or the search for the likeliest ones, or
    they are lost.

    Parameters
    ----------
    cycles : Cycles
    board : Board or None
        Names the CPU; a 6502 otherwise.

    Returns
    -------
    Program
        Total: with no instruction to be found, method ``none`` and a reason.
    """
    part = variant_named(board.cpu.variant if board is not None else "6502")
    variant = die_of(part.name)
    cycles = _without_low_ready(cycles)
    by_sync = sync_usable(cycles)
    thread = Thread(cycles, part.address_mask)
    whole = len(cycles) > 0 and bool((np.bitwise_and.reduce(cycles.data_known)) == 0xFF)
    followed = follow(thread, variant) if whole else Followed((), (), None, (), 0)
    if whole:
        thread, followed = _with_irq_clip_off(cycles, variant, thread, followed)
    clips_off = _ALL_ON
    if whole and board is not None and (followed.lost or followed.began is None):
        thread, followed, clips_off = _with_clips_off(cycles, board, thread, followed)
    departure = None
    if whole:
        thread, followed, departure = with_departure(cycles, board, part, variant, thread, followed)
    searched: Searched | str | None = None
    if len(cycles) and not by_sync and not thread.done.all() and not thread.low.all():
        left = np.flatnonzero(~thread.done)
        searched = search_cycles(cycles, part, variant, int(left[0]), int(left[-1]) + 1)
        if isinstance(searched, Searched) and whole:
            followed = follow_on(thread, variant, followed, searched)
            thread, followed = _entered_sooner(cycles, variant, thread, followed, searched)
    rows = _executed(thread)
    if not thread.done.all() or not len(cycles):
        rest = sync_boundaries(cycles, part) if by_sync else _reset_and_lost(cycles)
        rows = _merged(rows, rest, thread.done)
        if isinstance(searched, Searched):
            rows = _with_searched(rows, searched, len(cycles))
    rows = _resets_from_low(rows, thread.low)
    rows = _foreign(rows, cycles.owner == OWNER_FOREIGN)
    rows = _stopped(rows, len(cycles), part)
    rows = _waiting(rows, cycles, part)
    rows, jam_at = _jammed(rows, len(cycles), part)
    method, reason = _method(cycles, followed, thread.low, by_sync, whole)
    if isinstance(searched, Searched) and method == "none":
        method, reason = (
            "search",
            f"{reason}; what the listing shows is the likeliest, not executed",
        )
    elif isinstance(searched, str) and method == "none":
        reason = f"{reason}; {searched}"
    lost_at = (
        followed.lost[-1][0] if followed.lost and followed.lost[-1][1] == len(cycles) else None
    )
    return Program(
        first_cycle=rows.first_cycle,
        length=np.diff(rows.first_cycle, append=len(cycles)).astype(np.int32),
        kind=rows.kind,
        opcode=rows.opcode,
        pc=rows.pc,
        confidence=rows.confidence,
        registers=rows.registers,
        registers_known=rows.known,
        intent=_intent(thread),
        method=method,
        reason=reason,
        lost_at=lost_at,
        jam_at=jam_at,
        alternatives=_alternatives(rows, searched),
        searched=rows.searched,
        notes=_notes(followed)
        + clips_off.notes
        + (searched.notes if isinstance(searched, Searched) else ()),
        lines_aside=followed.aside,
        clips_off=clips_off.lines,
        read_corrections=_read_corrections(followed, cycles),
        departure=departure,
    )


def _entered_sooner(
    cycles: Cycles, variant: str, thread: Thread, followed: Followed, searched: Searched
) -> tuple[Thread, Followed]:
    """Follow from where the search is certain, where that is before the program was entered and
    goes further.
    """
    if followed.began is None or followed.began < _FURTHER:
        return thread, followed
    trial = Thread(cycles, thread.pins)
    nowhere = Followed((), (), None, (), 0)
    trial_followed = follow_on(trial, variant, nowhere, searched)
    if int(trial.done.sum()) < int(thread.done.sum()) + _FURTHER:
        return thread, followed
    return trial, trial_followed


def _with_searched(rows: _Rows, searched: Searched, n: int) -> _Rows:
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
    both = _Rows(*(np.concatenate([getattr(rows, name)[keep], *parts[name]]) for name in parts))
    return both.ordered(np.argsort(both.first_cycle, kind="stable"))


def _alternatives(rows: _Rows, searched: Searched | str | None) -> tuple[tuple[int, int], ...]:
    """Twins of rows that the search gave, by row."""
    if not isinstance(searched, Searched):
        return ()
    at = {int(rows.first_cycle[row]): row for row in np.flatnonzero(rows.searched).tolist()}
    return tuple((at[cycle], opcode) for cycle, opcode in searched.twins if cycle in at)


def _with_clips_off(
    cycles: Cycles, board: Board, thread: Thread, followed: Followed
) -> tuple[Thread, Followed, _ClipsOff]:
    """Follow without the data lines that never move, or that the ROM image contradicts, where that
    goes further.

    What the program wrote fills reads of RAM, so each pass can go further than the one before.
    """
    for bits in (resting_data(cycles), contradicted_data(cycles, board)):
        if bits:
            found = _without(cycles, board, bits, thread, followed)
            if found[2].lines:
                return found
    return _turned_over(cycles, board, thread, followed)


def _turned_over(
    cycles: Cycles, board: Board, thread: Thread, followed: Followed
) -> tuple[Thread, Followed, _ClipsOff]:
    """Follow with one data line upside down, where the first cycles go on much further so: the
    adapter or the channel of its clip inverts.
    """
    variant, reach = die_of(board.cpu.variant), min(len(cycles), _FIRST_CYCLES)
    if int(thread.done[:reach].sum()) >= _FOLLOWED * reach:
        return thread, followed, _ALL_ON
    begin = beginning(cycles, reach)
    went = []
    for bit in range(8):
        trial = Thread(turned_over(begin, bit), thread.pins)
        follow(trial, variant)
        instructions = len(trial.rows.before(reach, reach))
        went.append(int(trial.done.sum()) if instructions * _PER_INSTRUCTION > reach else 0)
    best = int(np.argmax(went))
    if went[best] < _FOLLOWED * reach:
        return thread, followed, _ALL_ON
    trial = Thread(turned_over(cycles, best), thread.pins)
    how = "shows the other level at the clip than the program ran on: it is taken upside down"
    return trial, follow(trial, variant), _off(1 << best, how)


def _without(
    cycles: Cycles, board: Board, bits: int, thread: Thread, followed: Followed
) -> tuple[Thread, Followed, _ClipsOff]:
    """Follow without some data lines, where that goes further."""
    best, went = None, int(thread.done.sum())
    written, written_known = None, None
    for _ in range(_PASSES):
        trial = Thread(without_clips(cycles, board, bits, written, written_known), thread.pins)
        trial_followed = follow(trial, die_of(board.cpu.variant))
        done = int(trial.done.sum())
        if done < went + _FURTHER:
            break
        best, went = (trial, trial_followed), done
        if not trial_followed.lost:
            break
        intent = _intent(trial)
        written, written_known = intent.data, intent.data_known
    if best is None:
        return thread, followed, _ALL_ON
    how = (
        "does not show at the clip what the program ran on: its level in reads is taken from the "
        "ROM image and from what was written"
    )
    return *best, _off(bits, how)


def _off(bits: int, how: str) -> _ClipsOff:
    lines = tuple(f"D{bit}" for bit in range(8) if bits >> bit & 1)
    return _ClipsOff(lines, tuple(Note("doubt", f"{line} {how}") for line in lines))


def _without_low_ready(cycles: Cycles) -> Cycles:
    """The cycles without an RDY that is always low, where the CPU goes on against it: its clip is
    off. Taken for true it would have the CPU wait in its first read for ever.
    """
    level = cycles.pin("RDY")
    if (level == 1).any() or not does_not_wait(cycles):
        return cycles
    return replace(cycles, control_known=cycles.control_known & ~_RDY)


def _with_irq_clip_off(
    cycles: Cycles, variant: str, thread: Thread, followed: Followed
) -> tuple[Thread, Followed]:
    """Follow without an IRQ that is always low, where the CPU's path is then plainer.

    A CPU that runs on with interrupts enabled does not see that level: the clip is off. To make
    the enabling instruction a misread byte would explain it, too, but only by an accident.
    """
    repaired = any(p.column in ("reads", "irq") for r in followed.repairs for p in r.patches)
    if not (repaired or followed.lost):
        return thread, followed
    level = cycles.pin("IRQ")
    if (level == 1).any() or not (level == 0).any():
        return thread, followed
    unknown = np.uint16(~(1 << CONTROL_BIT["IRQ"]) & 0xFFFF)
    trial = Thread(replace(cycles, control_known=cycles.control_known & unknown), thread.pins)
    trial_followed = follow(trial, variant)
    misread = [len(f.misread) for f in (trial_followed, followed)]
    further = int(trial.done.sum()) - int(thread.done.sum())
    if further >= _FURTHER or (further >= 0 and misread[0] < misread[1]):
        return trial, trial_followed
    return thread, followed


def _reset_and_lost(cycles: Cycles) -> Boundaries:
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


def _merged(executed: _Rows, rest: Boundaries, done: npt.NDArray[np.bool_]) -> _Rows:
    """Executed rows where the program was followed, the others elsewhere."""
    # A stretch that was not followed begins inside one of the other rows.
    breaks = np.flatnonzero(np.diff(done.astype(np.int8), prepend=1) == -1)
    begins = np.union1d(rest.first_cycle[~done[rest.first_cycle]], breaks)
    source = np.searchsorted(rest.first_cycle, begins, side="right") - 1
    whole = rest.first_cycle[source] == begins
    other = _Rows(
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
    both = _Rows(
        *(
            np.concatenate([getattr(executed, name), getattr(other, name)])
            for name in _Rows.__dataclass_fields__
        )
    )
    return both.ordered(np.argsort(both.first_cycle, kind="stable"))


def _executed(thread: Thread) -> _Rows:
    rows = thread.rows
    if not rows.cycle:
        return _Rows(
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
    return _Rows(
        first_cycle=first,
        kind=kind,
        opcode=opcode,
        pc=pc,
        confidence=np.where(wide, np.float32(1), np.float32(_NARROW_CONFIDENCE)),
        registers=np.concatenate(rows.registers),
        known=np.concatenate(rows.known),
        searched=np.zeros(len(first), np.bool_),
    )


def _resets_from_low(rows: _Rows, low: npt.NDArray[np.bool_]) -> _Rows:
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
    others = (getattr(rows, name) for name in list(_Rows.__dataclass_fields__)[1:])
    moved_rows = _Rows(first, *others)
    return moved_rows if keep.all() else moved_rows.ordered(np.flatnonzero(keep))


def _split(
    rows: _Rows, chosen: npt.NDArray[np.int64], after: npt.NDArray[np.int64], kind: Kind, part: int
) -> _Rows:
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


def _foreign(rows: _Rows, foreign: npt.NDArray[np.bool_]) -> _Rows:
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


def _waiting(rows: _Rows, cycles: Cycles, part: Variant) -> _Rows:
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


def _stopped(rows: _Rows, n: int, part: Variant) -> _Rows:
    """Split off what follows an instruction that is meant to stop the CPU as `Kind.STALLED`."""
    stops = _named(rows, part, "STP")
    held = stops[_lengths(rows, stops, n) > _STOP_CYCLES]
    if not len(held):
        return rows
    return _split(rows, held, np.full(len(held), _STOP_CYCLES), Kind.STALLED, 1)


def _named(rows: _Rows, part: Variant, mnemonic: str) -> npt.NDArray[np.int64]:
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


def _lengths(rows: _Rows, chosen: npt.NDArray[np.int64], n: int) -> npt.NDArray[np.int64]:
    """Cycles of some of the rows that tile `n` cycles."""
    last = chosen + 1 == len(rows.first_cycle)
    ends = np.where(last, n, rows.first_cycle[np.where(last, 0, chosen + 1)])
    lengths: npt.NDArray[np.int64] = ends - rows.first_cycle[chosen]
    return lengths


def _jammed(rows: _Rows, n: int, part: Variant) -> tuple[_Rows, int | None]:
    """Split off what follows a jam opcode as `Kind.STALLED`."""
    jams = _named(rows, part, "JAM")
    last = len(rows.first_cycle) - 1
    jam_at = int(rows.first_cycle[last]) if len(jams) and jams[-1] == last else None
    held = jams[_lengths(rows, jams, n) > _JAM_CYCLES]
    if not len(held):
        return rows, jam_at
    return _split(rows, held, np.full(len(held), _JAM_CYCLES), Kind.STALLED, 1), jam_at


def _intent(thread: Thread) -> Intent:
    certain = thread.certain * ~thread.low
    levels = thread.meant & certain
    if int(np.bitwise_or.reduce(thread.meant, initial=0)) >> 26 & 1:
        # Without any certain line nothing was executed; every access to the port has one.
        levels |= thread.meant & ((certain != 0).astype(np.uint32) << np.uint32(26))
    return Intent(levels=levels, certain=certain)


def _method(
    cycles: Cycles,
    followed: Followed,
    low: npt.NDArray[np.bool_],
    by_sync: bool,
    whole: bool,
) -> tuple[Literal["sync", "follow", "search", "none"], str | None]:
    """How the boundaries were found, and why not better."""
    if len(cycles) and low.all():
        return "none", "RES is low in every cycle: no instruction ran"
    reason = followed.lost[-1][2] if followed.lost else None
    bits = resting_data(cycles) if reason is not None else 0
    resting = [f"D{bit}" for bit in range(8) if bits >> bit & 1]
    if reason is not None and resting:
        reason += f"; {' '.join(resting)} never moved: with a clip off, the reads are not true"
    if by_sync:
        if not whole:
            reason = "not all data lines were captured: rows from SYNC, no addresses or registers"
        return "sync", reason
    if followed.began is not None:
        return "follow", reason
    if not len(cycles):
        return "none", cycles.reason or "there are no cycles"
    if not whole:
        return "none", "neither SYNC nor all eight data lines were captured"
    if (cycles.pin("RW") == 2).all() and not cycles.address_known.any():
        return (
            "none",
            "neither SYNC, addresses nor R/W were captured: nothing tells what was obeyed",
        )
    return "none", "no reset in view and no SYNC, and nothing else showed where to begin"


def _notes(followed: Followed) -> tuple[Note, ...]:
    notes = [
        Note(
            "doubt", f"{line} is often not what the CPU meant; the program was followed without it"
        )
        for line in followed.aside
    ]
    columns = ["irq"] * followed.unseen
    columns += [patch.column for repair in followed.repairs for patch in repair.patches]
    said = {
        "irq": "interrupts were taken that the captured lines do not show",
        "nmi": "interrupts were taken that the captured lines do not show",
        "rdy": "waits were taken that the captured lines do not show",
        "res": "RES pulses were seen that the CPU did not take",
        "reads": "reads of which the CPU must have seen one bit otherwise than the clip",
    }
    counted: dict[str, int] = {}
    for column in columns:
        counted[said[column]] = counted.get(said[column], 0) + 1
    notes += [Note("guess", f"{text}: {count}") for text, count in counted.items()]
    lost = [span for span in followed.lost if span[1] > span[0]]
    if len(lost) > 1:
        notes.append(Note("doubt", f"the thread was lost {len(lost)} times"))
    return tuple(notes)


def _read_corrections(followed: Followed, cycles: Cycles) -> tuple[ReadCorrection, ...]:
    return tuple(
        ReadCorrection(cycle, int(cycles.data[cycle]), value)
        for patch in followed.misread
        for cycle, value in zip(patch.cycles, patch.values, strict=True)
    )
