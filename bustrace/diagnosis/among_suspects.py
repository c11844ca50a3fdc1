"""What suspects say of each other: where one is likely, another may follow from it."""

from __future__ import annotations

from dataclasses import replace

from bustrace.board import Board
from bustrace.diagnosis.explaining import RAN_ASTRAY, WENT_ASTRAY
from bustrace.diagnosis.gains import MIN_GAIN
from bustrace.diagnosis.hypotheses import fit_each_other
from bustrace.diagnosis.model import LIKELY, Suspect
from bustrace.diagnosis.suspected import suspected
from bustrace.faults import PLACES, SELECT, Fault
from bustrace.findings import (
    Assumption,
    Evidence,
    Finding,
    Observations,
    last_release,
    sole_driver,
)
from bustrace.hookup import ADDRESS_PINS, DATA_PINS
from bustrace.program import Kind

MUCH_REVISED = 0.1
"""Share of a ROM's reads that differ where another revision is thought of."""

BY_THE_VECTOR = 0.5
"""Probability of the ROM whose vector leads nowhere: two bytes alone do not tell why."""

TELLS_WHY = 0.25
"""Probability from which on another suspect tells why the vector leads nowhere, or the program."""

NOTHING_ELSE = 0.5
"""Probability of the ROM that a program came from which lost its way, where nothing else tells why:
of planted faults two in three were."""

LOST_ITS_WAY = {"cpu-jam", "jam-out-of-view", "brk-storm", "program-nonsense", *WENT_ASTRAY}
"""Rules that say so."""

_ANSWERS = {"ram-content", "io-content", "memory-unanswered", "io-unanswered"}
"""Rules about what a chip gave that sends a program astray."""

NO_CHANCE = 0.5
"""What is then left of the probability of the other suspects: their program had no chance."""

AND_ASTRAY = 0.1
"""What is left of the probability of a clip whose line may as well be at fault, where the program
lost its way: something else must be wrong besides (judgement)."""

FROM_THE_START = 64
"""Cycles from the first on in which a CPU that runs astray was sent there before them."""

SENT_BEFORE = "what sent the CPU there came before this capture, and no answer in it is wrong"

NOTHING_TOLD = 0.5
"""What is left of the probability of a suspect that explains none of the faults that were seen,
only bytes that nobody knew before: it may be there beside what does."""

_INSIDE = ("silent", "register", "plane", "cell", "retention", "content", "doubled", "swapped")
"""Families of faults that act in reads of the chips that they name, and in no others."""


_BUS_LINES = {*ADDRESS_PINS, *DATA_PINS}


def beside_the_cause(suspect: Suspect, weighed: list[Suspect]) -> Suspect:
    """Interrupts without end where a chip that asks is likely not to be reached: they follow."""
    asking = {ref for fault in suspect.alike for ref in fault.chips}
    sure = sum(s.probability for s in weighed if asking & {*s.fault.chips, s.fault.place})
    if "irq-storm" not in suspect.explains or suspect.fault.family != "held" or not sure:
        return suspect
    return replace(suspect, probability=suspect.probability * (1 - min(sure, 1.0)))


def beside_one_cause(resting: list[Suspect], suspects: list[Suspect]) -> list[Suspect]:
    """Several lines that rest, where one fault is likely that tells of the whole board's answers:
    they share what each alone would have, for a bus that nobody drives rests on many lines.
    """
    if len(resting) < 2 or not any(s.probability >= LIKELY for s in suspects):
        return resting
    return [replace(s, probability=s.probability / len(resting)) for s in resting]


def beside_what_was_seen(suspect: Suspect) -> Suspect:
    """A suspect that was weighed, behind a chip that was seen selected along with another where it
    explains none of the faults that were seen.
    """
    if suspect.explains or suspect.fault.family == "clip":
        return suspect
    return replace(suspect, probability=suspect.probability * NOTHING_TOLD)


