"""From a reading to a verdict."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace

import numpy as np

from bustrace.board import Board
from bustrace.capture.model import Note
from bustrace.diagnosis.advice import behind_the_bus, check_for_class, rails, tell_apart, wiggle
from bustrace.diagnosis.against_good import beside_good, weighed_beside
from bustrace.diagnosis.checks import check_for, swap
from bustrace.diagnosis.hypotheses import fit_each_other
from bustrace.diagnosis.model import Diagnosis, Suspect, Verdict
from bustrace.diagnosis.touching import beside_touching, touching, with_ready
from bustrace.diagnosis.weighing import Weighed, weigh
from bustrace.diagnosis.without_board import BY_HAND, hedged
from bustrace.faults import PLACES, SELECT, Fault
from bustrace.findings import (
    EVERY_CHIP,
    PERIODIC,
    Answers,
    Evidence,
    Finding,
    Observations,
    differences,
    doubled_by_file,
    in_order,
    observe,
    sole_driver,
    wrong_bits,
)
from bustrace.program import Kind
from bustrace.reading import Reading

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
}
"""Faults that are seen directly, on the line itself."""

DIRECT = 0.95
"""Probability of a fault seen directly: what is left is the clip."""

ONE_LINE = 0.7
"""Probability of a line when the CPU leaves the vector in exactly one address bit."""

UNCLEARED = 0.6
"""Probability that IRQ itself is at fault when interrupt follows interrupt."""

EVEN = 0.5
"""Probability of a chip that may not answer, or may be at rest with what the bus held before: one
byte in 256 by chance, but a chip that answers nothing is rarer than one that waits."""

MUCH_REVISED, REVISED = 0.1, 0.75
"""Share of a ROM's reads that differ where another revision is thought of, and what is left of its
probability where something else is likely, too."""

IRREGULAR = 2
"""Pauses between resets that tell whether they come at a steady pace."""

PROVEN = 4
"""Times that the CPU must have broken its sheet in one way, to be sure of it."""

SELDOM = 0.4
"""Probability of a CPU that broke its sheet once or twice: a stray level at its pins does so
too."""

NEAR = 0.6
"""Probability of a register whose timer bit never comes, and of a line that the CPU alone takes
otherwise: something beside it may be at fault."""

MEND_THE_FILE = (
    "Look at the board file's map with bustrace board FILE, mend the chips that it shows as "
    "doubled, and diagnose again: until then most of what was read is not judged."
)

BOARD_RULES = {
    "bank-wrong",
    "rom-content", "ram-content", "io-content", "memory-unanswered", "io-unanswered",
    "write-fought",
    "line-stuck", "line-fails", "lines-together", "select-missing", "select-doubled",
    "select-always", "select-wrong",
    "vector-content", "vector-undriven", "vector-nowhere", "vector-not-taken", "vector-absent",
    "cpu-jam", "clip-off",
    "program-lost", "line-disagrees", "irq-storm", "drives-unasked",
    "shared-cause", "runs-nowhere", "runs-empty",
}  # fmt: skip
"""Rules that the replayed hypotheses can explain."""

WENT_ASTRAY = {"runs-nowhere", "runs-empty"}
"""Rules about where the CPU went: whatever gave it wrong bytes before may have sent it there."""

_INSIDE = ("silent", "register", "plane", "cell", "retention", "content", "doubled", "swapped")
"""Families of faults that act in reads of the chips that they name, and in no others."""

SENT_ASTRAY = {
    "cpu-jam", "vector-not-taken", "vector-undriven", "vector-content", "vector-nowhere",
}  # fmt: skip
"""Rules about what may be such a byte's doing; not where its own price is left."""


