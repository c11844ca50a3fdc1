"""Rules about chip selects, against the board's address-decode table."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from bustrace.findings.evidence import Evidence
from bustrace.findings.memory_rules import sole_driver, wrong_bits
from bustrace.findings.model import Finding

PLACES = 2
"""Distinct addresses at which a select must be wrong: a stray sample is one."""

RATE = 0.02
"""Share of the cycles that ask for it in which it must be wrong: stray samples are far rarer."""

Column = npt.NDArray[np.bool_]


def expected_selects(evidence: Evidence, chip: int) -> tuple[Column, Column, Column]:
    """Selected as meant, selected as the clip's address says, and where both are sure."""
    table, replay, n = evidence.reading.board.map, evidence.replay, evidence.n
    pins = evidence.reading.board.address_mask
    bit = np.uint32(chip)
    meant = np.maximum(replay.address, 0)
    clip = np.where(
        evidence.reading.cycles.address_known[:n] & pins == pins,
        evidence.reading.cycles.address[:n],
        meant,
    )
    read = np.minimum(replay.read, 1)
    sure = (replay.address >= 0) & (replay.read < 2) & table.described[meant]
    sure &= (table.asserts_known[read, meant] >> bit) & 1 == 1
    sure &= (table.asserts_known[read, clip] >> bit) & 1 == 1
    wanted = (table.asserts[read, meant] >> bit) & 1 == 1
    by_clip = (table.asserts[read, clip] >> bit) & 1 == 1
    return wanted, by_clip, sure & evidence.owned


def selects(evidence: Evidence) -> Iterator[Finding]:
    """A select is missing, asserted where it should not be, or always asserted."""
    reading, n = evidence.reading, evidence.n
    for ref in reading.cycles.select_names:
        if ref not in evidence.replay.chips:
            continue
        level = reading.cycles.select(ref)[:n]
        wanted, by_clip, sure = expected_selects(evidence, evidence.replay.chips.index(ref))
        sure &= level < 2
        missing = sure & wanted & by_clip & (level == 0)
        extra = sure & ~wanted & ~by_clip & (level == 1)
        yield from _missing(evidence, ref, level, missing, sure & wanted)
        yield from _extra(evidence, ref, level, extra, sure & ~wanted & ~by_clip)


def is_systematic_select(evidence: Evidence, wrong: Column, opportunities: int) -> bool:
    """Wrong at several addresses, and more often than stray samples, or each time they are met."""
    address = evidence.replay.address
    places, times = np.unique(address[wrong], return_counts=True)
    if len(places) < PLACES:
        return False
    visits = np.bincount(address[np.isin(address, places)], minlength=0x10000)[places]
    again = int(((times >= 2) & (times > 0.5 * visits)).sum())
    return int(wrong.sum()) > RATE * opportunities or again >= PLACES


def _telling(evidence: Evidence) -> Column:
    """Reads whose whole byte is known in advance."""
    whole: Column = evidence.replay.healthy.expected_known == 0xFF
    return whole


def _missing(
    evidence: Evidence, ref: str, level: npt.NDArray[np.uint8], missing: Column, asked: Column
) -> Iterator[Finding]:
    count, opportunities = int(missing.sum()), int(asked.sum())
    if not is_systematic_select(evidence, missing, opportunities):
        return
    never = not (level[asked] == 1).any()
    chip = evidence.replay.chips.index(ref)
    answered = missing & sole_driver(evidence, chip) & _telling(evidence)
    right = answered & (wrong_bits(evidence) == 0)
    if never and right.sum() >= 8 and right.sum() > 0.9 * answered.sum():
        yield Finding(
            rule="clip-off",
            severity="oddity",
            lines=(f"select:{ref}",),
            chips=(ref,),
            cycles=evidence.show(missing),
            opportunities=opportunities,
            count=count,
            measured=f"never asserted, yet {int(right.sum()):,} of {int(answered.sum()):,} reads "
            f"of {ref} are right",
            expected="asserted in these cycles",
            text=f"The select of {ref} never moves although {ref} answers: its clip is off.",
        )
        return
    yield Finding(
        rule="select-missing",
        severity="fault",
        lines=(f"select:{ref}",),
        chips=(ref,),
        cycles=evidence.show(missing),
        opportunities=opportunities,
        count=count,
        measured=f"not asserted in {count:,} of {opportunities:,} cycles that address {ref}"
        + (" (never)" if never else ""),
        expected="asserted in every one (address-decode table)",
        text=f"{ref} is not selected in {count:,} of the {opportunities:,} cycles that address it.",
    )


def _extra(
    evidence: Evidence, ref: str, level: npt.NDArray[np.uint8], extra: Column, asked: Column
) -> Iterator[Finding]:
    count, opportunities = int(extra.sum()), int(asked.sum())
    if not is_systematic_select(evidence, extra, opportunities):
        return
    chip = evidence.replay.chips.index(ref)
    drivers = evidence.replay.healthy.drivers
    others = extra & (drivers != 0) & (drivers & np.uint32(1 << chip) == 0)
    along = sorted(
        other
        for bit, other in enumerate(evidence.replay.chips)
        if (others & (drivers >> np.uint32(bit) & 1 == 1)).any()
    )
    always = not (level[asked] == 0).any()
    told = others & _telling(evidence) & (evidence.replay.read == 1)
    right = told & (wrong_bits(evidence) == 0)
    if always and right.sum() >= 8 and right.sum() > 0.9 * told.sum():
        yield Finding(
            rule="clip-off",
            severity="oddity",
            lines=(f"select:{ref}",),
            chips=(ref,),
            cycles=evidence.show(extra),
            opportunities=opportunities,
            count=count,
            measured=f"always asserted, yet {int(right.sum()):,} of {int(told.sum()):,} reads of "
            "the other chips are right",
            expected="not asserted there (address-decode table)",
            text=f"The select of {ref} always reads asserted, but {ref} does not disturb the "
            "others: its clip is off.",
        )
        return
    yield Finding(
        rule="select-always" if always else "select-doubled" if along else "select-wrong",
        severity="fault",
        lines=(f"select:{ref}",),
        chips=(ref, *along),
        cycles=evidence.show(extra),
        opportunities=opportunities,
        count=count,
        measured=f"asserted in {count:,} of {opportunities:,} cycles that do not address {ref}"
        + (f", {int(others.sum()):,} of them with {', '.join(along)}" if along else ""),
        expected="not asserted there (address-decode table)",
        text=f"{ref} is selected where it should not be"
        + (f", together with {', '.join(along)}: both drive the bus." if along else "."),
    )


RULES = (selects,)
