"""The verdict in a word, with one or two sentences for it."""

from __future__ import annotations

from bustrace.diagnosis.model import Suspect, Verdict
from bustrace.findings import Finding, Observations, doubled_by_file
from bustrace.program import Kind
from bustrace.reading import Reading

LOST_EARLY = 0.9
"""Share of the capture before which a program must not be lost, for the rest to say something; and
of which it must be followed for all to be right."""

MAY_BE_SO = ("poll-unanswered", "waits-undeclared")
"""Rules about what a healthy board may do, too: nobody knows but who knows the board."""

IN_DOUBT = ("cpu-departs", "runs-in-ram", "opcode-unlisted")
"""Rules about what a healthy board hardly does, and might."""


def verdict_on(
    seen: Observations, faults: list[Finding], suspects: tuple[Suspect, ...]
) -> tuple[Verdict, str]:
    """The verdict and its summary: a fault, what keeps from judging, or how far all is right."""
    if faults:
        return "fault", _most_likely(faults, suspects)
    doubt = _doubt(seen)
    if doubt is not None:
        return "cannot conclude", doubt
    return _as_far_as_seen(seen)


def whole_address(reading: Reading) -> bool:
    """Whether every address line that the CPU has was captured."""
    return reading.board.address_mask & ~reading.hookup.address_mask == 0


def _most_likely(faults: list[Finding], suspects: tuple[Suspect, ...]) -> str:
    if not suspects:
        return faults[0].text
    top = suspects[0]
    shown = next((f for f in faults if f.rule in top.explains), faults[0])
    more = f", or one of {len(top.alike)} that look alike" if top.alike else ""
    return f"{shown.text} Most likely: {top.fault}{more}."


def _doubt(seen: Observations) -> str | None:
    """What keeps from a conclusion where no fault is seen."""
    reading = seen.evidence.reading
    if reading.hookup.questions:
        return reading.hookup.questions[0]
    twice = doubled_by_file(seen.evidence)
    if twice is not None:
        return f"No fault is visible, but {twice}: they cannot be judged."
    if not len(reading.cycles):
        return f"No bus cycle could be found: {reading.cycles.reason}."
    program = reading.program
    if program.method == "none" and not any(rung.status == "ok" for rung in seen.ladder[2:]):
        return (
            f"Nothing wrong is visible at these pins, but no program was recovered: "
            f"{program.reason or 'too little was captured'}."
        )
    if program.lost_at is not None and program.lost_at < LOST_EARLY * len(reading.cycles):
        return (
            f"No fault is visible, but the program is lost from cycle {program.lost_at:,} on: "
            f"{program.reason or 'its cycles do not follow from what it read'}."
        )
    rests = next((f for f in seen.findings if f.rule == "bus-rests"), None)
    if rests is not None and program.jam_at is None:
        return f"No fault is visible before that, but: {rests.text}"
    odd = next((f for f in seen.findings if f.rule in IN_DOUBT), None)
    return None if odd is None else odd.text


def _as_far_as_seen(seen: Observations) -> tuple[Verdict, str]:
    """No fault seen, or up to where all is right."""
    waits = next((f for f in seen.findings if f.rule in MAY_BE_SO), None)
    if waits is not None:
        return "healthy up to", waits.text
    reading, replay = seen.evidence.reading, seen.evidence.replay
    ran = int((reading.program.kind == Kind.INSTRUCTION).sum())
    loop = seen.ladder[-1]
    judged = seen.ladder[6].status == "ok"
    if not judged:
        # Without RAM that was judged, a loop may be the program stumbling over bad RAM.
        text = f"The CPU does what it reads: {ran:,} instructions."
    elif loop.status == "ok":
        text = f"The CPU side is healthy: main loop reached ({loop.text})."
    else:
        text = f"Everything up to the end of the capture is right: {ran:,} instructions."
    followed = _followed(reading)
    if followed < LOST_EARLY:
        text += f" Only {100 * followed:.0f} % of the cycles could be followed."
    all_seen = judged and seen.ladder[4].status == "ok" and whole_address(reading)
    if not any(replay.has_image(ref) for ref in replay.chips):
        text += " Whether the bytes it read are the right ones is open: there is no ROM image."
    elif all_seen and followed >= LOST_EARLY:
        return "no fault seen", text
    open_rungs = [r.name for r in seen.ladder[:7] if r.status in ("not captured", "not seen")]
    if open_rungs:
        text += f" Not shown by this capture: {', '.join(open_rungs)}."
    return "healthy up to", text


def _followed(reading: Reading) -> float:
    """Share of the cycles of which it is known what the CPU did."""
    program = reading.program
    lost = int(program.length[program.kind == Kind.LOST].sum())
    return 1 - lost / max(len(reading.cycles), 1)
