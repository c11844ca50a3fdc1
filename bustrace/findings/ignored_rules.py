"""Address lines of which a ROM takes no notice: told without its image."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from bustrace.findings.evidence import Evidence
from bustrace.findings.memory_rules import sole_driver
from bustrace.findings.model import Finding

FEWEST_PAIRS, FEWEST_BYTES = 12, 6
"""Pairs of addresses that must hold the same byte, and different bytes among them: two bytes of a
program are alike once in twenty times or so, but in what is filled with one."""

TOP_LINES = 2
"""Highest lines that may be of no matter: a smaller image is put into a larger chip twice, or four
times."""


def line_ignored(evidence: Evidence) -> Iterator[Finding]:
    """A ROM gives the same bytes whether an address line is low or high."""
    replay, board = evidence.replay, evidence.reading.board
    for chip, ref in enumerate(replay.chips):
        if board.chip(ref).role != "rom" or replay.has_image(ref):
            continue
        reads = sole_driver(evidence, chip) & evidence.live & (replay.data_known == 0xFF)
        at = np.flatnonzero(reads)
        if len(at) < 2 * FEWEST_PAIRS:
            continue
        offset, place = np.unique(replay.offsets(chip, at), return_index=True)
        byte = replay.data[at[place]]
        lines = max(replay.sizes[chip] - 1, 1).bit_length()
        for line in range(lines - TOP_LINES):
            low = offset >> line & 1 == 0
            other = np.searchsorted(offset, offset[low] | 1 << line)
            found = other < len(offset)
            found[found] = offset[other[found]] == (offset[low] | 1 << line)[found]
            one, two = byte[low][found], byte[other[found]]
            if len(one) < FEWEST_PAIRS or len(np.unique(one)) < FEWEST_BYTES or (one != two).any():
                continue
            again = np.sort(at[np.maximum(place[low][found], place[other[found]])])
            yield Finding(
                rule="line-ignored",
                severity="fault",
                lines=(f"A{line}",),
                chips=(ref,),
                cycles=evidence.show(np.isin(np.arange(evidence.n), again)),
                opportunities=len(one),
                count=len(one),
                measured=f"{len(one):,} of {len(one):,} pairs of bytes alike, "
                f"{len(np.unique(one))} different ones",
                expected=f"another byte where A{line} is high",
                text=f"{ref} takes no notice of A{line}: it gives the same byte with it low and "
                f"high, {len(one):,} of {len(one):,} times.",
            )


RULES = (line_ignored,)
