"""Rules about chip selects, against the board's address-decode table."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bustrace.findings.answers import Assumption
from bustrace.findings.evidence import Evidence
from bustrace.findings.line_rules import CLEAR_BITS
from bustrace.findings.memory_rules import doubled_by_file, sole_driver, wrong_bits
from bustrace.findings.model import Finding
from bustrace.units import numbered_runs

PLACES = 2
"""Distinct addresses at which a select must be wrong: a stray sample is one."""

RATE = 0.02
"""Share of the cycles that ask for it in which it must be wrong: stray samples are far rarer."""

ALONG = 4
"""Reads of another chip with all of which a select must come, where they are all at one address:
stray samples do not wait for just these cycles."""

Column = npt.NDArray[np.bool_]


def expected_selects(evidence: Evidence, chip: int) -> tuple[Column, Column, Column]:
    """Selected as meant, selected as the clip's address says, and where both are sure."""
    replay, n = evidence.replay, evidence.n
    banks, bit = replay.banks, np.uint32(chip)
    pins = evidence.reading.board.address_mask
    meant = np.maximum(replay.address, 0)
    clip = np.where(
        evidence.reading.cycles.address_known[:n] & pins == pins,
        evidence.reading.cycles.address[:n].astype(np.int32),
        meant,
    )
    read = np.minimum(replay.read, 1)
    rows, by_clip_rows = replay.rows(meant), replay.rows(clip)
    sure = (rows >= 0) & (replay.read < 2) & banks.described[rows]
    sure &= (banks.asserts_known[rows, read] >> bit) & 1 == 1
    sure &= (banks.asserts_known[by_clip_rows, read] >> bit) & 1 == 1
    wanted = (banks.asserts[rows, read] >> bit) & 1 == 1
    by_clip = (banks.asserts[by_clip_rows, read] >> bit) & 1 == 1
    return wanted, by_clip, sure & evidence.owned


@dataclass(frozen=True, slots=True, eq=False)
class _Select:
    """One captured select against the decode table. Columns are bool, shape (n,).

    Attributes
    ----------
    ref : str
    asked, not_asked : cycles that surely address the chip, and that surely do not.
    asserted : its select was active.
    """

    ref: str
    asked: Column
    not_asked: Column
    asserted: Column


def selects(evidence: Evidence) -> Iterator[Finding]:
    """A select is missing, asserted where it should not be, or always asserted."""
    reading, n = evidence.reading, evidence.n
    for ref in reading.cycles.select_names:
        if ref not in evidence.replay.chips:
            continue
        level = reading.cycles.select(ref)[:n]
        wanted, by_clip, sure = expected_selects(evidence, evidence.replay.chips.index(ref))
        sure &= level < 2
        # Where the clip's address says otherwise, the select may follow the line at fault.
        seen = _Select(ref, sure & wanted, sure & ~wanted & ~by_clip, level == 1)
        yield from _missing(evidence, seen, by_clip)
        yield from _extra(evidence, seen)


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


def _comes_along(evidence: Evidence, extra: Column, not_asked: Column) -> bool:
    """Whether a select comes with every read of another chip, and mostly then, however seldom that
    chip is read.
    """
    address, drivers = evidence.replay.address, evidence.replay.healthy.drivers
    for chip in range(len(evidence.replay.chips)):
        reads = not_asked & (drivers == np.uint32(1 << chip))
        count, places = int(reads.sum()), len(np.unique(address[reads]))
        again = count >= ALONG or places >= PLACES
        if again and not (reads & ~extra).any() and 2 * count > int(extra.sum()):
            return True
    return False


def _proof_of_clip(evidence: Evidence, told: Column) -> int:
    """Reads that came out right although the select says they could not; 0 unless they prove that
    the clip is off.
    """
    right = int((told & (wrong_bits(evidence) == 0)).sum())
    return right if right >= 8 and right > 0.9 * told.sum() else 0


def _answers_unselected(evidence: Evidence, ref: str) -> bool:
    """Whether a chip of which no byte is known in advance answers, whatever its select shows."""
    chip, replay = evidence.replay.chips.index(ref), evidence.replay
    clip = replay.replay(Assumption(select_clip=chip))
    off = replay.replay(Assumption(select_off=1 << chip))
    return off.total - clip.total > CLEAR_BITS