def diagnose(
    reading: Reading, again: Reading | None = None, good: Reading | None = None
) -> Diagnosis:
    """Judge a reading: findings, suspects, verdict, next step. Total: never raises on a dead board.

    Parameters
    ----------
    reading : Reading
    again : Reading or None
        Another capture of the same board in the same condition: what differs is judged too.
    good : Reading or None
        A boot of a working board of the kind, against the same board file: what it shows too is no
        fault, and where the boots part points to one.

    Returns
    -------
    Diagnosis
    """
    seen = observe(reading)
    if again is not None:
        seen = replace(seen, findings=in_order([*seen.findings, *differences(reading, again)]))
    comparison = None
    if good is not None:
        seen, comparison = beside_good(seen, good)
    faults = [f for f in seen.findings if f.severity == "fault"]
    suspects = _suspects(seen, faults)
    if comparison is not None:
        suspects = _in_order(weighed_beside(suspects, seen.findings, comparison, reading.board))
    verdict, summary = _verdict(seen, faults, suspects)
    return Diagnosis(
        verdict=verdict,
        summary=summary,
        trust=_trust(reading),
        ladder=seen.ladder,
        derail=seen.derail,
        findings=seen.findings,
        suspects=suspects,
        unexplained=tuple(
            f.text for f in faults if not any(f.rule in suspect.explains for suspect in suspects)
        ),
        not_exercised=seen.not_exercised,
        next_steps=_next_steps(seen, verdict, suspects),
    )


def _suspects(seen: Observations, faults: list[Finding]) -> tuple[Suspect, ...]:
    board = seen.evidence.reading.board
    suspects = [
        *_direct(seen, faults, board),
        *_unheard_request(seen, faults),
        *_perhaps_cpu(seen, board),
    ]
    held = {s.fault.family for s in suspects}
    board_faults = [f for f in faults if f.rule in BOARD_RULES]
    clips = [f for f in seen.findings if f.rule == "clip-off"]
    if board_faults or clips:
        groups = weigh(seen.evidence)
        if not board_faults:  # only a clip is in question: nothing on the board is suspected
            groups = tuple(group for group in groups[:1] if group.fault.family == "clip")
        weighed = [hedged(_suspect(group, seen, board), board) for group in groups]
        held_by = {fault for s in weighed for fault in (s.fault, *s.alike)}
        suspects = [s for s in suspects if s.fault.family != "register" or s.fault not in held_by]
        suspects = [_beside_the_cause(s, weighed) for s in suspects] + weighed
    likely = {f for s in suspects if s.probability >= EVEN for f in (s.fault, *s.alike)}
    suspects += [s for s in _perhaps_silent(seen, board) if s.fault not in likely]
    named = {name for s in suspects for name in s.fault.lines}
    for finding in clips:
        lines = tuple(line.replace("select:", SELECT) for line in finding.lines)
        if not set(lines) & named:
            fault = Fault("clip", lines[:1])
            alike = _output_alone(seen, finding)
            told = tell_apart(fault, alike, board)
            check = check_for(fault, board)
            suspects.append(Suspect(fault, DIRECT, ("clip-off",), (), check, alike, told))
    if not any("line-stuck" in s.explains for s in suspects):
        suspects += [_stuck_line(seen, f, board) for f in board_faults if f.rule == "line-stuck"]
    explained = {rule for s in suspects for rule in s.explains}
    suspects += _selected_along(faults, explained, board)
    suspects = _by_the_vector(faults, suspects, board)
    if not held & {"clock", "reset"}:
        suspects += _cpu(seen, faults, explained, board)
    joined = touching(faults, board)
    suspects = beside_touching(_perhaps_revised(seen, suspects), joined)
    return _in_order([*joined, *suspects])


def _perhaps_revised(seen: Observations, suspects: list[Suspect]) -> list[Suspect]:
    """A ROM of which much is other than its image, and whose program runs well, may be another
    revision of it: what else is wrong comes first.
    """
    program = seen.evidence.reading.program
    much = [
        f
        for f in seen.findings
        if f.rule == "rom-content" and f.count > MUCH_REVISED * f.opportunities
    ]
    astray = any(f.rule in WENT_ASTRAY for f in seen.findings)
    if not much or astray or program.jam_at is not None or program.lost_at is not None:
        return suspects
    revised = {Fault("content", chip=ref) for f in much for ref in f.chips}
    others = any(s.probability >= EVEN and s.fault not in revised for s in suspects)
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


