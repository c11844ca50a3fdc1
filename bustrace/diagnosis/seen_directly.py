"""Suspects that are seen on a line itself, whatever the board answered."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from bustrace.board import Board
from bustrace.diagnosis.checks import check_for
from bustrace.diagnosis.hypotheses import enumerate_hypotheses
from bustrace.diagnosis.model import LIKELY, Suspect
from bustrace.diagnosis.suspected import suspected
from bustrace.diagnosis.touching import with_nmi, with_ready
from bustrace.faults import SELECT, Fault
from bustrace.findings import PERIODIC, Finding, Observations
from bustrace.hookup import ADDRESS_PINS, DATA_PINS
from bustrace.program import Kind

SEEN_ON_THE_LINE = {
    "clock-absent": "clock:absent",
    "clock-stops": "clock:stops",
    "reset-held": "reset:held",
    "reset-repeats": "reset:repeats",
    "irq-held": "held:IRQ=0",
    "nmi-held": "held:NMI=0",
    "rdy-held": "held:RDY=0",
    "cpu-stands": "held:RDY=0",
    "irq-storm": "held:IRQ=0",
    "irq-withdrawn": "held:IRQ=0",
    "reset-scattered": "reset:held",
}
"""Faults that are seen directly, on the line itself."""

DIRECT = 0.95
"""Probability of a fault seen directly: what is left is the clip."""

UNCLEARED = 0.6
"""Probability that IRQ itself is at fault when interrupt follows interrupt: it was seen high
before, so rather a source is not cleared."""

UNLISTED = 0.4
"""Probability of a ROM that gave an opcode that no sheet lists: firmware that uses one on purpose
is rare, and so are ROMs with few wrong bytes (judgement)."""

INFERRED = 0.7
"""Probability of what is seen in part: RDY that was not captured where the CPU stands, a line that
the board's answers do not tell to be stuck, a chip selected along where no byte shows it."""

AT_REST, AT_REST_BY_READY = 0.45, 0.3
"""Probability of RES and of RDY that hold a CPU which never does anything, where neither was seen:
a capture that is too short looks the same (judgement)."""

NEAR = 0.6
"""Probability of a register whose timer bit never comes, of a line that the CPU alone takes
otherwise, and of a CPU that broke its sheet a few times: something beside it may be at fault."""

_SURE = {
    "irq-storm": UNCLEARED,
    "cpu-stands": INFERRED,
    "irq-withdrawn": INFERRED,
    "status-never-changes": NEAR,
    "line-marginal": NEAR,
}
"""Probabilities other than `DIRECT`."""

BY_PAGES, BY_PAGES_ON_A_LINE = 0.5, 0.6
"""Probability of a ROM that gives bytes which its image has nowhere near, where no program says at
which address, and of its output where they would fit but for one line (judgement)."""

UNDECLARED = 0.4
"""Probability of RDY where waits are seen that the board file does not have: files are seldom
complete."""

UNSEEN = 0.5
"""What is left of the probability of a suspect that rests on bytes which the clips saw wrong."""

ONCE_MORE = 0.3
"""Probability of what makes the reset where it came once more, on a board that is ill anyway."""

PROVEN = 4
"""Times that the CPU must have broken its sheet in one way, to be sure of it."""

IRREGULAR = 2
"""Pauses between resets that tell whether they come at a steady pace."""

BEATS, OFF_BEAT = 4, 0.02
"""Pauses that must be multiples of the shortest, and how far each may be off, as a share of it: by
chance four are once in 15,000 times."""


def seen_directly(seen: Observations, faults: list[Finding]) -> Iterator[Suspect]:
    """The clock, the reset, the lines and registers of which a finding says what they do."""
    board = seen.evidence.reading.board
    for finding in faults:
        if finding.rule == "nmi-storm":
            yield from with_nmi(seen.evidence, finding, board)
        fault = _fault_of(seen, finding)
        if fault is None:
            continue
        probability = _SURE.get(finding.rule, DIRECT)
        if finding.rule == "cpu-departs" and finding.count < PROVEN:
            probability = NEAR
        explains = [finding.rule]
        if fault.family in ("clock", "reset"):
            # With no clock or no release nothing else can be expected of the CPU.
            explains += [
                f.rule for f in faults if f.rule in ("vector-absent", "rdy-held", "cpu-stands")
            ]
        alike = _alike(seen, finding)
        suspect = suspected(fault, probability, tuple(explains), board, alike=alike)
        if finding.rule == "reset-repeats":  # steady or not, it is watched for falling again
            check = check_for(Fault.parse(SEEN_ON_THE_LINE[finding.rule]), board)
            suspect = replace(suspect, check=check)
        if finding.rule == "rdy-held":
            yield from with_ready(seen.evidence, suspect, board)
        else:
            yield suspect


