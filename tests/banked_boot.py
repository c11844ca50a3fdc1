"""A small invented board with banks, simulated by plain code of its own: no table of bustrace's.

U5 holds the monitor, U6 four pages of 8 KB seen at $A000, U7 is RAM under U6 that takes every
write there and answers reads when RAMON is set, U9 a latch at $8000. The firmware sums each page,
calls a routine in it, and fills and reads the RAM under the ROM.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path
from tempfile import mkdtemp
from typing import NamedTuple

import numpy as np

from bustrace.board import Board, load_board
from bustrace.capture.model import Capture
from bustrace.cpu import Executor
from bustrace.reading import Reading, read_boot

BOARD = """
format = 1
name = "Bell-tower clock with a tune ROM"
cpu = { part = "6502", ref = "U1" }
clock = "1 MHz"

[[chips]]
ref = "U2"
part = "82S100"
equations = { "/TUNE" = "A15 & !A14 & A13 & R/W & !RAMON", "/UNDER" = "A15 & !A14 & A13 & !R/W \
| A15 & !A14 & A13 & RAMON" }

[[chips]]
ref = "U4"
part = "62256"
socketed = true
range = "$0000-$7FFF"
select = "CS_U4"

[[chips]]
ref = "U5"
part = "2764"
socketed = true
range = "$E000-$FFFF"
file = "monitor.bin"
select = "CS_U5"

[[chips]]
ref = "U6"
part = "27256"
socketed = true
enable = { "/CE" = "U2.TUNE" }
bank_lines = ["B0", "B1"]
base = "$A000"
file = "tunes.bin"
select = "CS_U6"

[[chips]]
ref = "U7"
part = "6264"
socketed = true
enable = { "/CE" = "U2.UNDER" }
base = "$A000"
select = "CS_U7"

[[chips]]
ref = "U9"
part = "74LS374"
role = "io"
size = 1
write_range = "$8000"
BUFFER
"""

BUFFER = """
[[chips]]
ref = "U3"
part = "74LS245"
buffers = { lines = "D0-D7", from = "U1", to = ["U6", "U7"], direction = "R/W" }
"""

BITS = "".join(
    f"""
