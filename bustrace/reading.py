"""A capture read against a board."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from bustrace.board import Board, unknown_board
from bustrace.capture.model import Capture
from bustrace.cycles import Cycles, find_cycles
from bustrace.hookup import Hookup, identify_hookup
from bustrace.program import Program, recover_program


@dataclass(frozen=True, slots=True)
class Reading:
    """Everything bustrace makes of one capture. Total: what is absent is a value with a reason.

    Attributes
    ----------
    capture : Capture
    hookup : Hookup
    board : Board
        `unknown_board()` where none was given.
    cycles : Cycles
        Empty, with `Cycles.reason`, where no cycle could be found.
    program : Program
        Method ``none``, with `Program.reason`, where no instruction could be found.
    """

    capture: Capture
    hookup: Hookup
    board: Board
    cycles: Cycles
    program: Program

    def __repr__(self) -> str:
        return f"<Reading of {self.capture!r} against {self.board.name!r}>"


def read_boot(
    capture: Capture,
    board: Board | None = None,
    hookup: Hookup | Mapping[str, str] | None = None,
) -> Reading:
    """Read a capture of a boot.

    Parameters
    ----------
    capture : Capture
    board : Board or None
        What should be there; None reads the CPU side alone.
    hookup : Hookup, mapping or None
        A hookup, or a mapping from the capture's line names to pin names (``{"CH0": "PHI2"}``)
        for lines whose names do not tell; the rest is taken from the names.

    Returns
    -------
    Reading

    Raises
    ------
    HookupError
        The mapping names a line or a pin that does not exist.
    """
    known = board if board is not None else unknown_board()
    taken = hookup if isinstance(hookup, Hookup) else identify_hookup(capture, known, hookup or {})
    cycles = find_cycles(capture, taken, known)
    return Reading(capture, taken, known, cycles, recover_program(cycles, known))
