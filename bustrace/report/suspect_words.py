"""Evidence, places, steps and cautions in plain words, the same for the text and the JSON."""

from __future__ import annotations

import re
from collections.abc import Sequence

from bustrace.diagnosis import Diagnosis, Suspect
from bustrace.diagnosis.naming import (
    chip_name,
    line_words,
    place_of_line,
    sharing,
    supply_words,
)
from bustrace.faults import SELECT
from bustrace.findings import Finding
from bustrace.reading import Reading
from bustrace.report.words import RULE_WORDS, named_in_words
from bustrace.units import numbered_runs

_FEW = 4
"""Lines whose pins are told one by one."""
_TOUCHES = re.compile(
    r"\b(power|pull|probe|measure|meter|scope|swap|reseat|refit|clip|buzz|solder|reflow|watch)",
    re.IGNORECASE,
)
_OPENS = re.compile(r"\b(power off|pull|swap|reseat|refit|ohmmeter|solder|reflow)", re.IGNORECASE)
_NEAR_HIGH_VOLTAGE = re.compile(
    r"\b(supply|rails?|fuse|regulator|video|picture|power-on)\b", re.IGNORECASE
)


def evidence_words(rules: Sequence[str], findings: Sequence[Finding]) -> list[str]:
    """What speaks for or against a suspect: rules in words with their counts, the rest as it is."""
    return [_evidence(rule, findings) for rule in rules]


def _evidence(rule: str, findings: Sequence[Finding]) -> str:
    left = re.fullmatch(r"leaves (\S+) unexplained", rule)
    if left is not None:
        return f"does not explain that {RULE_WORDS.get(left[1], left[1])}"
    found = next((f for f in findings if f.rule == rule), None)
    if found is None:
        return rule
    words = RULE_WORDS.get(rule, rule)
    if found.count and found.opportunities > 1:
        words += f" ({found.count:,} of {found.opportunities:,})"
    return words


def where_words(suspect: Suspect, reading: Reading) -> str:
    """Chips and pins of a suspect, as far as the board file tells; empty where it does not."""
    board, fault = reading.board, suspect.fault
    if fault.family in ("clock", "reset"):
        line, source = (
            ("PHI2", board.clock_from) if fault.family == "clock" else ("RES", board.reset_from)
        )
        made = f"; made by {chip_name(board, source)}" if source else ""
        return place_of_line(board, line) + made
    alike = [f for f in suspect.alike if f.family == fault.family and f.place == fault.place]
    named = dict.fromkeys(name for f in (fault, *alike) for name in f.lines)
    lines = [name for name in named if not name.startswith(SELECT)]
    shared = sharing(board, str(fault.chip)) if fault.family == "shared" else ()
    chips = [*fault.chips, *(n.removeprefix(SELECT) for n in named if n.startswith(SELECT))]
    parts = [place_of_line(board, line) for line in lines]
    if len(lines) > _FEW:
        parts = [line_words(lines)]
    if shared:
        parts.append(numbered_runs(shared))
    refs = list(dict.fromkeys(chips))
    supplies = [words for ref in (*refs[:_FEW], *shared[:1]) if (words := supply_words(board, ref))]
    return "; ".join([*parts, *(chip_name(board, ref) for ref in refs), *supplies])


def step_words(diagnosis: Diagnosis) -> list[str]:
    """The next steps, faults in words."""
    faults = [f for s in diagnosis.suspects for f in (s.fault, *s.alike)]
    return [named_in_words(step, faults) for step in diagnosis.next_steps]


def caution_words(steps: Sequence[str]) -> list[str]:
    """Cautions for the work that the steps ask for (common practice of the trade)."""

    def asked(work: re.Pattern[str]) -> bool:
        return any(work.search(step) for step in steps)

    if not asked(_TOUCHES):
        return []
    cautions = []
    if asked(_OPENS):
        cautions.append(
            "Power off, and let the rails fall, before pulling, fitting or measuring with an "
            "ohmmeter; note where pin 1 goes. Wrist strap on for logic work; off near mains or "
            "high voltage."
        )
    cautions.append(
        "Probes off mains, the CRT and the rails that are not logic (+12 V, -5 V, 9 V AC). A CRT "
        "keeps its charge after unplugging. No earthed ground clip on a chassis that is not "
        "isolated."
    )
    if asked(_NEAR_HIGH_VOLTAGE):
        cautions.append(
            "Work on open supplies and CRTs is for people trained and, where the law asks, "
            "licensed for it, and not alone. The maker's manual and local rules come first."
        )
    cautions.append("A capture ranks suspects; it proves no part bad.")
    return cautions
