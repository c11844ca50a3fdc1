"""What each memory should have given: ROM as another boot or an image shows, RAM as written."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bustrace.compare.sides import Side

Bytes = npt.NDArray[np.uint8]

_IMAGE_READS = 16
"""Different bytes of a ROM that must all be an image's before the image stands for the rest."""


@dataclass(frozen=True, slots=True, eq=False)
class Contents:
    """What a ROM holds: content and mask of known bits, uint8, shape (size,)."""

    content: Bytes
    known: Bytes


@dataclass(frozen=True, slots=True, eq=False)
class Expected:
    """What memory should have given in each read, shape (n,).

    Attributes
    ----------
    byte, known : uint8
        0 known bits in writes, in reads of anything but memory, and of what nobody wrote yet.
    wrong : uint8
        Bits in which the clips saw another level.
    source : int64
        The cycle that wrote the byte, or first read it; -1 where it is a ROM's.
    """

    byte: Bytes
    known: Bytes
    wrong: Bytes
    source: npt.NDArray[np.int64]


def roms_shown_by(side: Side) -> dict[str, Contents]:
    """What the ROMs of a boot hold, as far as it read them; an image that fits fills the rest.

    Bits that were not always read alike are not known.
    """
    shown = {}
    for bit, ref in enumerate(side.chips):
        chip = side.reading.board.chip(ref)
        if chip.role != "rom":
            continue
        rows = _reads_of(side, bit)
        places, size = side.inner[bit, rows], chip.size or 0
        high, low = np.zeros(size, np.uint8), np.zeros(size, np.uint8)
        got, known = side.data[rows], side.data_known[rows]
        np.bitwise_or.at(high, places, got & known)
        np.bitwise_or.at(low, places, ~got & known)
        content, sure = high, (high | low) & ~(high & low)
        if chip.images:
            content, sure = _with_image(content, sure, [image.content for image in chip.images])
        shown[ref] = Contents(content, sure & np.uint8(chip.data_mask))
    return shown


def _with_image(content: Bytes, sure: Bytes, images: list[Bytes]) -> tuple[Bytes, Bytes]:
    """Fill what was not read from an image that all that was read agrees with."""
    if np.count_nonzero(sure) < _IMAGE_READS:
        return content, sure
    for image in images:
        if not ((image ^ content) & sure).any():
            return image, np.full_like(sure, 0xFF)
    return content, sure


def roms_of_images(side: Side) -> dict[str, Contents]:
    """What the ROMs should hold by the board file: of several images the one that fits best."""
    held = {}
    for bit, ref in enumerate(side.chips):
        chip = side.reading.board.chip(ref)
        if chip.role != "rom" or not chip.images:
            continue
        rows = _reads_of(side, bit)
        places, got, known = side.inner[bit, rows], side.data[rows], side.data_known[rows]
        misses = [
            int(np.count_nonzero((image.content[places] ^ got) & known)) for image in chip.images
        ]
        image = chip.images[int(np.argmin(misses))].content
        held[ref] = Contents(image, np.full(len(image), chip.data_mask, np.uint8))
    return held


def expected_of(side: Side, roms: Mapping[str, Contents], left_out: frozenset[str]) -> Expected:
    """What each read of memory should have given.

    Parameters
    ----------
    side : Side
    roms : mapping of str to Contents
        By reference; a ROM that is missing, and bytes not known, count as never written.
    left_out : frozenset of str
        Chips that are not judged.
    """
    n = len(side)
    byte, known = np.zeros(n, np.uint8), np.zeros(n, np.uint8)
    source = np.full(n, -1, np.int64)
    twice = np.zeros(n, np.uint8)
    for bit, ref in enumerate(side.chips):
        chip = side.reading.board.chip(ref)
        if chip.role not in ("rom", "ram") or ref in left_out:
            continue
        lanes = np.uint8(side.reading.board.map.data_masks[bit])
        rows = np.flatnonzero(side.responds >> np.uint32(bit) & 1)
        mine, mine_known, mine_source = _kept(side, bit, rows)
        if ref in roms:
            places = side.inner[bit, rows]
            told = roms[ref].known[places] & np.where(side.read[rows] == 1, 0xFF, 0)
            mine = np.where(told != 0, roms[ref].content[places], mine)
            mine_known = np.where(told != 0, told, mine_known).astype(np.uint8)
            mine_source = np.where(told != 0, -1, mine_source)
        mine_known &= lanes
        twice[rows] |= known[rows] & mine_known
        byte[rows] |= mine & mine_known
        known[rows] |= mine_known
        source[rows] = np.maximum(source[rows], mine_source)
    known &= ~twice  # two that drive one line: neither is to be expected
    others = _other_drivers(side)
    known[others] = 0
    wrong = np.where(side.judged, (byte ^ side.data) & known & side.data_known, 0)
    return Expected(byte, known, wrong.astype(np.uint8), source)


def _kept(
    side: Side, bit: int, rows: npt.NDArray[np.int64]
) -> tuple[Bytes, Bytes, npt.NDArray[np.int64]]:
    """The byte that each access of a chip should find: the last one written, or first read."""
    places = side.inner[bit, rows]
    order = np.argsort(places, kind="stable")
    place, cycle = places[order], rows[order]
    write = side.read[cycle] == 0
    begins = np.append(True, place[1:] != place[:-1]) if len(place) else np.zeros(0, np.bool_)
    head = np.maximum.accumulate(np.where(write | begins, np.arange(len(place)), 0))
    origin = cycle[head]
    written = side.read[origin] == 0
    byte = np.where(written, side.written[origin], side.data[origin])
    known = np.where(written, side.written_known[origin], side.data_known[origin])
    known[write | (head == np.arange(len(place)))] = 0  # a write, or the first sight of the place
    back = np.empty(len(order), np.int64)
    back[order] = np.arange(len(order))
    return byte[back].astype(np.uint8), known[back].astype(np.uint8), origin[back]


def _reads_of(side: Side, bit: int) -> npt.NDArray[np.int64]:
    """Settled reads that only this chip, and others on other data lines, answer."""
    answers = side.responds >> np.uint32(bit) & 1 == 1
    return np.flatnonzero(answers & (side.read == 1) & side.judged & ~_other_drivers(side))


def _other_drivers(side: Side) -> npt.NDArray[np.bool_]:
    """Reads that an I/O chip or a chip of no known role answers too."""
    mask = sum(
        1 << bit
        for bit, ref in enumerate(side.chips)
        if side.reading.board.chip(ref).role not in ("rom", "ram")
    )
    return np.asarray((side.responds & np.uint32(mask) != 0) & (side.read == 1))