def _fault_of(seen: Observations, finding: Finding) -> Fault | None:
    """The fault that a finding shows by itself, if it does."""
    if finding.rule == "reset-repeats" and _irregular(finding):
        return Fault.parse("reset:held")
    if finding.rule in SEEN_ON_THE_LINE:
        return Fault.parse(SEEN_ON_THE_LINE[finding.rule])
    if finding.rule == "status-never-changes":
        return Fault("register", chip=finding.chips[0])
    if finding.rule == "line-marginal":
        return _at_the_cpu(seen, finding)
    if finding.rule == "cpu-departs":
        return Fault("cpu", chip=seen.evidence.reading.board.cpu.ref)
    return None


def _irregular(finding: Finding) -> bool:
    """Whether the resets come at no steady pace: no watchdog's, but of a line that now and then is
    low, as with a sagging rail or a button.
    """
    pauses = np.diff(finding.cycles)
    steady = len(pauses) < IRREGULAR or np.ptp(pauses) <= PERIODIC * pauses.max()
    return not steady and not _skips_beats(pauses)


def _skips_beats(pauses: npt.NDArray[np.int64]) -> bool:
    """Whether pauses are multiples of the shortest: of a watchdog that is fed now and then."""
    if len(pauses) < BEATS or pauses.min() * OFF_BEAT < 1:
        return False
    beats = pauses / pauses.min()
    return bool((abs(beats - beats.round()) <= OFF_BEAT).all())


def _at_the_cpu(seen: Observations, finding: Finding) -> Fault:
    """The CPU's own input, with the level that it took most often."""
    bit = int(finding.lines[0][1:])
    cycles = set(finding.cycles)
    fixes = [f for f in seen.evidence.reading.program.read_corrections if f.cycle in cycles]
    high = sum(fix.believed >> bit & 1 for fix in fixes)
    return Fault("stuck", finding.lines, level=int(2 * high > len(fixes)), place="cpu")


def _alike(seen: Observations, finding: Finding) -> tuple[Fault, ...]:
    """What shows in the same way: the clip, what makes the line, what asks on it."""
    alike = _unheard(seen, finding) + _maker(finding, seen.evidence.reading.board)
    if finding.rule in ("irq-held", "irq-storm"):
        alike += tuple(Fault("register", chip=ref) for ref in finding.chips)
    return alike


def _unheard(seen: Observations, finding: Finding) -> tuple[Fault, ...]:
    """The clip, where IRQ or NMI is low and the CPU was never heard to answer: a level that it had
    no reason to act on may be the clip's alone.
    """
    kinds = {"irq-held": Kind.IRQ, "irq-withdrawn": Kind.IRQ, "nmi-held": Kind.NMI}
    if finding.rule not in kinds:
        return ()
    taken = (seen.evidence.reading.program.kind == kinds[finding.rule]).any()
    return () if taken else (Fault("clip", finding.lines),)


def _maker(finding: Finding, board: Board) -> tuple[Fault, ...]:
    """The chip that makes the clock and the reset, where there is no clock."""
    made_by = board.clock_from
    if finding.rule != "clock-absent" or made_by is None or made_by != board.reset_from:
        return ()
    return (Fault("shared", chip=made_by),)


def perhaps_held(seen: Observations) -> Iterator[Suspect]:
    """RDY, where the CPU waits now and then and the board file does not say why."""
    for finding in seen.findings:
        if finding.rule == "waits-undeclared":
            yield suspected(
                Fault("held", ("RDY",), level=0),
                UNDECLARED,
                (finding.rule,),
                seen.evidence.reading.board,
                against=("a display or a slow chip may make it wait by design",),
            )


def perhaps_at_rest(seen: Observations) -> Iterator[Suspect]:
    """RES, where it is not clipped and the CPU never does anything, and RDY as well."""
    has = seen.evidence.reading.hookup.has
    held = {"reset:held": AT_REST, **({} if has("RDY") else {"held:RDY=0": AT_REST_BY_READY})}
    for finding in seen.findings:
        if finding.rule == "cpu-rests":
            for fault, probability in held.items():
                yield suspected(
                    Fault.parse(fault),
                    probability,
                    (finding.rule,),
                    seen.evidence.reading.board,
                    against=("RES was not seen: the capture may end before it rises",),
                )


