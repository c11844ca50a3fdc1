"""Small boards with a program of the test's own: RAM at $0000, a 6522 at $4000, ROM at $E000."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

from bustrace.board import Board, load_board
from bustrace.drill.firmware import Code

VIA = 0x4000
BOARD = """format = 1
name = "bench board"

[cpu]
part = "6502"
ref = "U1"

[irq]
from = ["U6"]

[[chips]]
ref = "U4"
role = "ram"
size = 2048
range = "$0000-$07FF"
select = { line = "CS_RAM" }

[[chips]]
ref = "U5"
role = "rom"
size = 8192
file = "rom.bin"
range = "$E000-$FFFF"
select = { line = "CS_ROM" }

[[chips]]
ref = "U6"
part = "6522"
role = "io"
size = 16
range = "$4000-$400F"
select = { line = "CS_IO" }
"""

DECODED = (
    re.sub(r"(?m)^range = .*\n", "", BOARD)
    + """
[[chips]]
ref = "U2"
part = "74LS138"
inputs = { A = "A13", B = "A14", C = "A15" }
outputs = { Y0 = "U4", Y2 = "U6", Y7 = "U5" }
"""
)
"""The same chips behind a decoder: it is known where none of them answers."""


def programmed(
    folder: Path,
    main: Callable[[Code], None],
    handler: Callable[[Code], None] | None = None,
    board: str = BOARD,
) -> Board:
    """A board whose program starts with `main`; `handler` is what IRQ runs before its RTI."""
    code = Code(0xE000)
    code.op("LDX", "imm", 0xFF)
    code.op("TXS")
    main(code)
    code.label("irq")
    if handler is not None:
        handler(code)
    code.op("RTI", "rti")
    body = code.finish()
    image = bytearray(b"\xea" * 0x2000)
    image[: len(body)] = body
    for place, target in ((0x1FFA, code._labels["irq"]), (0x1FFC, 0xE000),
                          (0x1FFE, code._labels["irq"])):  # fmt: skip
        image[place : place + 2] = target.to_bytes(2, "little")
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "rom.bin").write_bytes(bytes(image))
    (folder / "board.toml").write_text(board, encoding="utf-8", newline="\n")
    return load_board(folder / "board.toml")


def start_timer(code: Code, latch: int) -> None:
    """Timer 1 of the 6522, free running, asks for an interrupt every `latch` + 2 cycles."""
    for register, byte in ((11, 0x40), (4, latch & 0xFF), (5, latch >> 8), (14, 0xC0)):
        code.op("LDA", "imm", byte)
        code.op("STA", "abs", VIA + register)
    code.op("CLI")
