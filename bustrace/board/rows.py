"""The address map as rows for people."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from bustrace.board.model import N_ADDRESSES, READ, WRITE, AddressMap, Board
from bustrace.units import count_words, numbered_runs

VECTORS = 0xFFFA
"""First address of the vectors NMI, RES and IRQ/BRK (W65C02S data sheet, table 3-1)."""

MAX_PATTERN = 32
"""Longest pattern of rows, in rows, whose repetition is noticed."""


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
    rows_above : int
        Rows just before this one whose pattern it repeats; its readers and writers are then those
        of the whole pattern, one here and another there. 0 for a row of its own.
    """

    first: int
    last: int
    readers: tuple[str, ...]
    writers: tuple[str, ...]
    mirror_of: tuple[int, int] | None
    remark: str
    rows_above: int = 0


def map_rows(board: Board) -> tuple[MapRow, ...]:
    """All 65,536 addresses as rows, lowest first, without a hole and without an overlap.

    Where a pattern of several rows repeats, as with chips selected by single address lines, it is
    shown once and its repetitions are one row.
    """
    table = board.map
    origins = _origins(table)
    # An address is original as soon as one of its chips shows a byte for the first time.
    mirrored = (origins >= 0).any(axis=0) & ~(origins == np.arange(N_ADDRESSES)).any(axis=0)
    doubled = table.doubled()
    marks = np.stack(
        [table.responds[WRITE], table.responds[READ], mirrored, doubled, table.described]
    ).astype(np.int64)
    starts = np.flatnonzero(np.any(marks[:, 1:] != marks[:, :-1], axis=0)) + 1
    edges = [0, *starts.tolist(), N_ADDRESSES]
    rows = [
        _row(board, first, end - 1, origins if mirrored[first] else None, bool(doubled[first]))
        for first, end in pairwise(edges)
    ]
    return tuple(_with_vectors(board, row) for row in _folded(rows))


def _origins(table: AddressMap) -> npt.NDArray[np.int64]:
    """Lowest address that shows the same byte of the same chip; -1 where the chip is silent.

    Returns
    -------
    int64, shape (n_chips, 65536)
    """
    origins = np.full(table.offsets.shape, -1, dtype=np.int64)
    for chip_origins, offsets in zip(origins, table.offsets, strict=True):
        here = np.flatnonzero(offsets >= 0)
        _, first, which = np.unique(offsets[here], return_index=True, return_inverse=True)
        chip_origins[here] = here[first[which]]
    return origins


def _row(
    board: Board, first: int, last: int, origins: npt.NDArray[np.int64] | None, doubled: bool
) -> MapRow:
    """One row; `origins` only for a mirror."""
    table = board.map
    readers = _refs(table.chips, int(table.responds[READ, first]))
    writers = _refs(table.chips, int(table.responds[WRITE, first]))
    remarks = []
    mirror_of = None
    if not readers and not writers:
        remarks.append("nobody answers" if table.described[first] else "not described")
    if origins is not None:
        shown = np.unique(origins[table.index((readers or writers)[0]), first : last + 1])
        mirror_of = (int(shown[0]), int(shown[-1]))
        images = (last - first + 1) / len(shown)
        remarks.append(count_words(round(images), "more image"))
    if doubled:
        who = numbered_runs(readers).replace(", ", " and ")
        remarks.append(f"DOUBLED: {who} drive the same read")
    if not readers and writers:
        remarks.append("write only")
    return MapRow(first, last, readers, writers, mirror_of, "; ".join(remarks))


def _folded(rows: Sequence[MapRow]) -> list[MapRow]:
    """Rows with every pattern that comes at least three times in a row shown once."""
    keys = [(row.last - row.first, row.readers, row.writers) for row in rows]
    # Only mirrors and gaps repeat; an address with a byte of its own is always shown.
    repeats = [row.mirror_of is not None or not (row.readers or row.writers) for row in rows]
    kept: list[MapRow] = []
    at = 0
    while at < len(rows):
        for period in range(2, MAX_PATTERN + 1):
            end = at + period
            while end < len(rows) and repeats[end] and keys[end] == keys[end - period]:
                end += 1
            copies = (end - at) // period
            if copies >= 3:
                break
        else:
            kept.append(rows[at])
            at += 1
            continue
        pattern = rows[at : at + period]
        end = at + copies * period
        kept.extend(pattern)
        kept.append(
            MapRow(
                first=rows[at + period].first,
                last=rows[end - 1].last,
                readers=tuple(dict.fromkeys(ref for row in pattern for ref in row.readers)),
                writers=tuple(dict.fromkeys(ref for row in pattern for ref in row.writers)),
                mirror_of=(pattern[0].first, pattern[-1].last),
                remark=f"the {period} rows above, {count_words(copies - 1, 'more time')}",
                rows_above=period,
            )
        )
        at = end
    return kept


def _with_vectors(board: Board, row: MapRow) -> MapRow:
    if row.last < VECTORS:
        return row
    return replace(row, remark="; ".join(filter(None, (row.remark, _vectors(board)))))


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