def _beside_the_cause(suspect: Suspect, weighed: list[Suspect]) -> Suspect:
    """Interrupts without end where a chip that asks is likely not to be reached: they follow."""
    asking = {ref for fault in suspect.alike for ref in fault.chips}
    sure = sum(s.probability for s in weighed if asking & {*s.fault.chips, s.fault.place})
    if "irq-storm" not in suspect.explains or suspect.fault.family != "held" or not sure:
        return suspect
    return replace(suspect, probability=suspect.probability * (1 - min(sure, 1.0)))


def _in_order(suspects: Iterable[Suspect]) -> tuple[Suspect, ...]:
    """What is seen on a line stands first, in the ladder's order; the rest by probability."""
    suspects = tuple(suspects)
    direct = [s for s in suspects if s.fault.family in ("clock", "reset")]
    others = [s for s in suspects if s not in direct]
    # With a likely fault of the board in view, clips are the lesser trouble.
    fault = any(s.probability >= EVEN and s.fault.family != "clip" for s in others)
    others.sort(key=lambda s: (fault and s.fault.family == "clip", -s.probability))
    return (*direct, *others)


def _direct(seen: Observations, faults: list[Finding], board: Board) -> list[Suspect]:
    suspects = []
    for finding in faults:
        name = SEEN_ON_THE_LINE.get(finding.rule)
        if finding.rule == "reset-repeats" and _irregular(finding):
            fault = Fault.parse("reset:held")
        elif name is not None:
            fault = Fault.parse(name)
        elif finding.rule == "status-never-changes":
            fault = Fault("register", chip=finding.chips[0])
        elif finding.rule == "line-marginal":
            fault = _at_the_cpu(seen, finding)
        elif finding.rule == "cpu-departs":
            fault = Fault("cpu", chip=board.cpu.ref)
        else:
            continue
        # A level that the CPU has had no reason to act on may be the clip's alone.
        alike = _unheard(seen, finding) + _maker(finding, board)
        if finding.rule in ("irq-held", "irq-storm"):
            alike += tuple(Fault("register", chip=ref) for ref in finding.chips)
        probability = DIRECT
        if finding.rule == "irq-storm":
            # The line was seen high before: rather a source that is not cleared.
            probability = UNCLEARED
        elif finding.rule == "cpu-stands":
            probability = ONE_LINE  # RDY itself was not seen
        elif finding.rule == "cpu-departs":
            probability = DIRECT if finding.count >= PROVEN else NEAR
        elif name is None:
            probability = NEAR
        explains = [finding.rule]
        if fault.family in ("clock", "reset"):
            # With no clock or no release nothing else can be expected of the CPU.
            explains += [
                f.rule for f in faults if f.rule in ("vector-absent", "rdy-held", "cpu-stands")
            ]
        suspect = Suspect(
            fault,
            probability,
            tuple(explains),
            (),
            check_for(Fault.parse(name) if name else fault, board),
            alike=alike,
            tell_apart=tell_apart(fault, alike, board),
        )
        if finding.rule == "rdy-held":
            suspects += with_ready(seen.evidence, suspect, board)
        else:
            suspects.append(suspect)
    return suspects


def _irregular(finding: Finding) -> bool:
    """Whether the resets come at no steady pace: no watchdog's, but of a line that now and then is
    low, as with a sagging rail or a button.
    """
    pauses = np.diff(finding.cycles)
    return len(pauses) >= IRREGULAR and bool(np.ptp(pauses) > PERIODIC * pauses.max())


