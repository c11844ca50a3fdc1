"""Programs of our own, for measuring: written by hand, or at random over all documented opcodes.

RAM is $0000-$07FF, ROM $8000-$FFFF, and elsewhere nothing answers but levels that stay as they are.
IRQ and NMI come as pulses at random times, and waits by RDY where asked for. The executor runs
them; the tests of the CPU hold it to makers' sheets, recorded chip traces and reference cases.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bustrace.cpu import Executor, variant_named
from bustrace.drill.assembler import assemble

Columns = dict[str, npt.NDArray[np.int64]]

CODE = 0x8000
_POINTERS = 0xF0
"""Eight pointers in the zero page, to RAM."""

_STRUCTURED = (
    *("JMP", "JSR", "RTS", "RTI", "BRK", "BRA", "WAI", "STP", "TXS", "SED", "SEI"),
    *("PHA", "PHP", "PHX", "PHY", "PLA", "PLP", "PLX", "PLY"),
)
"""Instructions that a random program uses only where they lead back."""

_CHANGES_X = frozenset(["LDX", "INX", "DEX", "TAX", "TSX", "PLX"])
_CHANGES_Y = frozenset(["LDY", "INY", "DEY", "TAY", "PLY"])

_HEAD = """
        .org $8000
reset:  ldx #$FF
        txs
        cld
        lda #$00
        ldx #$00
@clear: sta $00,x
        sta $0200,x
        inx
        bne @clear
        ldx #$0F
@point: lda pointers,x
        sta $F0,x
        dex
        bpl @point
        cli
main:
"""

_TAIL = """
        jmp main
        .org $F800
irq:    pha
        txa
        pha
        inc $E0
        ldx $E0
        lda $0300,x
        adc $E1
        sta $E1
        pla
        tax
        pla
        rti
nmi:    pha
        lda $E2
        eor #$5A
        sta $E2
        pla
        rti
pointers: .word $0300, $0345, $0390, $03FF, $0412, $0480, $04C3, $0500
        .org $FFFA
        .word nmi, reset, irq
"""

_BUBBLE = """
sort:   ldx #$0B
@fill:  txa
        eor $E1
        and #$7F
        sta $0210,x
        dex
        bpl @fill
@pass:  ldy #$00
        ldx #$0A
@next:  lda $0210,x
        cmp $0211,x
        bcc @fits
        beq @fits
        pha
        lda $0211,x
        sta $0210,x
        pla
        sta $0211,x
        iny
@fits:  dex
        bpl @next
        cpy #$00
        bne @pass
"""

_DIVIDE = """
        lda $E0
        sta $20
        lda #$37
        sta $21
        jsr divide
        lda $22
        jsr hex
        jmp over
divide: lda #$00
        ldx #$08
        asl $20
@bit:   rol a
        cmp $21
        bcc @less
        sbc $21
@less:  rol $20
        dex
        bne @bit
        sta $22
        rts
hex:    pha
        lsr a
        lsr a
        lsr a
        lsr a
        jsr digit
        pla
        and #$0F
digit:  cmp #$0A
        bcc @under
        adc #$06
@under: adc #$30
        ldy $23
        sta $0600,y
        inc $23
        rts
over:
"""

_TEXT = """
        ldy #$00
@copy:  lda words,y
        beq @done
        sta ($F0),y
        iny
        bne @copy
@done:  sty $24
        lda #$00
        ldx #$00
@sum:   clc
        adc $0300,x
        ror a
        inx
        cpx $24
        bne @sum
        sta $25
        bit $25
        bmi @minus
        bvc @minus
        php
        lda #$03
        plp
@minus: jsr wait
        jmp past
wait:   ldx #$14
@turn:  dex
        bne @turn
        rts
words:  .byte "THE QUICK BROWN FOX", 0
past:
"""

_CMOS = """
        stz $26
        smb3 $26
        lda #$0F
        tsb $26
        trb $26
        inc a
        phx
        phy
        ldx #$05
@more:  lda ($F2)
        bit #$10
        sta $0620,x
        dex
        bne @more
        ply
        plx
        rmb3 $26
        bra on
        brk
