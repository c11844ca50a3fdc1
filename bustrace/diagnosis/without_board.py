"""What can be said with ROM images alone: who else is on the bus nobody told."""

from __future__ import annotations

from dataclasses import replace

from bustrace.board import Board
from bustrace.diagnosis.model import Suspect
from bustrace.faults import OTHER_CHIP, Fault

NO_BOARD = 0.5
"""Highest probability of a suspect that stands on ROM bytes alone: the ROM may as well not be
selected, or another chip may drive against it (judgement)."""

WRITE_ONE = (
    "Write a board file with the chips and their addresses (`bustrace board draft` begins one): "
    "with it a ROM that is not selected, and another chip that drives too, can be told from this."
)

_LOST = (
    "Record again from before RES rises, or with the trigger on the first of these addresses "
    "and most of the memory before it: what sent the CPU there came earlier. Good: the jump, "
    "branch or return before it is in the ROM as it was read. Bad: a wrong byte or a wrong "
    "return address: look at the chip that gave it."
)

BY_HAND = {
    "vector-undriven": (
        "Scope the enable and output-enable pins of the ROM that holds $FFFC, as RES rises. Good: "
        "each pulses to its active level, and the data pins are then below 0.8 V or above 2.0 V. "
        "Bad: no pulse: follow the select back to the decoder, and A15 to A13 with it. Pulses and "
        "no data: power off, reseat the ROM if it is socketed, read it in a programmer."
    ),
    "cpu-jam": (
        "Look with `bustrace listing` at the bytes that were read before the jam. A data bit that "
        "never changes there: scope it at the CPU's pin and at the ROM's. Good: the same pulses at "
        "both, below 0.8 V and above 2.0 V. Bad: one level, or different at the two: what lies "
        "between, or a chip that holds it. A jump to where no chip is: look for the wrong byte of "
        "its address in the same way."
    ),
    "jam-out-of-view": (
        "Record again from before RES rises, with D0 to D7 and R/W among the lines: after a reset "
        "the CPU starts anew, and what it reads up to the jam tells why. Good: it does not jam "
        "again. Bad: it does: look at the last bytes that it read before."
    ),
    "reset-again": (
        "RES fell again in mid-run. Nobody touched the reset: record again, longer, and watch RES "
        "at the CPU's pin. Good: it stays above 2.0 V. Bad: it falls again by itself: a watchdog "
        "that nobody feeds, a rail that sags, what makes the reset."
    ),
    "runs-nowhere": _LOST,
    "runs-empty": _LOST,
    "endless-loop": _LOST,
    "stack-overrun": _LOST,
    "runs-in-ram": _LOST,
    "brk-storm": _LOST,
    "program-nonsense": _LOST,
}
"""What to do about a finding that names no part, where no suspect explains it."""


def hedged(suspect: Suspect, board: Board) -> Suspect:
    """A suspect as sure as a board that nobody described allows.

    Wrong bytes at a ROM's addresses, with the right address at the clip, have three explanations
    that only the rest of the board tells apart: the ROM itself or its lines, a ROM that is not
    selected, and another chip that drives too.
    """
    roms = [chip.ref for chip in board.chips if chip.role == "rom"]
    if board.complete or not roms or not _by_bytes_alone(suspect.fault):
        return suspect
    ref = next((ref for ref in roms if ref in suspect.fault.chips), roms[0])
    others = (Fault("silent", chip=ref), Fault("doubled", chip=f"{ref}+{OTHER_CHIP}"))
    alike = dict.fromkeys((*suspect.alike, *others))
    alike.pop(suspect.fault, None)
    return replace(
        suspect,
        alike=tuple(alike),
        probability=min(suspect.probability, NO_BOARD),
        tell_apart=WRITE_ONE,
    )


def _by_bytes_alone(fault: Fault) -> bool:
    """Whether nothing but the bytes of reads speaks for it, the lines at the clip being right."""
    if fault.place == "behind":
        return fault.lines[0] == "RW" or fault.lines[0].startswith("A")
    return fault.family in ("content", "silent", "always") or (
        fault.place is not None and fault.place in fault.chips and fault.lines[0].startswith("A")
    )
