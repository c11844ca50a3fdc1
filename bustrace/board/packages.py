"""Pins: which line is on which pin of a chip.

Only pins that the board file gives or that a table here holds are ever printed.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from types import MappingProxyType

from bustrace.board.model import Board
from bustrace.board.parts import NMOS

CPU_6502_DIP40: Mapping[str, str] = MappingProxyType(
    {
        "GND": "1",
        "RDY": "2",
        "PHI1": "3",
        "IRQ": "4",
        "NMI": "6",
        "SYNC": "7",
        "+5V": "8",
        **{f"A{bit}": str(9 + bit) for bit in range(12)},
        **{f"A{bit}": str(10 + bit) for bit in range(12, 16)},
        **{f"D{bit}": str(33 - bit) for bit in range(8)},
        "RW": "34",
        "PHI0": "37",
        "SO": "38",
        "PHI2": "39",
        "RES": "40",
    }
)
"""NMOS 6502 in the 40-pin DIP; ground also on pin 21. From memory."""

CPU_LINES = frozenset(CPU_6502_DIP40) - {"GND", "+5V"}
"""Names of the CPU's lines."""

_SPELLINGS = {
    "R/W": "RW",
    "RNW": "RW",
    "RWB": "RW",
    "RESET": "RES",
    "RST": "RES",
    "READY": "RDY",
    "P0": "PHI0",
    "P1": "PHI1",
    "P2": "PHI2",
    "CLK": "PHI2",
}


def line_name(text: str) -> str | None:
    """Name of a CPU line as written here (``RW``, ``IRQ``, ``A9``), or None for no such line."""
    word = re.sub(r"^[/!~]|[#\s]", "", text.strip()).upper()
    word = _SPELLINGS.get(word, word)
    return word if word in CPU_LINES else None


def pin_of(board: Board, ref: str, line: str) -> str | None:
    """Pin of a line at a chip, where the board file gives it or a table is at hand.

    Parameters
    ----------
    board : Board
    ref : str
        Chip reference.
    line : str
        ``A9``, ``RW``, or a name the board file uses for the chip.

    Returns
    -------
    str or None
        None where nobody said: a guessed pin would send the probe to the wrong place.
    """
    try:
        chip = board.chip(ref)
    except KeyError:
        return None
    wanted = line_name(line) or line
    for given, pin in chip.pins.items():
        if given == line or line_name(given) == wanted:
            return pin
    if chip.role == "cpu" and board.cpu.variant == NMOS:
        return CPU_6502_DIP40.get(wanted)
    return None
