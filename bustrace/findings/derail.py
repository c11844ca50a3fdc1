"""Where the program leaves its path."""

from __future__ import annotations

import numpy as np

from bustrace.findings.evidence import Evidence
from bustrace.findings.memory_rules import wrong_bits
from bustrace.findings.model import Derail, Finding
from bustrace.findings.reset_rules import last_release

CAUSES = (
    "vector-absent",
    "vector-content",
    "vector-undriven",
    "vector-nowhere",
    "vector-not-taken",
    "rom-content",
    "ram-content",
    "memory-unanswered",
    "line-stuck",
    "line-fails",
    "lines-together",
    "select-missing",
    "select-doubled",
    "select-always",
    "select-wrong",
    "rdy-held",
    "cpu-stands",
    "clock-stops",
    "cpu-departs",
    "cpu-jam",
    "program-lost",
)
"""Rules whose first cycle can be the derail."""

STATE_CAUSES = {"rdy-held", "cpu-stands", "clock-stops"}


def find_derail(evidence: Evidence, findings: list[Finding]) -> Derail | None:
    """First cycle that what came before does not explain, with what was seen and expected."""
    start = path_start(evidence)
    marks = []
    for finding in findings:
        if finding.rule not in CAUSES or not finding.cycles:
            continue
        if finding.severity != "fault" and finding.rule != "program-lost":
            continue
        first = next((c for c in finding.cycles if c >= start), finding.cycles[-1])
        marks.append((first, CAUSES.index(finding.rule), finding))
    if not marks or not len(evidence.reading.cycles):
        return None
    cycle, _, cause = min(marks, key=lambda mark: mark[:2])
    seen, expected = cause.measured, cause.expected
    healthy, cycles = evidence.replay.healthy, evidence.reading.cycles
    off = wrong_bits(evidence)
    where = f"cycle {cycle:,}"
    if cycle < evidence.n and evidence.replay.address[cycle] >= 0:
        where += f", ${int(evidence.replay.address[cycle]):04X}"
    if cause.rule not in STATE_CAUSES and cycle < evidence.n and off[cycle]:
        seen = f"${int(evidence.replay.data[cycle]):02X}"
        sure = int(healthy.expected_known[cycle])
        expected = (
            f"${int(healthy.expected[cycle]):02X}"
            if sure == 0xFF
            else f"bits {sure:08b} of ${int(healthy.expected[cycle]):02X}"
        )
        text = f"At {where} the CPU reads {seen}, it should read {expected}."
    else:
        text = f"At {where}: {cause.text}"
    later = np.arange(evidence.n) > cycle
    consequences = int(
        (later & ((off != 0) | (evidence.address_off != 0) | (evidence.data_off != 0))).sum()
    )
    return Derail(cycle, int(cycles.time_ps[cycle]), seen, expected, text, consequences)


def path_start(evidence: Evidence) -> int:
    """First cycle of the program's path: the vector fetch, else the release, else the first.

    In reset, and in the five cycles before the vector, the CPU reads what it does not use.
    """
    release = last_release(evidence.reading)
    if release is None:
        return int(np.argmax(evidence.live)) if evidence.live.any() else 0
    address = evidence.replay.address
    window = np.flatnonzero(address[release : release + 10] == 0xFFFC)
    return release + int(window[0]) if len(window) else release
