"""What the CMOS parts change in the NMOS table: lines, opcodes.

Sources: WDC W65C02S data sheet, 8 October 2018 ("W"), tables 4-1, 5-1 and 7-1; Rockwell
R65C02/102/112, Rev 6, June 1987 ("RC"). Addresses of cycles in which no byte is used, which the
sheets leave out, follow the per-cycle reference data that the tests replay. WAI and STP after
table 5-7 of the W65C816S sheet; that a part without an instruction takes its opcode for a NOP of
one byte is said by W of columns 3 and B, and from memory of 7 and F.
"""

from __future__ import annotations

from types import MappingProxyType
from typing import Final

from bustrace.cpu.opcodes import Opcode, parse_opcodes

_LINES: Final = """
zp modify       : pc R low pc+ | ad R latch | ad R modify | ad W:latch
zp,x modify     : pc R low pc+ | ad R low+x | ad R latch | ad R modify | ad W:latch
abs modify      : pc R low pc+ | pc R high pc+ | ad R latch | ad R modify | ad W:latch

abs,x read      : pc R low pc+ | pc R high+x pc+ | ad/last R operate/carry end:same | ad R operate
abs,x write     : pc R low pc+ | pc R high+x pc+ | last R carry | ad W:store
abs,x modify    : pc R low pc+ | pc R high+x pc+ | last R carry | ad R latch | ad R modify | ad W:latch
abs,x shift     : pc R low pc+ | pc R high+x pc+ | ad/last R latch/carry skip:same | ad R latch | ad R modify | ad W:latch
abs,y read      : pc R low pc+ | pc R high+y pc+ | ad/last R operate/carry end:same | ad R operate
abs,y write     : pc R low pc+ | pc R high+y pc+ | last R carry | ad W:store
(zp),y read     : pc R pointer pc+ | ptr R low | ptr.next R high+y | ad/last R operate/carry end:same | ad R operate
(zp),y write    : pc R pointer pc+ | ptr R low | ptr.next R high+y | last R carry | ad W:store
(zp) read       : pc R pointer pc+ | ptr R low | ptr.next R high | ad R operate
(zp) write      : pc R pointer pc+ | ptr R low | ptr.next R high | ad W:store

immediate add   : pc R operate pc+ end:binary | any R
zp add          : pc R low pc+ | ad R operate end:binary | ad R
zp,x add        : pc R low pc+ | ad R low+x | ad R operate end:binary | ad R
abs add         : pc R low pc+ | pc R high pc+ | ad R operate end:binary | ad R
abs,x add       : pc R low pc+ | pc R high+x pc+ | ad/last R operate/carry end:same/binary | ad R operate end:binary | ad R
abs,y add       : pc R low pc+ | pc R high+y pc+ | ad/last R operate/carry end:same/binary | ad R operate end:binary | ad R
(zp,x) add      : pc R pointer pc+ | ptr R pointer+x | ptr R low | ptr.next R high | ad R operate end:binary | ad R
(zp),y add      : pc R pointer pc+ | ptr R low | ptr.next R high+y | ad/last R operate/carry end:same/binary | ad R operate end:binary | ad R
(zp) add        : pc R pointer pc+ | ptr R low | ptr.next R high | ad R operate end:binary | ad R

jump indirect   : pc R low pc+ | pc R high pc+ | ad R latch | ad.next R | ad+1 R jump
jump indexed    : pc R low pc+ | pc R high+x | last R carry | ad R latch | ad+1 R jump
bit branch      : pc R low pc+ | ad R pointer | ad R | pc R latch pc+ end:untaken poll | pc R target end:same deaf | pc R target/carry

abs idle        : pc R pc+ | pc R pc+ | last R
abs idle 8      : pc R pc+ | pc R pc+ | any R | any R | any R | any R | any R
wait            : pc R | pc R end:woken
stop            : pc R | pc R stay
"""  # noqa: E501

CMOS_MODES: Final = MappingProxyType(
    {
        name.strip(): entries
        for name, _, entries in (line.partition(":") for line in _LINES.splitlines() if line)
    }
)

_SHARED: Final = """
ADC add    69:imm 65:zp 75:zp,x 6D:abs 7D:abs,x 79:abs,y 61:(zp,x) 71:(zp),y 72:(zp)
SBC add    E9:imm E5:zp F5:zp,x ED:abs FD:abs,x F9:abs,y E1:(zp,x) F1:(zp),y F2:(zp)
AND read   32:(zp)
BIT read   89:imm 34:zp,x 3C:abs,x
BRA -      80:rel
CMP read   D2:(zp)
DEC modify 3A:acc
EOR read   52:(zp)
INC modify 1A:acc
JMP -      7C:(abs,x)
LDA read   B2:(zp)
ORA read   12:(zp)
PHX -      DA:push
PHY -      5A:push
PLX -      FA:pull
PLY -      7A:pull
STA write  92:(zp)
STZ write  64:zp 74:zp,x 9C:abs 9E:abs,x
TRB modify 14:zp 1C:abs
TSB modify 04:zp 0C:abs
"""

_IDLE: Final = """
NOP read   02:imm 22:imm 42:imm 62:imm 82:imm C2:imm E2:imm 44:zp 54:zp,x D4:zp,x F4:zp,x
NOP -      DC:idle FC:idle 5C:idle8
"""

_WDC: Final = """
ASL shift  1E:abs,x
LSR shift  5E:abs,x
ROL shift  3E:abs,x
ROR shift  7E:abs,x
WAI -      CB:wait
STP -      DB:stop
"""


def _shared() -> dict[int, Opcode]:
    columns = (column + 16 * row for column in (3, 7, 11, 15) for row in range(16))
    once = {code: Opcode(code, "NOP", "once", "-", documented=False) for code in columns}
    return (
        once
        | parse_opcodes(_IDLE, documented=False, stable=True)
        | parse_opcodes(_SHARED, documented=True, stable=True)
    )


def _of_bits() -> dict[int, Opcode]:
    found = {}
    for bit in range(8):
        for first, mnemonic, mode, access in (
            (0x07, "RMB", "zp", "modify"),
            (0x87, "SMB", "zp", "modify"),
            (0x0F, "BBR", "zp,rel", "-"),
            (0x8F, "BBS", "zp,rel", "-"),
        ):
            code = first + 16 * bit
            found[code] = Opcode(code, f"{mnemonic}{bit}", mode, access)
    return found


CMOS_OPCODES: Final = MappingProxyType(_shared())
"""Of every CMOS part: without instructions on single bits."""

BIT_OPCODES: Final = MappingProxyType(_of_bits())
"""RMB, SMB, BBR and BBS (R65C02, W65C02S)."""

WDC_OPCODES: Final = MappingProxyType(parse_opcodes(_WDC, documented=True, stable=True))
"""What only the W65C02S does."""
