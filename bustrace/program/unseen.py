"""Interrupts that the bus shows though the pin that asked for them was not captured."""

from __future__ import annotations

import numpy as np

from bustrace.program.thread import Patch, Thread

_VECTORS = (("irq", 0xFFFE), ("nmi", 0xFFFA))
_BREAK = 0x10 << 16
_PUSHED, _VECTOR, _LENGTH = 4, 5, 7
"""Cycles of the sequence: the last write, the first read of the vector, all."""


def unseen_interrupts(thread: Thread) -> tuple[Patch, ...]:
    """Levels of IRQ and NMI that the sequences of interrupts on the bus tell.

    Only an interrupt reads one address twice, writes three times to the stack, the last byte with
    bit 4 low (it is high after BRK), and reads a vector (hardware manual, A.5.4). The pin was low
    when it was looked at: in the cycle before the last one of an instruction, or the one before
    that, which a taken branch looks at.

    Returns
    -------
    tuple of Patch
        None for a pin that was captured, nor where R/W, the data or most address lines were not.
    """
    if thread.unwatched.isdisjoint(name for name, _ in _VECTORS):
        return ()
    control = thread.seen.view(np.uint8)[3::4]
    writes = thread.captured.view(np.uint8)[3::4] & ~control & np.uint8(1)
    begins = np.flatnonzero(writes[:-2] & writes[1:-1] & writes[2:]) - 2
    begins = begins[(begins >= 4) & (begins <= len(thread) - _LENGTH)]
    cycles = begins[:, None] + np.arange(_LENGTH)
    seen, captured = thread.seen[cycles], thread.captured[cycles]
    lines = captured & 0xFFFF
    reads = (seen & captured) >> 24 & 1
    interrupts = (reads == (1, 1, 0, 0, 0, 1, 1)).all(axis=1)
    interrupts &= (np.bitwise_count(lines) >= 8).all(axis=1)
    interrupts &= (seen[:, 0] ^ seen[:, 1]) & lines[:, 0] & lines[:, 1] == 0
    interrupts &= ((seen[:, 2:5] ^ 0x0100) & lines[:, 2:5] & 0xFF00 == 0).all(axis=1)
    interrupts &= captured[:, _PUSHED] & ~seen[:, _PUSHED] & np.uint32(_BREAK) != 0
    # Without the line in which the vectors differ, whose interrupt it was is not told.
    interrupts &= (lines[:, _VECTOR:] & (_VECTORS[0][1] ^ _VECTORS[1][1]) != 0).all(axis=1)
    patches = []
    for name, vector in _VECTORS:
        ours = ((seen[:, _VECTOR:] ^ (vector, vector + 1)) & lines[:, _VECTOR:] == 0).all(axis=1)
        if name in thread.unwatched:
            for at in begins[interrupts & ours].tolist():
                patches.append(Patch(name, (at - 3, at - 2), (0, 0)))
    return tuple(patches)
