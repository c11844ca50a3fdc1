"""A rule about lines of two groups that touch: an address line, a data line, a control line."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any

import numpy as np
import numpy.typing as npt

from bustrace.findings.evidence import Evidence
from bustrace.findings.interrupt_rules import FLAG_I, REFUSALS, refusals
from bustrace.findings.model import Finding
from bustrace.hookup import ADDRESS_PINS, DATA_PINS
from bustrace.program import Kind, does_not_wait

DRIVEN = (*ADDRESS_PINS, *DATA_PINS, "RW", "SYNC")
"""Lines of which the program tells the level; bit i of a line mask is ``DRIVEN[i]``."""

PULLED = ("RES", "IRQ", "NMI", "RDY", "SO")
"""Inputs that a resistor holds high until something pulls them low."""

LINES = (*DRIVEN, *PULLED)

_DATA = np.uint32(0xFF << len(ADDRESS_PINS))
"""The data lines, as a line mask."""

STRAY_SHARE = 2e-3
"""Share of cycles in which joined lines may be seen to differ: noise, and edges that come late."""

CONTEXTS, EACH_WAY = 16, 4
"""Distinct addresses and bytes in which two lines are alike, in all and at each level: 300 pairs of
lines that have nothing to do with each other agree in so many by chance once in 200 captures, and
then they must also be wrong."""

SELDOM_LOW = 1
"""And at the low level with R/W: what runs wild after it hardly writes any more."""

IN_A_CIRCLE = 2
"""And at the seldom level with an input, where all the contexts are enough: the CPU that it asks
again and again runs in a small circle."""

APART = 2
"""Distinct addresses at which two lines should differ and do not."""

ALONE = 24
"""Contexts at each level where only a data line is ever wrong, and goes with an address line: an
output that fails in one chip does so too where that chip's addresses begin."""

FALLS = 8
"""How often an input that should rest must fall with another line."""

MOST_ALIKE = 6
"""Pairs that a capture cannot tell apart, at most: a bus that nobody drives, or a CPU that runs in
a small circle, has many lines alike."""

CLI, SEI = 0x58, 0x78

_LOOKED_AT = 4
"""Cycles before a fetch in which IRQ must be low to come first: it is looked at in one of the last
two, and before that in a taken branch (hardware manual, A.5.4)."""

_NMI_CYCLES = 7
"""Cycles of the sequence that takes an NMI (hardware manual)."""

_MOSTLY = 0.5
"""Share of the cycles that want two lines different in which joined ones must be alike, and in
which other lines may be wrong, too."""

FIRST_LOOK = 4_096
"""Cycles that tell which pairs are worth a look at the whole capture."""

Column = npt.NDArray[np.bool_]
_Column = npt.NDArray[Any]


@dataclass(frozen=True, slots=True, eq=False)
class _Levels:
    """Levels of `LINES` in the CPU's settled cycles, as line masks: uint32, shape (m,)."""

    cycle: npt.NDArray[np.int64]
    seen: npt.NDArray[np.uint32]
    known: npt.NDArray[np.uint32]
    meant: npt.NDArray[np.uint32]
    meant_known: npt.NDArray[np.uint32]
    address: npt.NDArray[np.uint32]


def groups_together(evidence: Evidence) -> Iterator[Finding]:
    """Two lines of different groups always have one level although they should differ."""
    levels = _levels(evidence)
    found = []
    for a, b in _worth_a_look(levels):
        pulled = LINES[b] in PULLED
        finding = _pulled(levels, a, b) if pulled else _driven(levels, a, b)
        if finding is not None and pulled and unheard(evidence, LINES[b]):
            finding = _clip_elsewhere(finding)
        if finding is not None:
            found.append(finding)
    most = max((finding.count for finding in found), default=0)
    found = [finding for finding in found if finding.count == most]
    if len(found) <= MOST_ALIKE:
        yield from found


