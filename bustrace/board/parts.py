"""What a part number says: the CPU's variant, a memory's role and size, a decoder's kind.

Sizes are the parts' organisations, from memory; a board file overrides them with `role` and
`size`.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from bustrace.board.model import Role
from bustrace.board.values import BadValue

NMOS = "nmos6502"
"""The only variant of this version."""

CPU_FORMS = "an NMOS 6502, such as 6502, 6502A or R6502"

_CPU_FAMILIES = {
    "6507": r"650[3-7]|651[2-5]",
    "6510": r"6510|7501|850[0-2]",
    "65C02": r"W65C02S?|R?65C02|65C102|65C112",
    "65816": r"65C?816|65C?802",
}

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
    """
    text = _plain(part)
    if re.fullmatch(r"[A-Z]{0,4}-?6502(?:[A-Z]{1,4}\d{0,2})?(?:-\w{1,4})?", text):
        return NMOS
    for family, pattern in _CPU_FAMILIES.items():
        match = re.search(rf"(?<![0-9])({pattern})", text)
        if match is not None:
            for name in (match[1], family):
                if name.casefold() in _cpu_names():
                    return _cpu_names()[name.casefold()]
            raise BadValue(f"the {family} family is not supported yet in this version", CPU_FORMS)
    raise BadValue("this is no known CPU", CPU_FORMS)


def _cpu_names() -> dict[str, str]:
    from bustrace.cpu.variants import VARIANTS

    return {name.casefold(): v.name for v in VARIANTS for name in (v.name, *v.aliases)}


def address_bits(variant: str) -> int:
    """Address pins of a variant."""
    from bustrace.cpu.variants import variant_named

    return variant_named(variant).address_bits


def has_port(part: str) -> bool:
    """Whether a CPU part has a port at $0000 and $0001 (makers' sheets, from memory)."""
    return re.search(r"(?<!\d)(?:6510|7501|850[0-2])(?!\d)", _plain(part)) is not None


def part_facts(part: str) -> PartFacts | None:
    """Facts of a memory or I/O part, or None when its number is not known."""
    for pattern, role, size, data_lines in _PARTS:
        if re.search(rf"(?<!\d)(?:{pattern})(?!\d)", _plain(part)):
            return PartFacts(role, size, data_lines)
    return None


def decoder_kind(part: str) -> str | None:
    """``138`` or ``139`` for a decoder of the 74 family, else None."""
    match = re.search(r"(?<!\d)(?:54|74)[A-Z]{0,4}(13[89])(?!\d)", _plain(part))
    return match[1] if match else None


def _plain(part: str) -> str:
    return re.sub(r"[\s_]+", "", part).upper()