def _unheard_request(seen: Observations, faults: list[Finding]) -> Iterator[Suspect]:
    """The chips that ask and are not heard, or the line that they share."""
    reading = seen.evidence.reading
    chips = [Fault("register", chip=f.chips[0]) for f in faults if f.rule == "interrupt-unheard"]
    line = Fault("held", ("IRQ",), level=1)
    heard = (reading.cycles.pin("IRQ") == 0).any() or (reading.program.kind == Kind.IRQ).any()
    classes: list[tuple[Fault, ...]]
    if heard or not chips:
        classes = [(chip,) for chip in chips]
    else:
        # One chip fails as often as the line; several that fail together are the line.
        classes = [(*chips, line)] if len(chips) == 1 else [(line,)]
    elsewhere = any(f.rule in BOARD_RULES for f in faults)
    for fault, *alike in classes:
        # With the line in question its two ends are looked at before a chip is pulled.
        by_line = line in (fault, *alike)
        swapped = swap(reading.board, fault.chips[0]) if alike else ""
        yield Suspect(
            fault,
            SELDOM if elsewhere else NEAR,
            ("interrupt-unheard",),
            ("what else is wrong may keep the program's bytes from the chip",) if elsewhere else (),
            check_for(line if by_line else fault, reading.board),
            alike=tuple(alike),
            tell_apart=f"IRQ is high at both: {swapped}. Still high: something holds IRQ."
            if alike
            else None,
        )


def _maker(finding: Finding, board: Board) -> tuple[Fault, ...]:
    """The chip that makes the clock and the reset, where there is no clock."""
    made_by = board.clock_from
    if finding.rule != "clock-absent" or made_by is None or made_by != board.reset_from:
        return ()
    return (Fault("shared", chip=made_by),)


def _unheard(seen: Observations, finding: Finding) -> tuple[Fault, ...]:
    """The clip, where IRQ or NMI is low all the time and the CPU was never heard to answer."""
    kinds = {"irq-held": Kind.IRQ, "nmi-held": Kind.NMI}
    if finding.rule not in kinds:
        return ()
    taken = (seen.evidence.reading.program.kind == kinds[finding.rule]).any()
    return () if taken else (Fault("clip", finding.lines),)


def _output_alone(seen: Observations, finding: Finding) -> tuple[Fault, ...]:
    """The CPU's own output, where nobody but the probe listens to the line."""
    if finding.lines != ("SYNC",):
        return ()
    level = int(seen.evidence.reading.cycles.pin("SYNC")[finding.cycles[0]])
    return tuple(Fault("stuck", ("SYNC",), level=level, place=at) for at in ("cpu", "bus"))


def _selected_along(faults: list[Finding], explained: set[str], board: Board) -> Iterator[Suspect]:
    """A chip that is seen selected along with another, where nothing else explains it: what it does
    to the bytes may not show.
    """
    for finding in faults:
        if finding.rule == "select-doubled" and finding.rule not in explained:
            extra, *asked = finding.chips
            fault, *alike = (Fault("doubled", chip=f"{ref}+{extra}") for ref in asked)
            yield Suspect(
                fault,
                ONE_LINE,
                (finding.rule,),
                (),
                check_for(fault, board),
                alike=tuple(alike),
                tell_apart=tell_apart(fault, tuple(alike), board),
            )


def _by_the_vector(faults: list[Finding], suspects: list[Suspect], board: Board) -> list[Suspect]:
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
        replace(s, probability=s.probability / 2, against=(*s.against, against)) for s in suspects
    ]
    chips = [chip.ref for chip in board.mapped if chip.ref != ref and chip.fitted]
    fault = Fault("content", chip=ref)
    alike = (
        Fault("silent", chip=ref),
        *(
            Fault("swapped", chip="+".join(sorted((ref, other))))
            for other in chips
            if fit_each_other(board, ref, other)
        ),
    )
    nowhere = Suspect(
        fault,
        EVEN,
        (finding.rule, *(f.rule for f in faults if f.rule in WENT_ASTRAY)),
        ("two bytes alone do not tell why",),
        check_for(fault, board),
        alike=alike,
        tell_apart=tell_apart(fault, alike, board),
    )
    return [nowhere, *others]


