"""What suspects say of each other: where one is likely, another may follow from it."""

from __future__ import annotations

from dataclasses import replace

from bustrace.board import Board
from bustrace.diagnosis.explaining import WENT_ASTRAY
from bustrace.diagnosis.hypotheses import fit_each_other
from bustrace.diagnosis.model import LIKELY, Suspect
from bustrace.diagnosis.suspected import suspected
from bustrace.faults import PLACES, Fault
from bustrace.findings import Finding, Observations

MUCH_REVISED, REVISED = 0.1, 0.7
"""Share of a ROM's reads that differ where another revision is thought of, and what is left of its
probability where something else is likely, too."""

BY_THE_VECTOR = 0.5
"""Probability of the ROM whose vector leads nowhere: two bytes alone do not tell why."""

NO_CHANCE = 0.5
"""What is then left of the probability of the other suspects: their program had no chance."""

_INSIDE = ("silent", "register", "plane", "cell", "retention", "content", "doubled", "swapped")
"""Families of faults that act in reads of the chips that they name, and in no others."""


def beside_the_cause(suspect: Suspect, weighed: list[Suspect]) -> Suspect:
    """Interrupts without end where a chip that asks is likely not to be reached: they follow."""
    asking = {ref for fault in suspect.alike for ref in fault.chips}
    sure = sum(s.probability for s in weighed if asking & {*s.fault.chips, s.fault.place})
    if "irq-storm" not in suspect.explains or suspect.fault.family != "held" or not sure:
        return suspect
    return replace(suspect, probability=suspect.probability * (1 - min(sure, 1.0)))


def by_the_vector(faults: list[Finding], suspects: list[Suspect], board: Board) -> list[Suspect]:
    """The suspects, and the ROM whose vector leads nowhere where none of them tells why: what is
    said of another chip comes from a program that had no chance.
    """
    finding = next((f for f in faults if f.rule == "vector-nowhere" and len(f.chips) == 1), None)
    if finding is None:
        return suspects
    (ref,) = finding.chips
    if any(not _elsewhere(s.fault, ref) for s in suspects):
        return suspects
    against = f"the vector, out of {ref}, was wrong before"
    others = [
        replace(s, probability=s.probability * NO_CHANCE, against=(*s.against, against))
        for s in suspects
    ]
    chips = [chip.ref for chip in board.mapped if chip.ref != ref and chip.fitted]
    alike = (
        Fault("silent", chip=ref),
        *(
            Fault("swapped", chip="+".join(sorted((ref, other))))
            for other in chips
            if fit_each_other(board, ref, other)
        ),
    )
    nowhere = suspected(
        Fault("content", chip=ref),
        BY_THE_VECTOR,
        (finding.rule, *(f.rule for f in faults if f.rule in WENT_ASTRAY)),
        board,
        against=("two bytes alone do not tell why",),
        alike=alike,
    )
    return [nowhere, *others]


def _elsewhere(fault: Fault, ref: str) -> bool:
    """Whether a fault lies at other chips alone, and cannot change what this one gives."""
    if fault.place is not None and fault.place not in PLACES:
        return fault.place != ref
    # Lines of a bus reach it, and so does a chip that drives along.
    return bool(fault.chips) and fault.family in _INSIDE and ref not in fault.chips


def perhaps_revised(seen: Observations, suspects: list[Suspect]) -> list[Suspect]:
    """A ROM of which much is other than its image, and whose program runs well, may be another
    revision of it: what else is wrong, and sends the program astray if anything does, comes first.
    """
    program = seen.evidence.reading.program
    much = [
        f
        for f in seen.findings
        if f.rule == "rom-content" and f.count > MUCH_REVISED * f.opportunities
    ]
    revised = {Fault("content", chip=ref) for f in much for ref in f.chips}
    others = [s for s in suspects if s.probability >= LIKELY and s.fault not in revised]
    astray = {f.rule for f in seen.findings if f.rule in WENT_ASTRAY}
    astray -= {rule for s in others for rule in s.explains}
    if not much or astray or program.jam_at is not None or program.lost_at is not None:
        return suspects
    against = "the program runs well with it: it may be another revision than the image"
    return [
        replace(
            s,
            probability=s.probability * (REVISED if others else 1.0),
            against=(*s.against, against),
        )
        if s.fault in revised and not s.alike
        else s
        for s in suspects
    ]