def more_than_a_clip(faults: list[Finding], suspects: list[Suspect], board: Board) -> list[Suspect]:
    """The suspects, a clip that is off behind a fault of its line where the program lost its way:
    what only the probe sees sends the CPU nowhere, and two things wrong at once are rarer than one.
    """
    clip = next((s for s in suspects if _names_a_clip(s)), None)
    if clip is None:
        return suspects
    lines = clip.fault.lines
    # A byte that a clip shows wrong may look like nonsense; an address that it does changes none.
    lost = LOST_ITS_WAY if set(lines) <= set(ADDRESS_PINS) else RAN_ASTRAY
    astray = lost.intersection(f.rule for f in faults)
    if not astray:
        return suspects
    against = (*clip.against, "the program lost its way, which a clip does not do")
    moved = (1 - AND_ASTRAY) * clip.probability
    others = [s for s in suspects if s is not clip]
    clips = [f for f in (clip.fault, *clip.alike) if f.family == "clip"]
    real = [f for f in (clip.fault, *clip.alike) if f.family != "clip" and f.lines == lines]
    real = real or _selected_along(faults, lines)
    told = [s for s in others if s.fault.lines == lines and s.probability >= TELLS_WHY]
    if real:
        rules = dict.fromkeys((*clip.explains, *(f.rule for f in faults if f.rule in lost)))
        mine = suspected(
            real[0], moved, tuple(rules), board, against=clip.against, alike=tuple(real[1:])
        )
        others = [mine, *others]
    elif told:
        mine = replace(told[0], probability=told[0].probability + moved)
        others = [mine, *(s for s in others if s is not told[0])]
    elif _may_be_alone(lines, astray, others):
        return suspects
    left = clip.probability - moved
    alike = tuple(clips[1:])
    only = suspected(clips[0], left, clip.explains, board, against=against, alike=alike)
    return [*others[:1], only, *others[1:]]


def _may_be_alone(lines: tuple[str, ...], astray: set[str], others: list[Suspect]) -> bool:
    """Whether a clip may be all that is wrong with its line though the program lost its way: the
    clip itself shows where it runs, or something else tells why it did, or it is no address line's.
    """
    told = any(s.probability >= TELLS_WHY and astray.intersection(s.explains) for s in others)
    return told or astray == {"runs-nowhere"} or not set(lines) <= set(ADDRESS_PINS)


def _selected_along(faults: list[Finding], lines: tuple[str, ...]) -> list[Fault]:
    """The chip of a select line that was seen selected along with others, with each of them."""
    return [
        Fault("doubled", chip=f"{ref}+{finding.chips[0]}")
        for finding in faults
        if finding.rule == "select-doubled" and lines == (f"{SELECT}{finding.chips[0]}",)
        for ref in finding.chips[1:]
    ]


def _names_a_clip(suspect: Suspect) -> bool:
    """Whether the fault, or one that looks like it, is the clip of its line."""
    members = (suspect.fault, *suspect.alike)
    return any(f.family == "clip" and f.lines == suspect.fault.lines for f in members)


def by_the_vector(
    seen: Observations, faults: list[Finding], suspects: list[Suspect]
) -> list[Suspect]:
    """The suspects, and the ROM whose vector leads nowhere where none of them tells why: what is
    said of another chip comes from a program that had no chance.
    """
    board = seen.evidence.reading.board
    finding = next((f for f in faults if f.rule == "vector-nowhere" and len(f.chips) == 1), None)
    if finding is None:
        return suspects
    (ref,) = finding.chips
    told = suspects if board.chip(ref).images else _but_content(suspects, ref)
    if any(_reaches(s, ref) for s in told if s.probability >= TELLS_WHY):
        return suspects
    against = f"the vector, out of {ref}, was wrong before"
    others = [
        replace(s, probability=s.probability * NO_CHANCE, against=(*s.against, against))
        for s in told
    ]
    fault, *alike = _instead(seen.evidence, ref, mute=True)
    nowhere = suspected(
        fault,
        BY_THE_VECTOR,
        (finding.rule, *(f.rule for f in faults if f.rule in WENT_ASTRAY)),
        board,
        against=("two bytes alone do not tell why",),
        alike=tuple(alike),
    )
    return [nowhere, *others]


def _but_content(suspects: list[Suspect], ref: str) -> list[Suspect]:
    """Those that say more of a ROM without an image than that it may hold anything."""
    return [s for s in suspects if s.fault != Fault("content", chip=ref)]


def _instead(evidence: Evidence, ref: str, *, mute: bool) -> list[Fault]:
    """What may stand behind a ROM that gives what it should not: its content, each other chip that
    fits in its socket, a chip that is `mute`; those of them between which the reads do not tell.
    """
    board, replay = evidence.reading.board, evidence.replay
    chip = replay.chips.index(ref)
    content = Fault("content", chip=ref)
    does = {content: Assumption(loose=chip)}
    if mute:
        does[Fault("silent", chip=ref)] = Assumption(silent=1 << chip)
    for other, its_ref in enumerate(replay.chips):
        fitted = other != chip and board.chip(its_ref).fitted
        if fitted and fit_each_other(board, ref, its_ref):
            swap = Fault("swapped", chip="+".join(sorted((ref, its_ref))))
            does[swap] = Assumption(swap_a=chip, swap_b=other)
    # With each of these any bytes may come, so that they are weighed against each other alone.
    cost = {fault: replay.replay(assumption).total for fault, assumption in does.items()}
    # Another program is a program, too; what RAM holds at power-on is none.
    cost[content] = min(cost[content], replay.healthy.total)
    least = min(cost.values())
    kept = [fault for fault in cost if cost[fault] < least + MIN_GAIN]
    return sorted(kept, key=lambda fault: (fault != content, cost[fault]))