def _elsewhere(fault: Fault, ref: str) -> bool:
    """Whether a fault lies at other chips alone, and cannot change what this one gives."""
    if fault.place is not None and fault.place not in PLACES:
        return fault.place != ref
    # Lines of a bus reach it, and so does a chip that drives along.
    return bool(fault.chips) and fault.family in _INSIDE and ref not in fault.chips


def _perhaps_silent(seen: Observations, board: Board) -> Iterator[Suspect]:
    """A chip of which all reads repeat what the bus held: it may be at rest, or not answer."""
    for finding in seen.findings:
        if finding.rule == "poll-unanswered":
            fault = Fault("silent", chip=finding.chips[0])
            yield Suspect(
                fault,
                EVEN,
                (finding.rule,),
                ("a port at rest at that byte looks the same",),
                check_for(fault, board),
            )


def _perhaps_cpu(seen: Observations, board: Board) -> Iterator[Suspect]:
    """The CPU, where it broke its sheet too seldom to be sure."""
    for finding in seen.findings:
        if finding.rule == "cpu-departs" and finding.severity == "oddity":
            cpu = Fault("cpu", chip=board.cpu.ref)
            yield Suspect(
                cpu,
                SELDOM,
                (finding.rule,),
                ("it may have seen another level than the clip in that cycle",),
                check_for(cpu, board),
            )


def _at_the_cpu(seen: Observations, finding: Finding) -> Fault:
    """The CPU's own input, with the level that it took most often."""
    bit = int(finding.lines[0][1:])
    cycles = set(finding.cycles)
    fixes = [f for f in seen.evidence.reading.program.read_corrections if f.cycle in cycles]
    high = sum(fix.believed >> bit & 1 for fix in fixes)
    return Fault("stuck", finding.lines, level=int(2 * high > len(fixes)), place="cpu")


def _suspect(group: Weighed, seen: Observations, board: Board) -> Suspect:
    """A weighed group with the findings that it explains, checked by replaying it."""
    evidence = seen.evidence
    answers = evidence.replay.replay(group.assumption, first=group.onset)
    healthy = evidence.replay.healthy
    cost = np.minimum(answers.cost, healthy.cost) if group.sometimes else answers.cost
    explains, against = [], []
    for finding in seen.findings:
        if finding.rule not in BOARD_RULES or finding.severity == "note":
            continue
        cycles = [c for c in finding.cycles if c < evidence.n]
        if not cycles:
            continue
        # Surprise is paid at the first cycle that shows it, so look at whole spans.
        before, after = float(healthy.cost[cycles].sum()), float(cost[cycles].sum())
        mine = set(finding.lines) & set(group.fault.lines) or set(finding.chips) & set(
            group.fault.chips
        )
        if finding.rule == "shared-cause" and group.fault.family != "shared":
            continue  # it speaks for what the chips share
        if after < 0.3 * before or (mine and after <= before) or finding.rule in WENT_ASTRAY:
            explains.append(finding.rule)
        elif before >= 10 and after > 0.7 * before:
            against.append(f"leaves {finding.rule} unexplained")
        elif finding.rule in SENT_ASTRAY:
            explains.append(finding.rule)
    if group.sometimes or group.assumption.weak_chip == EVERY_CHIP:
        against.append("only as a fault that comes and goes")
    if group.onset:
        against.append(f"shows only from cycle {group.onset:,} on")
    check = check_for_class(group.fault, group.alike, board)
    if check == check_for(group.fault, board):
        apart = tell_apart(group.fault, group.alike, board)
    else:
        apart = check  # probing them all is what tells them apart
    return Suspect(
        group.fault,
        group.probability,
        (*dict.fromkeys(explains), *_wrong_reads(evidence, answers, group)),
        tuple(dict.fromkeys(against)),
        check,
        alike=group.alike,
        tell_apart=apart,
    )


