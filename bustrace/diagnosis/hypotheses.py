"""Faults that could be behind a reading, each with what it would do to the board's answers.

A hypothesis pairs a `Fault` with an `Assumption` for the replay and a prior (`priors`). Stuck
lines, shorts, and chips that do not answer are enumerated; what has too many members (cells, a
ROM's content) is proposed from what a healthy board leaves unexplained.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product
from math import log2

import numpy as np
import numpy.typing as npt

from bustrace.board import Board, Buffer
from bustrace.diagnosis.forgetting import array_bits, forgetting
from bustrace.diagnosis.naming import groups_that_share
from bustrace.diagnosis.on_lines import Proposal, line_faults, stuck
from bustrace.diagnosis.priors import NONE, by_board, priors
from bustrace.faults import SELECT, Fault
from bustrace.findings import (
    EITHER_WINS,
    FIRST_WINS,
    HIGH_WINS,
    LATE,
    LOW_WINS,
    Answers,
    Assumption,
    Evidence,
    sole_driver,
    ways_of,
    wrong_beside,
    wrong_bits,
)


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """One fault with its effect.

    Attributes
    ----------
    fault : Fault
    assumption : Assumption
    family : str
        Of priors.
    prior_bits : float
        log2 of its prior probability.
    """

    fault: Fault
    assumption: Assumption
    family: str
    prior_bits: float


def enumerate_hypotheses(evidence: Evidence) -> list[Hypothesis]:
    """All hypotheses for a reading, priors included; "none of these" has what is left.

    The prior of one is its family's share, parted equally, times the board file's factors, scaled
    so that all sum to 1 with "none of these" (`priors`).
    """
    board = evidence.reading.board
    by_family: dict[str, list[tuple[Fault, Assumption]]] = {}
    # Of a board that nobody described, only what is on it can be suspected.
    left_out = () if board.complete else ("stuck-decoder", "select")
    for family, fault, assumption in _all(evidence):
        if family in left_out:
            continue
        by_family.setdefault(family, []).append((fault, assumption))
    shares = priors()
    found = [
        (
            fault,
            assumption,
            family,
            shares[family] / _members(family, len(members)) * by_board(fault, board),
        )
        for family, members in by_family.items()
        for fault, assumption in members
    ]
    scale = (1.0 - shares[NONE]) / sum(prior for *_, prior in found)
    return [
        Hypothesis(fault, does, family, log2(prior * scale)) for fault, does, family, prior in found
    ]


def proposed_beside(evidence: Evidence, given: Answers) -> list[Hypothesis]:
    """Cells that a fault which is given leaves wrong: beside its own wrong bytes nobody could see
    them. `given` is what the board answers with that fault.
    """
    shares, board = priors(), evidence.reading.board
    proposals = list(_cells(evidence, wrong_beside(evidence, given)))
    times = Counter(family for family, *_ in proposals)
    return [
        Hypothesis(
            fault,
            does,
            family,
            log2(shares[family] / _members(family, times[family]) * by_board(fault, board)),
        )
        for family, fault, does in proposals
    ]


FEWEST = {"cells": 64, "cell": 8}
"""Blocks of cells, and cells of a ROM, that share their family's prior at least, and cells of a
RAM, where single bits are met more often: the few that are proposed were picked from what is wrong,
and any other might have been."""


def _members(family: str, listed: int) -> int:
    return max(listed, FEWEST.get(family, 1))


def _all(evidence: Evidence) -> Iterator[Proposal]:
    yield from line_faults(evidence)
    yield from _chips(evidence)
    yield from _registers(evidence)
    yield from _shared(evidence)
    yield from _latches(evidence)
    yield from _buffers(evidence)
    yield from _cells(evidence, wrong_bits(evidence))
    yield from forgetting(evidence)


def _chips(evidence: Evidence) -> Iterator[Proposal]:
    chips = [
        (i, ref)
        for i, ref in enumerate(evidence.replay.chips)
        if evidence.reading.board.chip(ref).fitted
    ]
    outputs = evidence.replay.readable
    for i, ref in chips:
        yield "silent", Fault("silent", chip=ref), Assumption(silent=1 << i)
        if outputs >> i & 1:
            late = Assumption(weak_chip=i, weak_lines=0xFF, weak_way=LATE)
            yield "late", Fault("silent", chip=ref), late
            for fights in _fights_of_all(evidence, i, outputs):
                yield "always", Fault("always", chip=ref), Assumption(always=1 << i, **fights)
        yield from _select(evidence, i, ref)
        for j, other in chips:
            if i == j:
                continue
            for fight, strong in _fights(j) if outputs >> j & 1 else ():
                joins = Assumption(doubled=i, doubled_by=j, fight=fight, strong=strong)
                yield "doubled", Fault("doubled", chip=f"{ref}+{other}"), joins
            if outputs >> j & 1:
                in_vain = Assumption(doubled=i, doubled_by=j, fight=FIRST_WINS, strong=i)
                yield "doubled-unheard", Fault("doubled", chip=f"{ref}+{other}"), in_vain
            if i < j and fit_each_other(evidence.reading.board, ref, other):
                yield (
                    "swapped",
                    Fault("swapped", chip=f"{ref}+{other}"),
                    Assumption(swap_a=i, swap_b=j),
                )
        if evidence.reading.board.chip(ref).role == "rom":
            yield "content", Fault("content", chip=ref), Assumption(loose=i)
            blank = Assumption(data_pin_chip=i, data_pin_or=0xFF)
            yield "blank", Fault("content", chip=ref), blank


def fit_each_other(board: Board, ref: str, other: str) -> bool:
    """Whether two chips go into each other's sockets: memories of as many data lines do (common
    practice: those of eight share their pins), of I/O chips only like parts.
    """
    one, two = board.chip(ref), board.chip(other)
    if one.data_mask.bit_count() != two.data_mask.bit_count():
        return False
    if {one.role, two.role} == {"io"}:
        return one.part == two.part
    return one.role == two.role or {one.role, two.role} == {"rom", "ram"}


def _fights(chip: int) -> tuple[tuple[int, int], ...]:
    """Who wins where a chip drives along with another: mostly the low level (NMOS and TTL pull down
    harder than up), else the high one, or that chip, or now one and now the other.
    """
    return (LOW_WINS, -1), (HIGH_WINS, -1), (FIRST_WINS, chip), (EITHER_WINS, -1)


def _fights_of_all(evidence: Evidence, chip: int, outputs: int) -> Iterator[dict[str, int]]:
    """The same where it drives along with whoever is asked: it may be stronger than some of them,
    and weaker than those whose reads tell so.
    """
    for fight, strong in _fights(chip):
        yield {"fight": fight, "strong": strong}
    replay = evidence.replay
    others = outputs & ~(1 << chip)
    always = Assumption(always=1 << chip, fight=FIRST_WINS, strong=chip)
    lost = replay.replay(always).cost - replay.replay(always._replace(yields=others)).cost
    yields = sum(
        1 << other
        for other in range(len(replay.chips))
        if others >> other & 1 and lost[replay.healthy.drivers == np.uint32(1 << other)].sum() > 0
    )
    if yields:
        yield {"fight": FIRST_WINS, "strong": chip, "yields": yields}


def _select(evidence: Evidence, chip: int, ref: str) -> Iterator[Proposal]:
    """A chip's select line held at a level: where its clip shows it, and behind that."""
    board = evidence.reading.board
    line, active = f"{SELECT}{ref}", active_level(board, ref)
    net = _clip_of_its_net(evidence, ref)
    for shown in (0, 1):
        yield "clip", Fault("clip", (line,)), Assumption(select_clip=chip, select_clip_on=shown)
    for level in (0, 1):
        if level == active:
            ways = [
                Assumption(select_on=chip, fight=fight, strong=strong)
                for fight, strong in _fights(chip)
            ]
        else:
            ways = [Assumption(select_off=1 << chip)]
        for does in ways:
            behind = does._replace(select_hidden=1)
            shown_at = does
            if net is not None:  # the clip sits at another chip of the same net
                on = int(level == active)
                shown_at = behind._replace(select_clip=net, select_clip_on=on)
            for place in ("decoder", "bus"):
                yield "select", Fault("stuck", (line,), level=level, place=place), shown_at
            for place in ("behind", ref):
                yield "select", Fault("stuck", (line,), level=level, place=place), behind
            if level == 1:
                yield "open", Fault("open", (line,), place=ref), behind