def unheard(evidence: Evidence, pin: str) -> bool:
    """Whether the CPU ran on against what the pin shows, again and again: it is the clip."""
    program, cycles = evidence.reading.program, evidence.reading.cycles
    low = cycles.pin(pin) == 0
    if pin == "NMI":
        return program.method != "none" and not (program.kind == Kind.NMI).any()
    if pin == "RDY":
        return does_not_wait(evidence.reading.cycles)
    if pin != "IRQ":
        return False
    for fix in program.read_corrections:
        # A CLI that it cannot have read, an SEI instead, a pulled status with the I flag set: only
        # so does a CPU that lets interrupts in run on against a low IRQ.
        if fix.seen == CLI or fix.believed == SEI or fix.believed == fix.seen | FLAG_I:
            return True
    first = program.first_cycle[refusals(program)]
    refused = np.ones(len(first), np.bool_)
    for back in range(1, _LOOKED_AT + 1):
        refused &= low[np.maximum(first - back, 0)]
    return int(refused.sum()) >= REFUSALS


def _clip_elsewhere(finding: Finding) -> Finding:
    """The same where the CPU does not see it."""
    line, pin = finding.lines
    return replace(
        finding,
        rule="clip-off",
        severity="oddity",
        lines=(pin,),
        text=f"{pin} shows the level of {line}, and the CPU runs on as though {pin} rested: its "
        "clip is off.",
    )


def of_two_groups(finding: Finding) -> bool:
    """Whether a finding tells of two joined lines of different groups."""
    return finding.rule == "lines-together" and len({_group(line) for line in finding.lines}) > 1


def lines_with_ready(evidence: Evidence) -> tuple[str, ...]:
    """Address and data lines that had RDY's level in all cycles, as far as both were captured."""
    levels, ready = _levels(evidence), LINES.index("RDY")
    found = []
    for line in range(len(ADDRESS_PINS) + len(DATA_PINS)):
        both = _bit(levels.known, line) & _bit(levels.known, ready)
        differ = both & (_bit(levels.seen, line) != _bit(levels.seen, ready))
        if both.any() and not differ.any():
            found.append(LINES[line])
    return tuple(found)


def lines_that_ask_for_nmi(evidence: Evidence) -> tuple[str, ...]:
    """Lines of the bus that fell before every NMI and, of other instructions, in none after which
    one must have come: any of them may be joined to NMI, where that was not captured.

    NMI is asked for by a fall, which the CPU remembers until it reads the vector. It looks in the
    last cycle but one of an instruction (hardware manual, A.5.4): a fall in the last one may, and
    need not, wait for the next.
    """
    program, n = evidence.reading.program, evidence.n
    rows = np.flatnonzero((program.kind == Kind.NMI) | (program.kind == Kind.INSTRUCTION))
    rows = rows[:-1]  # the end of the recording cuts off what the last one was
    taken = program.kind[rows] == Kind.NMI
    begins = program.first_cycle[rows]
    ends = np.minimum(begins + program.length[rows], n)
    begins = begins + np.where(taken, _NMI_CYCLES, 0)
    levels = _levels(evidence)
    wrong = []
    for line in range(len(DRIVEN)):
        fell = np.concatenate([[0], np.cumsum(_fallen(levels, line, n))])
        fell_by = fell[np.minimum(np.stack([begins - 2, begins, ends - 2, ends]), n)]
        missed = (fell_by[2] > fell_by[1])[:-1] & ~taken[1:]
        unasked = (fell_by[3] == fell_by[0])[:-1] & taken[1:]
        wrong.append(int((missed | unasked).sum()))
    fewest = min(wrong)
    if fewest > STRAY_SHARE * len(rows):
        return ()
    return tuple(name for name, count in zip(DRIVEN, wrong, strict=True) if count == fewest)


def _fallen(levels: _Levels, line: int, n: int) -> Column:
    """Cycles in which a line is low after one in which it was high; as the program has it where it
    was not captured.
    """
    high = np.where(_bit(levels.known, line), _bit(levels.seen, line), _bit(levels.meant, line))
    known = _bit(levels.known | levels.meant_known, line)
    level = np.full(n, -1, np.int8)
    level[levels.cycle[known]] = high[known]
    fallen = np.zeros(n, np.bool_)
    fallen[1:] = (level[:-1] == 1) & (level[1:] == 0)
    return fallen


