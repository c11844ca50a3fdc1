"""Rules about what the program does: things that nobody writes, however right each byte looks."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from bustrace.cpu import Opcode, variant_named
from bustrace.findings._kernels import RAM, ROM
from bustrace.findings.evidence import SHOWN, Evidence
from bustrace.findings.model import Finding
from bustrace.program import Kind
from bustrace.units import count_words

FEWEST_TURNS = 8
"""Turns that a loop must be seen to take alike, to say that it takes them for ever."""

STACK_BYTES = 256
"""Page one, of which S is the low byte."""

FEWEST_CALLS = 64
"""Calls among what was pushed that make it a program gone astray: one that fills the stack's page
on purpose pushes bytes; 64 return addresses are half of the page."""

BEFORE_THE_INDEX = {"zp,x": 2, "zp,y": 2, "(zp,x)": 2, "abs,x": 3, "abs,y": 3, "(zp),y": 4}
"""Cycle of each indexed mode, from 0, that reads before the index or its carry is in the address,
and is not used where others follow (MCS6500 Hardware Manual, appendix A)."""

_JSR, _TXS = 0x20, 0x9A
_A, _X, _Y, _S, _P = range(5)
_MASKED = 0x04


def never_leaves(evidence: Evidence) -> Iterator[Finding]:
    """The capture ends in a loop that does the same in each turn, with the same registers, asks no
    chip, and cannot be interrupted: what it writes to RAM it wrote before. A program that waits
    writes nothing, or asks; one that works does something else in each turn. Where an image tells
    that the loop is as it was written, it may be meant so.
    """
    reading, replay = evidence.reading, evidence.replay
    program = reading.program
    if not reading.board.complete or len(reading.cycles) > evidence.n:
        return
    # The last one may be cut.
    rows = np.arange(len(program) - 1)
    others = np.flatnonzero(program.kind[rows] != Kind.INSTRUCTION)
    rows = rows[others[-1] + 1 :] if len(others) else rows
    turn = _turn(program.pc[rows], program.registers[rows], program.registers_known[rows])
    if turn is None:
        return
    first, period = turn
    head = rows[first]
    one = rows[-1 - period : -1]
    begins, end = int(program.first_cycle[head]), int(program.first_cycle[rows[-1]])
    cycles = end - int(program.first_cycle[rows[-1 - period]])
    turns = (end - begins) // cycles
    at = np.arange(end - cycles, end)
    matrix = variant_named(reading.board.cpu.variant).opcodes()
    obeyed = [matrix[op] for op in program.opcode[one].tolist()]
    used = _used(obeyed)
    if (replay.meant_address[at] >> 8 == 1).any():
        used.append(_S)
    if turns < FEWEST_TURNS or not _all_known(program.registers_known[one], used):
        return
    if not (program.registers[one, _P] & _MASKED).all() and reading.board.has_pin("IRQ"):
        return
    span = slice(end - (turns - 1) * cycles, end)
    before = slice(span.start - cycles, span.stop - cycles)
    for column in (replay.meant_address, replay.read, replay.data):
        if (column[span] != column[before]).any():
            return
    step = np.array([BEFORE_THE_INDEX.get(op.mode, -1) for op in obeyed])
    unused = (step >= 0) & (step + 1 < program.length[one])
    on_the_way = (program.first_cycle[one] + step)[unused]
    if not _in_memory_alone(evidence, at, np.isin(at, on_the_way)) or _as_written(evidence, at):
        return
    pcs = program.pc[one]
    where = f"${int(pcs.min()):04X}-${int(pcs.max()):04X}"
    what = count_words(len(one), "instruction")
    yield Finding(
        rule="endless-loop",
        severity="fault",
        cycles=tuple(range(begins, begins + min(SHOWN, end - begins))),
        opportunities=turns,
        count=turns,
        measured=f"{what} at {where}, {turns:,} turns with the same registers and the same bytes",
        expected="a loop that works does something else in each turn, one that waits asks a chip",
        text=f"From cycle {begins:,} on the program goes round in a loop ({where}, {what}) that "
        f"does the same each time, asks no chip and lets no interrupt in: it never leaves it, and "
        "no program is written so.",
    )


def _turn(
    pc: npt.NDArray[np.int32],
    registers: npt.NDArray[np.uint8],
    known: npt.NDArray[np.uint8],
) -> tuple[int, int] | None:
    """First row from which on all is as it was one turn before, and the turn's rows; None where the
    last row was not met before.
    """
    if len(pc) < FEWEST_TURNS:
        return None
    state = np.column_stack([pc, registers & known, known])
    met = np.flatnonzero((state[:-1] == state[-1]).all(axis=1))
    if not len(met) or (pc < 0).any():
        return None
    period = len(pc) - 1 - int(met[-1])
    other = np.flatnonzero((state[period:] != state[:-period]).any(axis=1))
    return (int(other[-1]) + 1 if len(other) else 0), period


def _used(obeyed: list[Opcode]) -> list[int]:
    """A, and those of X and Y that any of the instructions names, or its mode."""
    names = {f"{op.mnemonic} {op.mode}".upper() for op in obeyed}
    indexes = ((_X, "X"), (_Y, "Y"))
    return [_A, *(place for place, name in indexes if any(name in each for each in names))]


def _all_known(known: npt.NDArray[np.uint8], used: list[int]) -> bool:
    """Whether nothing in the registers that are used can make a turn differ from the one before,
    unseen.
    """
    whole = (known[:, used] == 0xFF).all()
    return bool(whole and (known[:, _P] & _MASKED).all())


def _in_memory_alone(
    evidence: Evidence, at: npt.NDArray[np.int64], on_the_way: npt.NDArray[np.bool_]
) -> bool:
    """Whether these cycles reach ROM and RAM alone, write, and read back at most what they wrote:
    a byte that only others write may be waited for. What is read `on_the_way`, as the stack's page
    is, the CPU does not use.
    """
    replay = evidence.replay
    address, read = replay.address[at], replay.read[at] == 1
    row = replay.rows(replay.address)[at]
    if (row < 0).any() or read.all():
        return False
    chips = replay.banks.responds[row, replay.read[at]]
    of_ram = chips & np.uint32(replay.of_kind(RAM))
    if (chips == 0).any() or (chips & ~np.uint32(replay.of_kind(RAM, ROM))).any():
        return False
    if (of_ram[~read] == 0).any():
        return False
    asked = address[read & (of_ram != 0) & (address >> 8 != 1) & ~on_the_way]
    return bool(np.isin(asked, address[~read]).all())


def _as_written(evidence: Evidence, at: npt.NDArray[np.int64]) -> bool:
    """Whether all that the program reads in these cycles is what the images of ROMs hold."""
    replay = evidence.replay
    itself = at[evidence.program_byte[at]]
    driven = np.bitwise_or.reduce(replay.healthy.drivers[itself], initial=0)
    roms = [c for c in range(len(replay.chips)) if int(driven) >> c & 1]
    known = all(replay.has_image(replay.chips[c]) for c in roms)
    return known and bool((replay.data[itself] == replay.healthy.expected[itself]).all())


def never_returns(evidence: Evidence) -> Iterator[Finding]:
    """Calls that never come back, until the stack has run over itself."""
    program = evidence.reading.program
    s, known = program.registers[:, _S].astype(np.int64), program.registers_known[:, _S] == 0xFF
    moved = (np.diff(s) + 128 & 0xFF) - 128
    set_anew = (program.opcode[:-1] == _TXS) | (program.kind[:-1] == Kind.RESET)
    breaks = np.flatnonzero(set_anew | ~known[:-1] | ~known[1:])
    calls = (program.kind == Kind.INSTRUCTION) & (program.opcode == _JSR)
    bounds = [-1, *breaks.tolist(), len(moved)]
    for first, end in pairwise(bounds):
        if end - first - 1 < FEWEST_CALLS:
            continue
        depth = np.concatenate([[0], np.cumsum(moved[first + 1 : end])])
        highest = np.maximum.accumulate(depth)
        over = np.flatnonzero(highest - depth > STACK_BYTES)
        if not len(over):
            continue
        at = first + 1 + int(over[0])
        top = first + 1 + int(np.argmax(depth[: over[0] + 1]))
        never = int(calls[top:at].sum())
        if never < FEWEST_CALLS:
            continue
        cycle = int(program.first_cycle[at])
        where = program.pc[top:at][calls[top:at]]
        yield Finding(
            rule="stack-overrun",
            severity="fault",
            cycles=(cycle,),
            opportunities=int(calls.sum()),
            count=never,
            measured=f"{never:,} calls, most of them at ${int(np.bincount(where).argmax()):04X}, "
            f"and {int(highest[over[0]] - depth[over[0]]):,} bytes more pushed than pulled",
            expected=f"every call returns; the stack holds {STACK_BYTES} bytes",
            text=f"The program calls and calls, and never returns: from cycle {cycle:,} on the "
            "stack has run over itself. It has lost its way.",
        )
        return


RULES = (never_leaves, never_returns)
