"""A weighed group as a suspect: what it explains, told by replaying it once more."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from bustrace.diagnosis.advice import check_for_class
from bustrace.diagnosis.grouping import Weighed
from bustrace.diagnosis.model import Suspect
from bustrace.diagnosis.suspected import suspected
from bustrace.findings import (
    EVERY_CHIP,
    Answers,
    Evidence,
    Finding,
    Observations,
    sole_driver,
    wrong_beside,
    wrong_bits,
)

BOARD_RULES = {
    "bank-wrong",
    "rom-content", "ram-content", "io-content", "memory-unanswered", "io-unanswered",
    "write-fought",
    "line-stuck", "line-fails", "lines-together", "select-missing", "select-doubled",
    "select-always", "select-wrong",
    "vector-content", "vector-undriven", "vector-nowhere", "vector-not-taken", "vector-absent",
    "cpu-jam", "jam-out-of-view", "brk-storm", "program-nonsense", "clip-off",
    "program-lost", "line-disagrees", "irq-storm", "drives-unasked",
    "shared-cause", "runs-nowhere", "runs-empty", "endless-loop", "stack-overrun", "line-ignored",
    "runs-in-ram",
}  # fmt: skip
"""Rules that the replayed hypotheses can explain."""

WENT_ASTRAY = {"runs-nowhere", "runs-empty", "endless-loop", "stack-overrun"}
"""Rules about where the CPU went: whatever gave it wrong bytes before may have sent it there."""

RAN_ASTRAY = WENT_ASTRAY - {"runs-nowhere"}
"""Those of them that hold whatever the clips show: what only the probe sees sends the CPU
nowhere."""

SENT_ASTRAY = {
    "cpu-jam", "jam-out-of-view", "brk-storm", "program-nonsense",
    "vector-not-taken", "vector-undriven", "vector-content", "vector-nowhere",
}  # fmt: skip
"""Rules about what may be such a byte's doing; not where its own price is left."""

SELECTED_WRONG = {"select-missing", "select-doubled", "select-always", "select-wrong"}
"""Rules about selects, as the clips show them: what a chip does inside moves none."""

INSIDE = {"content", "plane", "cell", "retention", "silent"}
"""Families of faults that change what a chip gives, and nothing else."""

SPARED, LEFT = 0.3, 0.7
"""Shares of a finding's surprise that a fault leaves: with less than the one it explains the
finding, with more than the other it does not."""

TOLD = 10
"""Bits of surprise from which a finding speaks against a fault that leaves them."""


def explaining(group: Weighed, seen: Observations) -> Suspect:
    """A weighed group with the findings that it explains, checked by replaying it."""
    evidence = seen.evidence
    board = evidence.reading.board
    answers = evidence.replay.replay(group.assumption, first=group.onset)
    explains, against = _for_and_against(group, answers, seen)
    if group.sometimes or group.assumption.weak_chip == EVERY_CHIP:
        against.append("only as a fault that comes and goes")
    if group.onset:
        against.append(f"shows only from cycle {group.onset:,} on")
    suspect = suspected(
        group.fault,
        group.probability,
        (*dict.fromkeys(explains), *_wrong_reads(evidence, answers, group)),
        board,
        against=tuple(dict.fromkeys(against)),
        alike=group.alike,
    )
    check = check_for_class(group.fault, group.alike, board)
    if check == suspect.check:
        return suspect
    return replace(suspect, check=check, tell_apart=check)  # probing them all tells them apart


def _for_and_against(
    group: Weighed, answers: Answers, seen: Observations
) -> tuple[list[str], list[str]]:
    """The rules that a group explains, and what it leaves unexplained."""
    evidence = seen.evidence
    healthy = evidence.replay.healthy
    cost = np.minimum(answers.cost, healthy.cost) if group.sometimes else answers.cost
    explains: list[str] = []
    against: list[str] = []
    for finding in seen.findings:
        if finding.rule not in BOARD_RULES or finding.severity == "note":
            continue
        cycles = [c for c in finding.cycles if c < evidence.n]
        if not cycles:
            continue
        if finding.rule == "shared-cause" and group.fault.family != "shared":
            continue  # it speaks for what the chips share
        if finding.rule in SELECTED_WRONG and group.fault.family in INSIDE:
            against.append(f"leaves {finding.rule} unexplained")
            continue
        # Surprise is paid at the first cycle that shows it, so look at whole spans.
        before, after = float(healthy.cost[cycles].sum()), float(cost[cycles].sum())
        mine = _about_the_same(finding, group) and after <= before
        if group.fault.family == "clip" and finding.rule in RAN_ASTRAY:
            against.append(f"leaves {finding.rule} unexplained")
        elif after < SPARED * before or mine or finding.rule in WENT_ASTRAY:
            explains.append(finding.rule)
        elif before >= TOLD and after > LEFT * before:
            against.append(f"leaves {finding.rule} unexplained")
        elif finding.rule in SENT_ASTRAY:
            explains.append(finding.rule)
    return explains, against


def _about_the_same(finding: Finding, group: Weighed) -> bool:
    """Whether a finding names a line or chip of the group's likeliest fault."""
    lines, chips = group.fault.lines, group.fault.chips
    return bool(set(finding.lines) & set(lines) or set(finding.chips) & set(chips))


def _wrong_reads(evidence: Evidence, answers: Answers, group: Weighed) -> tuple[str, ...]:
    """How many of the reads that a healthy board would not give are as this fault gives them."""
    wrong = wrong_bits(evidence) != 0
    count = int(wrong.sum())
    if not count:
        return ()
    replay = evidence.replay
    as_given = wrong_beside(evidence, answers) == 0
    loose = group.assumption.loose
    if loose >= 0 and replay.has_image(replay.chips[loose]):
        as_given |= sole_driver(evidence, loose)  # it may hold whatever was read of it
    right = wrong & as_given & (np.arange(evidence.n) >= group.onset)
    reads = "the one wrong read" if count == 1 else f"{int(right.sum()):,} of {count:,} wrong reads"
    return (f"explains {reads}",) if right.any() else ()
