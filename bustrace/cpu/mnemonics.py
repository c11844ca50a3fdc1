"""What each mnemonic computes, one line each, once for all addressing modes.

    NAME : [WORD ...]

in the order the work is done:

    from:R     the operand, or the byte stored, is a register, not the byte read; `ax` is A AND X,
               `zero` is 0
    and:R      the operand is first ANDed with a register
    left right shift one place through the carry; `rotate` lets the old carry in
    up down    step by one
    or xor then-and magic add subtract
               combine with A. `then-and` is an AND after a shift; `magic` first ORs into A a
               constant that differs from die to die
    against:R  the `subtract` is a comparison with this register; the carry going in is 1
    to:RR      registers that take the result
    sets clears  the flags named become 1 or 0
    if-set if-clear  a branch is taken when the flag named is 1 or 0
    N V D I Z C  flags that change, or that the words above speak of

A line without words moves data or control only; the microcycle table says how. RMB, SMB, BBR and
BBS stand for eight opcodes each, the bit in the opcode; BIT# is BIT with an immediate operand.

The order of the lines numbers the mnemonics for the kernels: append, never reorder.
"""

from __future__ import annotations

from functools import cache
from typing import Final

MNEMONICS: Final = """
ADC : add to:a NVZC
ALR : and:a right to:a NZC
ANC : and:a to:a NZC
AND : and:a to:a NZ
ARR : and:a right rotate to:a NVZC
ASL : left NZC
BCC : if-clear C
BCS : if-set C
BEQ : if-set Z
BIT : NVZ
BMI : if-set N
BNE : if-clear Z
BPL : if-clear N
BRK :
BVC : if-clear V
BVS : if-set V
CLC : clears C
CLD : clears D
CLI : clears I
CLV : clears V
CMP : subtract against:a NZC
CPX : subtract against:x NZC
CPY : subtract against:y NZC
DCP : down subtract against:a NZC
DEC : down NZ
DEX : from:x down to:x NZ
DEY : from:y down to:y NZ
EOR : xor to:a NZ
INC : up NZ
INX : from:x up to:x NZ
INY : from:y up to:y NZ
ISC : up subtract to:a NVZC
JAM :
JMP :
JSR :
LAS : and:s to:axs NZ
LAX : to:ax NZ
LDA : to:a NZ
LDX : to:x NZ
LDY : to:y NZ
LSR : right NZC
LXA : magic to:ax NZ
NOP :
ORA : or to:a NZ
PHA : from:a
PHP : from:p
PLA : to:a NZ
PLP : NVDIZC
RLA : left rotate then-and to:a NZC
ROL : left rotate NZC
ROR : right rotate NZC
RRA : right rotate add to:a NVZC
RTI :
RTS :
SAX : from:ax
SBC : subtract to:a NVZC
SBX : subtract against:a to:x NZC
SEC : sets C
SED : sets D
SEI : sets I
SHA : from:ax
SHX : from:x
SHY : from:y
SLO : left or to:a NZC
SRE : right xor to:a NZC
STA : from:a
STX : from:x
STY : from:y
TAS : from:ax to:s
TAX : from:a to:x NZ
TAY : from:a to:y NZ
TSX : from:s to:x NZ
TXA : from:x to:a NZ
TXS : from:x to:s
TYA : from:y to:a NZ
XAA : and:x magic to:a NZ
BBR :
BBS :
BIT# : and:a Z
BRA : if-clear
PHX : from:x
PHY : from:y
PLX : to:x NZ
PLY : to:y NZ
RMB :
SMB :
STP :
STZ : from:zero
TRB : Z
TSB : Z
WAI :
"""

OPERATIONS: Final = tuple(line.split()[0] for line in MNEMONICS.strip().splitlines())

# Bit position and words of each field of a packed meaning; `to` has a bit for each register.
FIELDS: Final = {
    "and": (8, ("", "and:a", "and:x", "and:s")),
    "shift": (10, ("", "left", "right", "up", "down")),
    "rotate": (13, ("", "rotate")),
    "combine": (14, ("", "or", "xor", "then-and", "magic", "add", "subtract")),
    "from": (17, ("", "from:a", "from:x", "from:y", "from:s", "from:p", "from:ax", "from:zero")),
    "against": (20, ("", "against:a", "against:x", "against:y")),
    "force": (22, ("", "sets", "clears")),
    "branch": (28, ("", "if-clear", "if-set")),
}
TO_SHIFT: Final = 24
FLAG_BITS: Final = {"N": 0x80, "V": 0x40, "D": 0x08, "I": 0x04, "Z": 0x02, "C": 0x01}


@cache
def packed_meanings() -> tuple[int, ...]:
    """Meaning of each mnemonic as one integer, in the order of `OPERATIONS`.

    Raises
    ------
    ValueError
        A word outside the vocabulary.
    """
    lines = MNEMONICS.strip().splitlines()
    return tuple(_packed(line.partition(":")[2].split()) for line in lines)


def flags_changed(operation: str) -> int:
    """Flags that a mnemonic may change, in their places in P; RTI, as PLP, pulls them all."""
    meaning = packed_meanings()[OPERATIONS.index("PLP" if operation == "RTI" else operation)]
    branches = meaning >> FIELDS["branch"][0]
    return 0 if branches else meaning & sum(FLAG_BITS.values())


def _packed(words: list[str]) -> int:
    packed = 0
    for word in words:
        field = next((f for f in FIELDS.values() if word in f[1]), None)
        if field is not None:
            packed |= field[1].index(word) << field[0]
        elif word.startswith("to:"):
            for register in word[3:]:
                packed |= 1 << (TO_SHIFT + "axys".index(register))
        elif set(word) <= set(FLAG_BITS):
            packed |= sum(FLAG_BITS[letter] for letter in word)
        else:
            raise ValueError(f"unknown word {word!r} among the mnemonics")
    return packed
