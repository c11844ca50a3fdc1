"""What every rule looks at, computed once."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from bustrace.cpu import variant_named
from bustrace.cycles import IN_RESET, OWNER_CPU, UNSETTLED
from bustrace.findings.answers import MAX_CYCLES, BoardReplay
from bustrace.findings.model import Finding
from bustrace.program import Kind, acted_upon, disagreements
from bustrace.reading import Reading

SHOWN = 32
"""Cycles that a finding lists."""

MOST_TRACED = 32
"""Wrong reads whose bytes are traced through what the CPU did next: more of them need no proof."""

MAY_ASK_BEFORE = 4
"""Cycles before a chip surely asks in which it may have begun to: where a count starts is known to
a few."""

LONGEST_INSTRUCTION = 8
"""Cycles that may pass before an interrupt is taken."""

POINTER_CYCLES = {
    "(zp,x)": (3, 4),
    "(zp),y": (2, 3),
    "(jump)": (3, 4),
    "rts": (3, 4),
    "rti": (4, 5),
}
"""Cycles of each mode, from 0, that read an address the CPU uses at once (MCS6500 Hardware Manual,
appendix A)."""


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """A reading with the columns that rules share. Columns are bool, shape (n,), n cycles weighed.

    Attributes
    ----------
    reading : Reading
    replay : BoardReplay
    owned : CPU-owned cycles that had settled.
    live : the same outside reset.
    address_off, data_off : uint16, uint8
        Bits in which the clip differs from what the CPU meant; 0 where either is not known.
    rw_off : bool
        R/W at the clip differs from what the CPU meant.
    program_byte : bool
        The cycle fetches an opcode or an operand.
    acted_on : bool
        The CPU visibly acted on the byte that the clip saw here: with the byte that a healthy board
        gives, the next cycles would have looked different.
    heard : int
        I/O chips of the map, a bit each, whose request is seen to come just when they must ask,
        after what the program wrote to them: that arrived.
    """

    reading: Reading
    replay: BoardReplay
    owned: npt.NDArray[np.bool_]
    live: npt.NDArray[np.bool_]
    address_off: npt.NDArray[np.uint16]
    data_off: npt.NDArray[np.uint8]
    rw_off: npt.NDArray[np.bool_]
    program_byte: npt.NDArray[np.bool_]
    acted_on: npt.NDArray[np.bool_]
    heard: int

    @property
    def n(self) -> int:
        """Cycles weighed."""
        return self.replay.n

    def low_holds(self, pin: str) -> list[int | None]:
        """Longest low holds of a pin that the board file declares normal, None for any length."""
        holds = self.reading.board.holds
        return [hold.cycles for hold in holds if hold.line == pin and hold.level == 0]

    def show(self, where: npt.NDArray[np.bool_]) -> tuple[int, ...]:
        """First cycles of a column, those outside reset where there are any."""
        outside = where & self.live
        return tuple(
            int(cycle) for cycle in np.flatnonzero(outside if outside.any() else where)[:SHOWN]
        )


Rule = Callable[[Evidence], Iterable[Finding]]
"""A rule reports what it observed; it raises nothing and decides nothing for others."""


def gather(reading: Reading, most: int = MAX_CYCLES) -> Evidence:
    """Prepare a reading for the rules, the first `most` cycles of it; linear in its cycles."""
    # A rule is never fed a guess: what was only searched for is lost to it.
    reading = replace(reading, program=reading.program.certain())
    replay = BoardReplay(reading, most)
    cycles, n = reading.cycles, replay.n
    flags = cycles.flags[:n]
    owned = (cycles.owner[:n] == OWNER_CPU) & (flags & UNSETTLED == 0)
    live = owned & (flags & IN_RESET == 0)
    # What the CPU did on a false trail of ours says nothing about lines.
    judged = owned & ~replay.elsewhere
    off = np.where(judged, disagreements(cycles, reading.program.intent).off[:n], np.uint32(0))
    address_off = (off & 0xFFFF).astype(np.uint16)
    data_off = (off >> 16 & 0xFF).astype(np.uint8) & replay.data_known
    rw_off = off >> 24 & 1 == 1
    program_byte = _program_bytes(reading, replay)
    agrees = (address_off == 0) & ~rw_off
    certain = replay.meant & agrees
    return Evidence(
        reading,
        replay,
        owned,
        live,
        address_off,
        data_off,
        rw_off,
        program_byte,
        _acted_on(reading, replay, agrees, certain),
        _heard(reading, replay),
    )


def _heard(reading: Reading, replay: BoardReplay) -> int:
    """Chips that must ask by their sheets just when IRQ falls, or where it was not captured, when
    the CPU takes an interrupt.
    """
    level, after = reading.cycles.pin("IRQ")[: replay.n], 1
    told = np.flatnonzero((level[1:] == 0) & (level[:-1] == 1)) + 1
    if (level == 2).all():
        after = LONGEST_INSTRUCTION
        told = reading.program.first_cycle[reading.program.kind == Kind.IRQ]
    mask = 0
    for chip in replay.io_sheets if len(told) else ():
        for first, _ in replay.asking(chip):
            if ((told >= first - MAY_ASK_BEFORE) & (told <= first + after)).any():
                mask |= 1 << chip
    return mask


def _acted_on(
    reading: Reading,
    replay: BoardReplay,
    agrees: npt.NDArray[np.bool_],
    certain: npt.NDArray[np.bool_],
) -> npt.NDArray[np.bool_]:
    """Reads whose byte shows in the cycles that follow.

    An opcode counts when the healthy board's opcode has another addressing mode or length, and a
    pointer or a pulled return address when the CPU goes on from it; in both the clip must agree
    with the program for four more cycles, or for an opcode into the next instruction: where it
    goes by a register that is not known, no cycle in between is certain. A wrong immediate operand
    shows nowhere, so it does not count.
    """
    n = replay.n
    followed = certain.copy()
    for ahead in range(1, 5):
        followed[:-ahead] &= certain[ahead:]
        followed[-ahead:] = False
    acted = np.zeros(n, dtype=np.bool_)
    matrix = variant_named(reading.board.cpu.variant).opcodes()
    shape = np.unique([opcode.microcycles for opcode in matrix], return_inverse=True)[1]
    fetch = reading.program.intent.sync[:n] == 1
    another = fetch & (shape[replay.healthy.expected] != shape[replay.data])
    acted |= followed & another
    program = reading.program
    rows = program.kind == Kind.INSTRUCTION
    opcode, first, length = program.opcode[rows], program.first_cycle[rows], program.length[rows]
    obeyed = _into_the_next(first, first + length, agrees, certain)
    acted[obeyed] |= another[obeyed]
    for mode, steps in POINTER_CYCLES.items():
        mine = np.isin(opcode, [o.opcode for o in matrix if o.mode == mode])
        for step in steps:
            cycle = first[mine & (length > step)] + step
            cycle = cycle[(cycle >= 0) & (cycle < n)]
            acted[cycle] |= followed[cycle]
    # A vector's two bytes come last in a reset or interrupt sequence, and the CPU goes there.
    vectors = np.isin(program.kind, (Kind.RESET, Kind.IRQ, Kind.NMI, Kind.BRK))
    for back in (1, 2):
        cycle = (program.first_cycle + program.length)[vectors] - back
        cycle = cycle[(cycle >= 0) & (cycle < n - 2)]
        acted[cycle] |= certain[cycle] & certain[cycle + back]
    _add_traced(reading, replay, followed, acted)
    return acted


def _into_the_next(
    first: npt.NDArray[np.int64],
    then: npt.NDArray[np.int64],
    agrees: npt.NDArray[np.bool_],
    certain: npt.NDArray[np.bool_],
) -> npt.NDArray[np.int64]:
    """First cycles of the instructions with which, and with the begin of those that follow, the
    clips agree throughout: both fetches and two cycles more are certain.
    """
    inside = then + 2 < len(certain)
    first, then = first[inside], then[inside]
    off = np.append(0, np.cumsum(~agrees))
    sure = certain[first] & certain[then] & certain[then + 1] & certain[then + 2]
    found: npt.NDArray[np.int64] = first[sure & (off[then + 3] == off[first])]
    return found


def _add_traced(
    reading: Reading,
    replay: BoardReplay,
    followed: npt.NDArray[np.bool_],
    acted: npt.NDArray[np.bool_],
) -> None:
    """Add reads of which the byte shows later: counted up, stored, pushed, compared."""
    healthy = replay.healthy
    off = (replay.data ^ healthy.expected) & healthy.expected_known & replay.data_known
    answered = followed & (replay.read == 1) & (healthy.drivers != 0)
    open_reads = np.flatnonzero((off != 0) & answered & ~acted)[:MOST_TRACED]
    others = [(int(cycle), int(replay.data[cycle] ^ off[cycle])) for cycle in open_reads]
    variant = reading.board.cpu.variant
    acted[list(acted_upon(reading.cycles, reading.program, variant, others))] = True


def _program_bytes(reading: Reading, replay: BoardReplay) -> npt.NDArray[np.bool_]:
    """Cycles that read the instruction itself: its address is pc, pc + 1 or pc + 2 in turn."""
    program, n = reading.program, replay.n
    found = np.zeros(n, dtype=np.bool_)
    rows = (program.kind == Kind.INSTRUCTION) & (program.pc >= 0)
    first, pc = program.first_cycle[rows], program.pc[rows]
    length = program.length[rows]
    for step in range(3):
        inside = (first + step < n) & (step < length)
        cycle = first[inside] + step
        found[cycle] = replay.meant_address[cycle] == (pc[inside] + step) & 0xFFFF
    return found
