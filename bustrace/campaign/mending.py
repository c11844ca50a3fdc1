"""A technician who does what he is told, and one who does the easiest first: who mends sooner?"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from bustrace.board import Board
from bustrace.campaign.scoring import Classes
from bustrace.drill import control_lines, shared_groups
from bustrace.faults import OTHER_CHIP, SELECT, Fault

Deed = Literal["seat", "probe", "pull"]


@dataclass(frozen=True, slots=True)
class Step:
    """One thing done at the bench.

    Attributes
    ----------
    deed : {"seat", "probe", "pull"}
        Seat the clips again and capture; look at one net or one chip's pins; pull or swap a chip
        and capture.
    what : str
        A line, a chip, or a word; ``*`` for all clips.
    """

    deed: Deed
    what: str


@dataclass(frozen=True, slots=True)
class Work:
    """What it took until the board was mended.

    Attributes
    ----------
    pulls, captures, probes : int
        Chips pulled or swapped; captures taken, the first and the one that shows the board
        mended included; nets and chips looked at with a meter, a scope or the clip.
    """

    pulls: int
    captures: int
    probes: int

    @property
    def total(self) -> int:
        """All of it."""
        return self.pulls + self.captures + self.probes


def steps_for(fault: Fault, board: Board) -> tuple[Step, ...]:
    """What the advice for a suspect has one do, in order."""
    if fault.family == "clip":
        return (Step("seat", fault.lines[0]),)
    if fault.family in ("clock", "reset"):
        return (Step("probe", fault.family),)
    if fault.family == "shared":
        return (Step("probe", f"shared:{fault.chip}"),)
    if fault.lines:
        probes = tuple(Step("probe", line) for line in fault.lines)
        return probes + tuple(_pull(ref, board) for ref in fault.chips if ref != board.cpu.ref)
    if fault.family == "silent":  # are its enable pins active at all?
        ref = fault.chips[0]
        return (Step("probe", SELECT + ref), _pull(ref, board))
    guilty = fault.chips[-1] if fault.family in ("doubled", "swapped") else fault.chips[0]
    return () if guilty == OTHER_CHIP else (_pull(guilty, board),)


def advised(answer: Classes, board: Board) -> Iterator[Step]:
    """Steps of an answer: suspect by suspect, each class from its head on."""
    for group in answer:
        for fault in group:
            yield from steps_for(fault, board)


def easiest_first(board: Board) -> Iterator[Step]:
    """The fixed order: clips, clock, reset, control lines, sockets, the buses, soldered chips."""
    yield Step("seat", "*")
    yield Step("probe", "clock")
    yield Step("probe", "reset")
    control = [line for line in (*control_lines(board), "SO") if line != "RES"]
    yield from (Step("probe", line) for line in (*control, "RW"))
    refs = [chip for chip in board.chips if chip.fitted]
    yield from (Step("pull", chip.ref) for chip in refs if chip.socketed is not False)
    buses = (*(f"D{bit}" for bit in range(8)), *(f"A{bit}" for bit in range(16)))
    yield from (Step("probe", line) for line in buses)
    yield from (Step("probe", SELECT + ref) for ref in board.map.chips)
    yield from (Step("probe", bit.name) for bit in board.state_bits)
    yield from (Step("probe", chip.ref) for chip in refs if chip.socketed is False)


def work_until_mended(truth: Fault, steps: Iterable[Step], board: Board) -> Work:
    """Do the steps, none twice, until one finds the truth; what the bench answers is true.

    Where the steps run out, the easiest-first order goes on.
    """
    done: set[Step] = set()
    pulls = probes = 0
    captures = 1
    for step in (*steps, *easiest_first(board)):
        if step in done:
            continue
        done.add(step)
        probes += step.deed == "probe"
        pulls += step.deed == "pull"
        captures += step.deed in ("seat", "pull")
        if finds(step, truth, board):
            break
    else:
        probes += 1  # nothing is left but what no list names
    # A swap and a clip are proved by their own capture, what was probed by one more.
    return Work(pulls, captures + (step.deed == "probe"), probes)


def finds(step: Step, truth: Fault, board: Board) -> bool:
    """Whether a step shows the fault and so lets it be mended."""
    if step.deed == "seat":
        return truth.family == "clip" and step.what in ("*", *truth.lines)
    if truth.family == "shared":
        what = step.what.removeprefix(SELECT).removeprefix("shared:")
        if what == truth.chip:
            return True
        # A rail or a select at rest shows at the pins of any chip that hangs on it.
        group = shared_groups(board).get(truth.chip or "")
        return step.deed == "probe" and group is not None and what in group.chips
    if step.deed == "pull":
        return step.what in _chips(truth)
    named = {"clock": ("PHI2",), "reset": ("RES",)}.get(step.what, (step.what,))
    if truth.family in ("clock", "reset"):
        return step.what == truth.family
    return any(what in (*truth.lines, *_chips(truth)) for what in named)


def _pull(ref: str, board: Board) -> Step:
    """Sockets are pulled; what is soldered is probed at its pins."""
    try:
        soldered = board.chip(ref).socketed is False
    except KeyError:
        soldered = False
    return Step("probe" if soldered else "pull", ref)


def _chips(truth: Fault) -> Sequence[str]:
    """Chips that a swap must take out to mend the fault: the one that joins in, either of two."""
    if truth.family == "doubled":
        return truth.chips[-1:]
    return truth.chips
