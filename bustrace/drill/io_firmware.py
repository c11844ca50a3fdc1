"""Made-up boards with several I/O chips, and firmware that cannot do without them.

It sets up a screen's timing and waits for its blanking, greets on a serial port whose status it
polls, waits for an interval timer, and lets a port's timer and the serial receiver interrupt it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from bustrace.drill.firmware import Code, MadeBoard

_TICKS, _HEARD, _COUNT, _SENT = 0x10, 0x11, 0x12, 0x13
_ROM, _ROM_SIZE = 0xE000, 0x2000


@dataclass(frozen=True, slots=True)
class _Fitted:
    """An I/O chip on the board: its part, where it begins, how many registers it has."""

    part: str
    base: int
    size: int


_KNOWN = (("6522", 16), ("6551", 4), ("6545", 2), ("6532", 32))


def make_io_board(rng: np.random.Generator) -> MadeBoard:
    """A board with RAM at $0000, ROM at $E000 and two to four I/O chips between."""
    count = int(rng.integers(2, len(_KNOWN) + 1))
    places = rng.permutation(8)[:count].tolist()
    chosen = sorted(rng.permutation(len(_KNOWN))[:count].tolist())
    chips = {
        _KNOWN[kind][0]: _Fitted(_KNOWN[kind][0], 0x8000 + 0x400 * place, _KNOWN[kind][1])
        for kind, place in zip(chosen, places, strict=True)
    }
    return _Maker(rng, chips).make()


class _Maker:
    def __init__(self, rng: np.random.Generator, chips: dict[str, _Fitted]) -> None:
        self.rng = rng
        self.chips = chips
        self.ram = int(rng.choice([0x800, 0x2000]))
        self.code = Code(_ROM + int(rng.choice([0, 0x40, 0x200])))
        self.greeting = rng.integers(0x20, 0x60, int(rng.integers(3, 7))).tolist()
        rows, lines = int(rng.integers(5, 12)), int(rng.integers(2, 8))
        shown = int(rng.integers(3, rows))
        self.screen = [int(rng.integers(11, 32)), 10, 12, 3, rows, 1, shown, shown, 0, lines]
        self.asks = [chips[part] for part in ("6522", "6551") if part in chips]

    def make(self) -> MadeBoard:
        op = self.code.op
        self.code.label("reset")
        op("SEI")
        op("CLD")
        op("LDX", "imm", 0xFF)
        op("TXS")
        self._clear()
        for part, set_up in (
            ("6545", self._set_up_screen),
            ("6532", self._set_up_interval),
            ("6551", self._set_up_serial),
            ("6522", self._set_up_port),
        ):
            if part in self.chips:
                set_up(self.chips[part].base)
        if self.asks:
            op("CLI")
        main = self.code.label("main")
        self._main()
        self._subroutines()
        return MadeBoard(self._toml(), self._image(), main, bool(self.asks))

    def _clear(self) -> None:
        op = self.code.op
        op("LDA", "imm", 0)
        op("LDX", "imm", 0x7F)
        again = self.code.fresh("clear")
        self.code.label(again)
        op("STA", "zp,x", 0)
        op("DEX")
        op("BPL", "rel", again)

    def _set_up_screen(self, base: int) -> None:
        """Registers from a table in ROM, then the first blanking."""
        op, again = self.code.op, self.code.fresh("screen")
        op("LDX", "imm", len(self.screen) - 1)
        self.code.label(again)
        op("STX", "abs", base)
        op("LDA", "abs,x", "screentable")
        op("STA", "abs", base + 1)
        op("DEX")
        op("BPL", "rel", again)
        self._await_bit(base, 0x20)
        # The cursor's low byte is one of the few registers that can be read back.
        op("LDA", "imm", 15)
        op("STA", "abs", base)
        op("LDA", "imm", 0x21)
        op("STA", "abs", base + 1)
        op("LDA", "abs", base + 1)
        op("STA", "zp", _COUNT)

    def _await_bit(self, address: int, mask: int) -> None:
        op, again = self.code.op, self.code.fresh("wait")
        self.code.label(again)
        op("LDA", "abs", address)
        op("AND", "imm", mask)
        op("BEQ", "rel", again)

    def _set_up_interval(self, base: int) -> None:
        op = self.code.op
        op("LDA", "imm", 0x0F)
        op("STA", "abs", base + 1)
        op("LDA", "imm", int(self.rng.integers(8, 40)))
        op("STA", "abs", base + 0x15)
        again = self.code.fresh("interval")
        self.code.label(again)
        op("BIT", "abs", base + 5)
        op("BPL", "rel", again)
        op("LDA", "abs", base + 4)

    def _set_up_serial(self, base: int) -> None:
        """Reset it, let it work, greet."""
        op, again = self.code.op, self.code.fresh("greet")
        op("STA", "abs", base + 1)
        op("LDA", "imm", 0x1E)
        op("STA", "abs", base + 3)
        op("LDA", "imm", 0x09)
        op("STA", "abs", base + 2)
        op("LDX", "imm", 0)
        self.code.label(again)
        self._await_bit(base + 1, 0x10)
        op("LDA", "abs,x", "greeting")
        op("STA", "abs", base)
        op("INX")
        op("STX", "zp", _SENT)
        op("CPX", "imm", len(self.greeting))
        op("BNE", "rel", again)

    def _set_up_port(self, base: int) -> None:
        op, period = self.code.op, int(self.rng.integers(300, 700))
        op("LDA", "imm", 0x0F)
        op("STA", "abs", base + 2)
        op("LDA", "imm", 0x40)
        op("STA", "abs", base + 0xB)
        op("LDA", "imm", period & 0xFF)
        op("STA", "abs", base + 4)
        op("LDA", "imm", period >> 8)
        op("STA", "abs", base + 5)
        op("LDA", "imm", 0xC0)
        op("STA", "abs", base + 0xE)

    def _main(self) -> None:
        """Do a little with every chip, for ever."""
        op = self.code.op
        if "6522" in self.chips:
            port = self.chips["6522"].base
            op("LDA", "abs", port + 1)
            op("EOR", "zp", _TICKS)
            op("STA", "abs", port)
        if "6532" in self.chips:
            op("LDA", "imm", int(self.rng.integers(2, 9)))
            op("STA", "abs", self.chips["6532"].base + 0x15)
            self._await_bit(self.chips["6532"].base + 5, 0x80)
        if "6551" in self.chips:
            self._await_bit(self.chips["6551"].base + 1, 0x10)
            # Polling the status takes the request away: what came in is fetched here too.
            op("LDA", "abs", self.chips["6551"].base)
            op("STA", "zp", _HEARD)
            op("STA", "abs", self.chips["6551"].base)
        if "6545" in self.chips:
            self._await_bit(self.chips["6545"].base, 0x20)
        op("JSR", "call", "delay")
        op("INC", "zp", _COUNT)
        op("JMP", "jump", "main")

    def _subroutines(self) -> None:
        op, code = self.code.op, self.code
        code.label("delay")
        again = code.fresh("delay")
        op("LDX", "imm", int(self.rng.integers(3, 20)))
        code.label(again)
        op("DEX")
        op("BNE", "rel", again)
        op("RTS", "rts")
        code.label("irq")
        op("PHA", "push")
        if "6551" in self.chips:
            skip, base = code.fresh("skip"), self.chips["6551"].base
            op("LDA", "abs", base + 1)
            op("AND", "imm", 0x08)
            op("BEQ", "rel", skip)
            op("LDA", "abs", base)
            op("STA", "zp", _HEARD)
            code.label(skip)
        if "6522" in self.chips:
            skip, base = code.fresh("skip"), self.chips["6522"].base
            op("BIT", "abs", base + 0xD)
            op("BPL", "rel", skip)
            op("LDA", "abs", base + 4)
            op("INC", "zp", _TICKS)
            code.label(skip)
        op("PLA", "pull")
        code.label("nmi")
        op("RTI", "rti")
        code.label("screentable")
        code.bytes += bytes(self.screen)
        code.label("greeting")
        code.bytes += bytes(self.greeting)

    def _image(self) -> bytes:
        body = self.code.finish()
        image = bytearray(bytes([int(self.rng.choice([0xFF, 0xEA]))]) * _ROM_SIZE)
        at = self.code.origin - _ROM
        image[at : at + len(body)] = body
        vectors = [self.code.address(name) for name in ("nmi", "reset", "irq")]
        image[-6:] = b"".join(vector.to_bytes(2, "little") for vector in vectors)
        return bytes(image)

    # ---- the board file

    def _toml(self) -> str:
        refs = {part: f"U{number}" for number, part in enumerate(self.chips, start=6)}
        asks = ", ".join(f'"{refs[chip.part]}"' for chip in self.asks)
        irq = f"[irq]\nfrom = [{asks}]\n\n" if self.asks else ""
        gated = "true" if self.rng.random() < 0.5 else "false"
        io = "".join(
            f'\n[[chips]]\nref = "{refs[chip.part]}"\npart = "{chip.part}"\nrole = "io"\n'
            f'size = {chip.size}\nrange = "${chip.base:04X}-${chip.base + 0x3FF:04X}"\n'
            f'select = {{ line = "CS_{refs[chip.part]}" }}\n'
            for chip in self.chips.values()
        )
        return (
            'format = 1\nname = "made-up board with I/O"\n\n[cpu]\npart = "6502"\nref = "U1"\n\n'
            f'{irq}[[chips]]\nref = "U4"\nrole = "ram"\nsize = {self.ram}\n'
            f'range = "$0000-$1FFF"\nselect = {{ line = "CS_RAM", phi2 = {gated} }}\n\n'
            f'[[chips]]\nref = "U5"\nrole = "rom"\nsize = {_ROM_SIZE}\nfile = "rom.bin"\n'
            f'range = "${_ROM:04X}-$FFFF"\nselect = {{ line = "CS_ROM" }}\n{io}'
        )
