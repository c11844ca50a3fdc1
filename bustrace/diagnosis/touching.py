"""Lines of two groups that touch: seen on the lines themselves, and what they do to the rest."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from bustrace.board import Board
from bustrace.diagnosis.advice import tell_apart
from bustrace.diagnosis.grouping import MIN_PROBABILITY
from bustrace.diagnosis.model import Suspect
from bustrace.diagnosis.naming import place_of_line
from bustrace.diagnosis.suspected import suspected
from bustrace.faults import STATE_FAMILIES, Fault
from bustrace.findings import (
    Evidence,
    Finding,
    lines_that_ask_for_nmi,
    lines_with_ready,
    of_two_groups,
)

TOUCHING = 0.95
"""Probability of two lines that were seen to move as one: what is left is a clip on the other's
pin."""

FELL_WITH = 0.6
"""Probability that RDY, which fell once and for good, was pulled by a line that fell with it, or an
unseen NMI by one that falls before each: other things may pull them too, and just then."""

MOST_WITH_READY = 10
"""Lines that fell with RDY, at most: about half of those that moved at all do so by chance."""

MOST_WITH_NMI = 16
"""Lines that fell before every NMI, at most: in a small circle of NMIs most that move do so."""

TAINTED = 0.05
"""Of its probability, what is left of a suspect that the joined lines may explain: the replay that
weighed it knew nothing of them."""


def touching(findings: Iterable[Finding], board: Board) -> list[Suspect]:
    """The lines of different groups that move as one; several pairs that do so are one suspect."""
    faults = [finding for finding in findings if finding.severity == "fault"]
    joined = [Fault("short", f.lines, place="bus") for f in faults if of_two_groups(f)]
    if not joined:
        return []
    fault, *alike = joined
    lines = {line for each in joined for line in each.lines}
    about = ("lines-together", *(f.rule for f in faults if set(f.lines) & lines))
    return [suspected(fault, TOUCHING, tuple(dict.fromkeys(about)), board, alike=tuple(alike))]


def with_ready(evidence: Evidence, held: Suspect, board: Board) -> list[Suspect]:
    """RDY held low, and what may hold it: a line that is low whenever RDY is. Where RDY was never
    high nothing tells such a line from any other cause.
    """
    joined = [Fault("short", (line, "RDY"), place="bus") for line in lines_with_ready(evidence)]
    if not (evidence.reading.cycles.pin("RDY") == 1).any():
        alike = tuple(joined)
        return [replace(held, alike=alike, tell_apart=tell_apart(held.fault, alike, board))]
    if not 0 < len(joined) <= MOST_WITH_READY:
        return [held]
    fault, *others = joined
    touches = suspected(
        fault,
        FELL_WITH,
        held.explains,
        board,
        against=("RDY fell once: something else may have pulled it in that very cycle",),
        alike=tuple(others),
    )
    return [touches, replace(held, probability=1 - FELL_WITH)]


def with_nmi(evidence: Evidence, storm: Finding, board: Board) -> list[Suspect]:
    """What may ask for NMI after NMI: a line of the bus that touches it, whose falls are seen
    before each. With NMI captured its own level tells.
    """
    if evidence.reading.hookup.has("NMI"):
        return []
    joined = [
        Fault("short", (line, "NMI"), place="bus") for line in lines_that_ask_for_nmi(evidence)
    ]
    if not 0 < len(joined) <= MOST_WITH_NMI:
        return []
    fault, *others = joined
    touches = suspected(
        fault,
        FELL_WITH,
        (storm.rule,),
        board,
        against=("NMI was not captured: what asks for it may pulse by itself",),
        alike=tuple(others),
    )
    clip_it = (
        f"Clip {place_of_line(board, 'NMI')} too, and record again. Good: it rests high. Bad: it "
        "falls with another line: these two touch; alone: look for what drives it."
    )
    return [replace(touches, check=clip_it, tell_apart=touches.check)]


def beside_touching(suspects: Iterable[Suspect], joined: Iterable[Suspect]) -> list[Suspect]:
    """The other suspects where lines were seen to touch: those about one of these lines are
    explained, and what the replay weighed without them is worth little.
    """
    lines = {line for s in joined for fault in (s.fault, *s.alike) for line in fault.lines}
    if not lines:
        return list(suspects)
    against = f"{' and '.join(sorted(lines))} move as one, which may explain it all"
    left = []
    for suspect in suspects:
        if suspect.fault.family in STATE_FAMILIES:
            left.append(suspect)
            continue
        probability = TAINTED * suspect.probability
        if probability >= MIN_PROBABILITY and not lines & set(suspect.fault.lines):
            told = (*suspect.against, against)
            left.append(replace(suspect, probability=probability, against=told))
    return left
