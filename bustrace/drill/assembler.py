"""A small assembler for the firmware of demo boards.

It reads the plain form that most 6502 assemblers share::

    PORT    = $8000                 ; a value
            .org    $E000
    reset:  ldx     #$FF
    @again: lda     table,x         ; @ names are local to the label above
            bne     @again
            .byte   1, "text", <table, >table
            .word   reset
            .res    $10, $EA        ; so many bytes

Numbers are decimal, ``$`` hexadecimal, ``%`` binary or a sign in quotes; ``*`` is the address of
the statement; ``+``, ``-``, ``*``, parentheses, and ``<`` and ``>`` for the low and the high byte.
Opcodes come from the CPU's table. Zero-page addressing is taken where the value is known to fit
when its line is reached: name zero-page places above the code.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

import numpy as np

from bustrace.cpu.variants import variant_named

_STATEMENT = re.compile(
    r"\s*(?:(?P<label>@?[A-Za-z_]\w*):)?"
    r"\s*(?:(?P<word>\.?[A-Za-z]\w*)(?=\s|$))?\s*(?P<rest>.*?)\s*$"
)
_EQUATE = re.compile(r"\s*(?P<name>[A-Za-z_]\w*)\s*=\s*(?P<value>.+?)\s*$")
_TOKEN = re.compile(
    r"\s*(?:(?P<hex>\$[0-9A-Fa-f]+)|(?P<bin>%[01]+)|(?P<dec>\d+)|'(?P<sign>.)'"
    r"|(?P<name>@?[A-Za-z_]\w*)|(?P<op>[-+*()<>]))"
)
_SHORT_FORM = {"abs": "zp", "abs,x": "zp,x", "abs,y": "zp,y"}
_SHAPES: tuple[tuple[str, tuple[str, ...]], ...] = (
    (r"#(?P<a>.+)", ("imm",)),
    (r"\((?P<a>.+),\s*x\)", ("(zp,x)", "(abs,x)")),
    (r"\((?P<a>.+)\)\s*,\s*y", ("(zp),y",)),
    (r"\((?P<a>[^()]+)\)", ("(jump)", "(zp)")),
    (r"(?P<a>[^,]+),\s*x", ("abs,x", "zp,x")),
    (r"(?P<a>[^,]+),\s*y", ("abs,y", "zp,y")),
    (r"(?P<a>[^,]+),\s*(?P<b>[^,]+)", ("zp,rel",)),
    (r"(?!\(.*\)$)(?P<a>[^,]+)", ("rel", "jump", "call", "abs", "zp")),
)
"""What an operand looks like, and the modes that are written so."""


class SourceError(ValueError):
    """A line that cannot be assembled; the message begins with its number."""


@dataclass(frozen=True, slots=True)
class Assembled:
    """What came out: bytes by address, and the value of every label that is not local."""

    content: Mapping[int, int]
    labels: Mapping[str, int]

    def image(self, first: int, size: int, fill: int = 0xFF) -> bytes:
        """The bytes of a ROM that begins at `first`.

        Raises
        ------
        ValueError
            Bytes lie outside it.
        """
        outside = [at for at in self.content if not first <= at < first + size]
        if outside:
            raise ValueError(f"${min(outside):04X} lies outside the ROM")
        image = np.full(size, fill, dtype=np.uint8)
        for at, byte in self.content.items():
            image[at - first] = byte
        return image.tobytes()


@cache
def opcode_numbers(variant: str) -> Mapping[tuple[str, str], int]:
    """Opcode of each documented mnemonic and mode of a CPU part."""
    found: dict[tuple[str, str], int] = {}
    for op in variant_named(variant).opcodes():
        if op.documented:
            found.setdefault((op.mnemonic, op.mode), op.opcode)
    return found


def assemble(text: str, variant: str = "6502") -> Assembled:
    """Assemble a source.

    Raises
    ------
    SourceError
        A line that cannot be read, an unknown name, a value that does not fit, a branch that does
        not reach, a byte set twice.
    """
    run = _Assembler(opcode_numbers(variant))
    for final in (False, True):
        run.start(final)
        for number, line in enumerate(text.splitlines(), start=1):
            try:
                run.line(line)
            except SourceError as error:
                raise SourceError(f"line {number}: {error}") from None
    labels = {name: value for name, value in run.names.items() if "@" not in name}
    return Assembled(run.bytes, labels)


class _Assembler:
    """Two passes over the lines: the first finds where labels lie, the second makes bytes."""

    def __init__(self, opcodes: Mapping[tuple[str, str], int]) -> None:
        self._opcodes = opcodes
        self._mnemonics = {mnemonic for mnemonic, _ in opcodes}
        self.names: dict[str, int] = {}
        self.bytes: dict[int, int] = {}

    def start(self, final: bool) -> None:
        """Begin a pass."""
        self._final = final
        self._here = 0
        self._above = ""
        self._reached: set[str] = set()

    def line(self, line: str) -> None:
        """Take one line."""
        line = _without_comment(line)
        equate = _EQUATE.match(line)
        if equate:
            value, _ = self._value(equate["value"])
            self._name(equate["name"], value)
            return
        match = _STATEMENT.match(line)
        if match is None:
            raise SourceError(f"this is no statement: {line.strip()}")
        if match["label"]:
            label = match["label"]
            if not label.startswith("@"):
                self._above = label
            self._name(self._whole(label), self._here)
        if match["word"]:
            word, rest = match["word"].upper(), match["rest"]
            if word.startswith("."):
                self._directive(word, rest)
            else:
                self._instruction(word, rest)
        elif match["rest"]:
            raise SourceError(f"this is no statement: {match['rest']}")

    def _whole(self, name: str) -> str:
        return self._above + name if name.startswith("@") else name

    def _name(self, name: str, value: int) -> None:
        if name in self._reached:
            raise SourceError(f"{name} is named twice")
        if self._final and self.names[name] != value:
            raise SourceError(f"{name} moves between the passes: name it above its use")
        self._reached.add(name)
        self.names[name] = value

    # ---- statements

    def _directive(self, word: str, rest: str) -> None:
        if word == ".ORG":
            self._here = self._value(rest)[0]
        elif word in (".BYTE", ".WORD"):
            for item in _items(rest):
                if item.startswith('"'):
                    self._put(item[1:-1].encode("ascii"))
                else:
                    self._number(self._value(item)[0], 1 if word == ".BYTE" else 2)
        elif word == ".RES":
            count, *fill = (self._value(item)[0] for item in _items(rest))
            self._put(bytes(fill or [0xFF]) * count)
        else:
            raise SourceError(f"unknown directive {word.lower()}")

    def _instruction(self, mnemonic: str, operand: str) -> None:
        if mnemonic not in self._mnemonics:
            raise SourceError(f"this CPU has no {mnemonic}")
        if operand.upper() == "A":
            operand = ""
        if not operand:
            alone = ("imp", "acc", "push", "pull", "rts", "rti", "break", "wait", "stop")
            self._put([self._opcode(mnemonic, alone)[0]])
            return
        for shape, modes in _SHAPES:
            match = re.fullmatch(shape, operand, re.IGNORECASE)
            if match and any((mnemonic, mode) in self._opcodes for mode in modes):
                break
        else:
            raise SourceError(f"{mnemonic} takes no {operand}")
        opcode, mode = self._opcode(mnemonic, modes)
        value, sure = self._value(match["a"])
        short = _SHORT_FORM.get(mode)
        if short and sure and 0 <= value < 256 and (mnemonic, short) in self._opcodes:
            opcode, mode = self._opcodes[mnemonic, short], short
        self._put([opcode])
        if mode == "rel":
            self._branch(value)
        elif mode == "zp,rel":
            self._number(value, 1)
            self._branch(self._value(match.groupdict()["b"] or "")[0])
        else:
            long = mode in ("jump", "(jump)", "(abs,x)", "call", "abs", "abs,x", "abs,y")
            self._number(value, 2 if long else 1)

    def _opcode(self, mnemonic: str, modes: tuple[str, ...]) -> tuple[int, str]:
        for mode in modes:
            if (mnemonic, mode) in self._opcodes:
                return self._opcodes[mnemonic, mode], mode
        raise SourceError(f"{mnemonic} needs an operand")

    # ---- values and bytes

    def _branch(self, target: int) -> None:
        away = target - (self._here + 1)
        if self._final and not -128 <= away <= 127:
            raise SourceError(f"${target:04X} is out of the branch's reach")
        self._put([away & 0xFF])

    def _number(self, value: int, size: int) -> None:
        if self._final and not 0 <= value < 1 << 8 * size:
            raise SourceError(f"{value} does not fit {size} byte(s)")
        self._put((value & ((1 << 8 * size) - 1)).to_bytes(size, "little"))

    def _put(self, values: bytes | list[int]) -> None:
        for value in values:
            if self._final:
                if self._here in self.bytes:
                    raise SourceError(f"${self._here:04X} is set twice")
                self.bytes[self._here] = value
            self._here += 1

    def _value(self, text: str) -> tuple[int, bool]:
        """Value of an expression, and whether all its names were reached already."""
        tokens: list[tuple[str, str]] = []
        at = 0
        while at < len(text.rstrip()):
            match = _TOKEN.match(text, at)
            if match is None:
                raise SourceError(f"this is no value: {text[at:].strip()}")
            tokens.append((match.lastgroup or "", match.group().strip()))
            at = match.end()
        tokens.append(("end", ""))
        reader = _Expression(self, tokens)
        value = reader.whole()
        return value, reader.sure

    def named(self, name: str) -> tuple[int, bool]:
        """Value of a name, and whether it was reached already; 0 for now in the first pass."""
        whole = self._whole(name)
        if whole not in self.names:
            if self._final:
                raise SourceError(f"unknown name {name}")
            return 0, False
        return self.names[whole], whole in self._reached

    @property
    def here(self) -> int:
        """Address of the next byte."""
        return self._here


class _Expression:
    def __init__(self, assembler: _Assembler, tokens: list[tuple[str, str]]) -> None:
        self._assembler, self._tokens, self._at = assembler, tokens, 0
        self.sure = True

    def whole(self) -> int:
        value = self._sum()
        if self._tokens[self._at][0] != "end":
            raise SourceError(f"not expected here: {self._tokens[self._at][1]}")
        return value

    def _take(self, *signs: str) -> str | None:
        kind, text = self._tokens[self._at]
        if kind != "op" or text not in signs:
            return None
        self._at += 1
        return text

    def _sum(self) -> int:
        sign = self._take("<", ">")
        if sign:
            value = self._sum()
            return value & 0xFF if sign == "<" else value >> 8 & 0xFF
        value = self._product()
        while sign := self._take("+", "-"):
            value += self._product() if sign == "+" else -self._product()
        return value

    def _product(self) -> int:
        value = self._single()
        while self._take("*"):
            value *= self._single()
        return value

    def _single(self) -> int:
        if self._take("("):
            value = self._sum()
            if not self._take(")"):
                raise SourceError("a parenthesis is not closed")
            return value
        if self._take("*"):
            return self._assembler.here
        kind, text = self._tokens[self._at]
        self._at += 1
        if kind == "name":
            value, sure = self._assembler.named(text)
            self.sure = self.sure and sure
            return value
        if kind in ("hex", "bin"):
            return int(text[1:], 16 if kind == "hex" else 2)
        if kind == "dec":
            return int(text)
        if kind == "sign":
            return ord(text[1])
        raise SourceError("a value is missing")


def _without_comment(line: str) -> str:
    parts = re.match(r"""(?:[^;"']|"[^"]*"|'.')*""", line)
    return parts.group() if parts else line


def _items(text: str) -> list[str]:
    """Items between commas, texts in quotes kept whole."""
    return [item.strip() for item in re.findall(r'(?:"[^"]*"|[^,"])+', text)]
