"""The boot as phases in words: what each stretch of the program did to memory and I/O."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt

from bustrace.cpu import variant_named
from bustrace.cycles import Cycles
from bustrace.program.accesses import MODIFY, READ, WRITE, Accesses, accesses_of, reads_of
from bustrace.program.answering import Answering, answering
from bustrace.program.habits import fetched_from
from bustrace.program.handlers import RTI, interrupt_spans
from bustrace.program.loops import Loop, find_loops, main_rows
from bustrace.program.model import Kind, Program
from bustrace.program.waits import bit_words, wait_in
from bustrace.program.walks import Walk, walks_of
from bustrace.units import count_words, format_time, numbered_runs

if TYPE_CHECKING:
    from bustrace.board import Board

PhaseKind = Literal[
    "reset", "runs", "walks", "loop", "waits", "delays", "main loop", "storm", "wild", "stopped",
    "lost",
]  # fmt: skip

FEW = 12
"""Instructions of a straight stretch that only leads into the loop behind it."""

LONG = 100
"""Instructions of a straight stretch of which what it sets up is not the whole story."""

SHORT = 64
"""Instructions of a loop that is worth no line of its own, unless it walks through memory."""

MANY_TURNS = 16
"""Turns of a loop that is worth a line of its own, however short; and of a main loop."""

STORM = 8
"""Interrupts one directly behind the other that are a storm: fewer may wait for each other."""

_COUNTING = frozenset({"INX", "DEX", "INY", "DEY", "INC", "DEC", "NOP", "ADC", "SBC", "SEC", "CLC"})
_DECIDING = frozenset({"BNE", "BEQ", "BPL", "BMI", "BCC", "BCS", "BVC", "BVS"})
_SUMMING = frozenset({"ADC", "EOR"})
_COMPARING = frozenset({"CMP", "CPX", "CPY", "EOR", "SBC"})

Rows = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Phase:
    """A stretch of the boot.

    Attributes
    ----------
    kind : PhaseKind
    first, last : int
        Cycles, both included.
    text : str
        What happened, as far as the accesses show it: ``clears $0000-$00FF``.
    turns : int
        Of a loop; else 1.
    interrupts : int
        IRQ and NMI taken meanwhile.
    breaks : int
        BRK executed meanwhile.
    pc : tuple of (int, int) or None
        Lowest and highest address of its instructions.
    """

    kind: PhaseKind
    first: int
    last: int
    text: str
    turns: int = 1
    interrupts: int = 0
    breaks: int = 0
    pc: tuple[int, int] | None = None


@dataclass(frozen=True, slots=True, eq=False)
class _Thread:
    """The main program and what is needed to tell its story.

    `astray` and `wild` have one row a row of the program: it has left its path; it has fetched
    code where there is none. Both last until the next reset.
    """

    program: Program
    cycles: Cycles
    board: Board
    rows: Rows
    names: tuple[str, ...]
    accesses: Accesses
    answers: Answering
    reads: npt.NDArray[np.uint8]
    astray: npt.NDArray[np.bool_]
    wild: npt.NDArray[np.bool_]

    def opcode_names(self, rows: Rows) -> set[str]:
        return {self.names[op] for op in np.unique(self.program.opcode[rows]).tolist() if op >= 0}

    def cycles_of(self, first: int, end: int) -> tuple[int, int]:
        """First and last cycle of ``rows[first:end]``."""
        last = self.rows[end - 1]
        program = self.program
        end_cycle = int(program.first_cycle[last] + program.length[last]) - 1
        return int(program.first_cycle[self.rows[first]]), end_cycle

    def pcs(self, first: int, end: int) -> tuple[int, int] | None:
        pc = self.program.pc[self.rows[first:end]]
        return (int(pc.min()), int(pc.max())) if len(pc) and (pc >= 0).all() else None


def phases_of(
    program: Program, cycles: Cycles, board: Board, derail: int | None = None
) -> tuple[Phase, ...]:
    """The story of a recovered program.

    Parameters
    ----------
    program : Program
    cycles : Cycles
        The cycles it was recovered from.
    board : Board
    derail : int or None
        Cycle in which the program leaves its path, where that is known: a phase begins there, and
        no loop behind it is the main loop.

    Returns
    -------
    tuple of Phase
        In order of time, without overlap. Handlers of interrupts are counted with the phase that
        they interrupt. What was not followed is told as such.
    """
    if not len(program):
        return ()
    rows = main_rows(program)
    variant = board.cpu.variant
    accesses = accesses_of(program, cycles, variant, rows)
    asked = accesses.address >= 0
    answers = answering(
        cycles,
        program.intent,
        board,
        accesses.cycle,
        np.where(asked, accesses.address, 0).astype(np.uint32),
        (accesses.way == READ).astype(np.uint8),
    )
    names = tuple(op.mnemonic for op in variant_named(variant).opcodes())
    thread = _Thread(
        program, cycles, board, rows, names, accesses, answers, reads_of(program, cycles),
        _until_reset(program, _behind(program, derail)),
        _until_reset(program, _no_code(program, cycles, board)),
    )  # fmt: skip
    storms = _storms(program)
    found = [*_others(thread), *(_storm(thread, *storm) for storm in storms)]
    for first, end in _threads(thread, [first for first, *_ in storms]):
        found += _stretch(thread, first, end)
    found.sort(key=lambda phase: phase.first)
    return tuple(_with_interrupts(program, found))


def _behind(program: Program, cycle: int | None) -> Rows:
    """The first row that begins behind a cycle."""
    if cycle is None:
        return np.zeros(0, dtype=np.int64)
    return np.flatnonzero(program.first_cycle > cycle)[:1]


def _no_code(program: Program, cycles: Cycles, board: Board) -> Rows:
    """Instructions fetched from I/O, or from where nobody answers."""
    told = fetched_from(program, cycles, board)
    return told.rows[np.isin(told.place, ("nobody", "io", "other"))]


def _until_reset(program: Program, marks: Rows) -> npt.NDArray[np.bool_]:
    """Rows from a mark to the next reset."""
    number = np.arange(len(program))
    marked = np.zeros(len(program), dtype=np.bool_)
    marked[marks] = True
    last_mark = np.maximum.accumulate(np.where(marked, number, -1))
    last_reset = np.maximum.accumulate(np.where(program.kind == Kind.RESET, number, -1))
    return np.asarray((last_mark >= 0) & (last_mark > last_reset), dtype=np.bool_)


def _storms(program: Program) -> list[tuple[int, int, int]]:
    """Interrupts directly behind each other: row of the first, row after the last, how many."""
    taken = np.flatnonzero(np.isin(program.kind, (Kind.IRQ, Kind.NMI)))
    before = np.maximum(taken - 1, 0)
    behind = (program.kind[before] == Kind.INSTRUCTION) & (program.opcode[before] == RTI)
    begins, ends, _ = interrupt_spans(program)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], behind, [0]])))
    storms = []
    for first, end in edges.reshape(-1, 2).tolist():
        # The one before the first RTI is of the storm too.
        start = max(first - 1, 0)
        if end - start >= STORM:
            over = int(ends[np.searchsorted(begins, taken[end - 1])])
            storms.append((int(taken[start]), over, end - start))
    return storms


def _storm(thread: _Thread, first: int, end: int, count: int) -> Phase:
    program = thread.program
    start = int(program.first_cycle[first])
    last = int(program.first_cycle[end - 1] + program.length[end - 1]) - 1
    lines = numbered_runs(sorted({Kind(kind).name for kind in program.kind[first:end].tolist()
                                  if kind in (Kind.IRQ, Kind.NMI)}))  # fmt: skip
    text = f"{count:,} interrupts ({lines}) back to back: the main program stands still"
    return Phase("storm", start, last, text, turns=count)


def _threads(thread: _Thread, storms: Sequence[int]) -> Iterator[tuple[int, int]]:
    """Stretches of the main program without a break: places in its rows.

    Resets, storms and what was lost break it, and so does where it leaves its path.
    """
    program, rows = thread.program, thread.rows
    stops = np.flatnonzero(np.isin(program.kind, (Kind.RESET, Kind.LOST, Kind.STALLED)))
    leaves = [
        np.flatnonzero(np.diff(mark, prepend=False) & mark) for mark in (thread.astray, thread.wild)
    ]
    breaks = np.concatenate([stops, *leaves, np.asarray(storms, dtype=np.int64)])
    cuts = np.unique(np.searchsorted(rows, breaks))
    edges = np.unique(np.concatenate([[0], cuts, [len(rows)]])).tolist()
    yield from pairwise(edges)


def _others(thread: _Thread) -> Iterator[Phase]:
    """Resets, what was not followed, and a CPU that stopped."""
    program = thread.program
    texts: dict[Kind, tuple[PhaseKind, str]] = {
        Kind.RESET: ("reset", "reset"),
        Kind.LOST: ("lost", "not followed"),
        Kind.STALLED: ("stopped", "the CPU stands still"),
    }
    for row in np.flatnonzero(np.isin(program.kind, list(texts))).tolist():
        kind, text = texts[Kind(int(program.kind[row]))]
        first = int(program.first_cycle[row])
        last = first + int(program.length[row]) - 1
        if kind == "reset" and row + 1 < len(program) and program.pc[row + 1] >= 0:
            text += f", then starts at ${int(program.pc[row + 1]):04X}"
        yield Phase(kind, first, last, text)


def _stretch(thread: _Thread, first: int, end: int) -> list[Phase]:
    """Phases of one unbroken stretch of the main program."""
    loops = find_loops(thread.program, thread.rows[first:end])
    spans = [(loop, loop.first + first, loop.end + first) for loop in loops]
    walked = [(*span, _walks(thread, *span[1:])) for span in spans]
    told = [item for item in walked if item[3] or _worth_telling(*item[:3])]
    phases: list[Phase] = []
    at = first
    for loop, begin, stop, walks in told:
        if begin > at:
            phases += _straight(thread, at, begin, leads=begin - at < FEW)
        leads = bool(phases) and phases[-1].kind == "runs" and not phases[-1].text
        lead = phases.pop() if leads else None
        # The last turn may be cut off by the capture's end.
        if end == len(thread.rows) and end - stop < loop.turn_end - loop.first:
            at = end
            phase = _loop(thread, loop, begin, stop, walks, at_end=True)
            phase = replace(phase, last=thread.cycles_of(begin, end)[1])
        else:
            at = stop
            phase = _loop(thread, loop, begin, stop, walks, at_end=False)
        phases.append(phase if lead is None else replace(phase, first=lead.first))
    if at < end:
        phases += _straight(thread, at, end, leads=False)
    return phases


def _worth_telling(loop: Loop, begin: int, stop: int) -> bool:
    """Whether a loop that walks nowhere is worth a phase of its own."""
    return stop - begin >= SHORT or loop.turns >= MANY_TURNS


def _straight(thread: _Thread, first: int, end: int, *, leads: bool) -> list[Phase]:
    """Instructions without a loop worth telling; without text where they only lead into one."""
    start, last = thread.cycles_of(first, end)
    pcs = thread.pcs(first, end)
    set_up = _registers(thread, first, end, WRITE)
    if thread.wild[thread.rows[first]]:
        text = f"runs wild ({_span(pcs)})" if pcs is not None else "runs wild"
        text += f", writes to {set_up}" if set_up else ""
        return [Phase("wild", start, last, text, pc=pcs)]
    asked = _registers(thread, first, end, READ)
    if set_up:
        verb = "sets up" if "registers" in set_up else "writes to"
        text = f"{verb} {set_up}"
        if pcs is not None and end - first >= LONG:
            text = f"runs {_span(pcs)}, {text}"
    elif leads and not thread.wild[thread.rows[first]]:
        text = ""
    elif pcs is None:
        text = f"runs {count_words(end - first, 'instruction')}"
    else:
        text = f"runs {_span(pcs)}" + (f", asks {asked}" if asked else "")
    return [Phase("runs", start, last, text, pc=pcs)]


def _loop(
    thread: _Thread, loop: Loop, begin: int, stop: int, walks: Sequence[Walk], *, at_end: bool
) -> Phase:
    start, last = thread.cycles_of(begin, stop)
    rows = thread.rows[begin:stop]
    pcs = thread.pcs(begin, stop)
    walked = _walk_words(thread, begin, stop, walks)
    ps = thread.cycles.time_ps
    took = format_time(int(ps[last] - ps[max(start - 1, 0)]))
    turn = loop.turn_end - loop.first
    if walked:
        return Phase("walks", start, last, walked, loop.turns, pc=pcs)
    wait = wait_in(thread.program, thread.reads, thread.board.cpu.variant, rows, turn, loop.turns)
    if wait is not None:
        what = bit_words(wait.bits)
        looks = count_words(loop.turns, "look")
        whose = _registers(thread, begin, stop, READ)
        whose = f", {whose}" if whose else ""
        text = f"waits for ${wait.address:04X} {what}{whose}: {looks}, {took}"
        return Phase("waits", start, last, text, loop.turns, pc=pcs)
    here = slice(begin, stop)
    idle = not np.isin(thread.accesses.way[here], (WRITE, READ)).any()
    names = thread.opcode_names(rows)
    # Without a branch it counts to no end: that is no delay.
    if idle and names & _COUNTING and names & _DECIDING:
        return Phase("delays", start, last, f"counts for {took}", loop.turns, pc=pcs)
    where = f" at ${pcs[0]:04X}" if pcs is not None else ""
    io = _registers(thread, begin, stop, READ, WRITE)
    touching = f", with {io}" if io else ""
    if at_end and loop.turns >= MANY_TURNS and not thread.astray[rows[0]]:
        return Phase("main loop", start, last, f"main loop{where}{touching}", loop.turns, pc=pcs)
    span = f" {_span(pcs)}" if pcs is not None else ""
    return Phase("loop", start, last, f"goes round{span}{touching}", loop.turns, pc=pcs)


def _span(pcs: tuple[int, int]) -> str:
    return f"${pcs[0]:04X}" + (f"-${pcs[1]:04X}" if pcs[1] > pcs[0] else "")


def _walks(thread: _Thread, begin: int, stop: int) -> list[Walk]:
    here = slice(begin, stop)
    return walks_of(
        thread.program.pc[thread.rows[here]],
        thread.accesses.way[here],
        thread.accesses.address[here],
        thread.accesses.byte[here],
    )


def _walk_words(thread: _Thread, begin: int, stop: int, walks: Sequence[Walk]) -> str:
    """What a loop that walks through memory does there; empty for one that does not."""
    stores = [walk for walk in walks if walk.way == WRITE]
    loads = [walk for walk in walks if walk.way == READ]
    changed = [walk for walk in walks if walk.way == MODIFY]
    names = thread.opcode_names(thread.rows[begin:stop])
    if stores and loads and _spans(stores) == _spans(loads):
        return f"tests {_spans(stores)} (writes, reads back)"
    if stores and loads:
        copied = _same_bytes(stores, loads)
        verb = "copies" if copied else "reads"
        joint = "to" if copied else "and writes"
        return f"{verb} {_spans(loads)} {joint} {_spans(stores)}"
    if stores:
        values = {walk.value for walk in stores}
        value = values.pop() if len(values) == 1 else None
        if value is None:
            return f"writes {_spans(stores)}"
        return (
            f"clears {_spans(stores)}"
            if value == 0
            else f"fills {_spans(stores)} with ${value:02X}"
        )
    if loads:
        if len(loads) > 1 and names & _COMPARING:
            return f"compares {_spans(loads[:1])} with {_spans(loads[1:])}"
        summed = any(thread.names[op] in _SUMMING for op in _opcodes_at(thread, begin, stop, loads))
        return f"{'sums' if summed else 'reads through'} {_spans(loads)}"
    return f"changes {_spans(changed)} in place" if changed else ""


def _opcodes_at(thread: _Thread, begin: int, stop: int, walks: Sequence[Walk]) -> set[int]:
    """Opcodes at the addresses of some walks, and next to them."""
    rows = thread.rows[begin:stop]
    pc = thread.program.pc[rows]
    mine = np.flatnonzero(np.isin(pc, [walk.pc for walk in walks]))
    near = np.concatenate([mine, np.minimum(mine + 1, len(rows) - 1)])
    return set(np.unique(thread.program.opcode[rows[near]]).tolist()) - {-1}


def _same_bytes(stores: Sequence[Walk], loads: Sequence[Walk]) -> bool:
    """Whether what was written is what was read, byte for byte."""
    written = np.concatenate([walk.bytes for walk in stores])
    read = np.concatenate([walk.bytes for walk in loads])
    return len(written) == len(read) and bool(((written == read) & (read >= 0)).all())


def _spans(walks: Sequence[Walk]) -> str:
    """``$0200-$02FF``, neighbours joined; ``every 4th byte of`` where the walk takes such steps."""
    joined: list[list[int]] = []
    for low, high, step in sorted((walk.low, walk.high, walk.step) for walk in walks):
        if joined and step == joined[-1][2] == 1 and low <= joined[-1][1] + 1:
            joined[-1][1] = max(joined[-1][1], high)
        elif [low, high, step] not in joined:
            joined.append([low, high, step])
    shown = [
        (f"every {_nth(step)} byte of " if step > 1 else "") + f"${low:04X}-${high:04X}"
        for low, high, step in joined[:3]
    ]
    return ", ".join(shown) + (f" and {len(joined) - 3} more" if len(joined) > 3 else "")


def _nth(number: int) -> str:
    ending = {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{'th' if 10 < number % 100 < 14 else ending}"


def _registers(thread: _Thread, first: int, end: int, *ways: int) -> str:
    """I/O registers touched: ``U6 (registers 2, 3, 11)``."""
    here = slice(first, end)
    asked = np.isin(thread.accesses.way[here], (*ways, MODIFY) if WRITE in ways else ways)
    told = []
    for bit, ref in enumerate(thread.board.map.chips):
        chip = thread.board.chip(ref)
        mine = asked & thread.answers.by(bit)[here]
        if chip.role != "io" or not mine.any():
            continue
        address = thread.accesses.address[here][mine]
        inner = np.unique(thread.board.map.inner[bit, address]).tolist()
        numbers = numbered_runs(str(register) for register in inner[:8])
        more = ", ..." if len(inner) > 8 else ""
        word = "register" if len(inner) == 1 else "registers"
        told.append(ref if (chip.size or 0) == 1 else f"{ref} ({word} {numbers}{more})")
    return " and ".join(told)


def _with_interrupts(program: Program, phases: Sequence[Phase]) -> Iterator[Phase]:
    """The phases without holes, and the interrupts taken in each."""
    taken = program.first_cycle[np.isin(program.kind, (Kind.IRQ, Kind.NMI))]
    breaks = program.first_cycle[program.kind == Kind.BRK]
    end = int(program.first_cycle[-1] + program.length[-1])
    for phase, after in zip(phases, [*(p.first for p in phases[1:]), end], strict=True):
        counts = [
            int(np.diff(np.searchsorted(each, (phase.first, after)))[0]) for each in (taken, breaks)
        ]
        yield replace(phase, last=after - 1, interrupts=counts[0], breaks=counts[1])
