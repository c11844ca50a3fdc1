"""What bytes are to be expected of a memory that nobody knows: how likely each is."""

from __future__ import annotations

from functools import cache

import numpy as np
import numpy.typing as npt

from bustrace.board import READ, Board
from bustrace.findings._kernels import ANY_BYTES, FILLINGS, OPCODES, ROM_BYTES
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
    """The same for a board: float64, shape (6, 256, 256). The last are for what a ROM gives at
    $FFFD, the page in which its program begins, and for the pages of the other vectors.
    """
    pages = np.full(256, 1 / 256)
    if board.complete:
        programs = np.uint32(programs_at_power_on(board))
        there = np.zeros(256, dtype=np.bool_)
        for each in board.maps:
            there |= (each.responds[READ].reshape(256, 256) & programs != 0).any(axis=1)
        if there.any() and not there.all():
            pages[there] = (1 - NOWHERE) / there.sum()
            pages[~there] = NOWHERE / (~there).sum()
    usual = usual_bytes(board.cpu.variant)
    begins = _shown(pages[None])
    return np.concatenate([usual, begins, IN_ROM * begins + (1 - IN_ROM) * usual[[ROM_BYTES]]])


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