def _missing(evidence: Evidence, seen: _Select, by_clip: Column) -> Iterator[Finding]:
    ref = seen.ref
    missing = seen.asked & by_clip & ~seen.asserted
    count, asked = int(missing.sum()), int(seen.asked.sum())
    if not is_systematic_select(evidence, missing, asked):
        return
    never = not (seen.asked & seen.asserted).any()
    answered = missing & sole_driver(evidence, evidence.replay.chips.index(ref))
    told = answered & _telling(evidence)
    right = _proof_of_clip(evidence, told) if never else 0
    if right or (never and _answers_unselected(evidence, ref)):
        proof = f"{right:,} of {int(told.sum()):,} reads of {ref} are right" if right else (
            f"reads of {ref} are not what a bus that nobody drives gives"
        )  # fmt: skip
        yield _finding(
            evidence, "clip-off", ref, missing, asked,
            f"never asserted, yet {proof}",
            "asserted in these cycles",
            f"The select of {ref} never moves although {ref} answers: its clip is off.",
        )  # fmt: skip
        return
    yield _finding(
        evidence, "select-missing", ref, missing, asked,
        f"not asserted in {count:,} of {asked:,} cycles that address {ref}"
        + (" (never)" if never else ""),
        "asserted in every one (address-decode table)",
        f"{ref} is not selected in {count:,} of the {asked:,} cycles that address it.",
    )  # fmt: skip


def _extra(evidence: Evidence, seen: _Select) -> Iterator[Finding]:
    ref = seen.ref
    extra = seen.not_asked & seen.asserted
    count, elsewhere = int(extra.sum()), int(seen.not_asked.sum())
    drivers = evidence.replay.healthy.drivers
    seldom = not is_systematic_select(evidence, extra, elsewhere)
    if seldom and not _comes_along(evidence, extra, seen.not_asked):
        return
    chip = evidence.replay.chips.index(ref)
    others = extra & (drivers != 0) & (drivers & np.uint32(1 << chip) == 0)
    along = sorted(
        other
        for bit, other in enumerate(evidence.replay.chips)
        if (others & (drivers >> np.uint32(bit) & 1 == 1)).any()
    )
    always = not (seen.not_asked & ~seen.asserted).any()
    told = others & _telling(evidence) & (evidence.replay.read == 1)
    right = _proof_of_clip(evidence, told) if always else 0
    if right:
        yield _finding(
            evidence, "clip-off", ref, extra, elsewhere,
            f"always asserted, yet {right:,} of {int(told.sum()):,} reads of the other chips are "
            "right",
            "not asserted there (address-decode table)",
            f"The select of {ref} always reads asserted, but {ref} does not disturb the others: "
            "its clip is off.",
        )  # fmt: skip
        return
    together = numbered_runs(along)
    with_whom = f", together with {together}: more than one drives the bus." if along else "."
    yield _finding(
        evidence,
        "select-always" if always else "select-doubled" if along else "select-wrong",
        ref, extra, elsewhere,
        f"asserted in {count:,} of {elsewhere:,} cycles that do not address {ref}"
        + (f", {int(others.sum()):,} of them with {together}" if along else ""),
        "not asserted there (address-decode table)",
        f"{ref} is selected where it should not be{with_whom}",
        along,
    )  # fmt: skip


def _finding(
    evidence: Evidence,
    rule: str,
    ref: str,
    where: Column,
    opportunities: int,
    measured: str,
    expected: str,
    text: str,
    along: Sequence[str] = (),
) -> Finding:
    """A finding about one select; a clip that is off is an oddity, the rest are faults.

    Not so against a board file that has two chips on many reads: it is the file that is wrong.
    """
    excused = rule == "clip-off" or doubled_by_file(evidence) is not None
    return Finding(
        rule=rule,
        severity="oddity" if excused else "fault",
        lines=(f"select:{ref}",),
        chips=(ref, *along),
        cycles=evidence.show(where),
        opportunities=opportunities,
        count=int(where.sum()),
        measured=measured,
        expected=expected,
        text=text,
    )


RULES = (selects,)
