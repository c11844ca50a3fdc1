"""ROMs without an image: bytes that are read for the first time, and lines that come again.

What nobody knows of a ROM is the same each time it is read. A data line that is stuck, driven too
weakly or by nobody is not: where it brings both levels again and again it is sound, and bytes that
are less usual with it than without are the program's style.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt

from bustrace.findings import Assumption, Evidence, sole_driver

OFTEN_ENOUGH = 16
"""Reads that bring a level again, and none that does not, after which a line is sound: one that
fails in half of its reads never does so."""


@lru_cache(maxsize=1)  # asked for each hypothesis; of what was judged only the last is kept
def first_reads(evidence: Evidence) -> tuple[npt.NDArray[np.intp], ...]:
    """By chip, cycles in which a byte of a ROM without an image is first read; none of others."""
    return tuple(_first_reads(evidence, chip) for chip in range(len(evidence.replay.chips)))


@lru_cache(maxsize=1)
def sound_lines(evidence: Evidence) -> tuple[int, ...]:
    """By chip, data lines, as a mask, that bring both levels again where such a ROM did before."""
    return tuple(_sound_lines(evidence, *each) for each in enumerate(first_reads(evidence)))


def _first_reads(evidence: Evidence, chip: int) -> npt.NDArray[np.intp]:
    replay = evidence.replay
    ref = replay.chips[chip]
    if evidence.reading.board.chip(ref).role != "rom" or replay.has_image(ref):
        return np.empty(0, np.intp)
    reads = np.flatnonzero(sole_driver(evidence, chip))
    return reads[np.unique(replay.address[reads], return_index=True)[1]]


def _sound_lines(evidence: Evidence, chip: int, first: npt.NDArray[np.intp]) -> int:
    replay = evidence.replay
    if not len(first):
        return 0
    again = sole_driver(evidence, chip) & (replay.data_known == 0xFF)
    again[first] = False
    at = np.flatnonzero(again)
    known = first[replay.data_known[first] == 0xFF]  # in the order of their addresses
    at = at[np.isin(replay.address[at], replay.address[known])]
    before = replay.data[known[np.searchsorted(replay.address[known], replay.address[at])]]
    sound = 0
    for line in range(8):
        had = before >> line & 1
        same = replay.data[at] >> line & 1 == had
        often = min(int((had == level).sum()) for level in (0, 1))
        sound |= int(often >= OFTEN_ENOUGH and bool(same.all())) << line
    return sound


def lines_changed(assumption: Assumption) -> int:
    """Data lines, as a mask, that are not always what a chip gives."""
    lines = (assumption.read_and & assumption.data_pin_and) ^ 0xFF
    lines |= assumption.read_or | assumption.data_pin_or
    lines |= assumption.weak_lines | assumption.data_open
    for line in (assumption.data_short_a, assumption.data_short_b):
        lines |= 1 << line if line >= 0 else 0
    return lines & 0xFF