def _clip_of_its_net(evidence: Evidence, ref: str) -> int | None:
    """The chip at whose select pin sits the clip of a net that selects others along with it."""
    reading, chips = evidence.reading, evidence.replay.chips
    clipped = [other for other in reading.cycles.select_names if other in chips]
    net = _net(reading.board, ref)
    if ref in clipped or net is None:
        return None
    same = (chips.index(other) for other in clipped if _net(reading.board, other) == net)
    return next(same, None)


def _net(board: Board, ref: str) -> str | None:
    selects = board.chip(ref).selects
    return selects[0].name if selects else None


def _registers(evidence: Evidence) -> Iterator[Proposal]:
    """I/O chips that are ill inside, in the ways in which their makers' sheets tell it."""
    replay = evidence.replay
    for chip in replay.io_sheets:
        fitted = evidence.reading.board.chip(replay.chips[chip])
        for way in ways_of(fitted.part, fitted.size):
            if fitted.fitted and replay.tells(way):
                does = Assumption(io_ill=chip, io_way=way)
                yield "register", Fault("register", chip=fitted.ref), does


def _shared(evidence: Evidence) -> Iterator[Proposal]:
    """Groups of chips that one cause keeps from driving: a decoder leaves their selects at rest,
    with a buffer or a rail they do not get what is written to them either.
    """
    board = evidence.reading.board
    for kind, name, refs in groups_that_share(board):
        fitted = [ref for ref in refs if board.chip(ref).fitted]
        mask = sum(1 << evidence.replay.chips.index(ref) for ref in fitted)
        if kind == "decoder":
            does = Assumption(select_off=mask)
        elif kind == "bank":
            does = Assumption(silent=mask)
            sizes = {evidence.replay.sizes[evidence.replay.chips.index(ref)] for ref in fitted}
            for ill in _bank_address(mask, max(sizes)):
                yield "shared-address", Fault("shared", chip=name), ill
        else:
            does = Assumption(silent=mask, deaf=mask)
        yield "shared", Fault("shared", chip=name), does