on:
"""

HAND_WRITTEN = (_BUBBLE, _DIVIDE, _TEXT)


def hand_written(variant: str) -> bytes:
    """A program that sorts, divides, prints, copies and waits; 64 KB of memory."""
    parts = HAND_WRITTEN if variant == "6502" else (*HAND_WRITTEN, _CMOS)
    return _image("".join(parts), variant)


def at_random(variant: str, seed: int, blocks: int = 120, *, plain: bool = False) -> bytes:
    """A random program over all documented opcodes but STP; 64 KB of memory.

    A `plain` one has what py65 does as the chips: no decimal sums, BBR, BBS and WAI.
    """
    writer = _Writer(variant, np.random.default_rng(seed), blocks, plain)
    return _image(writer.text(), variant)


def _image(body: str, variant: str) -> bytes:
    made = assemble(_HEAD + body + _TAIL, variant)
    memory = bytearray(np.random.default_rng(1).integers(0, 256, 0x10000, np.uint8).tobytes())
    memory[CODE:] = made.image(CODE, 0x8000)
    return bytes(memory)


class _Writer:
    """Blocks of random instructions: straight runs, loops, calls, branches, pushes and pulls."""

    def __init__(self, variant: str, rng: np.random.Generator, blocks: int, plain: bool) -> None:
        self.rng = rng
        self.plain = plain
        self.blocks = blocks
        self.cmos = variant != "6502"
        listed = [o for o in variant_named(variant).opcodes() if o.documented]
        self.free = [o for o in listed if o.mnemonic not in _STRUCTURED and "rel" not in o.mode]
        tests = ("rel",) if plain else ("rel", "zp,rel")
        self.branches = [o for o in listed if o.mode in tests and o.mnemonic != "BRA"]
        self.waits = not plain and any(o.mnemonic == "WAI" for o in listed)
        self.lines: list[str] = []
        self.names = 0

    def number(self, below: int, above: int = 0) -> int:
        return int(self.rng.integers(above, below))

    def text(self) -> str:
        kinds = (
            self.straight, self.straight, self.counted, self.indexed, self.skip, self.skip,
            self.call, self.stacked, self.decimal, self.rare,
        )  # fmt: skip
        for _ in range(self.blocks):
            kinds[self.number(len(kinds))]()
        return "\n".join(self.lines) + "\n"

    def label(self) -> str:
        self.names += 1
        return f"l{self.names}"

    def put(self, *lines: str) -> None:
        self.lines += [f"        {line}" for line in lines]

    def straight(self, most: int = 12, without: frozenset[str] = frozenset()) -> None:
        for _ in range(self.number(most, 1)):
            self.one(without)

    def one(self, without: frozenset[str]) -> None:
        allowed = [o for o in self.free if o.mnemonic not in without]
        o = allowed[self.number(len(allowed))]
        low = self.number(0xD0, 0x10)
        form = {
            "imm": f"#{self.number(256)}",
            "zp": f"{low}",
            "zp,x": f"{low % 64 + 0x10},x",
            "zp,y": f"{low % 64 + 0x10},y",
            "abs": f"${self.number(0x600, 0x200):04X}",
            "abs,x": f"${self.number(0x600, 0x200):04X},x",
            "abs,y": f"${self.number(0x600, 0x200):04X},y",
            "(zp)": f"({_POINTERS + 2 * self.number(8)})",
            "(zp),y": f"({_POINTERS + 2 * self.number(8)}),y",
            "(zp,x)": f"({low},x)",
        }.get(o.mode, "")
        writes = o.mnemonic[:3] in ("STA", "STX", "STY", "STZ", "INC", "DEC", "ASL", "LSR", "ROL",
                                    "ROR", "TSB", "TRB")  # fmt: skip
        if writes and o.mode in ("zp,x", "zp,y", "(zp,x)"):
            register = "y" if o.mode == "zp,y" else "x"
            if f"LD{register.upper()}" in without:
                return
            index = 2 * self.number(8)
            self.put(f"ld{register} #{index}")
            if o.mode == "(zp,x)":
                form = f"({_POINTERS - index + 2 * self.number(8)},x)"
        self.put(f"{o.mnemonic.lower()} {form}")

    def counted(self) -> None:
        place, again = 0xE8 + self.number(4), self.label()
        self.put(f"lda #{self.number(8, 2)}", f"sta {place}")
        self.lines.append(f"{again}:")
        self.straight(6)
        self.put(f"dec {place}", f"bne {again}")

    def indexed(self) -> None:
        register, without = (("x", _CHANGES_X), ("y", _CHANGES_Y))[self.number(2)]
        again = self.label()
        self.put(f"ld{register} #{self.number(10, 2)}")
        self.lines.append(f"{again}:")
        self.straight(5, without)
        self.put(f"de{register}", f"bne {again}")

    def skip(self) -> None:
        over = self.label()
        o = self.branches[self.number(len(self.branches))]
        bit = f"{self.number(0xD0, 0x10)}, " if o.mode == "zp,rel" else ""
        self.put(f"{o.mnemonic.lower()} {bit}{over}")
        self.straight(4)
        self.lines.append(f"{over}:")

    def call(self) -> None:
        over, sub = self.label(), self.label()
        self.put(f"jsr {sub}", f"jmp {over}")
        self.lines.append(f"{sub}:")
        self.straight(6)
        self.put("rts")
        self.lines.append(f"{over}:")

    def stacked(self) -> None:
        registers = "apxy" if self.cmos else "ap"
        which = registers[self.number(len(registers))]
        self.put(f"ph{which}")
        self.straight(5)
        self.put(f"pl{which}")

    def decimal(self) -> None:
        if self.plain:
            return
        self.put("sed", f"{('clc', 'sec')[self.number(2)]}")
        for _ in range(self.number(3, 1)):
            value = 16 * self.number(10) + self.number(10)
            self.put(f"{('adc', 'sbc')[self.number(2)]} #${value:02X}")
        self.put("cld")

    def rare(self) -> None:
        kind = self.number(6)
        if kind == 0:
            self.put("brk", "nop")
        elif kind == 1:
            self.put("tsx", "txs")
        elif kind == 2:
            self.put("sei")
            self.straight(5)
            self.put("cli")
        elif kind == 3:
            target, place = self.label(), self.label()
            if self.cmos and self.number(2):
                self.put("ldx #$00", f"jmp ({place},x)")
            else:
                self.put(f"jmp ({place})")
            self.lines += [f"{place}: .word {target}", f"{target}:"]
        elif kind == 4 and self.waits:
            self.put("wai")
        elif kind == 5 and self.cmos:
            target = self.label()
            self.put(f"bra {target}")
            self.lines.append(f"{target}:")


@dataclass(frozen=True, slots=True)
class Pulses:
    """What comes from outside: mean cycles between pulses, and how often a cycle begins a wait."""

    irq: int = 400
    nmi: int = 1500
    waits: float = 0.0


QUIET = Pulses(0, 0)


def run(variant: str, image: bytes, n: int, seed: int, pulses: Pulses = Pulses()) -> Columns:
    """Bus activity from RES low on: columns addr data rw sync res irq nmi rdy, and registers.

    Registers, int64 (n, 6), are PC A X Y S P at the start of each cycle.
    """
    rng = np.random.default_rng([seed, 77])
    memory = np.frombuffer(image, np.uint8).copy()
    cpu = Executor(variant, pc=None, s=int(rng.integers(256)))
    irq, nmi = _pulses(rng, n, pulses.irq, 24), _pulses(rng, n, pulses.nmi, 8)
    rdy = np.ones(n, np.int64)
    for start in np.flatnonzero(rng.random(n) < pulses.waits).tolist():
        rdy[start : start + int(rng.integers(1, 6))] = 0
    rows = np.zeros((n, 8), np.int64)
    registers = np.zeros((n, 6), np.int64)
    for cycle in range(n):
        res = int(cycle >= 10)
        address = cpu.address
        if cpu.rw:
            byte = int(memory[address])
        else:
            byte = cpu.data_out
            if address < 0x800:
                memory[address] = byte
        rows[cycle] = address, byte, cpu.rw, cpu.sync, res, irq[cycle], nmi[cycle], rdy[cycle]
        registers[cycle] = cpu.pc, cpu.a, cpu.x, cpu.y, cpu.s, cpu.p
        cpu.clock(byte, res=res, irq=int(irq[cycle]), nmi=int(nmi[cycle]), rdy=int(rdy[cycle]))
    names = ("addr", "data", "rw", "sync", "res", "irq", "nmi", "rdy")
    return {**dict(zip(names, rows.T.copy(), strict=True)), "registers": registers}


def _pulses(rng: np.random.Generator, n: int, mean: int, width: int) -> npt.NDArray[np.int64]:
    """Levels of a line that is pulled low now and then."""
    level = np.ones(n, np.int64)
    if mean:
        for start in np.flatnonzero(rng.random(n) < 1 / mean).tolist():
            level[start : start + width] = 0
    return level