def by_the_program(
    seen: Observations, faults: list[Finding], suspects: list[Suspect]
) -> list[Suspect]:
    """The suspects, and the one ROM that a program came from which lost its way, where nobody has
    its image and nothing else tells why: what it gave was no program, or not all of it. Of a CPU
    that had lost it before the capture began, all programs come from there.
    """
    evidence = seen.evidence
    astray = [f.rule for f in faults if f.rule in LOST_ITS_WAY]
    replay, board = evidence.replay, evidence.reading.board
    roms = [
        ref
        for chip, ref in enumerate(replay.chips)
        if board.chip(ref).role == "rom" and sole_driver(evidence, chip).any()
    ]
    ran = (evidence.reading.program.kind == Kind.INSTRUCTION).any()
    if not astray or len(roms) != 1 or replay.has_image(roms[0]):
        return suspects
    (ref,) = roms
    others = _but_content(suspects, ref)
    if any(s.probability >= TELLS_WHY for s in others):
        return suspects
    fault, *alike = _instead(evidence, ref, mute=not ran)
    gave_it = suspected(
        fault,
        NOTHING_ELSE,
        tuple(dict.fromkeys(astray)),
        board,
        against=("nobody has its image: only that nothing else explains it",),
        alike=tuple(alike),
    )
    return [gave_it, *others]


def sent_before(
    seen: Observations, faults: list[Finding], suspects: list[Suspect]
) -> list[Suspect]:
    """The suspects, those of a chip or line less likely where a recording that began after the
    reset shows a CPU that had lost its way before, and no wrong answer since.
    """
    evidence = seen.evidence
    lost = [f.cycles[0] for f in faults if f.rule in LOST_ITS_WAY and f.cycles]
    if not lost or min(lost) >= FROM_THE_START or evidence.replay.wrong:
        return suspects
    if last_release(evidence.reading) is not None:
        return suspects
    return [
        replace(s, probability=s.probability * NO_CHANCE, against=(*s.against, SENT_BEFORE))
        if LOST_ITS_WAY.intersection(s.explains)
        else s
        for s in suspects
    ]


def _reaches(suspect: Suspect, ref: str) -> bool:
    """Whether a suspect may tell why a chip gives something else: its likeliest fault can, or one
    that looks like it lies on lines of the bus.
    """
    on_the_bus = (f for f in suspect.alike if set(f.lines) <= _BUS_LINES and f.lines)
    return any(not _elsewhere(fault, ref) for fault in (suspect.fault, *on_the_bus))


def _elsewhere(fault: Fault, ref: str) -> bool:
    """Whether a fault lies at other chips alone, and cannot change what this one gives."""
    if fault.place is not None and fault.place not in PLACES:
        return fault.place != ref
    # Lines of a bus reach it, and so does a chip that drives along with it.
    chips = fault.chips[:1] if fault.family == "doubled" else fault.chips
    return bool(chips) and fault.family in _INSIDE and ref not in chips


def perhaps_revised(seen: Observations, suspects: list[Suspect]) -> list[Suspect]:
    """A ROM of which much is other than its image, and whose program runs well, may be another
    revision of it: what else is wrong, and sends the program astray if anything does, comes first.
    So does a line that is seen never to move, however little of a ROM differs: no content does so.
    """
    differ = [f for f in seen.findings if f.rule == "rom-content"]
    named = {Fault("content", chip=ref) for f in differ for ref in f.chips}
    others = [s for s in suspects if s.probability >= LIKELY and s.fault not in named]
    rests = any("line-stuck" in s.explains for s in others)
    much = [f for f in differ if rests or f.count > MUCH_REVISED * f.opportunities]
    revised = {Fault("content", chip=ref) for f in much for ref in f.chips}
    rules = {f.rule for f in seen.findings}
    told = {rule for s in others for rule in s.explains}
    answered = min((f.cycles[0] for f in seen.findings if f.rule in told & _ANSWERS), default=None)
    # What went astray only after a chip's wrong answer did so by that.
    astray = {
        f.rule
        for f in seen.findings
        if f.rule in LOST_ITS_WAY - told
        and not (answered is not None and f.cycles and answered < f.cycles[0])
    }
    if not others and "program-lost" in rules:
        astray.add("program-lost")
    # Of a program that a clip tells wrongly nobody knows how it runs.
    clip = any(s.fault.family == "clip" for s in others)
    if not much or (astray and not clip):
        return suspects
    against = "the program runs with it: it may be another revision than the image"
    left = 1.0 - max((s.probability for s in others), default=0.0)
    return [
        replace(s, probability=s.probability * left, against=(*s.against, against))
        if s.fault in revised and not s.alike
        else s
        for s in suspects
    ]
