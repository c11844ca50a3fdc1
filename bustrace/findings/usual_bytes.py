"""What bytes are to be expected of a memory that nobody knows: how likely each is."""

from __future__ import annotations

from functools import cache

import numpy as np
import numpy.typing as npt

from bustrace.findings._kernels import ANY_BYTES, OPCODES, ROM_BYTES
from bustrace.program import opcode_shares

ZEROS, ONES = 1 / 16, 1 / 32
"""Share of $00 and of $FF among what a ROM holds: common practice (operands, tables, what was not
programmed). Other bytes share the rest evenly."""


@cache
def usual_bytes(variant: str) -> npt.NDArray[np.float64]:
    """Probability that a byte has the levels that some data lines show.

    Returns
    -------
    float64, shape (3, 256, 256)
        For bytes of a RAM at power-on, of a ROM, and for opcodes of a program: by the mask of the
        lines that tell, and what they show (other lines 0).
    """
    of = np.empty((3, 256))
    of[ANY_BYTES] = 1 / 256
    of[ROM_BYTES] = (1 - ZEROS - ONES) / 254
    of[ROM_BYTES, [0x00, 0xFF]] = ZEROS, ONES
    of[OPCODES] = opcode_shares(variant)
    byte = np.arange(256)
    shown = np.array(
        [
            [np.bincount(byte & lines, weights=one, minlength=256) for lines in range(256)]
            for one in of
        ]
    )
    shown.flags.writeable = False
    return shown