def _levels(evidence: Evidence) -> _Levels:
    cycles, intent, replay = (
        evidence.reading.cycles,
        evidence.reading.program.intent,
        evidence.replay,
    )
    n, at = evidence.n, np.flatnonzero(evidence.owned)
    healthy = replay.healthy
    given = (replay.read == 1) & (healthy.drivers != 0)
    byte = np.where(given, healthy.expected, intent.data[:n])
    byte_known = np.where(given, healthy.expected_known, intent.data_known[:n])
    columns: list[tuple[_Column, _Column, _Column, _Column, int]] = [
        (
            cycles.address[:n],
            cycles.address_known[:n],
            intent.address[:n],
            intent.address_known[:n],
            0,
        ),
        (cycles.data[:n], cycles.data_known[:n], byte, byte_known, 16),
    ]
    # A fetch is a read, whatever is known of the program.
    fetched = (intent.rw[:n] > 1) & (cycles.pin("SYNC")[:n] == 1)
    program_tells = {"RW": np.where(fetched, 1, intent.rw[:n]), "SYNC": intent.sync}
    for name in LINES[24:]:
        level = cycles.pin(name)[:n]
        wanted = program_tells[name][:n] if name in program_tells else np.full(n, 2, np.uint8)
        columns.append((level == 1, level < 2, wanted == 1, wanted < 2, LINES.index(name)))
    packed = np.zeros((4, len(at)), np.uint32)
    for *parts, shift in columns:
        for word, part in zip(packed, parts, strict=True):
            word |= part[at].astype(np.uint32) << np.uint32(shift)
    seen, known, meant, meant_known = packed
    address = np.where(intent.address_known[:n] != 0, intent.address[:n], cycles.address[:n])[at]
    return _Levels(at, seen & known, known, meant & meant_known, meant_known, address)


def _group(line: str) -> str:
    """``A``, ``D``, or the name of a control line."""
    return line[0] if line in ADDRESS_PINS or line in DATA_PINS else line


def _worth_a_look(levels: _Levels) -> Iterator[tuple[int, int]]:
    """Pairs of two groups that both move, and are alike in the first cycles."""
    seen, known = levels.seen[:FIRST_LOOK], levels.known[:FIRST_LOOK]
    places = np.arange(len(LINES), dtype=np.uint32)[:, None]
    high, low = (
        np.packbits((word >> places & np.uint32(1)).astype(np.uint8), axis=1)
        for word in (seen, ~seen & known)
    )

    def common(one: npt.NDArray[np.uint8], other: npt.NDArray[np.uint8]) -> npt.NDArray[np.int64]:
        count: npt.NDArray[np.int64] = np.bitwise_count(one[:, None] & other).sum(2, dtype=np.int64)
        return count

    mixed = common(high, low)
    alike = (mixed + mixed.T <= STRAY_SHARE * (common(high, high) + common(low, low))).tolist()
    moves = [bool(h.any() and lo.any()) for h, lo in zip(high, low, strict=True)]
    for a, b in combinations(range(len(LINES)), 2):
        bus = LINES[a] not in PULLED
        if bus and _group(LINES[a]) != _group(LINES[b]) and moves[a] and moves[b] and alike[a][b]:
            yield a, b


def _bit(word: npt.NDArray[np.uint32], line: int) -> Column:
    high: Column = word >> np.uint32(line) & np.uint32(1) == 1
    return high


def _distinct(levels: _Levels, where: Column) -> int:
    """Addresses and bytes seen in these cycles."""
    return len(np.unique(levels.seen[where] & np.uint32(0xFFFFFF)))


def _alike(levels: _Levels, a: int, b: int) -> tuple[Column, Column, list[int]] | None:
    """Cycles in which both lines are known, those with one level, and in how many contexts either
    level was seen; None where the lines differ, or too little was seen of them.
    """
    both = _bit(levels.known, a) & _bit(levels.known, b)
    high = _bit(levels.seen, a)
    same: Column = both & (high == _bit(levels.seen, b))
    if int((both & ~same).sum()) > STRAY_SHARE * int(both.sum()):
        return None
    ways = [_distinct(levels, same & high), _distinct(levels, same & ~high)]
    each_way = SELDOM_LOW if LINES[b] == "RW" else EACH_WAY
    if LINES[b] in PULLED and sum(ways) >= CONTEXTS:
        each_way = IN_A_CIRCLE
    return (both, same, ways) if min(ways) >= each_way else None


