"""What a known-good boot of the same board says for and against the suspects.

The good boot refutes what it shows itself: that is how the board is, or its file. The first cycle
in which the bad boot leaves it tells on which side of the bus the fault lies.
"""

from __future__ import annotations

from dataclasses import replace

from bustrace.board import Board
from bustrace.compare import Comparison, Divergence, compare
from bustrace.diagnosis.model import Suspect
from bustrace.diagnosis.suspected import suspected
from bustrace.faults import SELECT, Fault
from bustrace.findings import Finding, Observations, in_order, observe
from bustrace.hookup import ADDRESS_PINS
from bustrace.reading import Reading

WEIGHT = 4.0
"""How much likelier a suspect gets that the parting points to, as odds; one that it does not point
to gets as much less likely. Blames are right in nine of ten (`benchmarks/compare_boots.py`), but an
old fault may show later than another."""

UNNAMED = 0.6
"""Probability of the chip or line where the boots part, when nothing else explains it."""

_FAULTS = ("answer", "select", "cpu", "line", "clock", "reset")
"""Blames that are faults; a marginal level is none, nor what cannot be told."""

_WITHOUT_CHIP = ("bus", "behind", "read", "write", "decoder", "cpu")


def beside_good(seen: Observations, good: Reading) -> tuple[Observations, Comparison]:
    """The observations in the light of a good boot, and the comparison.

    A fault that the good boot shows too becomes a note. ``leaves-good-boot`` tells where the boots
    part, ``good-boot-unused`` why they could not be compared.
    """
    comparison = compare(good, seen.evidence.reading)
    known = {(f.rule, f.lines, f.chips) for f in observe(good).findings if f.severity != "note"}
    findings = [_excused(f) if (f.rule, f.lines, f.chips) in known else f for f in seen.findings]
    if comparison.first is not None:
        off = {line for f in findings if f.rule == "clip-off" for line in f.lines}
        findings.append(_parting(comparison, comparison.first, off))
    elif comparison.verdict == "cannot conclude":
        findings.append(_unused(comparison))
    return replace(seen, findings=in_order(findings)), comparison


def _excused(finding: Finding) -> Finding:
    text = f"{finding.text} The good boot shows the same: so the board is, or its file is wrong."
    return replace(finding, severity="note", text=text)


def _parting(comparison: Comparison, first: Divergence, off: set[str]) -> Finding:
    """The divergence as a finding; one of lines whose clips are off is no fault of the board."""
    lines = tuple(line.replace(SELECT, "select:") for line in first.lines)
    is_fault = first.blame in _FAULTS and not (lines and set(lines) <= off)
    beside = "" if first.good_cycle is None else f", cycle {first.good_cycle:,} of the good one"
    return Finding(
        rule="leaves-good-boot",
        severity="fault" if is_fault else "oddity",
        lines=lines,
        chips=first.chips,
        cycles=(first.cycle,),
        opportunities=1,
        count=1,
        measured=first.seen,
        expected=first.expected,
        text=f"This boot leaves the good one in cycle {first.cycle:,}{beside}: {first.text}.",
    )


def _unused(comparison: Comparison) -> Finding:
    return Finding(
        rule="good-boot-unused",
        severity="note",
        opportunities=1,
        count=1,
        measured=str(comparison.reason),
        expected="two boots of one board, from reset on",
        text=f"The good boot could not be used: {comparison.reason}.",
    )


def weighed_beside(
    suspects: tuple[Suspect, ...],
    findings: tuple[Finding, ...],
    comparison: Comparison,
    board: Board,
) -> tuple[Suspect, ...]:
    """Suspects with the parting of the boots as evidence; one more where none is left for it."""
    first = comparison.first
    parted = next((f for f in findings if f.rule == "leaves-good-boot"), None)
    if first is None or parted is None or parted.severity != "fault":
        return suspects
    pointed = [_pointed_at(suspect, first, board) for suspect in suspects]
    if not any(pointed):
        named = _named_by(comparison, first, board)
        return suspects if named is None else (*suspects, named)
    return tuple(
        _raised(suspect, hits, board) if hits else _lowered(suspect)
        for suspect, hits in zip(suspects, pointed, strict=True)
    )


def _pointed_at(suspect: Suspect, first: Divergence, board: Board) -> list[Fault]:
    return [f for f in (suspect.fault, *suspect.alike) if points_at(first, f, board)]


def _raised(suspect: Suspect, hits: list[Fault], board: Board) -> Suspect:
    rest = [f for f in (suspect.fault, *suspect.alike) if f not in hits]
    members = (*hits, *rest)
    raised = replace(
        suspect,
        probability=_odds_times(suspect.probability, WEIGHT),
        explains=(*suspect.explains, "leaves-good-boot"),
    )
    if members[0] == suspect.fault:
        return raised
    return suspected(
        members[0],
        raised.probability,
        raised.explains,
        board,
        against=raised.against,
        alike=members[1:],
    )


def _lowered(suspect: Suspect) -> Suspect:
    return replace(
        suspect,
        probability=_odds_times(suspect.probability, 1 / WEIGHT),
        against=(*suspect.against, "the good boot is left at another place first"),
    )


def _odds_times(probability: float, factor: float) -> float:
    return probability * factor / (probability * factor + 1 - probability)


def points_at(first: Divergence, fault: Fault, board: Board) -> bool:
    """Whether a divergence is where a fault would show first.

    A fault in a chip, or at its pin, changes that chip's answer; a line that everyone sees wrong
    what the CPU drives there, or for data what comes back; a decoder's a select, or an answer where
    the select was not captured.
    """
    line = fault.lines[0] if fault.lines else ""
    if fault.family in ("clock", "reset"):
        return first.blame == fault.family
    if fault.family == "held":
        return first.blame == "line" and line in first.lines
    if fault.family == "clip":
        return False
    if fault.family == "cpu":
        return first.blame == "cpu"
    if fault.family in ("stuck", "short") and fault.place in ("bus", "cpu"):
        blames = ("answer", "cpu") if line.startswith("D") else ("cpu",)
        return first.blame in blames and bool(set(first.lines) & set(fault.lines))
    if first.blame not in ("answer", "select"):
        return False
    if line.startswith(SELECT):
        return line.removeprefix(SELECT) in first.chips
    if fault.family == "stuck" and line.startswith("D") and fault.place in ("read", "write"):
        return line in first.lines
    if fault.family in ("doubled", "register", "always") or fault.place in _WITHOUT_CHIP:
        return True
    chips = {(fault.chip or fault.place or "").split(".")[0], *fault.chips}
    return bool(chips & set(first.chips))


def _named_by(comparison: Comparison, first: Divergence, board: Board) -> Suspect | None:
    """What the divergence itself names: a ROM's bytes, a mute I/O chip, a line the CPU drives."""
    fault = None
    if first.blame == "answer" and len(first.chips) == 1:
        role = board.chip(first.chips[0]).role
        if role == "rom":
            fault = Fault("content", chip=first.chips[0])
        elif role == "io" and not first.lines:  # nobody drives the bus in its place
            fault = Fault("silent", chip=first.chips[0])
    elif first.blame == "cpu" and len(first.lines) == 1 and first.lines[0] in ADDRESS_PINS:
        address = int(comparison.bad.cycles.address[first.cycle])
        level = address >> int(first.lines[0][1:]) & 1
        fault = Fault("stuck", first.lines, level=level, place="bus")
    if fault is None:
        return None
    return suspected(fault, UNNAMED, ("leaves-good-boot",), board)
