"""Rules about interrupts: a line that is held, and one interrupt after another."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from bustrace.cycles import stretches
from bustrace.findings._kernels import IO
from bustrace.findings.control_rules import MIN_CYCLES
from bustrace.findings.evidence import SHOWN, Evidence
from bustrace.findings.model import Finding
from bustrace.program import RTI, Kind, Program
from bustrace.units import count_words

Rows = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

FLAG_I = 0x04

REFUSALS = 4
"""Instructions, run against an IRQ that reads low, that make it the clip."""

SHORT_HANDLER = 8
"""Instructions after an NMI within which the next is no other business of the program's."""

LOOKED_AT = 8
"""Cycles before an interrupt in which IRQ must have been low: the longest instruction, and one."""

BREAKS = 8
"""BRKs in a row that no program means: some call their system by it, but do much in between."""

STORM = 4
"""Handler entries, one after another without the main program in between, that make a storm."""


def interrupt_lines(evidence: Evidence) -> Iterator[Finding]:
    """IRQ or NMI low from before anything could have requested, and never released."""
    reading = evidence.reading
    for pin, kind in (("IRQ", Kind.IRQ), ("NMI", Kind.NMI)):
        level = reading.cycles.pin(pin)
        known = level < 2
        if known.sum() < MIN_CYCLES or (level[known] == 1).any():
            continue
        if None in evidence.low_holds(pin):
            continue
        count = int(known.sum())
        refused = len(refusals(reading.program)) if pin == "IRQ" else 0
        taken = int((reading.program.kind == kind).sum())
        if refused >= REFUSALS:
            yield Finding(
                rule="clip-off",
                severity="oddity",
                lines=(pin,),
                opportunities=count,
                count=count,
                measured=f"{pin} reads low while the CPU, interrupts enabled, runs {refused:,} "
                "instructions that an interrupt should have come before",
                expected="an interrupt within one instruction",
                text=f"{pin} reads low, but the CPU does not see it: its clip is off.",
            )
            continue
        yield Finding(
            rule="irq-held" if pin == "IRQ" else "nmi-held",
            severity="fault",
            lines=(pin,),
            chips=reading.board.irq_from if pin == "IRQ" else reading.board.nmi_from,
            cycles=(int(np.flatnonzero(known)[0]),),
            opportunities=count,
            count=count,
            measured=f"low in all {count:,} cycles, from the first one on"
            + (f"; {taken:,} interrupts taken" if taken else ""),
            expected="high until a chip has been set up to request",
            text=f"{pin} is low from the first cycle and never rises, before any program could "
            "have asked for an interrupt"
            + (
                "."
                if taken or pin == "NMI"
                else "; the program has not enabled interrupts, so it does not notice yet."
            ),
        )


def refusals(program: Program) -> npt.NDArray[np.int64]:
    """Rows of instructions with the I flag known clear, after two more of the kind: an IRQ that was
    low would have come before them.

    CLI and PLP let one more instruction run (common practice).
    """
    rows = program.kind == Kind.INSTRUCTION
    clear = (program.registers_known[:, 4] & FLAG_I != 0) & (program.registers[:, 4] & FLAG_I == 0)
    ran = rows & clear
    return np.flatnonzero(ran[2:] & ran[1:-1] & ran[:-2]) + 2


def interrupt_storm(evidence: Evidence) -> Iterator[Finding]:
    """Interrupt after interrupt, with hardly an instruction of the main program in between."""
    reading, program = evidence.reading, evidence.reading.program
    level = reading.cycles.pin("IRQ")
    if (level < 2).any() and not (level == 1).any():
        return  # held: told by the other rule
    entries = np.flatnonzero(program.kind == Kind.IRQ)
    worst = _longest(_nothing_between(program, entries))
    still_low = (level == 2).all() or bool((level[-min(len(level), 256) :] == 0).mean() > 0.95)
    if worst < STORM or not still_low:
        return
    asked = _asked_by_the_handler(evidence, entries)
    yield Finding(
        rule="irq-storm",
        severity="fault",
        lines=("IRQ",),
        chips=reading.board.irq_from,
        cycles=tuple(int(program.first_cycle[row]) for row in entries[:SHOWN]),
        opportunities=len(entries),
        count=worst + 1,
        measured=f"{worst + 1} interrupts in a row, at most one instruction between them; the "
        f"handler reads {asked}",
        expected="the handler clears its source, then the main program goes on",
        text="The interrupt never goes away: the CPU returns from the handler straight into the "
        f"next one. It reads {asked}: the source is not cleared, or IRQ is held by a chip that the "
        "handler does not ask.",
    )


