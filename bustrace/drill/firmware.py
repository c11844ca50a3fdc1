"""Made-up boards and firmware, different for every seed.

The programs do what healthy firmware of the time does, bad habits included: they size RAM by
probing mirrors, empty addresses and chips that are no RAM, read RAM they never wrote, poll a status
bit, write to ROM by the way. All of it is common practice, none of it a fault.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from bustrace.drill.assembler import opcode_numbers

_POINTER, _SAVED, _COUNT, _TICKS, _WORK = 0xF0, 0xF2, 0xF3, 0xF4, 0x40


@dataclass(frozen=True, slots=True)
class MadeBoard:
    """A made-up board.

    Attributes
    ----------
    toml : str
        Its board file; the ROM's file is ``rom.bin``.
    rom : bytes
    main_loop : int
        Address of the main loop's first instruction.
    uses_irq : bool
        The firmware lets interrupts in, and a timer makes them.
    """

    toml: str
    rom: bytes
    main_loop: int
    uses_irq: bool


class Code:
    """A small assembler: bytes, labels, and places to be filled in at the end."""

    def __init__(self, origin: int) -> None:
        self.origin = origin
        self.bytes = bytearray()
        self._labels: dict[str, int] = {}
        self._open: list[tuple[int, str, bool]] = []
        self._names = 0

    @property
    def here(self) -> int:
        """Address of the next byte."""
        return self.origin + len(self.bytes)

    def op(self, mnemonic: str, mode: str = "imp", operand: int | str = 0) -> None:
        """Append an instruction; a label as operand is filled in by `finish`."""
        self.bytes.append(opcode_numbers("6502")[mnemonic, mode])
        short = mode in ("imm", "zp", "zp,x", "zp,y", "(zp,x)", "(zp),y", "rel")
        if isinstance(operand, str):
            self._open.append((len(self.bytes), operand, mode == "rel"))
            operand = 0
        if mode not in ("imp", "acc", "push", "pull", "rts", "rti"):
            self.bytes += operand.to_bytes(1 if short else 2, "little")

    def label(self, name: str) -> int:
        """Name this place."""
        self._labels[name] = self.here
        return self.here

    def address(self, label: str) -> int:
        """The place that has a name."""
        return self._labels[label]

    def fresh(self, stem: str) -> str:
        """A label name not used before."""
        self._names += 1
        return f"{stem}{self._names}"

    def finish(self) -> bytes:
        """All bytes, labels filled in.

        Raises
        ------
        ValueError
            A branch that does not reach.
        """
        for place, name, relative in self._open:
            target = self._labels[name]
            if relative:
                away = target - (self.origin + place + 1)
                if not -128 <= away <= 127:
                    raise ValueError(f"branch to {name} does not reach")
                self.bytes[place] = away & 0xFF
            else:
                self.bytes[place : place + 2] = target.to_bytes(2, "little")
        return bytes(self.bytes)


def make_board(rng: np.random.Generator) -> MadeBoard:
    """A board with RAM at $0000, ROM up to $FFFF, one I/O chip between, and firmware for it."""
    return _Maker(rng).make()


class _Maker:
    def __init__(self, rng: np.random.Generator) -> None:
        self.rng = rng
        self.by_decoder = bool(rng.random() < 0.5)
        self.ram = self.pick(0x400, 0x800, 0x2000)
        self.rom = self.pick(0x800, 0x1000, 0x2000)
        if not self.by_decoder:
            self.ram = self.pick(0x400, 0x800, 0x1000, 0x2000, 0x4000)
            self.rom = self.pick(0x1000, 0x2000, 0x4000, 0x8000)
        self.has_timer = bool(rng.random() < 0.7)
        self.uses_irq = self.has_timer and bool(rng.random() < 0.6)
        self.block = self.pick(2, 3) if self.rom == 0x8000 else self.pick(2, 3, 4, 5)
        self.io = self.block * 0x2000
        start = 0x10000 - self.rom
        self.code = Code(start + self.pick(0, 0x10, 0x100, 0x143))
        self.start = start

    def pick(self, *choices: int) -> int:
        return choices[int(self.rng.integers(len(choices)))]

    def below(self, end: int, first: int = 0) -> int:
        return int(self.rng.integers(first, end))

    # ---- the firmware

    def make(self) -> MadeBoard:
        op = self.code.op
        self.code.label("reset")
        opening: list[Callable[[], None]] = [lambda: op("SEI"), lambda: op("CLD"), self._stack]
        for place in self.rng.permutation(len(opening)):
            opening[place]()
        blocks = [
            self._size_ram,
            self._clear,
            self._checksum,
            self._copy,
            self._never_written,
            self._delay,
            self._sums,
            self._jump,
        ]
        for place in self.rng.permutation(len(blocks))[: self.below(9, 5)]:
            blocks[place]()
        self._set_up_io()
        if self.uses_irq:
            op("CLI")
        main = self.code.label("main")
        self._poll()
        for _ in range(self.below(4, 1)):
            op("JSR", "call", self.pick_label("sums", "delay"))
        op("INC", "zp", _COUNT)
        op("JMP", "jump", "main")
        self._subroutines()
        body = self.code.finish()
        image = bytearray(self.rng.choice([0xFF, 0xEA, 0x00]).astype(np.uint8).tobytes() * self.rom)
        at = self.code.origin - self.start
        image[at : at + len(body)] = body
        vectors = [self.code.address(name) for name in ("nmi", "reset", "irq")]
        image[-6:] = b"".join(vector.to_bytes(2, "little") for vector in vectors)
        return MadeBoard(self._toml(), bytes(image), main, self.uses_irq)

    def pick_label(self, *names: str) -> str:
        return names[int(self.rng.integers(len(names)))]

    def _stack(self) -> None:
        self.code.op("LDX", "imm", 0xFF)
        self.code.op("TXS")

    def _size_ram(self) -> None:
        """Probe a byte every few pages, beyond RAM, and put back what was there."""
        op, code = self.code.op, self.code
        again, gone = code.fresh("probe"), code.fresh("gone")
        step = self.pick(4, 8, 16)
        last = min(self.pick(0x20, 0x40, 0x60, 0xF0), step * 16)
        op("LDY", "imm", 0)
        op("STY", "zp", _POINTER)
        op("STY", "zp", _POINTER + 1)
        code.label(again)
        op("LDA", "(zp),y", _POINTER)
        op("STA", "zp", _SAVED)
        op("LDA", "imm", self.pick(0x55, 0xA5, 0x99))
        op("STA", "(zp),y", _POINTER)
        op("CMP", "(zp),y", _POINTER)
        op("BNE", "rel", gone)
        op("EOR", "imm", 0xFF)
        op("STA", "(zp),y", _POINTER)
        op("CMP", "(zp),y", _POINTER)
        op("BNE", "rel", gone)
        op("INC", "zp", _COUNT)
        code.label(gone)
        op("LDA", "zp", _SAVED)
        op("STA", "(zp),y", _POINTER)
        op("LDA", "zp", _POINTER + 1)
        op("CLC")
        op("ADC", "imm", step)
        op("STA", "zp", _POINTER + 1)
        op("CMP", "imm", last)
        op("BCC", "rel", again)

    def _clear(self) -> None:
        op, again = self.code.op, self.code.fresh("clear")
        op("LDX", "imm", self.below(0x80, 0x20))
        op("LDA", "imm", 0)
        self.code.label(again)
        op("STA", "zp,x", 0)
        op("DEX")
        op("BPL", "rel", again)

    def _checksum(self) -> None:
        op, again = self.code.op, self.code.fresh("sum")
        op("LDX", "imm", 0)
        op("TXA")
        op("CLC")
        self.code.label(again)
        op("ADC", "abs,x", self.start + self.pick(0, 0x37, 0x80))
        op("INX")
        op("CPX", "imm", self.below(80, 30))
        op("BNE", "rel", again)
        op("STA", "zp", _WORK)

    def _copy(self) -> None:
        op, again = self.code.op, self.code.fresh("copy")
        op("LDY", "imm", self.below(30, 8))
        self.code.label(again)
        op("LDA", "abs,y", self.start + self.below(0x200))
        op("STA", "abs,y", self.pick(0x0200, 0x0280, 0x02F0))
        op("DEY")
        op("BPL", "rel", again)

    def _never_written(self) -> None:
        op, skip = self.code.op, self.code.fresh("cold")
        op("LDA", "abs", 0x0300 + self.below(0x80))
        op("CMP", "imm", self.below(256))
        op("BEQ", "rel", skip)
        op("ROL", "acc")
        op("LDX", "abs", 0x0380 + self.below(0x70))
        self.code.label(skip)
        if self.rng.random() < 0.5:
            op("STA", "abs", self.start + self.below(0x100))

    def _delay(self) -> None:
        self.code.op("JSR", "call", "delay")

    def _sums(self) -> None:
        self.code.op("JSR", "call", "sums")

    def _jump(self) -> None:
        """Through a pointer in RAM."""
        op, code = self.code.op, self.code
        name = code.fresh("there")
        after = code.here + 2 * 4 + 3 + self.pick(0, 3)
        op("LDA", "imm", after & 0xFF)
        op("STA", "zp", 0xE0)
        op("LDA", "imm", after >> 8)
        op("STA", "zp", 0xE1)
        op("JMP", "(jump)", 0x00E0)
        while code.here < after:
            op("NOP")
        code.label(name)

    def _set_up_io(self) -> None:
        op = self.code.op
        op("LDA", "imm", 0x0F)
        op("STA", "abs", self.io + 3)
        op("LDA", "imm", 0)
        op("STA", "abs", self.io + 2)
        op("STA", "abs", self.io + 1)
        if self.has_timer:
            period = self.below(700, 260)
            op("LDA", "imm", 0x40)
            op("STA", "abs", self.io + 0xB)
            op("LDA", "imm", period & 0xFF)
            op("STA", "abs", self.io + 4)
            op("LDA", "imm", period >> 8)
            op("STA", "abs", self.io + 5)
        if self.uses_irq:
            op("LDA", "imm", 0xC0)
            op("STA", "abs", self.io + 0xE)

    def _poll(self) -> None:
        op, again = self.code.op, self.code.fresh("poll")
        self.code.label(again)
        op("BIT", "abs", self.io + 1)
        op("BMI", "rel", again)
        op("LDA", "abs", self.io)
        op("STA", "zp", _WORK)

    def _subroutines(self) -> None:
        op, code = self.code.op, self.code
        code.label("delay")
        again = code.fresh("wait")
        op("LDX", "imm", self.below(24, 4))
        code.label(again)
        op("DEX")
        op("BNE", "rel", again)
        op("RTS", "rts")
        code.label("sums")
        op("PHP", "push")
        if self.rng.random() < 0.4:
            op("SED")
        for _ in range(self.below(10, 3)):
            mnemonic = self.pick_label(
                "ADC", "SBC", "EOR", "ORA", "AND", "INC", "ROR", "ASL", "STA"
            )
            op(mnemonic, "zp", _WORK + self.below(8))
        op("PLP", "pull")
        op("PHA", "push")
        op("JSR", "call", "delay")
        op("PLA", "pull")
        op("RTS", "rts")
        code.label("irq")
        op("PHA", "push")
        op("LDA", "abs", self.io + 4)
        op("INC", "zp", _TICKS)
        op("PLA", "pull")
        code.label("nmi")
        op("RTI", "rti")

    # ---- the board file

    def _toml(self) -> str:
        names = self.pick_label("U", "IC", "Z")
        refs = [f"{names}{number}" for number in (4, 5, 6)]
        selects = [f"CS_{name}" for name in ("RAM", "ROM", "IO")]
        if self.rng.random() < 0.3:
            selects = [f"CS_{ref}" for ref in refs]
        gated = "true" if self.rng.random() < 0.5 else "false"
        spans = [(0, self.ram), (self.start, 0x10000), (self.io, self.io + 0x2000)]
        where = [f'range = "${first:04X}-${end - 1:04X}"\n' for first, end in spans]
        decoder = ""
        if self.by_decoder:
            where = ["", "", ""]
            decoder = (
                '[[chips]]\nref = "DEC1"\npart = "74LS138"\n'
                'inputs = { A = "A13", B = "A14", C = "A15" }\n'
                f'outputs = {{ Y0 = "{refs[0]}", Y7 = "{refs[1]}",'
                f' Y{self.block} = "{refs[2]}" }}\n\n'
            )
        irq = f'[irq]\nfrom = ["{refs[2]}"]\n\n' if self.has_timer else ""
        part = "6522" if self.has_timer else "custom"
        return (
            'format = 1\nname = "made-up board"\n\n[cpu]\npart = "6502"\nref = "CPU1"\n\n'
            f"{irq}{decoder}"
            f'[[chips]]\nref = "{refs[0]}"\nrole = "ram"\nsize = {self.ram}\n{where[0]}'
            f'select = {{ line = "{selects[0]}", phi2 = {gated} }}\n\n'
            f'[[chips]]\nref = "{refs[1]}"\nrole = "rom"\nsize = {self.rom}\nfile = "rom.bin"\n'
            f'{where[1]}select = {{ line = "{selects[1]}" }}\n\n'
            f'[[chips]]\nref = "{refs[2]}"\npart = "{part}"\nrole = "io"\nsize = 16\n{where[2]}'
            f'select = {{ line = "{selects[2]}" }}\n'
        )
