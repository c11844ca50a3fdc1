"""All rules, in the order in which a reader wants their findings."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

from bustrace.findings import (
    bank_rules,
    bus_owner_rules,
    bus_timing_rules,
    clock_rules,
    control_rules,
    cpu_rules,
    driving_rules,
    ignored_rules,
    interrupt_rules,
    io_rules,
    joined_rules,
    line_rules,
    marginal_rules,
    memory_rules,
    net_rules,
    poll_rules,
    program_rules,
    pulse_rules,
    reset_rules,
    rom_page_rules,
    select_rules,
    select_sequence_rules,
    select_timing_rules,
    step_rules,
)
from bustrace.findings.derail import find_derail
from bustrace.findings.evidence import Evidence, Rule, gather
from bustrace.findings.line_rules import still_text
from bustrace.findings.model import Derail, Finding, Rung
from bustrace.findings.progress import ladder, not_exercised
from bustrace.findings.shared_rules import shared_cause
from bustrace.reading import Reading

RULES: tuple[Rule, ...] = (
    *clock_rules.RULES,
    *reset_rules.RULES,
    *control_rules.RULES,
    *interrupt_rules.RULES,
    *pulse_rules.RULES,
    *bus_owner_rules.RULES,
    *line_rules.RULES,
    *step_rules.RULES,
    *joined_rules.RULES,
    *marginal_rules.RULES,
    *cpu_rules.RULES,
    *net_rules.RULES,
    *select_rules.RULES,
    *select_sequence_rules.RULES,
    *select_timing_rules.RULES,
    *bus_timing_rules.RULES,
    *bank_rules.RULES,
    *memory_rules.RULES,
    *rom_page_rules.RULES,
    *ignored_rules.RULES,
    *program_rules.RULES,
    *io_rules.RULES,
    *driving_rules.RULES,
    *poll_rules.RULES,
)

_ORDER = {"fault": 0, "oddity": 1, "note": 2}


@dataclass(frozen=True, slots=True, eq=False)
class Observations:
    """Everything observed in a reading.

    Attributes
    ----------
    evidence : Evidence
    findings : tuple of Finding
        Faults first, then oddities, then notes; in each by first cycle.
    ladder : tuple of Rung
    derail : Derail or None
    not_exercised : tuple of str
    """

    evidence: Evidence
    findings: tuple[Finding, ...]
    ladder: tuple[Rung, ...]
    derail: Derail | None
    not_exercised: tuple[str, ...]


def observe(reading: Reading) -> Observations:
    """Run every rule, find the derail, mark what lies after it, climb the ladder."""
    evidence = gather(reading)
    found = [finding for rule in RULES for finding in rule(evidence)]
    found += shared_cause(evidence, found)
    found = list(_without_judged_lines(found))
    found = _without_bank_errors(evidence, found)
    derail = find_derail(evidence, found)
    if derail is not None:
        found = [
            replace(f, after_derail=bool(f.cycles) and f.cycles[0] > derail.cycle) for f in found
        ]
    found = list(in_order(found))
    return Observations(
        evidence,
        tuple(found),
        ladder(evidence, found, derail),
        derail,
        not_exercised(evidence),
    )


def in_order(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Faults first, then oddities, then notes; in each by first cycle."""
    return tuple(
        sorted(findings, key=lambda f: (_ORDER[f.severity], f.cycles[0] if f.cycles else -1))
    )


def _without_judged_lines(found: list[Finding]) -> Iterator[Finding]:
    """A still line that another rule judges was asked to move: it is not "not exercised"."""
    for finding in found:
        if finding.rule != "line-still":
            yield finding
            continue
        judged = {name for other in found if other is not finding for name in other.lines}
        left = tuple(name for name in finding.lines if name not in judged)
        if left:
            yield replace(finding, lines=left, text=still_text(left))


def _without_bank_errors(evidence: Evidence, found: list[Finding]) -> list[Finding]:
    """Wrong bytes that another bank explains are no wrong content of the chip."""
    if not any(finding.rule == "bank-wrong" for finding in found):
        return found
    explained = bank_rules.from_another_bank(evidence)
    content = ("rom-content", "ram-content", "memory-unanswered")
    return [f for f in found if f.rule not in content or not explained[list(f.cycles)].all()]


def find_all(reading: Reading) -> tuple[Finding, ...]:
    """Findings of every rule, faults first."""
    return observe(reading).findings