def _bank_address(chips: int, size: int) -> Iterator[Assumption]:
    """What the address multiplexer of a bank of RAM does wrong: a line of it is held, which a
    dynamic RAM sees in its row and in its column, or it stays at one half of the address.
    """
    lines = max(size - 1, 1).bit_length()
    half = lines // 2
    for bit, level in product(range(lines), (0, 1)):
        low, high = stuck(bit, level, 16)
        yield Assumption(pin_chips=chips, pin_and=low, pin_or=high)
        if bit < half:
            low, high = low & stuck(bit + half, level, 16)[0], high << half | high
            yield Assumption(pin_chips=chips, pin_and=low, pin_or=high)
    for twice in (half, -half):
        yield Assumption(pin_chips=chips, pin_half=twice)


def _latches(evidence: Evidence) -> Iterator[Proposal]:
    """Bank bits whose output is stuck, and latches that never take what is written to them."""
    board, matters = evidence.reading.board, evidence.replay.banks.matters
    held_by: dict[str, int] = {}
    for index, bit in enumerate(board.state_bits):
        if not matters >> index & 1:
            continue
        place = board.cpu.ref if bit.port is not None else bit.source or "decoder"
        for level in (0, 1):
            low, high = stuck(index, level, 16)
            yield (
                "latch",
                Fault("stuck", (bit.name,), level=level, place=place),
                Assumption(state_and=low, state_or=high),
            )
        if bit.source is not None and bit.port is None:
            held_by[bit.source] = held_by.get(bit.source, 0) | 1 << index
    for ref, mask in held_by.items():
        yield "latch", Fault("register", chip=ref), Assumption(latch_dead=mask)


def _buffers(evidence: Evidence) -> Iterator[Proposal]:
    """Data buffers that pass nothing, or always the same way: one cause for all chips behind."""
    board, replay = evidence.reading.board, evidence.replay
    for buffer in board.buffers:
        if not buffer.fitted or not buffer.data_mask:
            continue
        behind = _behind(buffer, board)
        chips = sum(
            1 << i
            for i, ref in enumerate(replay.chips)
            if ref in behind and not int(replay.lanes[i]) & ~buffer.data_mask
        )
        latches = sum(1 << i for i, bit in enumerate(board.state_bits) if bit.source in behind)
        if not chips:
            continue
        yield (
            "buffer",
            Fault("silent", chip=buffer.ref),
            Assumption(silent=chips, deaf=chips, latch_dead=latches),
        )
        if buffer.direction is None:
            continue
        # The net that is high while levels pass towards the CPU.
        yield (
            "buffer",
            Fault("stuck", ("DIR",), level=0, place=buffer.ref),
            Assumption(silent=chips),
        )
        yield (
            "buffer",
            Fault("stuck", ("DIR",), level=1, place=buffer.ref),
            Assumption(deaf=chips, latch_dead=latches),
        )


