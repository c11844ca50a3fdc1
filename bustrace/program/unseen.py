"""Interrupts that the bus shows though the pin that asked for them was not captured."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from bustrace.program.model import Kind
from bustrace.program.searched import SURE, Searched
from bustrace.program.thread import Patch, Thread

_IRQ, _NMI = 0xFFFE, 0xFFFA
_VECTORS = (("irq", _IRQ), ("nmi", _NMI))
_BREAK, _MASKED = 0x10 << 16, 0x04 << 16
_READS = (1, 1, 0, 0, 0, 1, 1)
_PUSHED, _VECTOR, _LENGTH = 4, 5, len(_READS)
"""Cycles of the sequence: the last write, the first read of the vector, all."""

_EARLIEST = 3
"""Cycles that an interrupt is asked for before it is taken."""

_SHORTEST_CUT = 3
"""Cycles of a sequence that the end of the recording cuts off: the first write is among them."""

_UNPROVEN = 24
"""Cycles before the end from which too little is left to try who interrupted."""


def unseen_interrupts(thread: Thread) -> tuple[Patch, ...]:
    """Levels of IRQ and NMI that the sequences of interrupts on the bus tell.

    Only an interrupt reads one address twice, writes three times to the stack, the last byte with
    bit 4 low (it is high after BRK), and reads a vector (hardware manual, A.5.4). Where the
    captured lines do not tell the vectors apart, bit 2 of that byte does: high, only NMI. The pin
    was low when it was looked at: in the cycle before the last one of an instruction, or the one
    before that, which a taken branch looks at. At the end of the recording a sequence whose vector
    is not told is taken for an IRQ, the likelier; a CPU that lets none in does not take it.

    Returns
    -------
    tuple of Patch
        None for a pin that was captured, nor where R/W, the data or most address lines were not.
    """
    names = [name for name, _ in _VECTORS if name in thread.unwatched]
    if not names or len(thread) < _LENGTH + 4:
        return ()
    control = thread.seen.view(np.uint8)[3::4]
    writes = thread.captured.view(np.uint8)[3::4] & ~control & np.uint8(1)
    begins = np.flatnonzero(writes[:-2] & writes[1:-1] & writes[2:]) - 2
    begins = begins[(begins >= 4) & (begins <= len(thread) - _LENGTH)]
    begins = begins[_interrupts(thread, begins, _LENGTH)]
    vectors = begins[:, None] + (_VECTOR, _VECTOR + 1)
    seen, lines = thread.seen[vectors], thread.captured[vectors] & np.uint32(0xFFFF)
    told = (lines & (_IRQ ^ _NMI) != 0).all(axis=1)
    # An IRQ is not taken with the I flag set: the status that is pushed tells.
    pushed = begins + _PUSHED
    masked = thread.captured[pushed] & thread.seen[pushed] & _MASKED != 0
    patches = []
    for name, vector in _VECTORS:
        ours = ((seen ^ (vector, vector + 1)) & lines == 0).all(axis=1)
        ours &= told | masked & (name == "nmi")
        if name in names:
            patches += [_low(name, at) for at in begins[ours].tolist()]
    if "irq" in names:
        irq = ((seen ^ (_IRQ, _IRQ + 1)) & lines == 0).all(axis=1)
        last = begins[~told & ~masked & irq & (begins > len(thread) - _UNPROVEN)].tolist()
        patches += [_low("irq", at) for at in (*last, *_cut_off(thread))]
    return tuple(patches)


def searched_interrupts(thread: Thread, found: Searched) -> tuple[Patch, ...]:
    """Levels of IRQ and NMI, where not captured, that the sure rows of a search tell."""
    sure = (found.confidence >= SURE) & (found.first_cycle >= _EARLIEST)
    kinds = (("irq", Kind.IRQ), ("nmi", Kind.NMI))
    return tuple(
        _low(name, begin)
        for name, kind in kinds
        if name in thread.unwatched
        for begin in found.first_cycle[sure & (found.kind == kind)].tolist()
    )


def _low(name: str, begin: int) -> Patch:
    return Patch(name, (begin - _EARLIEST, begin - _EARLIEST + 1), (0, 0))


def _interrupts(
    thread: Thread, begins: npt.NDArray[np.int64], length: int
) -> npt.NDArray[np.bool_]:
    """Whether what begins there is as the first `length` cycles of an interrupt are."""
    cycles = begins[:, None] + np.arange(length)
    seen, captured = thread.seen[cycles], thread.captured[cycles]
    lines = captured & 0xFFFF
    found: npt.NDArray[np.bool_] = (captured >> 24 & 1 == 1).all(axis=1)
    found &= (seen >> 24 & 1 == _READS[:length]).all(axis=1)
    found &= (np.bitwise_count(lines) >= 8).all(axis=1)
    found &= (seen[:, 0] ^ seen[:, 1]) & lines[:, 0] & lines[:, 1] == 0
    pushes = slice(2, _PUSHED + 1)
    found &= ((seen[:, pushes] ^ 0x0100) & lines[:, pushes] & 0xFF00 == 0).all(axis=1)
    if length > _PUSHED:
        found &= captured[:, _PUSHED] & ~seen[:, _PUSHED] & np.uint32(_BREAK) != 0
    return found


def _cut_off(thread: Thread) -> Iterator[int]:
    """Where a sequence begins that the end of the recording cuts off."""
    n = len(thread)
    for length in range(_LENGTH - 1, _SHORTEST_CUT - 1, -1):
        begin = n - length
        if not _interrupts(thread, np.array([begin]), length)[0]:
            continue
        first, second = int(thread.captured[begin]), int(thread.captured[begin + 1])
        # Without A0 a push reads "one" address twice too, and so does BRK up to the flags.
        opcode = int(thread.seen[begin]) >> 16 & 0xFF
        no_break = first >> 16 & 0xFF == 0xFF and opcode != 0
        if first & second & 1 or length > _PUSHED or (length == _PUSHED and no_break):
            yield begin
            return