def _driven(levels: _Levels, a: int, b: int) -> Finding | None:
    """Two lines that the program drives."""
    seen = _alike(levels, a, b)
    if seen is None:
        return None
    both, same, contexts = seen
    asked = both & _bit(levels.meant_known, a) & _bit(levels.meant_known, b)
    asked &= _bit(levels.meant, a) != _bit(levels.meant, b)
    if LINES[b] == "RW":
        asked |= both & ~_bit(levels.meant_known, a) & _bit(levels.meant & ~levels.seen, b)
    off = asked & same
    if len(np.unique(levels.address[off])) < APART or sum(contexts) < CONTEXTS:
        return None
    if int(off.sum()) < _MOSTLY * int(asked.sum()):
        return None  # joined lines cannot differ where the program wants them to
    moved = (levels.seen ^ levels.meant) & levels.meant_known
    wrong = [int((off & _bit(moved, line)).sum()) for line in (a, b)]
    low = int((off & ~_bit(levels.seen, a)).sum())
    alone = a if wrong[0] else b  # the one that is wrong where only one is
    in_reads = LINES[alone] not in ADDRESS_PINS  # no address line is stuck in reads alone
    if in_reads and min(contexts) < EACH_WAY and max(min(wrong), low) < APART:
        return None  # with few writes R/W must be wrong itself, or the other line in writes, too
    if in_reads and min(wrong) == 0 and _rests_in_reads(levels, alone, off):
        return None  # it is stuck for reads, and the other line is alike by chance
    by_chip = LINES[a] in ADDRESS_PINS and LINES[b] in DATA_PINS and wrong[0] < APART
    if by_chip and min(contexts) < ALONE:
        return None
    by_data = LINES[alone] in DATA_PINS and min(wrong) < APART
    besides = off & (moved & _DATA & ~np.uint32(1 << alone) != 0)
    if by_data and int(besides.sum()) > _MOSTLY * int(off.sum()):
        return None  # other bytes than those that are thought of: they tell of no line
    high = _bit(levels.seen, a)[off]
    how = ", high each time" if high.all() else "" if high.any() else ", low each time"
    return _finding(levels, a, b, off, asked, "that want them different" + how)


def _rests_in_reads(levels: _Levels, line: int, off: Column) -> bool:
    """Whether a line has one level in all reads, and is wrong in none but reads."""
    rw = LINES.index("RW")
    reads = _bit(levels.known, line) & _bit(levels.meant, rw)
    level = _bit(levels.seen, line)[reads]
    return bool(_bit(levels.meant, rw)[off].all() and (level.all() or not level.any()))


def _pulled(levels: _Levels, a: int, b: int) -> Finding | None:
    """A line that the program drives, and an input that should rest high."""
    seen = _alike(levels, a, b)
    if seen is None:
        return None
    both, same, _ = seen
    high = _bit(levels.seen, a)
    falls = high[:-1] & ~high[1:]
    fell = same[1:] & same[:-1] & falls & (np.diff(levels.cycle) == 1)
    if int(fell.sum()) < FALLS:
        return None
    return _finding(levels, a, b, same & ~high, both & ~high, "with either low")


def _finding(levels: _Levels, a: int, b: int, off: Column, asked: Column, which: str) -> Finding:
    one, other = LINES[a], LINES[b]
    count = int(off.sum())
    return Finding(
        rule="lines-together",
        severity="fault",
        lines=(one, other),
        cycles=tuple(levels.cycle[off][:32].tolist()),
        opportunities=int(asked.sum()),
        count=count,
        measured=f"equal in {count:,} of {int(asked.sum()):,} cycles {which}",
        expected="different levels in these cycles"
        if other in DRIVEN
        else f"{other} high, whatever {one} does",
        text=f"{one} and {other} move as one.",
    )


RULES = (groups_together,)
