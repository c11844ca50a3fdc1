"""CPU variants: the one microcycle table, with what each part changes in it.

`packed_table` turns every variant into one row of integers, which the kernels take as an argument.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from types import MappingProxyType
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from bustrace.cpu.cmos import BIT_OPCODES, CMOS_MODES, CMOS_OPCODES, WDC_OPCODES
from bustrace.cpu.microcycles import (
    MICROCYCLES,
    MODE_SLOTS,
    Microcycle,
    parse_mode,
    parse_table,
)
from bustrace.cpu.mnemonics import OPERATIONS, packed_meanings
from bustrace.cpu.opcodes import Opcode, nmos_matrix
from bustrace.errors import InputError, nearest

ADDRESS_MASK_AT: Final = 0
FEATURES_AT: Final = 1
OPCODES_AT: Final = 16
MEANINGS_AT: Final = OPCODES_AT + 256
MODES_AT: Final = MEANINGS_AT + 128
MODES_KEPT: Final = 80

CMOS: Final = 1
PORT: Final = 2
"""Bits of the word of features."""


@dataclass(frozen=True, slots=True)
class Variant:
    """One CPU part.

    Attributes
    ----------
    name : str
        The part's number.
    aliases : tuple of str
        Other marks of parts that behave the same on the bus.
    address_bits : int
        Address pins.
    opcode_overrides : mapping of int to Opcode
        Opcodes that differ from the NMOS matrix.
    mode_overrides : mapping of str to str
        Lines of the microcycle table that differ or are new, by name.
    cmos : bool
        RDY stops writes too, D is cleared by interrupts, flags are right in decimal mode, and a
        BRK keeps its vector when NMI comes (W65C02S sheet, table 7-1).
    port : bool
        $0000 and $0001 are a port of the CPU's own: what is written there is not put on the data
        pins, what is read there does not come from them.
    """

    name: str
    aliases: tuple[str, ...] = ()
    address_bits: int = 16
    opcode_overrides: Mapping[int, Opcode] = field(default_factory=dict)
    mode_overrides: Mapping[str, str] = field(default_factory=dict)
    cmos: bool = False
    port: bool = False

    def __post_init__(self) -> None:
        for name in ("opcode_overrides", "mode_overrides"):
            object.__setattr__(self, name, MappingProxyType(dict(getattr(self, name))))

    @property
    def address_mask(self) -> int:
        """Mask of the address lines that have a pin."""
        return (1 << self.address_bits) - 1

    def opcodes(self) -> tuple[Opcode, ...]:
        """All 256 opcodes, in order."""
        return tuple(self.opcode_overrides.get(o.opcode, o) for o in nmos_matrix())

    def opcodes_of(self, mnemonic: str) -> tuple[int, ...]:
        """Opcodes with this mnemonic."""
        return tuple(o.opcode for o in self.opcodes() if o.mnemonic == mnemonic)

    def modes(self) -> dict[str, tuple[Microcycle, ...]]:
        """The microcycle table of this part, in the order it is packed."""
        modes = dict(_nmos_modes())
        modes.update({name: parse_mode(text) for name, text in self.mode_overrides.items()})
        return modes


VARIANTS: Final[tuple[Variant, ...]] = (
    Variant("6502", aliases=("6502A", "6502B", "6502C", "6512", "MOS6502", "NMOS6502")),
    Variant("6507", aliases=("6504", "6514"), address_bits=13),
    Variant("6503", aliases=("6505", "6506", "6513", "6515"), address_bits=12),
    Variant("6510", aliases=("7501", "8500", "8501", "8502"), port=True),
    Variant("65C02", opcode_overrides=CMOS_OPCODES, mode_overrides=CMOS_MODES, cmos=True),
    Variant(
        "R65C02",
        aliases=("65C102", "65C112", "R65C102", "R65C112"),
        opcode_overrides=CMOS_OPCODES | BIT_OPCODES,
        mode_overrides=CMOS_MODES,
        cmos=True,
    ),
    Variant(
        "W65C02S",
        aliases=("W65C02", "65C02S"),
        opcode_overrides=CMOS_OPCODES | BIT_OPCODES | WDC_OPCODES,
        mode_overrides=CMOS_MODES,
        cmos=True,
    ),
)
"""Address pins of the 28-pin parts: Rockwell R650X/R651X, page 2; Synertek SY6500, page 3-44."""


def variant_named(name: str) -> Variant:
    """Variant with this name or alias; case, spaces and dashes do not matter.

    Raises
    ------
    InputError
        No such part.
    """
    return VARIANTS[variant_index(name)]


def variant_index(name: str) -> int:
    """Row of the packed table for a name or alias."""
    try:
        return _index_by_name()[_folded(name)]
    except KeyError:
        known = [n for v in VARIANTS for n in (v.name, *v.aliases)]
        close = nearest(name, known)
        raise InputError(
            "unknown CPU",
            found=name,
            expected=", ".join(v.name for v in VARIANTS),
            advice=f"did you mean {close}?" if close else None,
        ) from None


def die_of(name: str) -> str:
    """The part with all sixteen address pins that works the same inside.

    A 28-pin part is a 6502 of which some lines are not brought out (Rockwell R650X/R651X, page 2):
    its program counter is as wide.
    """
    variant = variant_named(name)
    return variant.name if variant.address_bits == 16 else "6502"


@cache
def packed_table() -> npt.NDArray[np.int32]:
    """Every variant as one row of integers, read-only.

    Returns
    -------
    int32, shape (n_variants, MODES_AT + MODES_KEPT * MODE_SLOTS)
        Word ADDRESS_MASK_AT: mask of the address pins. Word FEATURES_AT: CMOS and PORT. Word
        OPCODES_AT + opcode: place of its mode
        among the modes, plus 256 times the place of its mnemonic in OPERATIONS. From
        MEANINGS_AT, one word a mnemonic. From MODES_AT, MODE_SLOTS packed microcycles a mode.
    """
    table = np.zeros((len(VARIANTS), MODES_AT + MODES_KEPT * MODE_SLOTS), dtype=np.int32)
    for row, variant in zip(table, VARIANTS, strict=True):
        modes = variant.modes()
        places = {name: place for place, name in enumerate(modes)}
        if len(modes) > MODES_KEPT:
            raise ValueError(f"more than {MODES_KEPT} modes in {variant.name}")
        row[ADDRESS_MASK_AT] = variant.address_mask
        row[FEATURES_AT] = CMOS * variant.cmos | PORT * variant.port
        meanings = packed_meanings()
        row[MEANINGS_AT : MEANINGS_AT + len(meanings)] = meanings
        for opcode in variant.opcodes():
            word = places[opcode.microcycles] | OPERATIONS.index(opcode.operation) << 8
            row[OPCODES_AT + opcode.opcode] = word
        for place, cycles in enumerate(modes.values()):
            start = MODES_AT + MODE_SLOTS * place
            row[start : start + len(cycles)] = [cycle.packed() for cycle in cycles]
    table.flags.writeable = False
    return table


@cache
def _nmos_modes() -> Mapping[str, tuple[Microcycle, ...]]:
    return MappingProxyType(parse_table(MICROCYCLES))


@cache
def _index_by_name() -> dict[str, int]:
    return {_folded(n): i for i, v in enumerate(VARIANTS) for n in (v.name, *v.aliases)}


def _folded(name: Any) -> str:
    return str(name).upper().replace(" ", "").replace("-", "")
