"""What bytes are to be expected of a memory that nobody knows: how likely each is."""

from __future__ import annotations

from functools import cache

import numpy as np
import numpy.typing as npt

from bustrace.board import READ, WRITE, Board
from bustrace.cpu import variant_named
from bustrace.findings._kernels import (
    ACCESSES,
    ANY_BYTES,
    BRANCHES,
    FILLINGS,
    JUMPS,
    OPCODES,
    ROM_BYTES,
)
from bustrace.program import opcode_shares

ZEROS, ONES = 1 / 16, 1 / 32
"""Share of $00 and of $FF among what a ROM holds: common practice (operands, tables, what was not
programmed). Other bytes share the rest evenly."""

FILLED_WITH = {0xFF: 0.45, 0x00: 0.25, 0xEA: 0.2}
"""Share of what the free space of a ROM is filled with: an EPROM that is not programmed, zeros, NOP
(common practice; how often each is judgement). Other bytes share the rest evenly."""

NOWHERE = 0.001
"""Share of reset vectors that lead to where no ROM is: of none that was meant, so that it is the
price of a wrong bit (`answers.PRICES`)."""

IN_ROM = 0.5
"""Share of the other vectors that lead into a ROM at once: many go by way of RAM, or are not used
(judgement)."""


SOMEWHERE = 0.95
"""Share of operands that lead to where something is: of jumps and calls to a ROM, the rest into RAM
mostly; of other accesses to any chip, each as often as the next (judgement)."""

AT_ITS_BASE = 0.5
"""Share of the accesses of an I/O chip that use the lowest page at which it answers: programs
seldom use the mirrors (common practice; how seldom is judgement)."""

NEAR = 8
"""Distance of a branch at which it is half as likely as over none: most loops and skips are short
(common practice; how short is judgement)."""

_OPERANDS = {
    "call": (2, JUMPS),
    "jump": (2, JUMPS),
    "(jump)": (2, ACCESSES),
    "abs": (2, ACCESSES),
    "abs,x": (2, ACCESSES),
    "abs,y": (2, ACCESSES),
    "rel": (1, BRANCHES),
}
"""By addressing mode, the byte after the opcode that tells where to, and what it tells."""


@cache
def operands(variant: str) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.uint8]]:
    """By opcode, which byte after it tells a page or a distance, and the row of `usual_on` for it;
    both 0 for opcodes without one, and for what the sheet does not list.

    Returns
    -------
    uint8, shape (256,), twice
    """
    byte, use = np.zeros((2, 256), dtype=np.uint8)
    for opcode in variant_named(variant).opcodes():
        if opcode.documented and opcode.mode in _OPERANDS:
            byte[opcode.opcode], use[opcode.opcode] = _OPERANDS[opcode.mode]
    return byte, use


@cache
def usual_bytes(variant: str) -> npt.NDArray[np.float64]:
    """Probability that a byte has the levels that some data lines show.

    Returns
    -------
    float64, shape (4, 256, 256)
        For bytes of a RAM at power-on, of a ROM, for opcodes of a program, and for what the free
        space of a ROM holds: by the mask of the lines that tell, and what they show (other lines
        0).
    """
    of = np.empty((4, 256))
    of[ANY_BYTES] = 1 / 256
    of[ROM_BYTES] = (1 - ZEROS - ONES) / 254
    of[ROM_BYTES, [0x00, 0xFF]] = ZEROS, ONES
    of[OPCODES] = opcode_shares(variant)
    of[FILLINGS] = (1 - sum(FILLED_WITH.values())) / (256 - len(FILLED_WITH))
    of[FILLINGS, list(FILLED_WITH)] = list(FILLED_WITH.values())
    return _shown(of)


def usual_on(board: Board) -> npt.NDArray[np.float64]:
    """The same for a board: float64, shape (9, 256, 256). The last are for what a ROM gives at
    $FFFD, the page in which its program begins, for the pages of the other vectors, for those of
    jumps and of other accesses, and for the distances of branches.
    """
    usual = usual_bytes(board.cpu.variant)
    pages = np.full(256, 1 / 256)
    jumps = accesses = usual[ROM_BYTES, 0xFF]
    if board.complete:
        programs = _pages_of(board, programs_at_power_on(board))
        if programs.any() and not programs.all():
            pages[programs] = (1 - NOWHERE) / programs.sum()
            pages[~programs] = NOWHERE / (~programs).sum()
            jumps = SOMEWHERE * programs / programs.sum() + (1 - SOMEWHERE) / 256
        accesses = _accesses(board)
    distance = np.abs(np.arange(256, dtype=np.uint8).view(np.int8).astype(np.float64))
    branches = 1 / (NEAR + distance)
    begins = _shown(pages[None])
    return np.concatenate(
        [
            usual,
            begins,
            IN_ROM * begins + (1 - IN_ROM) * usual[[ROM_BYTES]],
            _shown(np.stack([jumps, accesses, branches / branches.sum()])),
        ]
    )


def _pages_of(board: Board, chips: int, *, writes: bool = False) -> npt.NDArray[np.bool_]:
    """Pages in which any of some chips answers reads, or `writes` too, in any bank: bool, shape
    (256,).
    """
    there = np.zeros(256, dtype=np.bool_)
    for each in board.maps:
        who = each.responds[READ] | each.responds[WRITE] if writes else each.responds[READ]
        there |= (who.reshape(256, 256) & np.uint32(chips) != 0).any(axis=1)
    return there


def _accesses(board: Board) -> npt.NDArray[np.float64]:
    """Share of each page among those that a program reads and writes."""
    shares = []
    for bit, ref in enumerate(board.map.chips):
        mine = np.flatnonzero(_pages_of(board, 1 << bit, writes=True))
        if len(mine):
            share = np.zeros(256)
            base = AT_ITS_BASE if board.chip(ref).role == "io" else 0.0
            share[mine] = (1 - base) / len(mine)
            share[mine[0]] += base
            shares.append(share)
    if not shares:
        return np.full(256, 1 / 256)
    found: npt.NDArray[np.float64] = SOMEWHERE * np.mean(shares, axis=0) + (1 - SOMEWHERE) / 256
    return found


def programs_at_power_on(board: Board) -> int:
    """Chips of the map that may hold a program at power-on, a bit each."""
    chips = map(board.chip, board.map.chips)
    return sum(1 << bit for bit, chip in enumerate(chips) if chip.role == "rom" or chip.images)


def _shown(of: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """For each kind of byte, by the lines that tell and what they show, the sum of all such."""
    byte = np.arange(256)
    shown = np.array(
        [
            [np.bincount(byte & lines, weights=one, minlength=256) for lines in range(256)]
            for one in of
        ]
    )
    shown.flags.writeable = False
    return shown
