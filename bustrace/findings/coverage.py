"""Which bytes of each chip the program touched, as bit sets over the chip's own addresses."""

from __future__ import annotations

import numpy as np
from bitarray import bitarray

from bustrace.findings.evidence import Evidence


def coverage(evidence: Evidence, ref: str) -> bitarray:
    """Bytes of a chip that were read.

    Returns
    -------
    bitarray of the chip's size, 1 where a read addressed the byte.

    Raises
    ------
    ValueError
        The chip is not in the board's address map.
    """
    replay = evidence.replay
    chip = replay.chips.index(ref)
    drives = replay.healthy.drivers >> np.uint32(chip) & np.uint32(1) == 1
    where = replay.offsets(chip, drives)
    touched = bitarray(replay.sizes[chip])
    touched[np.unique(where).tolist()] = 1
    return touched


def share(touched: bitarray) -> str:
    """``812 of 8,192 bytes``."""
    return f"{touched.count():,} of {len(touched):,} bytes"