def nmi_storm(evidence: Evidence) -> Iterator[Finding]:
    """NMI after NMI, which only a line that falls again and again asks for."""
    program = evidence.reading.program
    entries = np.flatnonzero(program.kind == Kind.NMI)
    worst = _longest(_nothing_between(program, entries, nested=True))
    if worst < STORM:
        return
    yield Finding(
        rule="nmi-storm",
        severity="fault",
        lines=("NMI",),
        chips=evidence.reading.board.nmi_from,
        cycles=tuple(int(program.first_cycle[row]) for row in entries[:SHOWN]),
        opportunities=len(entries),
        count=worst + 1,
        measured=f"{worst + 1} times in a row NMI is taken in its own handler, or at most one "
        "instruction after it",
        expected="NMI rests high, and falls once for what asks",
        text=f"NMI is taken {worst + 1} times in a row, with hardly an instruction of the main "
        "program in between: NMI falls again and again.",
    )


def brk_storm(evidence: Evidence) -> Iterator[Finding]:
    """BRK after BRK: a program that has lost its way runs through zeros, and so does one whose
    handler is not there. With few lines a BRK is told by an IRQ that stays high.
    """
    program = evidence.reading.program
    kind = program.kind.copy()
    kind[_not_asked_for(evidence)] = Kind.BRK
    entries = np.flatnonzero(kind == Kind.BRK)
    worst = _longest(_nothing_between(program, entries, nested=True))
    if worst < BREAKS:
        return
    yield Finding(
        rule="brk-storm",
        severity="fault",
        chips=(),
        cycles=tuple(int(program.first_cycle[row]) for row in entries[:SHOWN]),
        opportunities=int(np.isin(kind, (Kind.INSTRUCTION, Kind.BRK)).sum()),
        count=len(entries),
        measured=f"{count_words(len(entries), 'BRK')}, {worst + 1} of them in a row with hardly an "
        "instruction between them",
        expected="none, or one now and then, in a program on its way",
        text=f"The CPU executes BRK {worst + 1} times in a row: it reads zeros where no program "
        "is, and finds no way back.",
    )


def _not_asked_for(evidence: Evidence) -> Rows:
    """Rows taken for an IRQ before which IRQ was captured and high."""
    program, level = evidence.reading.program, evidence.reading.cycles.pin("IRQ")
    rows = np.flatnonzero(program.kind == Kind.IRQ)
    unasked: Rows = rows[high_before(level, program.first_cycle[rows])]
    return unasked


def high_before(level: npt.NDArray[np.uint8], cycles: npt.NDArray[np.int64]) -> Flags:
    """Of each cycle, whether a line was captured and high in the `LOOKED_AT` before it."""
    before = level[np.maximum(cycles[:, None] - np.arange(1, LOOKED_AT + 1), 0)]
    high: Flags = (cycles >= LOOKED_AT) & (before == 1).all(axis=1)
    return high


def _nothing_between(program: Program, entries: Rows, *, nested: bool = False) -> Flags:
    """Of each interrupt and the next: whether a return lies between, with at most one instruction
    of the main program behind it; where `nested`, also whether the next came early in the handler.
    """
    returns = np.flatnonzero((program.kind == Kind.INSTRUCTION) & (program.opcode == RTI))
    before = np.concatenate([[-1], returns])  # row -1 is before every interrupt
    latest = before[np.searchsorted(returns, entries[1:])]
    returned = latest > entries[:-1]
    nothing: Flags = returned & (entries[1:] - latest <= 2)
    if nested:
        nothing |= ~returned & (np.diff(entries) <= SHORT_HANDLER)
    return nothing


def _longest(flags: Flags) -> int:
    """Length of the longest run."""
    starts, ends = stretches(flags)
    return int((ends - starts).max(initial=0))


def _asked_by_the_handler(evidence: Evidence, entries: npt.NDArray[np.int64]) -> str:
    """I/O registers that are read between interrupt and return, in words."""
    program, replay = evidence.reading.program, evidence.replay
    returns = np.flatnonzero((program.kind == Kind.INSTRUCTION) & (program.opcode == RTI))
    inside = np.zeros(evidence.n + 1, dtype=np.int8)
    after = np.searchsorted(returns, entries)
    for entry, place in zip(entries, after, strict=True):
        end = program.first_cycle[returns[place]] if place < len(returns) else evidence.n
        inside[min(program.first_cycle[entry], evidence.n)] += 1
        inside[min(end, evidence.n)] -= 1
    handler = (np.cumsum(inside)[:-1] > 0) & (replay.read == 1) & (replay.address >= 0)
    asked = []
    for chip, ref in enumerate(replay.chips):
        if replay.kind[chip] != IO:
            continue
        mine = handler & (replay.healthy.drivers >> np.uint32(chip) & 1 == 1)
        registers = np.unique(replay.offsets(chip, np.flatnonzero(mine)))
        if len(registers):
            names = ", ".join(str(register) for register in registers[:8])
            asked.append(f"register{'s' if len(registers) > 1 else ''} {names} of {ref}")
    return " and ".join(asked) if asked else "no I/O register"


RULES = (interrupt_lines, interrupt_storm, nmi_storm, brk_storm)
