"""Pins: which line is on which pin of a chip.

Only pins that the board file gives or that ``packages.toml`` holds are ever printed.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from bustrace.board.model import Board, Chip
from bustrace.board.parts import number_in

CPU_LINES = frozenset(
    [
        *(f"A{bit}" for bit in range(16)),
        *(f"D{bit}" for bit in range(8)),
        *("RW", "SYNC", "RES", "IRQ", "NMI", "RDY", "SO", "BE", "AEC", "BA", "VPB", "MLB"),
        *("PHI0", "PHI1", "PHI2"),
    ]
)
"""Names of the lines of all CPUs of the family."""

SUPPLIES = ("+5V", "GND", "-5V", "+12V")

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
    "PHI1O": "PHI1",
    "VP": "VPB",
    "ML": "MLB",
}


@dataclass(frozen=True, slots=True)
class Package:
    """The pins of a part.

    Attributes
    ----------
    title : str
        The parts it holds for.
    bus : bool
        Pins named as lines of the CPU are wired to those lines; else they only share letters.
    source : str
        The maker's sheet or standard that the pins come from.
    pins : tuple of str
        Names, pin 1 first; ``-`` where nothing is said.
    """

    title: str
    bus: bool
    source: str
    pins: tuple[str, ...]

    def numbers(self, name: str) -> tuple[str, ...]:
        """Pins of that name, with or without the sign for active low."""
        wanted = name.lstrip("/").upper()
        return tuple(
            str(number) for number, pin in enumerate(self.pins, 1) if pin.lstrip("/") == wanted
        )


@cache
def _packages() -> tuple[tuple[str, Package], ...]:
    text = files("bustrace.board").joinpath("packages.toml").read_text(encoding="utf-8")
    return tuple(
        (
            entry["parts"],
            Package(entry["title"], entry["bus"], entry["source"], tuple(entry["pins"].split())),
        )
        for entry in tomllib.loads(text)["package"]
    )


def known_packages() -> tuple[Package, ...]:
    """Every package of the table."""
    return tuple(package for _, package in _packages())


def package_of(part: str) -> Package | None:
    """Package of a part, by the number within its mark (``HM6264LP-15``); None when not known."""
    return next((package for parts, package in _packages() if number_in(part, parts)), None)


def line_name(text: str) -> str | None:
    """Name of a CPU line as written here (``RW``, ``IRQ``, ``A9``), or None for no such line."""
    word = re.sub(r"^[/!~]|[#\s]", "", text.strip()).upper()
    word = _SPELLINGS.get(word, word)
    return word if word in CPU_LINES else None


def pin_of(board: Board, ref: str, line: str) -> str | None:
    """Pin of a line at a chip, where the board file gives it or a table is at hand.

    A memory's address pins, and the register selects of an I/O chip, are taken to be wired to the
    CPU's lines of the same number as far as the chip's size reaches, as the address map has it.

    Parameters
    ----------
    board : Board
    ref : str
        Chip reference.
    line : str
        ``A9``, ``RW``, or a name the board file or the sheet uses for the chip's pin.

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
    package = package_of(chip.part)
    if package is None:
        return None
    names = _pins_on_line(chip, package, wanted) if wanted in CPU_LINES else [line]
    return next((number for name in names for number in package.numbers(name)), None)


def supply_pins(board: Board, ref: str) -> Mapping[str, tuple[str, ...]]:
    """Supply pins of a chip by rail, as the board file gives them, else as the table has them."""
    chip = board.chip(ref)
    if chip.rails:
        return chip.rails
    package = package_of(chip.part)
    if package is None:
        return {}
    found = {rail: package.numbers(rail) for rail in SUPPLIES}
    return {rail: pins for rail, pins in found.items() if pins}


def _pins_on_line(chip: Chip, package: Package, line: str) -> list[str]:
    """Names of the chip's pins that a line of the CPU is wired to."""
    wired = [
        pin.name
        for pin in chip.decoding.enable
        if len(pin.nets) == 1 and not pin.nets[0].inverted and line_name(str(pin.nets[0])) == line
    ]
    if line.startswith("D") and line[1:].isdigit():
        return [*wired, *_data_pins(chip, package, int(line[1:]))]
    if not package.bus:
        return wired
    if line.startswith("A") and line[1:].isdigit() and chip.role != "cpu":
        return [*wired, *_address_pins(chip, package, int(line[1:]))]
    return [*wired, *(name for name in package.pins if line_name(name) == line)]


def _data_pins(chip: Chip, package: Package, bit: int) -> list[str]:
    if not chip.data_mask >> bit & 1:
        return []
    # Narrow memories number their own pins; the lowest data line is on the first.
    place = (chip.data_mask & ((1 << bit) - 1)).bit_count() + 1
    own = [f"IO{place}", "DOUT"] if chip.role == "ram" else []
    return [*([f"D{bit}"] if package.bus else []), *own]


def _address_pins(chip: Chip, package: Package, bit: int) -> list[str]:
    window = (chip.size or 0) >> len(chip.decoding.bank_lines)
    if 1 << bit >= window:
        return []
    if f"A{bit}" in package.pins:
        return [f"A{bit}"]
    return [f"RS{bit}", *(["RS"] if bit == 0 else [])]
