"""Two captures of one board in the same condition: what should be equal and is not.

Both programs are walked side by side. Handlers of interrupts are left out, and where a loop polls
longer in one of them it is waited for, so that neither counts. Where both are at the same
instruction, the CPU means the same address, and a read of ROM, or of RAM that holds the same in
both, must give the same byte. What RAM held at power-on and what I/O registers give may differ.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bustrace.findings._kernels import IO, OTHER, ROM
from bustrace.findings.evidence import SHOWN, Evidence, gather
from bustrace.findings.model import Finding
from bustrace.hookup import ADDRESS_PINS, DATA_PINS
from bustrace.program import Kind, main_rows
from bustrace.reading import Reading
from bustrace.units import count_words

WORD = 4
"""Instructions in a row that must be the same for two paths to meet again."""

LOOK_AHEAD = 4096
"""Instructions looked ahead for it."""

MOST_PARTINGS = 2000
"""Partings after which the rest is left alone."""

FAR = 64
"""Instructions skipped beyond which a parting is more than a poll that took longer."""

PLACES = 4
RATE = 0.001
"""Addresses (or half as many again and again), and share of the cycles, from which differences are
more than stray samples."""

Rows = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class _Side:
    """The instructions of one capture outside its handlers, from the last reset on.

    `breaks_off`: they end because the CPU jammed or could not be followed, not with the capture.
    """

    evidence: Evidence
    rows: Rows
    pcs: npt.NDArray[np.int32]
    breaks_off: bool


@dataclass(frozen=True, slots=True)
class _Walk:
    """Rows of both that are the same instruction; after the pairs in `left` the paths part far."""

    first: Rows
    second: Rows
    partings: int
    left: Rows


@dataclass(frozen=True, slots=True)
class _Differing:
    """One line: cycles of both captures compared, which of them differ, and how far it went."""

    line: str
    first: Rows
    second: Rows
    opportunities: int
    led_away: bool


def differences(a: Reading, b: Reading) -> list[Finding]:
    """Compare two captures of one board in the same condition.

    Parameters
    ----------
    a, b : Reading
        Against the same board. Cycles in the findings are those of `a`.

    Returns
    -------
    list of Finding
        ``line-varies`` for each line that differs: a fault where the CPU left the common path
        right after it, an oddity where it comes often, else a note.
        ``captures-compared`` says how much could be compared; ``not-compared`` why nothing could.
    """
    first, second = _side(a), _side(b)
    if not len(first.rows) or not len(second.rows):
        return [_not_compared("in one of them no instruction was found")]
    walk = _side_by_side(first, second)
    if not len(walk.first):
        return [_not_compared("their programs have no stretch in common")]
    one, other, pair = _cycles(first, second, walk)
    found = _lines(first.evidence, second.evidence, one, other, pair, walk)
    findings = [_finding(first.evidence, second.evidence, line) for line in found]
    return [*findings, _compared(first, second, walk, len(one))]


def _side(reading: Reading) -> _Side:
    evidence, program = gather(reading), reading.program
    rows = main_rows(program)
    resets = np.flatnonzero(program.kind == Kind.RESET)
    if len(resets):
        rows = rows[rows > resets[-1]]
    rows = rows[program.pc[rows] >= 0]
    rows = rows[program.first_cycle[rows] + program.length[rows] <= evidence.n]
    broken = program.jam_at is not None or program.lost_at is not None
    return _Side(evidence, rows, program.pc[rows], broken)


def _side_by_side(a: _Side, b: _Side) -> _Walk:
    """Pair what is the same instruction in both paths; linear but for the looks ahead."""
    one, other = a.pcs, b.pcs
    words = [_words(one), _words(other)]
    first: list[Rows] = []
    second: list[Rows] = []
    left: list[int] = []
    i = j = partings = paired = 0
    while i < len(one) and j < len(other) and partings <= MOST_PARTINGS:
        most = min(len(one) - i, len(other) - j)
        off = np.flatnonzero(one[i : i + most] != other[j : j + most])
        same = int(off[0]) if len(off) else most
        if same:
            first.append(np.arange(i, i + same))
            second.append(np.arange(j, j + same))
            paired += same
            i, j = i + same, j + same
        if not len(off):
            ended = a.breaks_off if i == len(one) else b.breaks_off
            if ended and paired and max(len(one) - i, len(other) - j) > FAR:
                left.append(paired - 1)
            break
        partings += 1
        skip = _meet(words[0][i : i + LOOK_AHEAD], words[1][j : j + LOOK_AHEAD])
        if paired and (skip is None or max(skip) > FAR):
            left.append(paired - 1)
        if skip is None:
            break
        i, j = i + skip[0], j + skip[1]
    nothing = np.zeros(0, dtype=np.int64)
    return _Walk(
        np.concatenate(first) if first else nothing,
        np.concatenate(second) if second else nothing,
        partings,
        np.array(left, dtype=np.int64),
    )


def _words(pcs: npt.NDArray[np.int32]) -> npt.NDArray[np.uint64]:
    """`WORD` addresses in a row as one number, for every place but the last few."""
    if len(pcs) < WORD:
        return np.zeros(0, dtype=np.uint64)
    word = np.zeros(len(pcs) - WORD + 1, dtype=np.uint64)
    for ahead in range(WORD):
        word = word << np.uint64(16) | pcs[ahead : len(pcs) - WORD + 1 + ahead].astype(np.uint64)
    return word


def _meet(one: npt.NDArray[np.uint64], other: npt.NDArray[np.uint64]) -> tuple[int, int] | None:
    """How far to go in both until they are at the same instructions; the shortest way together."""
    ones, at_one = np.unique(one, return_index=True)
    others, at_other = np.unique(other, return_index=True)
    _, mine, theirs = np.intersect1d(ones, others, assume_unique=True, return_indices=True)
    if not len(mine):
        return None
    best = int(np.argmin(at_one[mine] + at_other[theirs]))
    return int(at_one[mine][best]), int(at_other[theirs][best])


def _cycles(first: _Side, second: _Side, walk: _Walk) -> tuple[Rows, Rows, Rows]:
    """Cycles of both that belong together, and the pair of instructions that each is part of."""
    a, b = first.evidence.reading.program, second.evidence.reading.program
    mine, theirs = first.rows[walk.first], second.rows[walk.second]
    alike = (a.opcode[mine] == b.opcode[theirs]) & (a.length[mine] == b.length[theirs])
    length = np.where(alike, a.length[mine], 1).astype(np.int64)
    pair = np.repeat(np.arange(len(mine)), length)
    step = np.arange(len(pair)) - np.repeat(np.cumsum(length) - length, length)
    return a.first_cycle[mine][pair] + step, b.first_cycle[theirs][pair] + step, pair


def _lines(
    a: Evidence, b: Evidence, one: Rows, other: Rows, pair: Rows, walk: _Walk
) -> list[_Differing]:
    x, y = a.replay, b.replay
    same = a.owned[one] & b.owned[other] & (x.address[one] >= 0)
    same &= (x.address[one] == y.address[other]) & (x.read[one] == y.read[other])
    one, other, pair = one[same], other[same], pair[same]
    found = []

    def add(line: str, asked: npt.NDArray[np.bool_], differs: npt.NDArray[np.bool_]) -> None:
        hits = asked & differs
        if hits.any():
            led = bool(np.isin(pair[hits], walk.left).any())
            found.append(_Differing(line, one[hits], other[hits], int(asked.sum()), led))

    ca, cb = a.reading.cycles, b.reading.cycles
    # Where the program is lost, the address is the clip's own and proves nothing about it.
    meant = x.meant[one] & y.meant[other]
    known = np.where(meant, ca.address_known[one] & cb.address_known[other], 0)
    off = ca.address[one] ^ cb.address[other]
    for bit, pin in enumerate(ADDRESS_PINS):
        add(pin, known >> bit & 1 == 1, off >> bit & 1 == 1)
    asked = ca.data_known[one] & cb.data_known[other] & _must_agree(a, b, one, other)
    off = (ca.data[one] ^ cb.data[other]).astype(np.uint32)
    for bit, pin in enumerate(DATA_PINS):
        add(pin, asked >> bit & 1 == 1, off >> bit & 1 == 1)
    rw = ca.pin("RW")[one], cb.pin("RW")[other]
    add("RW", meant & (rw[0] < 2) & (rw[1] < 2), rw[0] != rw[1])
    for ref in sorted(set(ca.select_names) & set(cb.select_names)):
        level = ca.select(ref)[one], cb.select(ref)[other]
        add(f"select:{ref}", (level[0] < 2) & (level[1] < 2), level[0] != level[1])
    return found


def _must_agree(a: Evidence, b: Evidence, one: Rows, other: Rows) -> npt.NDArray[np.uint8]:
    """Data lines that the common past makes equal: uint8, one a pair of cycles."""
    x, y = a.replay, b.replay
    held = x.healthy.expected_known[one] & y.healthy.expected_known[other]
    held &= ~(x.healthy.expected[one] ^ y.healthy.expected[other])
    drivers = x.healthy.drivers[one]
    free = drivers & np.uint32(x.of_kind(IO, OTHER)) != 0
    fixed = (drivers != 0) & (drivers & ~np.uint32(x.of_kind(ROM)) == 0)
    undescribed = ~a.reading.board.map.described[np.maximum(x.address[one], 0)]
    fixed |= undescribed & a.program_byte[one] & b.program_byte[other]
    nobody = (drivers == 0) & ~undescribed
    read = x.read[one] == 1
    in_read = np.where(fixed, np.uint8(0xFF), np.where(free | nobody, np.uint8(0), held))
    m, n = a.reading.program.intent, b.reading.program.intent
    meant = m.data_known[one] & n.data_known[other] & ~(m.data[one] ^ n.data[other])
    return np.where(read, in_read, meant).astype(np.uint8)


def _finding(a: Evidence, b: Evidence, found: _Differing) -> Finding:
    count, of = len(found.first), found.opportunities
    places = len(np.unique(a.replay.address[found.first]))
    spread = count_words(places, "address", "addresses")
    often = count > RATE * of and (places >= PLACES or count >= 2 * PLACES)
    at, there = int(found.first[0]), int(found.second[0])
    where = f"${int(a.replay.address[at]):04X}"
    example = f"first at {where}, cycle {at:,} here and {there:,} there"
    if found.line in DATA_PINS:
        here, yonder = int(a.reading.cycles.data[at]), int(b.reading.cycles.data[there])
        example += f": ${here:02X} and ${yonder:02X}"
    name = f"the select of {found.line[7:]}" if ":" in found.line else found.line
    name = name[0].upper() + name[1:]
    if found.led_away:
        text = (
            f"{name} differs between the two captures, and right after it the CPU goes another "
            f"way ({example}): a joint, a socket or a level that comes and goes."
        )
    elif often:
        text = (
            f"{name} differs between the two captures in {count_words(count, 'cycle')} that should "
            f"be equal ({example}), though the program takes the same way: most likely its clip; "
            "else a joint that comes and goes."
        )
    else:
        text = (
            f"{name} differs between the two captures in {count_words(count, 'cycle')} that should "
            f"be equal ({example}): stray samples."
        )
    return Finding(
        rule="line-varies",
        severity="fault" if found.led_away else "oddity" if often else "note",
        lines=(found.line,),
        chips=(found.line[7:],) if ":" in found.line else (),
        cycles=tuple(int(cycle) for cycle in found.first[:SHOWN]),
        opportunities=of,
        count=count,
        measured=f"{count:,} of {of:,} cycles differ, at {spread}",
        expected="the same level in both: the same instruction, the same address, nothing in "
        "between that may change it",
        text=text,
    )


def _compared(first: _Side, second: _Side, walk: _Walk, cycles: int) -> Finding:
    of = min(len(first.rows), len(second.rows))
    parted = (
        f"; they part and meet {count_words(walk.partings, 'time')}, as polls, inputs and RAM at "
        "power-on make them"
        if walk.partings
        else ""
    )
    return Finding(
        rule="captures-compared",
        severity="note",
        opportunities=of,
        count=len(walk.first),
        measured=f"{len(walk.first):,} of {of:,} instructions, {cycles:,} cycles",
        expected="two captures of one board in the same condition",
        text=f"Compared with the second capture: {len(walk.first):,} of {of:,} instructions are "
        f"the same in both{parted}.",
    )


def _not_compared(why: str) -> Finding:
    return Finding(
        rule="not-compared",
        severity="note",
        opportunities=1,
        count=1,
        measured=why,
        expected="the same program in both",
        text=f"The two captures could not be compared: {why}.",
    )
