"""Finding where the bytes that were read are those of an image."""

from __future__ import annotations

import numpy as np

from bustrace.board import Image
from bustrace.board.model import N_ADDRESSES
from bustrace.identify.model import ImageSeen, Placement, Touched

STEP = 0x100
"""Images are looked for at every page."""

LEAST_ADDRESSES = 16
"""Distinct addresses that must match before a place is believed."""

LEAST_VALUES = 4
"""Distinct bytes among them: filler matches filler anywhere."""

LEAST_SHARE = 1 / 3
"""Of the addresses read there. One stuck data line spoils half of the bytes; by chance one byte in
256 matches."""

AS_GOOD = 0.9
"""A further place is a mirror when its share is at least so much of the best one's."""


def place_image(image: Image, touched: Touched) -> ImageSeen:
    """Lay the image at every page and count the addresses at which it is right.

    Addresses that were written are not asked: RAM may lie there, or a copy of the ROM.
    """
    byte = np.where(touched.writes == 0, touched.byte, np.int16(-1))
    content = image.content.astype(np.int16)
    tried = []
    for base in range(0, N_ADDRESSES - len(content) + 1, STEP):
        there = byte[base : base + len(content)]
        read = there >= 0
        right = read & (there == content)
        placement = Placement(base, int(right.sum()), int(read.sum()))
        tried.append((placement, len(np.unique(there[right]))))
    tried.sort(key=lambda pair: (2 * pair[0].matching - pair[0].compared, pair[0].base))
    tried.reverse()
    good = [
        placement
        for placement, values in tried
        if placement.matching >= LEAST_ADDRESSES
        and values >= LEAST_VALUES
        and placement.matching >= LEAST_SHARE * placement.compared
    ]
    places: list[Placement] = []
    for placement in good:
        clear = all(abs(placement.base - other.base) >= len(content) for other in places)
        if clear and _share(placement) >= AS_GOOD * _share((places or [placement])[0]):
            places.append(placement)
    nearest = max((p for p, _ in tried), key=lambda p: p.matching, default=None)
    return ImageSeen(image, tuple(places), None if places else nearest)


def _share(placement: Placement) -> float:
    return placement.matching / max(1, placement.compared)
