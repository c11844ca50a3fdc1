"""Whom a comparison should blame for a planted fault."""

from __future__ import annotations

from bustrace.board import Board
from bustrace.compare import Divergence
from bustrace.faults import Fault

_WITHOUT_CHIP = ("bus", "behind", "read", "write", "decoder", "cpu")


def blame_is_right(name: str, found: Divergence, board: Board) -> bool:
    """Whether the blame leads to the fault: the right side of the bus, line and chip.

    A fault in a chip, or at its pin, is one of the answer of that chip; a line that everyone sees
    wrong is one of what the CPU drives there, or for data of what came back; a decoder's is a
    select's, or an answer's where the select itself looks right.
    """
    fault = Fault.parse(name)
    if fault.family in ("clock", "reset"):
        return found.blame == fault.family
    if fault.family == "held":
        return found.blame == "line" and fault.lines[0] in found.lines
    line = fault.lines[0] if fault.lines else ""
    if fault.family in ("stuck", "short") and fault.place in ("bus", "cpu"):
        if line.startswith("D"):
            same = set(found.lines) & set(fault.lines)
            return found.blame in ("answer", "cpu") and bool(same)
        return found.blame == "cpu" and bool(set(found.lines) & set(fault.lines))
    if line.startswith("CS_"):
        return found.blame in ("select", "answer") and _meets(found, {line[3:]}, board)
    if fault.place == "decoder" or fault.family in ("doubled", "register"):
        return found.blame in ("select", "answer")
    if fault.family == "stuck" and line.startswith("D") and fault.place == "write":
        return found.blame == "answer" and set(found.lines) <= {line}
    if fault.family == "always" or fault.place in _WITHOUT_CHIP:
        return found.blame in ("answer", "select")
    chips = {(fault.chip or fault.place or "").split(".")[0]}
    return found.blame == "answer" and _meets(found, chips, board)


def _meets(found: Divergence, chips: set[str], board: Board) -> bool:
    assert chips <= {chip.ref for chip in board.chips}
    return bool(set(found.chips) & chips)
