"""Data clips that are off: reads taken from what the chips hold instead.

A data line that never moves at the clip, while the CPU goes on as though it did, has a slipped
clip. Its level in a read is then taken from the ROM's image, or from what the program wrote there.
One that runs upside down tells what it should, once that is known, and so do two that sit on each
other's pins.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt

from bustrace.board import READ, WRITE, Board
from bustrace.board.rows import VECTORS
from bustrace.cycles.model import Cycles
from bustrace.program.model import Intent

Bytes = npt.NDArray[np.uint8]

_PLACES, _MANY, _FEW_LINES = 24, 0.2, 3
"""Addresses at which a line must be held against the image, the share of them that contradicts it,
and lines that slipped clips can spoil together."""

_UNSEEN_LINES = 4
"""Address lines that may be unclipped: with more the images leave too much open."""

_ENOUGH = 64
"""Cycles below which a line that rests means nothing."""


def resting_data(cycles: Cycles) -> int:
    """Captured data lines that show one level in the whole capture, as bits 0 to 7."""
    if len(cycles) < _ENOUGH:
        return 0
    high = int(np.bitwise_or.reduce(cycles.data & cycles.data_known))
    low = int(np.bitwise_or.reduce(~cycles.data & cycles.data_known))
    seen = int(np.bitwise_or.reduce(cycles.data_known))
    return seen & ~(high & low)


def contradicted_data(cycles: Cycles, board: Board) -> int:
    """Captured data lines of which many ROM reads are not as in the image, as bits 0 to 7; 0 where
    most lines are: then it is not the image.
    """
    address, _, reading = _accesses(cycles, board)
    held = _rom_bytes(board, address, reading)
    places, first = np.unique(address[held >= 0], return_index=True)
    if len(places) < _PLACES:
        return 0
    mine = np.flatnonzero(held >= 0)[first]
    wrong = (held[mine] ^ cycles.data[mine]) & cycles.data_known[mine]
    share = [(wrong >> bit & 1).mean() for bit in range(8)]
    off = [bit for bit in range(8) if share[bit] > _MANY]
    return sum(1 << bit for bit in off) if len(off) <= _FEW_LINES else 0


def _accesses(
    cycles: Cycles, board: Board
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    """Captured addresses; the cycles in which they are whole and mean the same in every bank (which
    one is in hangs on bytes that are in question here); the reads among those.
    """
    address = (cycles.address & 0xFFFF).astype(np.int64)
    pins = board.address_mask
    whole = (cycles.address_known & pins == pins) & _alike(board)[address]
    return address, whole, whole & (cycles.pin("RW") == 1)


def _rom_bytes(
    board: Board, address: npt.NDArray[np.int64], reading: npt.NDArray[np.bool_]
) -> npt.NDArray[np.int16]:
    """Image byte of each read that one ROM alone answers, -1 elsewhere."""
    answering = board.map.responds[READ, address]
    held = np.full(len(address), -1, np.int16)
    for number, ref in enumerate(board.map.chips):
        chip = board.chip(ref)
        if chip.role == "rom" and chip.images:
            mine = reading & (answering == np.uint32(1 << number))
            held[mine] = board.image_bytes(ref)[address[mine]]
    return held


def _at_vectors(cycles: Cycles, intent: Intent) -> Cycles:
    """The cycles with the whole address where the CPU read a vector, and the captured lines agree:
    there alone it does not hang on the bytes in question.
    """
    shown, meant = cycles.address_known, intent.address_known & np.uint32(0xFFFF)
    reads = (meant == 0xFFFF) & (intent.address >= VECTORS)
    reads &= (cycles.address ^ intent.address) & shown & meant == 0
    more = np.where(reads, meant & ~shown, np.uint32(0))
    return replace(
        cycles, address=cycles.address | intent.address & more, address_known=shown | more
    )


def _by_the_images(
    cycles: Cycles, filled: Cycles, board: Board, lines: np.uint8
) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.uint8]]:
    """What data lines must show in each read of a ROM by its image, and on which of them it tells.
    Where address lines are not captured, nor filled, all places stay in question that have the
    bytes on the other data lines.
    """
    address, _, reading = _accesses(filled, board)
    held = _rom_bytes(board, address, reading)
    byte, told = held.astype(np.uint8), np.where(held >= 0, lines, np.uint8(0))
    captured = int(np.bitwise_or.reduce(cycles.address_known, initial=0))
    unseen = [bit for bit in range(16) if board.address_mask & ~captured & 1 << bit]
    if not unseen or len(unseen) > _UNSEEN_LINES:
        return byte, told
    open_lines = np.uint32(sum(1 << bit for bit in unseen))
    high, low = np.zeros(len(cycles), np.uint8), np.zeros(len(cycles), np.uint8)
    in_a_rom = held < 0
    for place in range(1 << len(unseen)):
        there = sum(1 << bit for at, bit in enumerate(unseen) if place >> at & 1)
        tried = replace(
            cycles,
            address=cycles.address & ~open_lines | np.uint32(there),
            address_known=cycles.address_known | open_lines,
        )
        address, _, reading = _accesses(tried, board)
        held = _rom_bytes(board, address, reading)
        in_a_rom &= held >= 0
        fits = (held.astype(np.uint8) ^ cycles.data) & cycles.data_known & ~lines == 0
        high |= np.where(fits, held.astype(np.uint8), np.uint8(0))
        low |= np.where(fits, ~held.astype(np.uint8), np.uint8(0))
    agreed = np.where(in_a_rom, (high ^ low) & lines, np.uint8(0))
    return np.where(in_a_rom, high, byte), (told | agreed).astype(np.uint8)


def as_in_the_images(cycles: Cycles, board: Board) -> int:
    """Addresses whose first read, by the captured data lines, is what one ROM's image has there."""
    address, _, reading = _accesses(cycles, board)
    held = _rom_bytes(board, address, reading)
    _, first = np.unique(address[held >= 0], return_index=True)
    mine = np.flatnonzero(held >= 0)[first]
    return int(((held[mine] ^ cycles.data[mine]) & cycles.data_known[mine] == 0).sum())


