"""What a part number says: the CPU's variant, a memory's role and size, a decoder's kind.

Sizes are the parts' organisations, from memory; a board file overrides them with `role` and
`size`.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from bustrace.board.model import Role
from bustrace.board.values import BadValue
from bustrace.cpu import variant_named
from bustrace.errors import InputError

NMOS = "6502"
"""The variant where nothing is said."""

CPU_FORMS = "a member of the 6502 family, such as 6502A, 6507, 6510, R65C02 or W65C02S"

_CPU = re.compile(r"([A-Z]{0,4})-?(\d{2}S?C?\d{2,3})([A-Z]\w{0,8})?(?:-\w{1,4})?")
"""Maker's letters, number, grade and package, speed (makers' sheets, ordering information)."""

_CPU_LATER = re.compile(r"(?<!\d)65C?(?:816|802|CE02)")

_PARTS: tuple[tuple[str, Role, int, int], ...] = (
    # number, role, size, data lines
    (r"2114", "ram", 0x400, 4),
    (r"6116", "ram", 0x800, 8),
    (r"6264", "ram", 0x2000, 8),
    (r"62256", "ram", 0x8000, 8),
    (r"4116", "ram", 0x4000, 1),
    (r"4416", "ram", 0x4000, 4),
    (r"4164", "ram", 0x10000, 1),
    (r"41464", "ram", 0x10000, 4),
    (r"2[378]C?16|2516", "rom", 0x800, 8),
    (r"2[37]C?32|2532", "rom", 0x1000, 8),
    (r"2[378]C?64|2564", "rom", 0x2000, 8),
    (r"2[37]C?128", "rom", 0x4000, 8),
    (r"2[378]C?256", "rom", 0x8000, 8),
    (r"2[37]C?512", "rom", 0x10000, 8),
    (r"65C?2[01]|68[AB]?2[01]|65C?51", "io", 4, 8),
    (r"65C?22", "io", 16, 8),
    (r"6545|68[AB]?45|68[AB]?50", "io", 2, 8),
)


@dataclass(frozen=True, slots=True)
class PartFacts:
    """What a part number says: role, size in bytes or registers, number of data lines."""

    role: Role
    size: int
    data_lines: int


def cpu_variant(part: str) -> str:
    """Variant of a CPU part, by a name that the CPU room knows.

    Raises
    ------
    BadValue
        Unknown, or a member of the family that this version does not know yet.

    A bare 65C02 is taken for the part without instructions on single bits.
    """
    text = _plain(part)
    if _CPU_LATER.search(text):
        raise BadValue("this CPU is not supported yet in this version", CPU_FORMS)
    found = _CPU.fullmatch(text)
    if found is None:
        raise BadValue("this is no known CPU", CPU_FORMS)
    maker, number, grade = found[1], found[2].replace("SC", "C"), found[3] or ""
    if number == "65C02" and "SC" not in found[2]:
        # Only these two makers' parts have the instructions on single bits (facts of the trade).
        number = {"W": "W65C02S", "R": "R65C02"}.get(maker, number)
        number = "W65C02S" if grade.startswith("S") else number
    try:
        return variant_named(number).name
    except InputError:
        raise BadValue("this is no known CPU", CPU_FORMS) from None


def address_bits(variant: str) -> int:
    """Address pins of a variant."""
    return variant_named(variant).address_bits


def has_port(part: str) -> bool:
    """Whether a CPU part has a port at $0000 and $0001 (makers' sheets, from memory)."""
    return number_in(part, r"6510|7501|850[0-2]") is not None


def part_facts(part: str) -> PartFacts | None:
    """Facts of a memory or I/O part, or None when its number is not known."""
    for pattern, role, size, data_lines in _PARTS:
        if number_in(part, pattern):
            return PartFacts(role, size, data_lines)
    return None


ENABLE_FORMS = "a name of the data sheet, such as CS, CE, E, OE, G, WE, W, CS1, /CS2"

_ENABLE_PIN = re.compile(
    r"(?:CS|CE|E|S|EN|OE|OD|G|WE|W|RD|WR|PGM|P|PD|VPP|RAS|CAS|RS|R/W|PHI2|P2)[0-3]?[AB]?|A\d{1,2}",
    re.IGNORECASE,
)


def is_enable_pin(name: str) -> bool:
    """Whether memories and I/O parts have a pin of that name that takes part in enabling them."""
    return _ENABLE_PIN.fullmatch(name.strip().rstrip("_*")) is not None


def is_clock_pin(name: str) -> bool:
    """Whether latches have a pin of that name that takes the byte at an edge (makers' sheets of
    74x273, 74x374, 74x377: CLK or CP; from memory).
    """
    return re.fullmatch(r"CLK|CLOCK|CK|CP", name.strip(), re.IGNORECASE) is not None


def port_addresses(part: str) -> int | None:
    """Addresses of a latch or buffer of the 74 family that stands on the bus as a port, or None
    for no such part: eight for the 74x259, whose address pins choose one bit, else one.
    """
    match = number_in(
        part, r"(?:54|74)[A-Z]{0,4}(24[0145]|25[19]|27[37]|37[3457]|54[01]|57[345]|17[45]|75)"
    )
    return None if match is None else 8 if match[1] == "259" else 1


def decoder_kind(part: str) -> str | None:
    """``138`` or ``139`` for a decoder of the 74 family, else None."""
    match = number_in(part, r"(?:54|74)[A-Z]{0,4}(13[89])")
    return match[1] if match else None


def number_in(part: str, numbers: str) -> re.Match[str] | None:
    """Where one of these numbers (a regular expression) stands in a part's mark, whatever maker's
    letters, package and speed stand around it (``HM6264LP-15``).
    """
    return re.search(rf"(?<!\d)(?:{numbers})(?!\d)", _plain(part))


def _plain(part: str) -> str:
    return re.sub(r"[\s_]+", "", part).upper()
