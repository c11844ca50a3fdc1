"""The opcode matrix of the NMOS 6502: opcode -> mnemonic, mode, kind of access, standing.

Sources: MCS6500 Hardware Manual 6500-10A, appendix A, for the 151 documented opcodes; the other
105 are common practice, checked per cycle by the reference data the tests replay.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Final

from bustrace.cpu.mnemonics import flags_changed

# mnemonic, access, then OPCODE:mode. The access picks the line of the microcycle table: "read",
# "write", "modify", "and" (unstable stores) or "-" where the mode alone names the line.
DOCUMENTED: Final = """
ADC read   69:imm 65:zp 75:zp,x 6D:abs 7D:abs,x 79:abs,y 61:(zp,x) 71:(zp),y
AND read   29:imm 25:zp 35:zp,x 2D:abs 3D:abs,x 39:abs,y 21:(zp,x) 31:(zp),y
ASL modify 0A:acc 06:zp 16:zp,x 0E:abs 1E:abs,x
BCC -      90:rel
BCS -      B0:rel
BEQ -      F0:rel
BIT read   24:zp 2C:abs
BMI -      30:rel
BNE -      D0:rel
BPL -      10:rel
BRK -      00:break
BVC -      50:rel
BVS -      70:rel
CLC -      18:imp
CLD -      D8:imp
CLI -      58:imp
CLV -      B8:imp
CMP read   C9:imm C5:zp D5:zp,x CD:abs DD:abs,x D9:abs,y C1:(zp,x) D1:(zp),y
CPX read   E0:imm E4:zp EC:abs
CPY read   C0:imm C4:zp CC:abs
DEC modify C6:zp D6:zp,x CE:abs DE:abs,x
DEX -      CA:imp
DEY -      88:imp
EOR read   49:imm 45:zp 55:zp,x 4D:abs 5D:abs,x 59:abs,y 41:(zp,x) 51:(zp),y
INC modify E6:zp F6:zp,x EE:abs FE:abs,x
INX -      E8:imp
INY -      C8:imp
JMP -      4C:jump 6C:(jump)
JSR -      20:call
LDA read   A9:imm A5:zp B5:zp,x AD:abs BD:abs,x B9:abs,y A1:(zp,x) B1:(zp),y
LDX read   A2:imm A6:zp B6:zp,y AE:abs BE:abs,y
LDY read   A0:imm A4:zp B4:zp,x AC:abs BC:abs,x
LSR modify 4A:acc 46:zp 56:zp,x 4E:abs 5E:abs,x
NOP -      EA:imp
ORA read   09:imm 05:zp 15:zp,x 0D:abs 1D:abs,x 19:abs,y 01:(zp,x) 11:(zp),y
PHA -      48:push
PHP -      08:push
PLA -      68:pull
PLP -      28:pull
ROL modify 2A:acc 26:zp 36:zp,x 2E:abs 3E:abs,x
ROR modify 6A:acc 66:zp 76:zp,x 6E:abs 7E:abs,x
RTI -      40:rti
RTS -      60:rts
SBC read   E9:imm E5:zp F5:zp,x ED:abs FD:abs,x F9:abs,y E1:(zp,x) F1:(zp),y
SEC -      38:imp
SED -      F8:imp
SEI -      78:imp
STA write  85:zp 95:zp,x 8D:abs 9D:abs,x 99:abs,y 81:(zp,x) 91:(zp),y
STX write  86:zp 96:zp,y 8E:abs
STY write  84:zp 94:zp,x 8C:abs
TAX -      AA:imp
TAY -      A8:imp
TSX -      BA:imp
TXA -      8A:imp
TXS -      9A:imp
TYA -      98:imp
"""

UNDOCUMENTED: Final = """
ALR read   4B:imm
ANC read   0B:imm 2B:imm
ARR read   6B:imm
DCP modify C7:zp D7:zp,x CF:abs DF:abs,x DB:abs,y C3:(zp,x) D3:(zp),y
ISC modify E7:zp F7:zp,x EF:abs FF:abs,x FB:abs,y E3:(zp,x) F3:(zp),y
JAM -      02:jam 12:jam 22:jam 32:jam 42:jam 52:jam 62:jam 72:jam 92:jam B2:jam D2:jam F2:jam
LAS read   BB:abs,y
LAX read   A7:zp B7:zp,y AF:abs BF:abs,y A3:(zp,x) B3:(zp),y
NOP -      1A:imp 3A:imp 5A:imp 7A:imp DA:imp FA:imp
NOP read   80:imm 82:imm 89:imm C2:imm E2:imm 04:zp 44:zp 64:zp
NOP read   14:zp,x 34:zp,x 54:zp,x 74:zp,x D4:zp,x F4:zp,x
NOP read   0C:abs 1C:abs,x 3C:abs,x 5C:abs,x 7C:abs,x DC:abs,x FC:abs,x
RLA modify 27:zp 37:zp,x 2F:abs 3F:abs,x 3B:abs,y 23:(zp,x) 33:(zp),y
RRA modify 67:zp 77:zp,x 6F:abs 7F:abs,x 7B:abs,y 63:(zp,x) 73:(zp),y
SAX write  87:zp 97:zp,y 8F:abs 83:(zp,x)
SBC read   EB:imm
SBX read   CB:imm
SLO modify 07:zp 17:zp,x 0F:abs 1F:abs,x 1B:abs,y 03:(zp,x) 13:(zp),y
SRE modify 47:zp 57:zp,x 4F:abs 5F:abs,x 5B:abs,y 43:(zp,x) 53:(zp),y
"""

# Undocumented opcodes whose result depends on the die, its temperature or bus contention.
UNSTABLE: Final = """
LXA read   AB:imm
SHA and    9F:abs,y 93:(zp),y
SHX and    9E:abs,y
SHY and    9C:abs,x
TAS and    9B:abs,y
XAA read   8B:imm
"""

# Short names used in the matrix -> (line of the microcycle table, operand bytes). The line's name
# gets the access appended where the access is not "-" and the mode reaches memory.
MODES: Final = {
    "imp": ("implied", 0),
    "acc": ("accumulator", 0),
    "imm": ("immediate", 1),
    "zp": ("zp", 1),
    "zp,x": ("zp,x", 1),
    "zp,y": ("zp,y", 1),
    "abs": ("abs", 2),
    "abs,x": ("abs,x", 2),
    "abs,y": ("abs,y", 2),
    "(zp,x)": ("(zp,x)", 1),
    "(zp),y": ("(zp),y", 1),
    "rel": ("branch", 1),
    "jump": ("jump", 2),
    "(jump)": ("jump indirect", 2),
    "call": ("call", 2),
    "rts": ("return", 0),
    "rti": ("return interrupt", 0),
    "push": ("push", 0),
    "pull": ("pull", 0),
    "break": ("break", 1),
    "jam": ("jam", 0),
    "(zp)": ("(zp)", 1),
    "(abs,x)": ("jump indexed", 2),
    "zp,rel": ("bit branch", 2),
    "once": ("fetch", 0),
    "idle": ("abs idle", 2),
    "idle8": ("abs idle 8", 2),
    "wait": ("wait", 0),
    "stop": ("stop", 0),
}
REACHES_MEMORY: Final = frozenset(
    ("zp", "zp,x", "zp,y", "abs", "abs,x", "abs,y", "(zp,x)", "(zp),y", "(zp)")
)


@dataclass(frozen=True, slots=True)
class Opcode:
    """One opcode of a variant.

    Attributes
    ----------
    opcode : int
        0 to 255.
    mnemonic : str
        Three letters; RMB, SMB, BBR and BBS with the number of the bit.
    mode : str
        Key of `MODES`.
    access : str
        "read", "write", "modify", "and" or "-"; in CMOS parts also "add" (a read that takes one
        cycle more in decimal mode) and "shift" (a modify that saves a cycle within a page).
    documented : bool
        The maker's manual lists it.
    stable : bool
        False where the result depends on the die or on bus contention.
    """

    opcode: int
    mnemonic: str
    mode: str
    access: str
    documented: bool = True
    stable: bool = True

    @property
    def length(self) -> int:
        """Bytes of the instruction; BRK counts its signature byte."""
        return 1 + MODES[self.mode][1]

    @property
    def microcycles(self) -> str:
        """Name of the line in the microcycle table."""
        line = MODES[self.mode][0]
        named = self.mode in REACHES_MEMORY or self.access == "add"
        return f"{line} {self.access}" if named else line

    @property
    def operation(self) -> str:
        """Name of the line among the mnemonics."""
        return "BIT#" if (self.mnemonic, self.mode) == ("BIT", "imm") else self.mnemonic[:3]

    @property
    def flags_changed(self) -> int:
        """Flags that it may change, in their places in P."""
        return flags_changed(self.operation)


def parse_opcodes(text: str, *, documented: bool, stable: bool) -> dict[int, Opcode]:
    """Read lines of the matrix; an opcode named twice is an error."""
    found: dict[int, Opcode] = {}
    for line in text.strip().splitlines():
        mnemonic, access, *places = line.split()
        for place in places:
            number, _, mode = place.partition(":")
            opcode = int(number, 16)
            if opcode in found:
                raise ValueError(f"opcode {opcode:02X} named twice")
            if mode not in MODES:
                raise ValueError(f"unknown mode {mode!r}")
            found[opcode] = Opcode(opcode, mnemonic, mode, access, documented, stable)
    return found


@cache
def nmos_matrix() -> tuple[Opcode, ...]:
    """All 256 opcodes of the NMOS 6502, in order."""
    parts = (
        parse_opcodes(DOCUMENTED, documented=True, stable=True),
        parse_opcodes(UNDOCUMENTED, documented=False, stable=True),
        parse_opcodes(UNSTABLE, documented=False, stable=False),
    )
    merged: dict[int, Opcode] = {}
    for part in parts:
        merged |= part
    if sum(map(len, parts)) != 256 or len(merged) != 256:
        raise ValueError("the opcode matrix does not name each of 256 opcodes once")
    return tuple(merged[number] for number in range(256))
