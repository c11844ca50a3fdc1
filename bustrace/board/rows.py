"""The address map as rows for people."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from bustrace.board.model import N_ADDRESSES, READ, WRITE, Board

VECTORS = 0xFFFA
"""First address of the vectors NMI, RES and IRQ/BRK (W65C02S data sheet, table 3-1)."""


@dataclass(frozen=True, slots=True)
class MapRow:
    """Neighbouring addresses that behave alike.

    Attributes
    ----------
    first, last : int
    readers : tuple of str
        Chips that answer reads.
    writers : tuple of str
        Chips that take writes.
    mirror_of : tuple of (first, last) or None
        The lower addresses that this row repeats.
    remark : str
        Number of images, gap, doubled drivers, vectors; empty when there is nothing to say.
    """

    first: int
    last: int
    readers: tuple[str, ...]
    writers: tuple[str, ...]
    mirror_of: tuple[int, int] | None
    remark: str


def map_rows(board: Board) -> tuple[MapRow, ...]:
    """All 65,536 addresses as rows, lowest first, without a hole and without an overlap."""
    table = board.map
    mirrored = np.zeros(N_ADDRESSES, dtype=np.bool_)
    answered = (table.responds != 0).any(axis=0)
    mirrored[answered] = True
    for offsets in table.offsets:
        here = np.flatnonzero(offsets >= 0)
        _, first = np.unique(offsets[here], return_index=True)
        # An address is original as soon as one of its chips shows a byte for the first time.
        mirrored[here[first]] = False
    doubled = table.doubled()
    marks = np.stack(
        [
            table.responds[WRITE],
            table.responds[READ],
            mirrored,
            doubled,
            table.described,
        ]
    ).astype(np.int64)
    starts = np.flatnonzero(np.any(marks[:, 1:] != marks[:, :-1], axis=0)) + 1
    edges = [0, *starts.tolist(), N_ADDRESSES]
    return tuple(
        _row(board, first, end - 1, bool(mirrored[first]), bool(doubled[first]))
        for first, end in pairwise(edges)
    )


def _row(board: Board, first: int, last: int, mirrored: bool, doubled: bool) -> MapRow:
    table = board.map
    readers = _refs(table.chips, int(table.responds[READ, first]))
    writers = _refs(table.chips, int(table.responds[WRITE, first]))
    remarks = []
    mirror_of = None
    if not readers and not writers:
        remarks.append("nobody answers" if table.described[first] else "not described")
    if mirrored:
        index = table.index((readers or writers)[0])
        offsets = table.offsets[index]
        inside = offsets[first : last + 1]
        shown = np.isin(offsets, inside)
        originals = np.flatnonzero(shown)
        start = int(originals[0])
        length = min(len(np.unique(inside)), last - first + 1)
        mirror_of = (start, start + length - 1)
        images = (last - first + 1) / length
        remarks.append(f"{images:g} more image{'' if images == 1 else 's'}")
    if doubled:
        remarks.append("DOUBLED: " + " and ".join(readers) + " both drive reads")
    if not readers and writers:
        remarks.append("write only")
    if last >= VECTORS:
        remarks.append(_vectors(board))
    return MapRow(first, last, readers, writers, mirror_of, "; ".join(remarks))


def _vectors(board: Board) -> str:
    """Who holds the reset vector, and where it leads by the expected image."""
    owners = _refs(board.map.chips, int(board.map.responds[READ, 0xFFFC]))
    if not owners:
        return (
            "vectors: nobody answers" if board.map.described[0xFFFC] else "vectors: not described"
        )
    chip = board.chip(owners[0])
    if not chip.images or len(owners) > 1:
        return "vectors"
    content = board.image_bytes(chip.ref)
    return f"vectors; reset leads to ${content[0xFFFD]:02X}{content[0xFFFC]:02X}"


def _refs(chips: tuple[str, ...], bits: int) -> tuple[str, ...]:
    return tuple(ref for index, ref in enumerate(chips) if bits >> index & 1)
