"""Rules about chips that drive the bus without being selected."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from bustrace.findings.answers import HEALTHY
from bustrace.findings.evidence import Evidence
from bustrace.findings.memory_rules import holds_last_byte, wrong_bits
from bustrace.findings.model import Finding

PLACES = 8
"""Addresses at which the whole byte must be as a chip that drives unasked makes it."""

PATTERNS = 3
"""Different patterns of wrong bits among them: a stuck line makes one or two."""

SHARE = 0.9
"""Share of the telling reads that must be so."""


def drives_unasked(evidence: Evidence) -> Iterator[Finding]:
    """Reads that look as though a chip drove that was not addressed.

    Two outputs that fight give the AND of both bytes, since low wins; on a bus that nobody should
    drive the chip's own byte stands.
    """
    replay = evidence.replay
    reads = (replay.read == 1) & evidence.owned & (replay.address >= 0)
    reads &= replay.banks.described[replay.rows(np.maximum(replay.address, 0))]
    reads &= replay.data_known == 0xFF
    nobody = reads & (replay.healthy.drivers == 0) & ~holds_last_byte(evidence)
    against = reads & (replay.healthy.drivers != 0) & (wrong_bits(evidence) != 0)
    if len(np.unique(replay.address[nobody | against])) < PLACES:
        return
    for chip, ref in enumerate(replay.chips):
        if not replay.has_image(ref) or not evidence.reading.board.chip(ref).fitted:
            continue  # what a RAM holds would be learnt from the very reads that are judged
        mine = np.uint32(1 << chip)
        unasked = reads & (replay.healthy.drivers & mine == 0) & ~_selected(evidence, ref)
        driven = replay.replay(HEALTHY._replace(always=1 << chip))
        sure = unasked & (driven.expected_known == 0xFF)
        right = replay.data == driven.expected
        known = replay.healthy.expected_known == 0xFF
        fights = sure & (replay.healthy.drivers != 0) & known
        fights &= driven.expected != replay.healthy.expected
        pattern = driven.expected ^ replay.healthy.expected
        if _is_so(evidence, fights, right, pattern):
            yield _fight(evidence, ref, fights, right)
            continue
        before = np.append(replay.data[:1], replay.data[:-1])
        alone = sure & (replay.healthy.drivers == 0) & (driven.expected != before)
        if _is_so(evidence, alone, right, driven.expected):
            yield _alone(evidence, ref, alone, right)


def _selected(evidence: Evidence, ref: str) -> npt.NDArray[np.bool_]:
    """Cycles in which the chip's captured select is asserted: the rules on selects judge those."""
    cycles = evidence.reading.cycles
    if ref not in cycles.select_names:
        return np.zeros(evidence.n, dtype=np.bool_)
    asserted: npt.NDArray[np.bool_] = cycles.select(ref)[: evidence.n] == 1
    return asserted


def _is_so(
    evidence: Evidence,
    telling: npt.NDArray[np.bool_],
    right: npt.NDArray[np.bool_],
    pattern: npt.NDArray[np.uint8],
) -> bool:
    hits = telling & right
    if int(hits.sum()) < SHARE * int(telling.sum()):
        return False
    places = len(np.unique(evidence.replay.address[hits]))
    return places >= PLACES and len(np.unique(pattern[hits])) >= PATTERNS


def _fight(
    evidence: Evidence, ref: str, telling: npt.NDArray[np.bool_], right: npt.NDArray[np.bool_]
) -> Finding:
    hits = telling & right
    drivers = int(np.bitwise_or.reduce(evidence.replay.healthy.drivers[hits]))
    others = tuple(r for bit, r in enumerate(evidence.replay.chips) if drivers >> bit & 1)
    count, of = int(hits.sum()), int(telling.sum())
    return Finding(
        rule="drives-unasked",
        severity="fault",
        chips=(ref, *others),
        cycles=evidence.show(hits),
        opportunities=of,
        count=count,
        measured=f"{count:,} of {of:,} telling reads of {', '.join(others)} are the AND of its "
        f"byte and of what {ref} holds there",
        expected=f"{ref} does not drive while {', '.join(others)} is addressed",
        text=f"{ref} drives the bus though it is not addressed: {count:,} of {of:,} reads of "
        f"{', '.join(others)} are as two chips make them that drive at once.",
    )


def _alone(
    evidence: Evidence, ref: str, telling: npt.NDArray[np.bool_], right: npt.NDArray[np.bool_]
) -> Finding:
    hits = telling & right
    count, of = int(hits.sum()), int(telling.sum())
    first = int(evidence.replay.address[np.flatnonzero(hits)[0]])
    return Finding(
        rule="answers-unasked",
        severity="oddity",
        chips=(ref,),
        cycles=evidence.show(hits),
        opportunities=of,
        count=count,
        measured=f"{count:,} of {of:,} telling reads of addresses without a chip give the byte "
        f"that {ref} holds there, first at ${first:04X}",
        expected="nobody answers there (board file)",
        text=f"{ref} answers where the board file has no chip (first at ${first:04X}): it drives "
        "unasked, its select comes there, or the board file lacks a mirror.",
    )


RULES = (drives_unasked,)