[[state]]
name = "{name}"
RESET
from = "U9"
write = "$8000"
bit = {bit}
"""
    for bit, name in enumerate(("B0", "B1", "RAMON"))
)


def _monitor() -> bytes:
    code = bytearray()

    def emit(*parts: int) -> None:
        code.extend(parts)

    def back_to(start: int, branch: int) -> None:
        emit(branch, (start - len(code) - 2) & 0xFF)

    emit(0x78, 0xD8, 0xA2, 0xFF, 0x9A)  # SEI, CLD, LDX #$FF, TXS
    emit(0xA0, 0x00, 0x8C, 0x00, 0x80)  # LDY #0, STY $8000
    pages = len(code)
    emit(0x98, 0x8D, 0x00, 0x80)  # TYA, STA $8000
    emit(0x20, 0x00, 0xA1)  # JSR $A100, in the page
    emit(0xA2, 0x00, 0xA9, 0x00)  # LDX #0, LDA #0
    summing = len(code)
    emit(0x18, 0x7D, 0x00, 0xA0, 0xE8, 0xE0, 0x18)  # CLC, ADC $A000,X, INX, CPX #24
    back_to(summing, 0xD0)
    emit(0x99, 0x10, 0x00, 0xC8, 0xC0, 0x04)  # STA $10,Y, INY, CPY #4
    back_to(pages, 0xD0)
    emit(0xA2, 0x00)
    filling = len(code)
    emit(0x8A, 0x49, 0x5A, 0x9D, 0x00, 0xA0)  # TXA, EOR #$5A, STA $A000,X: under the ROM
    emit(0xBD, 0x00, 0xA0, 0x9D, 0x00, 0x03, 0xE8, 0xE0, 0x18)  # LDA $A000,X, STA $0300,X
    back_to(filling, 0xD0)
    emit(0xA9, 0x04, 0x8D, 0x00, 0x80, 0xA2, 0x00)  # RAMON
    reading = len(code)
    emit(0xBD, 0x00, 0xA0, 0x9D, 0x00, 0x04, 0xE8, 0xE0, 0x18)
    back_to(reading, 0xD0)
    emit(0xA0, 0x00)
    back_to(pages, 0xF0)
    image = bytearray(np.random.default_rng(1).integers(256, size=0x2000, dtype=np.uint8))
    image[: len(code)] = code
    image[0x1FFA:] = bytes((0x00, 0xE0, 0x00, 0xE0, 0x00, 0xE0))
    return bytes(image)


def _tunes() -> bytes:
    image = bytearray(np.random.default_rng(2).integers(256, size=0x8000, dtype=np.uint8))
    for page in range(4):  # LDA #n, STA $20, RTS in each
        at = page * 0x2000 + 0x100
        image[at : at + 5] = bytes((0xA9, 17 * page + 1, 0x85, 0x20, 0x60))
    return bytes(image)


@cache
def board(resets: bool = True, buffered: bool = False) -> Board:
    """The board; without `resets` nothing is known of the latch until it is written."""
    folder = Path(mkdtemp())
    (folder / "monitor.bin").write_bytes(_monitor())
    (folder / "tunes.bin").write_bytes(_tunes())
    text = BOARD.replace("BUFFER", BUFFER if buffered else "")
    text += BITS.replace("RESET", "reset = 0" if resets else 'reset = "unknown"')
    (folder / "board.toml").write_text(text)
    return load_board(folder / "board.toml")


class Wrong(NamedTuple):
    """What is wrong on the board. Masks are seen = (level & and) | or."""

    latch_and: int = 7
    latch_or: int = 0
    latch_dead: bool = False
    no_writes_under: bool = False
    buffer_silent: bool = False
    buffer_outwards: bool = False
    buffer_inwards: bool = False
    swapped: bool = False
    power_on: int = 0


LINES = (
    *(f"A{bit}" for bit in range(16)), *(f"D{bit}" for bit in range(8)),
    "RW", "SYNC", "RES", "CS_U4", "CS_U5", "CS_U6", "CS_U7",
)  # fmt: skip


class Run(NamedTuple):
    """What happened, a row a cycle."""

    address: np.ndarray
    data: np.ndarray
    rw: np.ndarray
    latch: np.ndarray
    capture: Capture


def simulate(wrong: Wrong | None = None, cycles: int = 6000, seed: int = 3) -> Run:
    """Run the firmware on the board, and take a row a cycle."""
    wrong = wrong or Wrong()
    rng = np.random.default_rng(seed)
    low, under = bytearray(rng.bytes(0x8000)), bytearray(rng.bytes(0x2000))
    monitor, tunes = _monitor(), _tunes()
    cpu = Executor("nmos6502")
    latch, last = wrong.power_on, 0x55
    rows = []
    for k in range(cycles):
        res = int(k >= 12)
        address, rw, data = cpu.address, cpu.rw, cpu.data_out
        shown = (latch & wrong.latch_and) | wrong.latch_or
        at = address & 0x1FFF
        tune, below = address >> 13 == 5 and rw and shown < 4, False
        if address >> 13 == 5:
            below = not rw or shown >= 4
        reaches = not (
            wrong.buffer_silent or (wrong.buffer_outwards if rw else wrong.buffer_inwards)
        )
        if rw:
            data = last
            if address < 0x8000:
                data = tunes[address] if wrong.swapped else low[address]
            elif address >= 0xE000:
                data = monitor[at]
            elif tune and reaches:
                where = (shown & 3) * 0x2000 + at
                data = low[where] if wrong.swapped else tunes[where]
            elif below and reaches:
                data = under[at]
        elif address < 0x8000 and not wrong.swapped:
            low[address] = data
        elif below and reaches and not wrong.no_writes_under:
            under[at] = data
        elif address == 0x8000 and not wrong.latch_dead:
            latch = data & 7
        selects = (address < 0x8000, address >= 0xE000, tune, below)
        row = address | data << 16 | rw << 24 | cpu.sync << 25 | res << 26
        row |= sum((not on) << 27 + bit for bit, on in enumerate(selects))
        rows.append((row, address, data, rw, shown))
        last = data
        if not res:
            latch = wrong.power_on
        cpu.clock(data, res=res)
    columns = np.array(rows, dtype=np.uint64)
    capture = Capture(
        mode="state",
        time_ps=np.arange(1, cycles + 1, dtype=np.int64) * 1_000_000,
        state=columns[:, 0].copy(),
        known=None,
        lines=LINES,
        rate=None,
        gaps=np.empty((0, 2), np.int64),
        end_ps=(cycles + 1) * 1_000_000,
    )
    return Run(*(columns[:, i].astype(np.int64) for i in range(1, 5)), capture)


def read(wrong: Wrong | None = None, resets: bool = True, buffered: bool = False) -> Reading:
    """A boot read against the board."""
    return read_boot(simulate(wrong).capture, board(resets, buffered))
