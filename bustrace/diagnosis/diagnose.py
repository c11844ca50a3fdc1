"""From a reading to a verdict."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from bustrace.capture.model import Note
from bustrace.diagnosis.against_good import beside_good, weighed_beside
from bustrace.diagnosis.among_suspects import (
    beside_one_cause,
    beside_the_cause,
    beside_what_was_seen,
    by_the_program,
    by_the_vector,
    more_than_a_clip,
    perhaps_revised,
    sent_before,
)
from bustrace.diagnosis.cpu_itself import departs_seldom, leaves_the_vector
from bustrace.diagnosis.explaining import BOARD_RULES, explaining
from bustrace.diagnosis.model import LIKELY, Diagnosis, Suspect
from bustrace.diagnosis.next_steps import next_steps
from bustrace.diagnosis.seen_directly import (
    by_pages,
    clips_off,
    perhaps_at_rest,
    perhaps_held,
    perhaps_misread,
    perhaps_repeats,
    seen_directly,
    select_resting,
    selected_along,
    stuck_line,
    without_unseen_lines,
)
from bustrace.diagnosis.touching import beside_touching, touching
from bustrace.diagnosis.unheard_chips import not_reached, perhaps_silent, unheard_requests
from bustrace.diagnosis.verdict import verdict_on
from bustrace.diagnosis.weighing import weigh, weigh_besides
from bustrace.diagnosis.without_board import hedged
from bustrace.findings import Finding, Observations, differences, in_order, observe
from bustrace.reading import Reading

_FROM_A_ROM, _LOADED = 40.0, 0.5
"""Bits that tell that what seems to come out of RAM comes out of a ROM (five bytes as its image has
them, and none otherwise), and how likely that is where a program may have loaded them there before
the capture (judgement)."""

_OF_UNHEARD_CHIPS = ("register", "silent")
"""Families of what is told of chips of which nothing is heard, and may be weighed as well."""


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
    verdict, summary = verdict_on(seen, faults, suspects)
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
        next_steps=next_steps(seen, verdict, suspects),
    )


def _suspects(seen: Observations, faults: list[Finding]) -> tuple[Suspect, ...]:
    """What the findings show by themselves, what the replay weighs, then what is left over."""
    board = seen.evidence.reading.board
    suspects = [
        *seen_directly(seen, faults),
        *not_reached(seen, faults),
        *unheard_requests(seen, faults),
        *departs_seldom(seen),
        *perhaps_held(seen),
        *perhaps_at_rest(seen),
        *perhaps_repeats(seen, faults),
        *perhaps_misread(seen, faults),
    ]
    held = {s.fault.family for s in suspects if s.probability >= LIKELY}
    board_faults = [f for f in faults if f.rule in BOARD_RULES]
    clips = [f for f in seen.findings if f.rule == "clip-off"]
    if faults or clips:
        groups = (weigh if board_faults else weigh_besides)(seen.evidence)
        off = {line for finding in clips for line in finding.lines}
        if not faults:  # only a clip is in question: nothing on the board is suspected
            groups = tuple(group for group in groups[:1] if group.fault.family == "clip")
        elif not board_faults:  # what else a line does whose clip is off, nobody sees
            groups = tuple(
                group
                for group in groups
                if group.fault.family == "clip" or not off & set(group.fault.lines)
            )
        weighed = [hedged(explaining(group, seen), board) for group in groups]
        weighed = without_unseen_lines(seen, clips, weighed)
        suspects, weighed = _told_once(suspects, weighed)
        suspects = [beside_the_cause(s, weighed) for s in suspects] + weighed
    elif any(f.rule == "runs-in-ram" for f in seen.findings):
        suspects += _out_of_a_rom(seen)
    likely = {f for s in suspects if s.probability >= LIKELY for f in (s.fault, *s.alike)}
    suspects += [s for s in perhaps_silent(seen) if s.fault not in likely]
    suspects += clips_off(seen, clips, suspects)
    if not any("line-stuck" in s.explains for s in suspects):
        resting = [stuck_line(seen, f) for f in board_faults if f.rule == "line-stuck"]
        suspects += beside_one_cause(resting, suspects)
    suspects += [*select_resting(seen, faults, board), *by_pages(faults, board)]
    along = list(selected_along(faults, suspects, board))
    if along:
        seen_along = {s.fault for s in along}
        others = [beside_what_was_seen(s) for s in suspects if s.fault not in seen_along]
        suspects = others + along
    explained = {rule for s in suspects for rule in s.explains}
    suspects = more_than_a_clip(faults, suspects, board)
    told = by_the_vector(seen, faults, suspects)
    suspects = told if told != suspects else by_the_program(seen, faults, suspects)
    suspects = sent_before(seen, faults, suspects)
    if not held & {"clock", "reset"}:
        suspects += leaves_the_vector(seen, faults, explained, suspects)
    joined = touching(faults, board)
    suspects = beside_touching(perhaps_revised(seen, suspects), joined)
    return _in_order([*joined, *suspects])


def _out_of_a_rom(seen: Observations) -> list[Suspect]:
    """What lets a ROM answer where all that the CPU runs seems to be in RAM, if its image says so.

    A program that was loaded there before is as good an explanation.
    """
    evidence = seen.evidence
    against = "a program may have been loaded there before the capture"
    return [
        replace(explaining(group, seen), probability=_LOADED, against=(against,))
        for group in weigh(evidence)[:1]
        if group.gain >= _FROM_A_ROM and not evidence.replay.wrong
    ]


def _told_once(
    suspects: list[Suspect], weighed: list[Suspect]
) -> tuple[list[Suspect], list[Suspect]]:
    """Both without what is told twice of chips of which nothing is heard: the likelier one stays,
    and explains what the other does.
    """
    kept = []
    for suspect in suspects:
        mine = next((s for s in weighed if suspect.fault in (s.fault, *s.alike)), None)
        if suspect.fault.family not in _OF_UNHEARD_CHIPS or mine is None:
            kept.append(suspect)
            continue
        explains = tuple(dict.fromkeys((*mine.explains, *suspect.explains)))
        if mine.probability >= suspect.probability:
            weighed = [replace(s, explains=explains) if s is mine else s for s in weighed]
        else:
            weighed = [s for s in weighed if s is not mine]
            kept.append(replace(suspect, explains=explains))
    return kept, weighed


def _in_order(suspects: Iterable[Suspect]) -> tuple[Suspect, ...]:
    """What is seen on a line stands first, in the ladder's order; the rest by probability."""
    suspects = tuple(suspects)
    direct = [s for s in suspects if _keeps_the_cpu(s) and s.probability >= LIKELY]
    others = [s for s in suspects if s not in direct]
    # With a likely fault of the board in view, clips are the lesser trouble, but likely ones stand
    # before what is not likely.
    likely = [s for s in others if s.probability >= LIKELY]
    faults = [s for s in likely if s.fault.family != "clip"]
    others.sort(key=lambda s: (s not in (faults or likely), s not in likely, -s.probability))
    return (*direct, *others)


def _keeps_the_cpu(suspect: Suspect) -> bool:
    """Whether a suspect keeps the CPU from going on, as is seen on the line itself."""
    return suspect.fault.family in ("clock", "reset") or "rdy-held" in suspect.explains


def _trust(reading: Reading) -> tuple[Note, ...]:
    return (
        *reading.capture.notes,
        *reading.hookup.notes,
        *reading.cycles.notes,
        *reading.program.notes,
        *reading.board.notes,
    )
