"""What to do about suspects: one check for a class, what tells its members apart, what varies."""

from __future__ import annotations

from bustrace.board import Board
from bustrace.diagnosis.checks import SWINGS, check_for
from bustrace.diagnosis.naming import place_of_line
from bustrace.faults import PLACES, SELECT, Fault

RAILS = (
    "If not done yet, before all else: measure the supply and ground at the pins of each suspect "
    "chip with a meter, 4.75 to 5.25 V; a capture cannot see the rails."
)


def wiggle(board: Board, line: str) -> str:
    """How to find a contact that comes and goes."""
    if line.startswith("select:"):
        line = f"the select of {line[7:]}"
    return (
        f"Seat the clip on {place_of_line(board, line)} again and capture twice more. If it still "
        "varies, press lightly with something that insulates on each socket and joint of that line "
        "while capturing: the one that changes it is the one to reseat or reflow."
    )


def check_for_class(fault: Fault, alike: tuple[Fault, ...], board: Board) -> str:
    """One instruction for a class of faults: the head's, or, for many lines, one for them all."""
    kind = (fault.family, fault.level, fault.place)
    lines = [
        f.lines[0]
        for f in (fault, *alike)
        if (f.family, f.level, f.place) == kind and len(f.lines) == 1
    ]
    if len(lines) < 3:
        return check_for(fault, board)
    where = fault.place if fault.place not in PLACES else "a memory chip"
    stays = "" if fault.level is None else f", and stays {'high' if fault.level else 'low'}"
    return (
        f"Scope {', '.join(lines)} in turn, at {where}'s pins and at {board.cpu.ref}'s: this "
        f"capture cannot tell which of them it is. Good: the same pulses at both, each {SWINGS}. "
        f"Bad: one differs at the far end{stays}."
    )


def tell_apart(fault: Fault, alike: tuple[Fault, ...], board: Board) -> str | None:
    """The measurement that separates a class of faults, or None for a single one."""
    if not alike:
        return None
    everyone = (fault, *alike)
    places = {f.place for f in everyone if f.family in ("stuck", "open")}
    lines = {name for f in everyone for name in f.lines if not name.startswith(SELECT)}
    chips = sorted({ref for f in everyone for ref in f.chips})
    if any(name.startswith(SELECT) for f in everyone for name in f.lines) and chips:
        return (
            f"Clip the select of {chips[0]} too: it tells a chip that is not asked from one that "
            "is mute."
        )
    if any(f.family == "clip" for f in everyone):
        name = next(iter(lines), "the line")
        return f"Seat the clip on {name} again, or probe {name} at another pin of the same net."
    if places & set(PLACES) and chips:
        name = next(iter(sorted(lines)), "the line")
        return (
            f"Probe {name} at {chips[0]}'s pin and at the CPU's at once: a difference lies between "
            f"them; none, and a clean level, point to {chips[0]} itself."
        )
    if len(places) > 1:
        name = next(iter(sorted(lines)), "the line")
        return f"Probe {name} at the CPU, behind the buffer and at a memory chip in one capture."
    if chips:
        return f"Swap {chips[0]} for a known-good part and capture again."
    return None