def _wrong_reads(evidence: Evidence, answers: Answers, group: Weighed) -> tuple[str, ...]:
    """How many of the reads that a healthy board would not give are as this fault gives them."""
    wrong = wrong_bits(evidence) != 0
    count = int(wrong.sum())
    if not count:
        return ()
    replay = evidence.replay
    left = (replay.data ^ answers.expected) & answers.expected_known & replay.data_known
    as_given = left == 0
    if group.assumption.loose >= 0:  # a chip that may hold anything gives whatever was read of it
        as_given |= sole_driver(evidence, group.assumption.loose)
    right = wrong & as_given & (np.arange(evidence.n) >= group.onset)
    reads = "the one wrong read" if count == 1 else f"{int(right.sum()):,} of {count:,} wrong reads"
    return (f"explains {reads}",) if right.any() else ()


def _stuck_line(seen: Observations, finding: Finding, board: Board) -> Suspect:
    """A line that is seen stuck, where the board's answers cannot say more."""
    line = finding.lines[0]
    tap = seen.evidence.reading.hookup.tap(line)
    level = 0
    if tap is not None:
        levels = seen.evidence.reading.capture.levels(tap.line)
        level = int(levels[levels < 2][-1]) ^ int(tap.inverted)
    fault = Fault("stuck", (line,), level=level, place="bus")
    alike = (Fault("clip", (line,)),)
    return Suspect(
        fault,
        ONE_LINE,
        (finding.rule,),
        (),
        check_for(fault, board),
        alike=alike,
        tell_apart=tell_apart(fault, alike, board),
    )


def _cpu(
    seen: Observations, faults: list[Finding], explained: set[str], board: Board
) -> list[Suspect]:
    """The CPU itself, or the one line in which it left the vector, when nothing else explains."""
    left = [
        f for f in faults
        if f.rule in ("vector-absent", "vector-not-taken") and f.rule not in explained
    ]  # fmt: skip
    if not left:
        return []
    cpu = Fault("cpu", chip=board.cpu.ref)
    line = _line_off_the_vector(seen, left[0])
    if line is not None:
        return [
            Suspect(
                line,
                ONE_LINE,
                (left[0].rule,),
                (),
                check_for(line, board),
                alike=(cpu,),
                tell_apart=f"Probe {line.lines[0]} at the CPU's pin through several resets.",
            )
        ]
    return [
        Suspect(
            cpu,
            0.5,
            tuple(f.rule for f in left),
            ("a CPU fails less often than its socket, clock, reset or bus",),
            check_for(cpu, board),
        )
    ]


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


def _trust(reading: Reading) -> tuple[Note, ...]:
    return (
        *reading.capture.notes,
        *reading.hookup.notes,
        *reading.cycles.notes,
        *reading.program.notes,
        *reading.board.notes,
    )


def _verdict(
    seen: Observations, faults: list[Finding], suspects: tuple[Suspect, ...]
) -> tuple[Verdict, str]:
    reading = seen.evidence.reading
    if faults:
        if suspects:
            top = suspects[0]
            shown = next((f for f in faults if f.rule in top.explains), faults[0])
            more = f", or one of {len(top.alike)} that look alike" if top.alike else ""
            return "fault", f"{shown.text} Most likely: {top.fault}{more}."
        return "fault", faults[0].text
    if reading.hookup.questions:
        return "cannot conclude", reading.hookup.questions[0]
    twice = doubled_by_file(seen.evidence)
    if twice is not None:
        return "cannot conclude", f"No fault is visible, but {twice}: they cannot be judged."
    if not len(reading.cycles):
        return "cannot conclude", f"No bus cycle could be found: {reading.cycles.reason}."
    program = reading.program
    loop = seen.ladder[-1]
    ran = int((program.kind == Kind.INSTRUCTION).sum())
    if program.method == "none" and not any(rung.status == "ok" for rung in seen.ladder[2:]):
        return "cannot conclude", (
            f"Nothing wrong is visible at these pins, but no program was recovered: "
            f"{program.reason or 'too little was captured'}."
        )
    if program.lost_at is not None and program.lost_at < 0.9 * len(reading.cycles):
        return "cannot conclude", (
            f"No fault is visible, but the program is lost from cycle {program.lost_at:,} on: "
            f"{program.reason or 'its cycles do not follow from what it read'}."
        )
    rests = next((f for f in seen.findings if f.rule == "bus-rests"), None)
    if rests is not None and program.jam_at is None:
        return "cannot conclude", f"No fault is visible before that, but: {rests.text}"
    departs = next((f for f in seen.findings if f.rule == "cpu-departs"), None)
    if departs is not None:
        return "cannot conclude", departs.text
    open_rungs = [r.name for r in seen.ladder[:7] if r.status in ("not captured", "not seen")]
    judged = seen.ladder[6].status == "ok"
    waits = next((f for f in seen.findings if f.rule == "poll-unanswered"), None)
    if waits is not None:
        return "healthy up to", waits.text
    if not judged:
        # Without RAM that was judged, a loop may be the program stumbling over bad RAM.
        text = f"The CPU does what it reads: {ran:,} instructions."
    elif loop.status == "ok":
        text = f"The CPU side is healthy: main loop reached ({loop.text})."
    else:
        text = f"Everything up to the end of the capture is right: {ran:,} instructions."
    if not any(seen.evidence.replay.has_image(ref) for ref in seen.evidence.replay.chips):
        text += " Whether the bytes it read are the right ones is open: there is no ROM image."
    elif judged and seen.ladder[4].status == "ok" and _whole_address(reading):
        return "no fault seen", text
    if open_rungs:
        text += f" Not shown by this capture: {', '.join(open_rungs)}."
    return "healthy up to", text


