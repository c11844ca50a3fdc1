"""What to do next: the one thing to do now first, then what comes after."""

from __future__ import annotations

from bustrace.diagnosis.advice import behind_the_bus, rails, wiggle
from bustrace.diagnosis.among_suspects import SENT_BEFORE
from bustrace.diagnosis.model import Suspect, Verdict
from bustrace.diagnosis.verdict import whole_address
from bustrace.diagnosis.without_board import BY_HAND
from bustrace.findings import Observations, doubled_by_file
from bustrace.reading import Reading

FOLLOWED, WORTH_A_STEP = 3, 0.05
"""Suspects that are followed up, and the probability from which each is."""

MEND_THE_FILE = (
    "Look at the board file's map with bustrace board FILE, mend the chips that it shows as "
    "doubled, and diagnose again: until then most of what was read is not judged."
)

DUMP_THE_ROM = (
    "Dump the ROM, or take the image it should hold, and run again with --rom "
    "FILE@ADDRESS: then every byte that the CPU read can be checked."
)


def next_steps(
    seen: Observations, verdict: Verdict, suspects: tuple[Suspect, ...]
) -> tuple[str, ...]:
    """The steps in the order in which to take them, each once."""
    reading = seen.evidence.reading
    steps: list[str] = list(reading.hookup.questions)
    if doubled_by_file(seen.evidence) is not None:
        steps.append(MEND_THE_FILE)
    followed = [s for s in suspects[:FOLLOWED] if s.probability >= WORTH_A_STEP]
    by_hand = [BY_HAND[f.rule] for f in seen.findings if f.rule in BY_HAND]
    if followed and SENT_BEFORE in followed[0].against:
        steps += by_hand
    for suspect in followed:
        steps.append(suspect.check)
        if suspect.tell_apart:
            steps.append(suspect.tell_apart)
    steps += [
        wiggle(reading.board, finding.lines[0])
        for finding in seen.findings
        if finding.rule == "line-varies" and finding.severity != "note"
    ]
    if not suspects:
        steps += by_hand
    if verdict in ("fault", "cannot conclude"):
        steps.append(rails(reading.board, (f for s in followed for f in (s.fault, *s.alike))))
    replay = seen.evidence.replay
    if verdict != "no fault seen" and not any(replay.has_image(ref) for ref in replay.chips):
        steps.append(DUMP_THE_ROM)
    more = _next_clip(reading)
    if more and verdict != "no fault seen" and not reading.hookup.questions:
        steps.append(more)
    if verdict == "no fault seen" and not suspects:
        steps.append(behind_the_bus(reading.board))
    return tuple(dict.fromkeys(steps))


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
    if not whole_address(reading):
        top = reading.board.address_mask.bit_length() - 1
        return f"Clip the address lines next, A{top} downwards: they show which chip is asked."
    if not has.has("RES"):
        return "Clip RES next, and start the capture before its rise."
    return None
