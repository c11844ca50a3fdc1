"""The CPU as a suspect: the last to be blamed, where it alone is left."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from bustrace.diagnosis.model import Suspect
from bustrace.diagnosis.suspected import suspected
from bustrace.faults import Fault
from bustrace.findings import Finding, Observations

SELDOM = 0.4
"""Probability of a CPU that broke its sheet once or twice: a stray level at its pins does so
too."""

ONE_LINE = 0.7
"""Probability of a line when the CPU leaves the vector in exactly one address bit."""

LEFT_OVER = 0.5
"""Probability of the CPU when it takes no vector and nothing else tells why."""

UNSTEADY = ("always", "doubled", "silent")
"""Families of faults by which two chips drive a line, or none does."""


def departs_seldom(seen: Observations) -> Iterator[Suspect]:
    """The CPU, where it broke its sheet too seldom to be sure."""
    board = seen.evidence.reading.board
    for finding in seen.findings:
        if finding.rule == "cpu-departs" and finding.severity == "oddity":
            yield suspected(
                Fault("cpu", chip=board.cpu.ref),
                SELDOM,
                (finding.rule,),
                board,
                against=("it may have seen another level than the clip in that cycle",),
            )


def leaves_the_vector(
    seen: Observations, faults: list[Finding], explained: set[str], suspects: list[Suspect]
) -> list[Suspect]:
    """The CPU itself, or the one line in which it left the vector, when nothing else explains.

    What two chips drive, or none, is one level for the clip and may be another for the CPU: such a
    suspect comes first.
    """
    left = [
        f for f in faults
        if f.rule in ("vector-absent", "vector-not-taken") and f.rule not in explained
    ]  # fmt: skip
    if not left:
        return []
    board = seen.evidence.reading.board
    unsteady = sum(s.probability for s in suspects if s.fault.family in UNSTEADY)
    share = 1.0 - min(unsteady, 1.0)
    cpu = Fault("cpu", chip=board.cpu.ref)
    line = _line_off_the_vector(seen, left[0])
    if line is not None:
        suspect = suspected(line, ONE_LINE * share, (left[0].rule,), board)
        apart = f"Probe {line.lines[0]} at the CPU's pin through several resets."
        return [replace(suspect, alike=(cpu,), tell_apart=apart)]
    rules = tuple(f.rule for f in left)
    against = ("a CPU fails less often than its socket, clock, reset or bus",)
    return [suspected(cpu, LEFT_OVER * share, rules, board, against=against)]


def _line_off_the_vector(seen: Observations, finding: Finding) -> Fault | None:
    """The address line in which the first fetch differs from the vector, when it is only one."""
    if finding.rule != "vector-not-taken":
        return None
    at, after, then = finding.cycles
    cycles, data = seen.evidence.reading.cycles, seen.evidence.replay.data
    vector = int(data[at]) | int(data[after]) << 8
    went = int(cycles.address[then])
    if cycles.address_known[then] != 0xFFFF or (vector ^ went).bit_count() != 1:
        return None
    bit = (vector ^ went).bit_length() - 1
    return Fault("stuck", (f"A{bit}",), level=went >> bit & 1, place="bus")