def perhaps_repeats(seen: Observations, faults: list[Finding]) -> Iterator[Suspect]:
    """What makes the reset, where it came once more on a board that is ill anyway; where nothing
    else is wrong it is taken for somebody's finger.
    """
    if any(f.rule in SEEN_ON_THE_LINE and f.lines == ("RES",) for f in faults):
        return
    for finding in seen.findings:
        if finding.rule == "reset-again" and faults:
            yield suspected(
                Fault.parse(SEEN_ON_THE_LINE["reset-repeats"]),
                ONCE_MORE,
                (finding.rule,),
                seen.evidence.reading.board,
                against=("it came once: a hand on the button does the same",),
            )


def perhaps_misread(seen: Observations, faults: list[Finding]) -> Iterator[Suspect]:
    """A ROM out of which the CPU obeyed what no sheet lists, where nothing else is wrong."""
    for finding in seen.findings:
        if finding.rule == "opcode-unlisted" and not faults:
            yield suspected(
                Fault("content", chip=finding.chips[0]),
                UNLISTED,
                (finding.rule,),
                seen.evidence.reading.board,
                against=("nobody has its image, and its author may have meant it",),
            )


def clips_off(
    seen: Observations, clips: Iterable[Finding], suspects: Iterable[Suspect]
) -> list[Suspect]:
    """The clips that are off, but for those on lines that a suspect names already."""
    named = {name for s in suspects for name in s.fault.lines}
    board = seen.evidence.reading.board
    found = []
    for finding in clips:
        lines = tuple(line.replace("select:", SELECT) for line in finding.lines)
        if not set(lines) & named:
            fault = Fault("clip", lines[:1])
            alike = _output_alone(seen, finding) + tuple(Fault("clip", (one,)) for one in lines[1:])
            # Which of two clips it is nobody knows, nor whether the lines do not touch as well.
            sure = DIRECT if len(lines) == 1 else INFERRED
            found.append(suspected(fault, sure, (finding.rule,), board, alike=alike))
    return found


def without_unseen_lines(
    seen: Observations, clips: Iterable[Finding], suspects: list[Suspect]
) -> list[Suspect]:
    """The suspects where the clip of a data line is off, and no ROM's image tells its levels:
    nothing is seen of that line, and what the CPU read was something else.
    """
    unseen = {line for finding in clips for line in finding.lines if line in DATA_PINS}
    unseen -= set(seen.evidence.reading.program.clips_off)
    if not unseen:
        return suspects
    against = f"the clip of {' and '.join(sorted(unseen))} is off: the CPU read other bytes"
    return [
        replace(s, probability=UNSEEN * s.probability, against=(*s.against, against))
        for s in suspects
        if not unseen & set(s.fault.lines)
    ]


def _output_alone(seen: Observations, finding: Finding) -> tuple[Fault, ...]:
    """The CPU's own output, where nobody but the probe listens to the line."""
    if finding.lines != ("SYNC",):
        return ()
    level = int(seen.evidence.reading.cycles.pin("SYNC")[finding.cycles[0]])
    return tuple(Fault("stuck", ("SYNC",), level=level, place=at) for at in ("cpu", "bus"))


def stuck_line(seen: Observations, finding: Finding) -> Suspect:
    """A line that is seen stuck, where the board's answers cannot say more."""
    line = finding.lines[0]
    reading = seen.evidence.reading
    tap = reading.hookup.tap(line)
    level = 0
    if tap is not None:
        levels = reading.capture.levels(tap.line)
        level = int(levels[levels < 2][-1]) ^ int(tap.inverted)
    if line in DATA_PINS and _moves(seen, line):
        if len(finding.chips) == 1:
            return _one_bit_of(seen, finding)
        if seen.evidence.replay.read[finding.cycles[0]]:
            return _on_the_way_to_the_cpu(seen, finding)
    fault = Fault("stuck", (line,), level=level, place="bus")
    alike: tuple[Fault, ...] = (Fault("clip", (line,)),)
    if line in ADDRESS_PINS:  # which only the CPU drives: its pin cannot be told from the rest
        alike = (replace(fault, place="cpu"), *alike)
    return suspected(fault, INFERRED, (finding.rule,), reading.board, alike=alike)