def _next_steps(
    seen: Observations, verdict: Verdict, suspects: tuple[Suspect, ...]
) -> tuple[str, ...]:
    reading = seen.evidence.reading
    steps: list[str] = list(reading.hookup.questions)
    if doubled_by_file(seen.evidence) is not None:
        steps.append(MEND_THE_FILE)
    for suspect in suspects[:3]:
        if suspect.probability >= 0.05:
            steps.append(suspect.check)
            if suspect.tell_apart:
                steps.append(suspect.tell_apart)
    steps += [
        wiggle(reading.board, finding.lines[0])
        for finding in seen.findings
        if finding.rule == "line-varies" and finding.severity != "note"
    ]
    if not suspects:
        steps += [BY_HAND[f.rule] for f in seen.findings if f.rule in BY_HAND]
    if verdict in ("fault", "cannot conclude"):
        suspected = (f for s in suspects[:3] if s.probability >= 0.05 for f in (s.fault, *s.alike))
        steps.append(rails(reading.board, suspected))
    replay = seen.evidence.replay
    if verdict != "no fault seen" and not any(replay.has_image(ref) for ref in replay.chips):
        steps.append(
            "Dump the ROM, or take the image it should hold, and run again with --rom "
            "FILE@ADDRESS: then every byte that the CPU read can be checked."
        )
    more = _next_clip(reading)
    if more and verdict != "no fault seen" and not reading.hookup.questions:
        steps.append(more)
    if verdict == "no fault seen" and not suspects:
        steps.append(behind_the_bus(reading.board))
    return tuple(dict.fromkeys(steps))


def _whole_address(reading: Reading) -> bool:
    """Whether every address line that the CPU has was captured."""
    return reading.board.address_mask & ~reading.hookup.address_mask == 0


def _next_clip(reading: Reading) -> str | None:
    """What to clip next to know more."""
    has = reading.hookup
    if not len(reading.cycles) and not any(t.pin.startswith("PHI") for t in has.taps):
        return "Clip PHI2 at the CPU next: without the clock there are no cycles."
    missing_data = [f"D{bit}" for bit in range(8) if not has.data_mask >> bit & 1]
    if missing_data:
        return (
            "Clip all of D0-D7 with PHI2, RES and R/W next: with them the program can be followed "
            "even without the address bus."
        )
    if not _whole_address(reading):
        top = reading.board.address_mask.bit_length() - 1
        return f"Clip the address lines next, A{top} downwards: they show which chip is asked."
    if not has.has("RES"):
        return "Clip RES next, and start the capture before its rise."
    return None
