"""Where the CPU was not as its program implies, and where the bus was another owner's."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from bustrace.board import READ, Board
from bustrace.cycles import Cycles
from bustrace.program import Kind, Program
from bustrace.reading import Reading

AROUND, SHORT_WAY = 32, 64
"""Reads of a ROM as its image has them, before and after, and cycles between, of a false trail that
joined the true one again."""

FEWEST_OTHERS, MOST_WAYS = 4, 2
"""Bytes that are not the image's, more than half of those on such a trail; and trails in a capture,
as stray samples are rare."""

MANY_LINES = 3
"""Address lines that no single fault turns at once."""

AGAIN = 4
"""Cycles in which a line must differ to count among those that do so again and again."""


def left_by_another(
    cycles: Cycles, n: int, disbelieved: int
) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.uint8]]:
    """What another owner of the bus left on the data lines in the other half of each cycle.

    Only where that half had an address of its own. With the CPU's address there it is no other
    owner: a chip that is not gated by phase 2 then drives in both halves, and its byte says
    nothing of an undriven bus.

    Returns
    -------
    left, known : uint8, shape (n,)
    """
    both = cycles.other_address_known[:n] & cycles.address_known[:n]
    another = (cycles.other_address[:n] ^ cycles.address[:n]) & both != 0
    believed = np.uint8(~disbelieved & 0xFF)
    known = np.where(another, cycles.other_data_known[:n] & believed, np.uint8(0))
    return cycles.other_data[:n] & known, known


def went_elsewhere(reading: Reading, n: int) -> npt.NDArray[np.bool_]:
    """Cycles in which the CPU put out another address than its program implies: bool, shape (n,).

    A fault of a line or two leaves the others right; where `MANY_LINES` that move in the capture
    differ at once, or one here and one there again and again, the CPU read something else before
    than the clips show. Lines that always move as one count as one. So it did where a line differs
    `AGAIN` times, though never as the program itself is read, and is mostly right with the same
    levels beside it: the CPU saw another pointer.
    """
    cycles, intent = reading.cycles, reading.program.intent
    seen, known = cycles.address[:n], cycles.address_known[:n]
    high = np.bitwise_or.reduce(seen & known, initial=0)
    moving = high & np.bitwise_or.reduce(~seen & known, initial=0)
    meant, compared = intent.address[:n], known & intent.address_known[:n]
    off = (seen ^ meant) & compared & moving
    elsewhere: npt.NDArray[np.bool_] = np.bitwise_count(off) >= MANY_LINES
    again = [bit for bit in range(16) if int((off[~elsewhere] >> bit & 1).sum()) >= AGAIN]
    if len(again) - _as_one(seen, known, again) >= MANY_LINES:
        elsewhere = off != 0
        return elsewhere
    itself = _reads_itself(reading.program, n)
    for bit in again:
        if f"A{bit}" in reading.program.lines_aside:
            continue  # it differs throughout
        differs = (off >> bit & 1 == 1) & ~elsewhere
        right = (compared & ~off) >> bit & 1 == 1
        if (differs & itself).any() or (right & itself).sum() < differs.sum():
            continue
        beside = meant >> 8 if bit >= 8 else meant & 0xFF
        met = [np.bincount(beside[where], minlength=256) for where in (right, differs)]
        if (met[0] >= met[1]).all():
            elsewhere |= differs
    return elsewhere


def went_another_way(reading: Reading, n: int) -> npt.NDArray[np.bool_]:
    """Cycles in which the program was followed along another way than the CPU took: bool, shape
    (n,).

    A stray sample in a byte that a branch hangs on leads there, and no clip shows it where the low
    half of the address is not captured whole. The ROM does: for a moment its bytes are others than
    its image's, or than it mostly gave there, while those before and behind are right.
    """
    way = np.zeros(n, dtype=np.bool_)
    if reading.hookup.address_mask & 0xFF == 0xFF:
        return way
    cycles, intent, board = reading.cycles, reading.program.intent, reading.board
    read = (intent.rw[:n] == 1) & (cycles.data_known[:n] == 0xFF)
    read &= ~intent.address_known[:n] & board.address_mask == 0
    at = np.flatnonzero(read)
    address, byte = intent.address[:n][at], cycles.data[:n][at]
    held = np.vstack([_images(board), _mostly_given(board, address, byte)])[:, address]
    told = (held >= 0).any(axis=0)
    at, held = at[told], held[:, told]
    wrong = np.flatnonzero((held != byte[told]).all(axis=0))
    ways = np.split(wrong, np.flatnonzero(np.diff(wrong) > AROUND) + 1) if len(wrong) else []
    if len(ways) > MOST_WAYS:
        return way
    for each in ways:
        first, last = each[0], each[-1]
        whole = first >= AROUND and last + AROUND < len(at)
        dense = 2 * len(each) > last - first + 1 and len(each) >= FEWEST_OTHERS
        if not (whole and dense and at[last] - at[first] < SHORT_WAY):
            return np.zeros(n, dtype=np.bool_)
        way[at[first] : at[last] + 1] = True
    return way


def _alone(board: Board, ref: str) -> npt.NDArray[np.bool_]:
    """Addresses at which a chip alone answers reads, in every bank, as bool, shape (65536,)."""
    chip = np.uint32(1 << board.map.index(ref))
    alone: npt.NDArray[np.bool_] = np.all([m.responds[READ] == chip for m in board.maps], axis=0)
    return alone


def _images(board: Board) -> npt.NDArray[np.int16]:
    """What each image of a ROM has where that ROM alone answers: int16, shape (images, 65536), -1
    elsewhere, and where it is not the same in every bank.
    """
    images = []
    for ref in board.map.chips:
        alone = _alone(board, ref)
        for place in range(len(board.chip(ref).images)):
            states = [board.image_bytes(ref, place, state) for state in range(len(board.maps))]
            same = np.all([held == states[0] for held in states], axis=0)
            images.append(np.where(alone & same, states[0], np.int16(-1)))
    return np.array(images, dtype=np.int16).reshape(len(images), 0x10000)


def _mostly_given(
    board: Board, address: npt.NDArray[np.integer], byte: npt.NDArray[np.integer]
) -> npt.NDArray[np.int16]:
    """What a ROM without an image, of one bank, gave in most of its reads at an address: int16,
    shape (65536,), -1 where no byte came more often than all others together.
    """
    given = np.full(0x10000, -1, dtype=np.int16)
    unknown = np.zeros(0x10000, dtype=np.bool_)
    for ref in board.map.chips if len(board.maps) == 1 else ():
        if board.chip(ref).role == "rom" and not board.chip(ref).images:
            unknown |= _alone(board, ref)
    here = unknown[address]
    place, times = np.unique(address[here].astype(np.int64) << 8 | byte[here], return_counts=True)
    reads = np.bincount(address[here], minlength=0x10000)
    most = 2 * times > reads[place >> 8]
    given[place[most] >> 8] = place[most] & 0xFF
    return given


def _as_one(seen: npt.NDArray[np.integer], known: npt.NDArray[np.integer], bits: list[int]) -> int:
    """How many of these address lines never part from one before them: a joint is one fault."""
    both = {bit: known >> bit & 1 == 1 for bit in bits}
    return sum(
        any(
            not ((seen >> bit ^ seen >> before) & 1)[both[bit] & both[before]].any()
            for before in bits[:i]
        )
        for i, bit in enumerate(bits)
    )


def _reads_itself(program: Program, n: int) -> npt.NDArray[np.bool_]:
    """Cycles that may read the instruction itself: the first three of each, bool, shape (n,)."""
    found = np.zeros(n, dtype=np.bool_)
    first = program.first_cycle[program.kind == Kind.INSTRUCTION]
    for step in range(3):
        found[first[first + step < n] + step] = True
    return found