def without_clips(
    cycles: Cycles,
    board: Board,
    bits: int,
    written: Bytes | None = None,
    written_known: Bytes | None = None,
    intent: Intent | None = None,
) -> Cycles:
    """The cycles with some data lines taken from what the chips hold, unknown elsewhere.

    Parameters
    ----------
    cycles : Cycles
    board : Board
        With ROM images; all but a few address lines must have been captured for them to help much.
    bits : int
        Lines not to be believed, bits 0 to 7.
    written, written_known : uint8, shape (n_cycles,), or None
        What the CPU meant to write, as far as the program is known: it fills reads of RAM.
    intent : Intent or None
        What it meant, as far as the program is known: it tells where vectors were read.
    """
    lines = np.uint8(bits)
    data = cycles.data & ~lines
    known = cycles.data_known & ~lines
    address, whole, reading = _accesses(cycles, board)
    filled = _at_vectors(cycles, intent) if intent else cycles
    byte, told = _by_the_images(cycles, filled, board, lines)
    data |= byte & told
    known |= told
    answering = board.map.responds[READ, address]
    for number, ref in enumerate(board.map.chips):
        mine = reading & (answering == np.uint32(1 << number))
        chip = board.chip(ref)
        if chip.role == "ram" and written is not None and written_known is not None:
            # Each read gets the last write to its place before it, where that is known.
            writes = whole & (cycles.pin("RW") == 0)
            writes &= board.map.responds[WRITE, address] >> np.uint32(number) & 1 == 1
            place = board.map.inner[number, address].astype(np.int64) * len(cycles)
            place += np.arange(len(cycles))
            order = np.sort(place[writes])
            at = np.searchsorted(order, place[mine]) - 1
            found = (at >= 0) & (
                order[np.maximum(at, 0)] // len(cycles) == place[mine] // len(cycles)
                if len(order)
                else False
            )
            found[found] = written_known[order[at[found]] % len(cycles)] & lines == lines
            reads = np.flatnonzero(mine)[found]
            data[reads] |= written[order[at[found]] % len(cycles)] & lines
            known[reads] |= lines
    return replace(cycles, data=data, data_known=known)


def turned_over(cycles: Cycles, bit: int) -> Cycles:
    """The cycles with one data line upside down, where it was captured."""
    return replace(cycles, data=cycles.data ^ (cycles.data_known & np.uint8(1 << bit)))


def exchanged(cycles: Cycles, a: int, b: int) -> Cycles:
    """The cycles with two data lines in each other's place."""

    def over(byte: Bytes) -> Bytes:
        differ = (byte >> np.uint8(a) ^ byte >> np.uint8(b)) & np.uint8(1)
        changed: Bytes = byte ^ (differ << np.uint8(a) | differ << np.uint8(b))
        return changed

    return replace(cycles, data=over(cycles.data), data_known=over(cycles.data_known))


def beginning(cycles: Cycles, n: int) -> Cycles:
    """The first `n` cycles."""
    parts = {name: getattr(cycles, name) for name in cycles.__dataclass_fields__}
    first: dict[str, Any] = {
        name: part[:n] for name, part in parts.items() if isinstance(part, np.ndarray)
    }
    return replace(cycles, **first)


def _alike(board: Board) -> npt.NDArray[np.bool_]:
    """Addresses at which the same bytes answer in every bank: bool, shape (65536,)."""
    table = board.map
    alike = np.ones(table.responds.shape[1], dtype=np.bool_)
    for other in board.banks or ():
        who = table.responds[WRITE] | table.responds[READ]
        alike &= (table.responds == other.responds).all(axis=0)
        for number in range(len(table.chips)):
            mine = who >> np.uint32(number) & 1 == 1
            alike &= ~mine | (table.inner[number] == other.inner[number])
    return alike
