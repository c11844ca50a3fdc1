"""Which row of one program is which of the other: by what the CPU did, not by when."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bustrace.compare._kernels import fold_rounds, pair_up
from bustrace.compare.sides import Side
from bustrace.program import Kind, open_interrupts
from bustrace.reading import Reading

Rows = npt.NDArray[np.int64]

_LONGEST_LOOP = 64
"""Instructions of the longest loop whose rounds are folded."""

_LOOK = 16
"""Instructions after a parting from which the nearest way together is sought."""


@dataclass(frozen=True, slots=True, eq=False)
class Alignment:
    """Rows of the bad boot beside those of the good one.

    Attributes
    ----------
    partner : int64, shape (rows of the bad program,)
        Row of the good program, -1 without one.
    served : bool, shape (rows of the bad program,)
        The row is part of an interrupt's service.
    """

    partner: Rows
    served: npt.NDArray[np.bool_]


def align(good: Side, bad: Side) -> Alignment:
    """Pair the instructions of two boots; linear in their rows but for what only one has.

    Rounds of a loop that run another number of times pair as far as both go. Services of
    interrupts are paired with each other, apart from the main program.
    """
    partner = np.full(len(bad.reading.program), -1, dtype=np.int64)
    good_served, bad_served = _in_service(good), _in_service(bad)
    for served in (False, True):
        mine = _instructions(good, good_served == served)
        others = _instructions(bad, bad_served == served)
        _pair(good, bad, mine, others, partner)
    partner.setflags(write=False)
    bad_served.setflags(write=False)
    return Alignment(partner, bad_served)


def _instructions(side: Side, which: npt.NDArray[np.bool_]) -> Rows:
    program = side.reading.program
    named = (program.kind == Kind.INSTRUCTION) | (program.kind == Kind.BRK)
    rows = np.flatnonzero(which & named & (program.pc >= 0) & (program.first_cycle >= side.start))
    return rows.astype(np.int64)


def _in_service(side: Side) -> npt.NDArray[np.bool_]:
    """Rows from an interrupt to the RTI that ends its service; services may nest."""
    program = side.reading.program
    depth = open_interrupts(program)
    return np.asarray(np.where(program.kind == Kind.BRK, depth > 1, depth > 0))


def _pair(good: Side, bad: Side, mine: Rows, others: Rows, partner: Rows) -> None:
    """Fill in the partners of the rows `others` among the rows `mine`."""
    if not len(mine) or not len(others):
        return
    good_pc = good.reading.program.pc[mine].astype(np.int64)
    bad_pc = bad.reading.program.pc[others].astype(np.int64)
    good_element, bad_element = (
        fold_rounds(good_pc, _LONGEST_LOOP),
        fold_rounds(bad_pc, _LONGEST_LOOP),
    )
    good_kept, bad_kept = np.unique(good_element), np.unique(bad_element)
    found = pair_up(
        good_pc[good_kept],
        bad_pc[bad_kept],
        _keys(good_pc[good_kept]),
        _keys(bad_pc[bad_kept]),
        _LOOK,
    )
    # Element by element: round k beside round k, the last beside the last.
    order, begin, count = _rounds(good_element, good_kept)
    place = np.searchsorted(bad_kept, bad_element)
    turn, turns = _turn(bad_element)
    other = found[place]
    has = count[np.maximum(other, 0)]
    last = turn == turns[place] - 1
    nth = np.where(last, has - 1, np.minimum(turn, np.maximum(has - 2, 0)))
    beyond = ~last & (turn >= has - 1) & (has != turns[place])
    paired = (other >= 0) & ~beyond
    row = order[begin[np.maximum(other, 0)] + nth]
    partner[others[paired]] = mine[row[paired]]


def _keys(pc: Rows) -> Rows:
    keys: Rows = np.sort((pc << 32) + np.arange(len(pc)))
    return keys


def _rounds(element: Rows, kept: Rows) -> tuple[Rows, Rows, Rows]:
    """Rows in the order of their elements; where each element begins there, and how many it has."""
    order = np.argsort(element, kind="stable")
    begin = np.searchsorted(element[order], kept)
    return order, begin, np.diff(begin, append=len(element))


def _turn(element: Rows) -> tuple[Rows, Rows]:
    """The how many-th of its element each row is, and how many each element has."""
    order, begin, count = _rounds(element, np.unique(element))
    turn = np.empty(len(element), np.int64)
    turn[order] = np.arange(len(element)) - np.repeat(begin, count)
    return turn, count


def beside(good: Side, bad: Side, alignment: Alignment, cycle: int) -> int | None:
    """The good boot's cycle that stands beside one of the bad boot; None without one.

    Waits do not count: the k-th own cycle of an instruction stands beside the k-th.
    """
    if not 0 <= cycle < len(bad):
        return None
    program, other = bad.reading.program, good.reading.program
    row = program.row_of(cycle)
    if program.kind[row] == Kind.RESET and bad.from_reset and good.from_reset:
        at = good.start + cycle - bad.start
        return at if 0 <= at < len(good) else None
    partner = int(alignment.partner[row])
    if partner < 0:
        return None
    own = own_cycles(bad.reading, row)
    theirs = own_cycles(good.reading, partner)
    step = int(np.searchsorted(own, cycle))
    if not len(theirs):
        return int(other.first_cycle[partner])
    return int(theirs[min(step, len(theirs) - 1)])


def own_cycles(reading: Reading, row: int) -> Rows:
    """Cycles of a row without those in which RDY makes a read wait."""
    program, cycles = reading.program, reading.cycles
    first = int(program.first_cycle[row])
    span = slice(first, first + int(program.length[row]))
    waits = (cycles.pin("RDY")[span] == 0) & (program.intent.rw[span] == 1)
    return first + np.flatnonzero(~waits)