def _behind(buffer: Buffer, board: Board) -> set[str]:
    """References of all that stands behind a buffer, other buffers and theirs included."""
    found: set[str] = set()
    waiting = list(buffer.to)
    while waiting:
        ref = waiting.pop()
        if ref not in found:
            found.add(ref)
            waiting += [other for b in board.buffers if b.ref == ref for other in b.to]
    return found


def active_level(board: Board, ref: str) -> int:
    """Level at which a chip's select is asserted; low where nobody said (common practice)."""
    selects = board.chip(ref).selects
    return selects[0].active if selects else 0


def _cells(evidence: Evidence, off: npt.NDArray[np.uint8]) -> Iterator[Proposal]:
    """Cells: the (chip, offset, bit) that are wrong, the most frequent ones, each alone and with
    the blocks of the array that it may fail with. In a ROM only where all that is wrong is one bit
    at one level: else its content is. `off` has the wrong bits of each read: uint8, shape (n,).
    """
    replay = evidence.replay
    rows = off != 0
    for chip, ref in enumerate(replay.chips):
        role = evidence.reading.board.chip(ref).role
        mine = rows & sole_driver(evidence, chip)
        if role not in ("rom", "ram") or not mine.any():
            continue
        where = replay.offsets(chip, mine)
        wrong = off[mine] & replay.lanes[chip]
        seen = replay.data[mine]
        ways = [
            (bit, level, at)
            for bit in range(8)
            for level in (0, 1)
            if len(at := where[(wrong >> bit & 1 == 1) & (seen >> bit & 1 == level)])
        ]
        if role == "rom" and len(ways) > 1:
            continue
        reads = sole_driver(evidence, chip)
        asked, given = replay.offsets(chip, reads), replay.data[reads]
        for bit, level, at in ways:
            low, high = stuck(bit, level, 8)
            places, times = np.unique(at, return_counts=True)
            sound = np.unique(asked[given >> bit & 1 != level])
            tried = set()
            for offset in places[np.argsort(-times, kind="stable")[:_CELLS]].tolist():
                for block in (_ALONE, *_blocks(places, sound, offset, replay.sizes[chip])):
                    if (block, offset & block) in tried:
                        continue
                    tried.add((block, offset & block))
                    does = Assumption(
                        cell_chip=chip,
                        cell=offset,
                        cell_block=block,
                        cell_and=low,
                        cell_or=high,
                    )
                    if role == "rom" and block == _ALONE:  # one wrong bit is another content, too
                        yield "cells", Fault("content", chip=ref), does
                    # A block is as well called by any of its cells.
                    within = places[(places ^ offset) & block == 0][:_CALLED_BY].tolist()
                    for cell in dict.fromkeys((offset, *within)):
                        yield (
                            "cell" if block == _ALONE and role == "ram" else "cells",
                            Fault("cell", chip=f"{ref}.{cell:04X}.{bit}", level=level),
                            does,
                        )


_ALONE = 0xFFFF
"""Block of one cell."""

_CELLS = 4
"""Places of a bit that are tried, the most frequent ones."""

_CALLED_BY = 8
"""Cells of a block that are named."""


def _blocks(
    places: npt.NDArray[np.int64], sound: npt.NDArray[np.int64], offset: int, size: int
) -> Iterator[int]:
    """Offset bits that bad cells may have in common: those of a row, by common practice the lower
    half of the address lines, those of a column, the others; and the lowest and the highest lines
    in which no wrong one differs. Only where cells that lie elsewhere were seen to be sound: else
    it is the whole bit.
    """
    if len(places) < 2:
        return
    whole, row = array_bits(size)
    differ = int(np.bitwise_or.reduce(places ^ offset))
    lowest = (differ & -differ) - 1
    highest = whole & ~((1 << differ.bit_length()) - 1)
    for block in dict.fromkeys((row, whole & ~row, lowest, highest)):
        if 0 < block < whole and ((sound ^ offset) & block).any():
            yield block
