"""What the search expects of opcodes before it sees them: how often each is used, and its shape.

Weights are common practice, by mnemonic and by mode, not counted in any program: loads, stores,
branches and calls are frequent in all code for this family.
"""

from __future__ import annotations

from functools import cache
from math import log2
from typing import Final

import numpy as np
import numpy.typing as npt

from bustrace.cpu.variants import variant_named
from bustrace.program import _kernels

_MNEMONICS: Final = """
14 LDA | 10 STA | 6 BNE | 5 JSR BEQ | 4 LDX LDY CMP RTS | 3 JMP BCC BCS AND
2.5 DEX ADC CLC | 2 INX INY DEY BPL BMI ORA INC STX STY PHA PLA STZ BRA
1.5 EOR SBC SEC ASL LSR DEC CPX CPY BIT TAX TAY TXA TYA | 1 ROL ROR PHX PHY PLX PLY
0.5 TSX TXS PHP PLP RTI CLI SEI CLD SED CLV NOP BVC BVS TSB TRB RMB SMB BBR BBS
0.1 BRK WAI STP
"""

_MODES: Final = {
    "imm": 3.0,
    "zp": 4.0,
    "abs": 3.0,
    "abs,x": 1.5,
    "zp,x": 1.0,
    "(zp),y": 1.5,
    "abs,y": 1.0,
    "(zp,x)": 0.3,
    "zp,y": 0.5,
    "(zp)": 1.0,
}

_EVEN: Final = 0.35
"""Share of the documented opcodes that is spread evenly: every program has its own habits."""

_UNDOCUMENTED: Final = 2e-5
"""Share of one undocumented opcode."""


@cache
def opcode_shares(variant: str) -> npt.NDArray[np.float64]:
    """Share of each opcode among instructions: float64, shape (256,), sum 1."""
    weights = {
        name: float(line.split()[0])
        for text in _MNEMONICS.strip().splitlines()
        for line in text.split("|")
        for name in line.split()[1:]
    }
    opcodes = variant_named(variant).opcodes()
    by_mnemonic: dict[str, float] = {}
    for o in opcodes:
        if o.documented:
            by_mnemonic[o.mnemonic] = by_mnemonic.get(o.mnemonic, 0.0) + _MODES.get(o.mode, 1.0)
    used = np.zeros(256)
    listed = np.array([o.documented for o in opcodes])
    for o in opcodes:
        if o.documented:
            of_mode = _MODES.get(o.mode, 1.0) / by_mnemonic[o.mnemonic]
            used[o.opcode] = weights[o.mnemonic[:3]] * of_mode
            if o.mnemonic[:3] in ("RMB", "SMB", "BBR", "BBS"):
                used[o.opcode] /= 8
    share: npt.NDArray[np.float64] = (1 - _EVEN) * used / used.sum() + _EVEN * listed / listed.sum()
    share[~listed] = _UNDOCUMENTED
    share /= share.sum()
    return share


@cache
def prior_scores(variant: str) -> npt.NDArray[np.int32]:
    """Score of each opcode byte against a uniform one, in `_kernels.BIT_UNITS` a bit.

    Returns
    -------
    int32, shape (256,)
    """
    scores = np.round(_kernels.BIT_UNITS * (np.log2(opcode_shares(variant)) + 8)).astype(np.int32)
    scores.flags.writeable = False
    return scores


@cache
def bus_shapes(variant: str) -> npt.NDArray[np.int32]:
    """Opcodes that look alike on the address bus and R/W, grouped: those of one microcycle line.

    Returns
    -------
    int32, shape (shapes, 2)
        One opcode of the shape, and the score of all of them together; most frequent first.
    """
    share = opcode_shares(variant)
    of_line: dict[str, list[int]] = {}
    for o in variant_named(variant).opcodes():
        of_line.setdefault(o.microcycles, []).append(o.opcode)
    rows = []
    for members in of_line.values():
        best = max(members, key=lambda code: share[code])
        score = round(_kernels.BIT_UNITS * (log2(share[members].sum()) + 8))
        rows.append((best, score))
    shapes = np.array(sorted(rows, key=lambda row: -row[1]), np.int32)
    shapes.flags.writeable = False
    return shapes