def _moves(seen: Observations, line: str) -> bool:
    """Whether a data line was seen at both levels."""
    cycles, bit = seen.evidence.reading.cycles, DATA_PINS.index(line)
    level = (cycles.data >> bit & 1)[cycles.data_known >> bit & 1 == 1]
    return len(np.unique(level)) > 1


def _on_the_way_to_the_cpu(seen: Observations, finding: Finding) -> Suspect:
    """A data line that rests in reads of all chips and moves in writes: what holds it is not in the
    CPU's way, unless a stray sample was taken for a move.
    """
    level = int(
        seen.evidence.replay.data[finding.cycles[0]] >> DATA_PINS.index(finding.lines[0]) & 1
    )
    fault = Fault("stuck", finding.lines, level=level, place="read")
    alike = (replace(fault, place="bus"),)
    board = seen.evidence.reading.board
    return suspected(fault, INFERRED, (finding.rule,), board, alike=alike)


def _one_bit_of(seen: Observations, finding: Finding) -> Suspect:
    """One bit of a memory, or its pin, where a data line rests in what this chip gives alone."""
    (line,), (ref,) = finding.lines, finding.chips
    bit = DATA_PINS.index(line)
    level = int(seen.evidence.replay.data[finding.cycles[0]] >> bit & 1)
    pin: tuple[Fault, ...] = (Fault("stuck", (line,), level=level, place=ref),)
    if level:
        pin += (Fault("open", (line,), place=ref),)
    board = seen.evidence.reading.board
    fault = Fault("plane", chip=f"{ref}.{bit}")
    return suspected(fault, INFERRED, (finding.rule,), board, alike=pin)


def select_resting(
    seen: Observations, faults: Iterable[Finding], board: Board
) -> Iterator[Suspect]:
    """A select that never moves where no address was captured, so that no answer can be weighed:
    all that keeps it at this level where its clip is, the likeliest first.
    """
    evidence = seen.evidence
    if (evidence.replay.address >= 0).any():
        return
    for finding in faults:
        if finding.rule not in ("select-missing", "select-always"):
            continue
        chip = evidence.replay.chips.index(finding.chips[0])
        found: dict[Fault, float] = {}
        for each in enumerate_hypotheses(evidence):
            does = each.assumption
            if does.select_clip == chip:
                shown = does.select_clip_on == 1
            elif does.select_hidden or not (does.select_off >> chip & 1 or does.select_on == chip):
                continue
            else:
                shown = does.select_on == chip
            if shown == (finding.rule == "select-always"):
                found[each.fault] = max(each.prior_bits, found.get(each.fault, -np.inf))
        fault, *alike = sorted(found, key=lambda fault: -found[fault])
        yield suspected(fault, INFERRED, (finding.rule,), board, alike=tuple(alike))


def by_pages(faults: Iterable[Finding], board: Board) -> Iterator[Suspect]:
    """A ROM that gives what its image has nowhere near: another content, or it does not drive; or
    one of its outputs, or that line.
    """
    for finding in faults:
        if finding.rule != "rom-pages":
            continue
        (ref,) = finding.chips
        if finding.lines:
            (line,) = finding.lines
            fault = Fault("plane", chip=f"{ref}.{line[1:]}")
            alike: tuple[Fault, ...] = (Fault("open", (line,), place=ref),)
            alike += tuple(Fault("stuck", (line,), level=level, place="read") for level in (0, 1))
        else:
            fault, alike = Fault("content", chip=ref), (Fault("silent", chip=ref),)
        probability = BY_PAGES_ON_A_LINE if finding.lines else BY_PAGES
        yield suspected(fault, probability, (finding.rule,), board, alike=alike)


def selected_along(
    faults: Iterable[Finding], suspects: list[Suspect], board: Board
) -> Iterator[Suspect]:
    """A chip that is seen selected along with another, where nothing likely explains it: what it
    does to the bytes may not show.
    """
    for finding in faults:
        sure = sum(s.probability for s in suspects if finding.rule in s.explains)
        if finding.rule == "select-doubled" and sure < LIKELY:
            extra, *asked = finding.chips
            fault, *alike = (Fault("doubled", chip=f"{ref}+{extra}") for ref in asked)
            yield suspected(fault, INFERRED, (finding.rule,), board, alike=tuple(alike))
