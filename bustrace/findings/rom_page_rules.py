"""A rule about ROMs where no program was recovered and the lowest address lines were not clipped:
each read gave one of the few bytes that its image has there, or none of them.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from bustrace.board import READ, Board
from bustrace.findings.evidence import SHOWN, Evidence
from bustrace.findings.model import Finding
from bustrace.units import count_words

MOST_UNSEEN = 4
"""Lowest address lines that may be missing: of more, some byte fits nearly always."""

FEWEST = 4
"""Reads that must fit none of the bytes, each seen more than once: a stray sample is not."""

FEWEST_APART, ONE_LINE = 4, 0.9
"""Different ones of them, and the share that must fit one, but for one data line, to lay them to
it: by chance one in thirty does for each line."""

Pages = npt.NDArray[np.bool_]
"""Which bytes a place may give: bool, shape (places, 256)."""


def rom_pages(evidence: Evidence) -> Iterator[Finding]:
    """Reads of a ROM that fit none of the bytes at the addresses that they may have had."""
    cycles, board, n = evidence.reading.cycles, evidence.reading.board, evidence.n
    seen = evidence.reading.hookup.address_mask & board.address_mask
    unseen = ~seen & board.address_mask
    lowest = unseen & (unseen + 1) == 0 and 0 < unseen < 1 << MOST_UNSEEN
    if not lowest or (evidence.replay.address >= 0).any() or not board.map.chips:
        return
    whole = (cycles.data_known[:n] == 0xFF) & (cycles.address_known[:n] & seen == seen)
    reads = np.flatnonzero(evidence.live & whole & (cycles.pin("RW")[:n] == 1))
    place = (cycles.address[:n][reads] & seen).astype(np.int64)
    bytes_read = cycles.data[:n][reads]
    for ref in board.map.chips:
        if board.chip(ref).role != "rom" or not board.chip(ref).images:
            continue
        mine = _alone_in(board, ref, unseen)[place]
        at, gave = reads[mine], bytes_read[mine]
        places, page = np.unique(place[mine], return_inverse=True)
        may_give = _may_give(board, ref, places, unseen)
        given, again, times = np.unique(page << 8 | gave, return_inverse=True, return_counts=True)
        off = ~may_give[page, gave] & (times[again] > 1)
        if off.sum() < FEWEST:
            continue
        different = given[np.unique(again[off])]
        line = _one_line(may_give, different >> 8, different & 0xFF)
        first = int(np.flatnonzero(off)[0])
        byte, where = int(gave[first]), int(places[page[first]])
        but = "" if line is None else f"; but for {line} they would"
        yield Finding(
            rule="rom-pages",
            severity="fault",
            lines=() if line is None else (line,),
            chips=(ref,),
            cycles=tuple(at[off][:SHOWN].tolist()),
            opportunities=len(at),
            count=int(off.sum()),
            measured=f"{int(off.sum()):,} of {len(at):,} reads gave a byte that "
            f"{ref}'s image has at none of the {unseen + 1} addresses there{but}",
            expected="one of the bytes of the image, whatever the lines that were not captured say",
            text=f"{ref} does not give its image: {count_words(int(off.sum()), 'read')} of "
            f"{len(at):,} fit none of the {unseen + 1} bytes that may be there (first ${byte:02X} "
            f"at ${where:04X} to ${where | unseen:04X}){but}.",
        )


def _alone_in(board: Board, ref: str, unseen: int) -> npt.NDArray[np.bool_]:
    """Places at all of whose addresses one ROM alone answers reads, with the same bytes in every
    bank: bool, shape (65536,), by the first address.
    """
    number = board.map.chips.index(ref)
    bit = np.uint32(1 << number)
    mine = np.ones(0x10000, np.bool_)
    for table in board.maps:
        mine &= table.responds[READ][:0x10000] == bit
        mine &= table.inner[number, :0x10000] == board.map.inner[number, :0x10000]
    block = mine.reshape(-1, unseen + 1).all(axis=1)
    return np.repeat(block, unseen + 1)


def _may_give(board: Board, ref: str, places: npt.NDArray[np.int64], unseen: int) -> Pages:
    """Which bytes each place may give, by any of the images that the ROM may hold."""
    may_give = np.zeros((len(places), 256), np.bool_)
    for number in range(len(board.chip(ref).images)):
        image = board.image_bytes(ref, number)
        for low in range(unseen + 1):
            held = image[places + low]
            known = held >= 0
            may_give[np.flatnonzero(known), held[known]] = True
            may_give[~known] = True
    return may_give


def _one_line(
    may_give: Pages, page: npt.NDArray[np.int64], gave: npt.NDArray[np.int64]
) -> str | None:
    """The data line but for which the bytes fit, if there is one."""
    if len(gave) < FEWEST_APART:
        return None
    share = [may_give[page, gave ^ 1 << bit].mean() for bit in range(8)]
    best = int(np.argmax(share))
    return f"D{best}" if share[best] >= ONE_LINE else None


RULES = (rom_pages,)
