"""Text of instructions, as an assembler would take it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache
from typing import Final

from bustrace.cpu.opcodes import Opcode
from bustrace.cpu.variants import variant_named

_FORMS: Final = {
    "imp": "",
    "acc": "A",
    "imm": "#{}",
    "zp": "{}",
    "zp,x": "{},X",
    "zp,y": "{},Y",
    "abs": "{}",
    "abs,x": "{},X",
    "abs,y": "{},Y",
    "(zp,x)": "({},X)",
    "(zp),y": "({}),Y",
    "rel": "{}",
    "jump": "{}",
    "(jump)": "({})",
    "call": "{}",
    "rts": "",
    "rti": "",
    "push": "",
    "pull": "",
    "break": "",
    "jam": "",
    "(zp)": "({})",
    "(abs,x)": "({},X)",
    "zp,rel": "{}",
    "once": "",
    "idle": "{}",
    "idle8": "{}",
    "wait": "",
    "stop": "",
}


def opcode_info(variant: str, opcode: int) -> Opcode:
    """Return the row of the opcode matrix.

    Raises
    ------
    InputError
        No such CPU.
    ValueError
        `opcode` is no byte.
    """
    if not 0 <= opcode <= 0xFF:
        raise ValueError(f"opcode {opcode} is no byte")
    return _matrix(variant)[opcode]


def instruction_length(variant: str, opcode: int) -> int:
    """Bytes of the instruction, the signature byte after BRK included."""
    return opcode_info(variant, opcode).length


def instruction_text(
    variant: str,
    opcode: int,
    operands: Sequence[int | None] = (),
    pc: int = 0,
    symbols: Mapping[int, str] | None = None,
) -> str:
    """Text of one instruction, for instance ``LDA $1234,X``.

    Parameters
    ----------
    variant : str
        CPU part.
    opcode : int
        The opcode byte.
    operands : sequence of int or None
        Bytes after the opcode, low byte first; None or absent where not known, shown as ``??``.
    pc : int
        Address of the opcode; branches show their target.
    symbols : mapping of int to str, optional
        Names of addresses, used in place of the number.
    """
    info = opcode_info(variant, opcode)
    form = _FORMS[info.mode]
    if "{}" not in form:
        return f"{info.mnemonic} {form}".rstrip()
    count = info.length - 1
    known = [*operands, None, None][:count]
    low = known[0]
    if info.mode == "rel":
        shown = _target(pc + 2, low, symbols)
    elif info.mode == "zp,rel":
        place = "$??" if low is None else _named(low, 2, symbols)
        shown = f"{place},{_target(pc + 3, known[1], symbols)}"
    elif info.mode == "imm":
        shown = "$??" if low is None else f"${low:02X}"
    elif None in known:
        shown = "$" + "".join("??" if byte is None else f"{byte:02X}" for byte in reversed(known))
    else:
        address = sum(byte << 8 * place for place, byte in enumerate(known) if byte is not None)
        shown = _named(address, 2 * count, symbols)
    return f"{info.mnemonic} {form.format(shown)}"


def _target(origin: int, offset: int | None, symbols: Mapping[int, str] | None) -> str:
    if offset is None:
        return "$????"
    return _named((origin + offset - ((offset & 0x80) << 1)) & 0xFFFF, 4, symbols)


def _named(address: int, digits: int, symbols: Mapping[int, str] | None) -> str:
    name = symbols.get(address) if symbols else None
    return name if name else f"${address:0{digits}X}"


@cache
def _matrix(variant: str) -> tuple[Opcode, ...]:
    return variant_named(variant).opcodes()
