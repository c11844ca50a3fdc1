"""Bit by bit, where a ROM or RAM gave something else than it should."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from bustrace.draw.plate import (
    LINE,
    SMALL,
    Plate,
    cannot_show,
    capture_facts,
    hang,
    no_cycles,
    paragraph,
)
from bustrace.draw.sheet import Sheet, wrap
from bustrace.errors import InputError, nearest
from bustrace.findings import Evidence, gather, wrong_bits

if TYPE_CHECKING:
    from bustrace.reading import Reading

TITLE = "Bit by bit: right and wrong"
_ACROSS = (32, 64, 128)
"""Bytes of a row; the shortest that does not need too many rows."""
_MOST_DOWN = 48
"""Rows of a panel; with more, a square stands for several bytes."""
_LOWEST, _HIGHEST = 2.6, 6.0
"""Points of a row."""
_PANEL_GAP = 20.0
_PANEL_HEAD = 15.0
_PANEL_FOOT = 12.0
_RIGHT = 0.22
"""Tone of what was right."""
_LEAST_WRONG = 4
"""Wrong bytes from which address lines are compared."""
_LEAST_READ = 8
"""Bytes read with a line at one level that make a share of them."""
_BAR_HEIGHT = 40.0
_MOST_NAMED = 6
_LEFT = 44.0
_FOOT = (
    "A square is wrong when the bit was wrong in any read of its bytes. One dark panel: one data "
    "line, or one chip of a bank one bit wide. Dark bands that come back: an address line. "
    "Scattered squares in all panels: another revision of the content. Single squares: cells, or "
    "stray samples. What was not read was not tried.",
)

Bits = npt.NDArray[np.int64]


def draw_bit_errors(
    reading: Reading,
    *,
    chip: str | None = None,
    evidence: Evidence | None = None,
    ax: Axes | None = None,
    width: float = 11.0,
    title: str | None = None,
    print_safe: bool = False,
) -> Figure | Axes:
    """Draw one map a data line of what a memory answered against what it should have.

    Parameters
    ----------
    reading : Reading
    chip : str or None
        Reference of a chip in the board's address map. None takes the memory with the most
        wrong bits, or, where there are none, the one that was read most.
    evidence : Evidence or None
        `bustrace.findings.gather(reading)`, where it is at hand.
    ax, width, title, print_safe
        As in `draw_bus_cycle`.

    Returns
    -------
    Axes or Figure
        `ax` where it was given. Where nothing is known of what should have been read, the picture
        says why.

    Raises
    ------
    InputError
        The board has no such chip in its address map.
    """
    refs = reading.board.map.chips
    if chip is not None and chip.casefold() not in [ref.casefold() for ref in refs]:
        close = nearest(chip, refs)
        raise InputError(
            "no such chip in the board's address map",
            key="chip",
            found=chip,
            expected=", ".join(refs) or "a board file with chips",
            advice=f"did you mean {close}?" if close else None,
        )
    missing = no_cycles(reading)
    if missing is None and not refs:
        missing = "no board file and no ROM image say what should be read"
    shown: _Errors | None = None
    if missing is None:
        shown, missing = _choose(evidence or gather(reading), chip)
    if shown is None:
        compose = cannot_show(
            reading,
            TITLE,
            missing or "",
            "Give the board file, with the ROM's image in it, or the image alone with its address. "
            "A RAM is judged by what was written to it, so it needs writes that are read back.",
        )
    else:
        known = shown

        def compose(points: float) -> Plate:
            return _Picture(reading, known, points).plate()

    return hang(compose, ax=ax, width=width, title=title, print_safe=print_safe)


@dataclass(frozen=True, slots=True, eq=False)
class _Errors:
    """What one chip answered, by its own address.

    Attributes
    ----------
    ref, role : str
    size : int
    reads : int64, shape (size, 8)
        Reads of each bit of which the right level is known.
    low, high : int64, shape (size, 8)
        How many of them were wrongly low, wrongly high.
    """

    ref: str
    role: str
    size: int
    reads: Bits
    low: Bits
    high: Bits

    @property
    def wrong(self) -> Bits:
        return self.low + self.high

    @property
    def bytes_read(self) -> npt.NDArray[np.bool_]:
        return np.asarray((self.reads > 0).any(axis=1), dtype=np.bool_)

    @property
    def bytes_wrong(self) -> npt.NDArray[np.bool_]:
        return np.asarray((self.wrong > 0).any(axis=1), dtype=np.bool_)


def _choose(evidence: Evidence, chip: str | None) -> tuple[_Errors | None, str | None]:
    board = evidence.reading.board
    if chip is not None:
        ref = board.chip(chip).ref
        found = _errors(evidence, ref)
        if found.reads.any():
            return found, None
        role = board.chip(ref).role
        why = {
            "rom": "it was not read, or the board file has no image of it",
            "ram": "nothing that the capture shows being written to it was read back",
        }
        told = why.get(role, "it is no memory, so nothing is known of what it should answer")
        return None, f"of {ref} no read can be judged: {told}"
    memories = [ref for ref in board.map.chips if board.chip(ref).role in ("rom", "ram")]
    all_found = [_errors(evidence, ref) for ref in memories]
    judged = [found for found in all_found if found.reads.any()]
    if not judged:
        return None, "no read of a memory can be judged by an image or by what was written before"
    return max(judged, key=lambda e: (int((e.wrong > 0).sum()), int(e.reads.sum()))), None


def _errors(evidence: Evidence, ref: str) -> _Errors:
    replay, healthy = evidence.replay, evidence.replay.healthy
    at = replay.chips.index(ref)
    size = replay.sizes[at]
    mine = (healthy.drivers == np.uint32(1 << at)) & (replay.read == 1) & evidence.owned
    cell = replay.offsets(at, mine).astype(np.int64)
    known = healthy.expected_known[mine] & replay.data_known[mine]
    wrong = wrong_bits(evidence)[mine]
    data = replay.data[mine]
    columns: list[list[Bits]] = [[], [], []]
    for bit in range(8):
        one = np.uint8(1 << bit)
        for found, hit in zip(
            columns,
            (known & one != 0, wrong & one & ~data != 0, wrong & one & data != 0),
            strict=True,
        ):
            found.append(np.bincount(cell[hit], minlength=size).astype(np.int64))
    reads, low, high = (np.stack(found, axis=1) for found in columns)
    return _Errors(ref, evidence.reading.board.chip(ref).role, size, reads, low, high)


class _Picture:
    """Eight maps and the bars of the address lines, laid out for a width."""

    def __init__(self, reading: Reading, errors: _Errors, width: float) -> None:
        self._reading, self._errors, self._width = reading, errors, width
        self._bits = max((errors.size - 1).bit_length(), 1)
        cells = np.flatnonzero(errors.bytes_read)
        self._across = next(
            (w for w in _ACROSS if len(np.unique(cells // w)) <= _MOST_DOWN), _ACROSS[-1]
        )
        self._lines = np.unique(cells // self._across)
        self._fold = -(-len(self._lines) // _MOST_DOWN)
        self._down = -(-len(self._lines) // self._fold)
        room = (width - _LEFT - 8 - 3 * _PANEL_GAP) / 4
        self._wide = room
        self._cell = room / self._across
        self._row = min(max(self._cell, _LOWEST), _HIGHEST)
        self._tall = self._row * self._down
        self._bars = wrap(
            "Share of the bytes read that are wrong, where each of the chip's address lines is 0 "
            "(left bar) and 1 (right bar); no bar where too few were read.",
            width - _LEFT - 28,
            6.8,
        )
        square = "one byte" if self._fold == 1 else f"{self._fold} bytes"
        self._meaning = wrap(
            f"A square is {square}, a row {self._across} of them. Rows that were not read at all "
            "are left out, with a line between those that do not follow each other.",
            width - _LEFT - 28,
            SMALL,
        )

    def plate(self) -> Plate:
        """The picture, not drawn yet."""
        errors = self._errors
        wrong = errors.bytes_wrong
        read = errors.bytes_read
        chip = self._reading.board.chip(errors.ref)
        facts = [
            *capture_facts(self._reading),
            f"{errors.ref}, {chip.part}, {errors.role}",
            f"{int(read.sum()):,} of {errors.size:,} bytes judged, {int(wrong.sum()):,} wrong",
        ]
        if errors.role == "rom" and chip.images:
            facts.append(f"against {chip.images[0].name}")
        named = self._named(wrong)
        bars = int(wrong.sum()) >= _LEAST_WRONG and int(read.sum()) >= 2 * _LEAST_READ
        panel = _PANEL_HEAD + self._tall + _PANEL_FOOT
        height = 2 * panel + 37 + LINE * len(self._meaning)
        height += (_BAR_HEIGHT + 40 + LINE * (len(self._bars) - 1) if bars else 0) + (
            10 * len(named) + 4 if named else 0
        )

        def paint(sheet: Sheet, top: float) -> None:
            y = top + 6
            for at, bit in enumerate(reversed(range(8))):
                x = _LEFT + at % 4 * (self._wide + _PANEL_GAP)
                self._draw_panel(sheet, bit, x, y + at // 4 * panel)
            y += 2 * panel + 4
            self._draw_key(sheet, y)
            y += 23 + LINE * len(self._meaning)
            if bars:
                y += LINE * (len(self._bars) - 1)
                self._draw_address_lines(sheet, y)
                y += _BAR_HEIGHT + 40
            for text in named:
                sheet.text(_LEFT, y, text, size=6.8, mono=True, ha="left")
                y += 10

        verb = "gave" if errors.role == "rom" else "gave back"
        return Plate(
            f"{errors.ref}, bit by bit: what it {verb}", tuple(facts), height, paint, _FOOT
        )

    def _named(self, wrong: npt.NDArray[np.bool_]) -> list[str]:
        """Wrong bytes in words, where they are few enough to name."""
        cells = np.flatnonzero(wrong)
        if not len(cells):
            return []
        lines = []
        for cell in cells[:_MOST_NAMED].tolist():
            parts = [
                f"D{bit} {'low' if self._errors.low[cell, bit] else 'high'} in "
                f"{int(self._errors.wrong[cell, bit]):,} of {int(self._errors.reads[cell, bit]):,}"
                for bit in reversed(range(8))
                if self._errors.wrong[cell, bit]
            ]
            lines.append(
                f"${cell:04X} in the chip: {', '.join(parts[:3])}"
                + (
                    f" and {len(parts) - 3} more bit{'s' if len(parts) > 4 else ''}"
                    if len(parts) > 3
                    else ""
                )
            )
        if len(cells) > _MOST_NAMED:
            lines.append(f"and {len(cells) - _MOST_NAMED:,} more bytes")
        return lines

    def _folded(self, column: Bits) -> Bits:
        """Squares of a panel: the sum over their bytes, int64, shape (down, across)."""
        whole = np.zeros((-(-self._errors.size // self._across), self._across), dtype=np.int64)
        whole.ravel()[: len(column)] = column
        rows = np.zeros((self._down * self._fold, self._across), dtype=np.int64)
        rows[: len(self._lines)] = whole[self._lines]
        folded: Bits = rows.reshape(self._down, self._fold, self._across).sum(axis=1)
        return folded

    def _draw_panel(self, sheet: Sheet, bit: int, x: float, y: float) -> None:
        look, errors = sheet.look, self._errors
        reads = self._folded(errors.reads[:, bit])
        low, high = self._folded(errors.low[:, bit]), self._folded(errors.high[:, bit])
        end = x + self._wide
        top, bottom = y + _PANEL_HEAD, y + _PANEL_HEAD + self._tall
        sheet.text(x, y + 7, f"D{bit}", size=8.0, mono=True, weight="bold", ha="left")
        told = _count_text(errors, bit)
        sheet.text(end, y + 7, told, size=6.2, mono=True, ha="right", color=look.quiet)
        sheet.boxes([(x, end)], top, bottom, face=look.card, edge=look.quiet, width=0.6, z=1.5)
        right = np.where((reads > 0) & (low + high == 0), _RIGHT, np.nan)
        sheet.strip(right, top, bottom, span=(x, end))
        for counts, upper in ((low, False), (high, True)):
            squares = [
                _mark(x + c * self._cell, top + r * self._row, self._cell, self._row, upper=upper)
                for r, c in np.argwhere(counts > 0).tolist()
            ]
            sheet.shapes(squares, face=look.fault, edge=look.ink, width=0.4, z=3.0)
        firsts = self._lines[:: self._fold]
        breaks = np.flatnonzero(np.diff(firsts) != self._fold) + 1
        sheet.lines(
            [[(x, top + r * self._row), (end, top + r * self._row)] for r in breaks.tolist()],
            color=look.quiet,
            width=0.5,
        )
        if x > _LEFT:
            return
        free = top - 6.0
        for row in [0, *breaks.tolist()]:
            at = top + (row + 0.5) * self._row
            if at - free < 6.0:
                continue
            text = f"${int(firsts[row]) * self._across:04X}"
            sheet.text(x - 4, at, text, size=5.8, mono=True, ha="right", color=look.quiet)
            free = at

    def _draw_key(self, sheet: Sheet, y: float) -> None:
        look = sheet.look
        x = _LEFT
        for text in (
            "right in every read",
            "low, should be high",
            "high, should be low",
            "not read",
        ):
            sheet.boxes([(x, x + 9)], y - 4.5, y + 4.5, face="none", edge=look.quiet, width=0.6)
            if text.startswith("right"):
                sheet.strip(np.array([[_RIGHT]]), y - 4.5, y + 4.5, span=(x, x + 9))
            elif text != "not read":
                mark = _mark(x, y - 4.5, 9, 9, upper=text.startswith("high"))
                sheet.shapes([mark], face=look.fault, z=5)
            sheet.text(x + 13, y, text, size=SMALL, ha="left", color=look.quiet, style="italic")
            x += 34 + 3.6 * len(text)
        paragraph(sheet, _LEFT, y + 13, self._meaning, size=SMALL, color=look.quiet)

    def _draw_address_lines(self, sheet: Sheet, top: float) -> None:
        """Bars: share of wrong bytes where an address line is 0, and where it is 1."""
        look, errors = sheet.look, self._errors
        read, wrong = errors.bytes_read, errors.bytes_wrong
        cells = np.arange(errors.size)
        paragraph(sheet, _LEFT, top + 4 - LINE * (len(self._bars) - 1), self._bars, size=6.8)
        base = top + 14 + _BAR_HEIGHT
        pitch = min((self._width - _LEFT - 8) / self._bits, 40.0)
        bars: dict[int, list[list[tuple[float, float]]]] = {0: [], 1: []}
        for line in range(self._bits):
            x = _LEFT + line * pitch
            for level in (0, 1):
                side = (cells >> line & 1 == level) & read
                if np.count_nonzero(side) < _LEAST_READ:
                    continue
                share = np.count_nonzero(wrong & side) / np.count_nonzero(side)
                a = x + 2 + level * (pitch - 8) / 2
                b = a + (pitch - 8) / 2 - 1
                high = max(share * _BAR_HEIGHT, 0.5)
                bars[level].append([(a, base), (b, base), (b, base - high), (a, base - high)])
            sheet.text(x + pitch / 2 - 2, base + 7, f"A{line}", size=6.4, mono=True)
        sheet.shapes(bars[0], face=look.card, edge=look.ink)
        sheet.shapes(bars[1], face=look.ink, edge=look.ink)
        end = _LEFT + self._bits * pitch
        sheet.lines([[(_LEFT, base), (end, base)]], color=look.ink, width=0.8)
        for part in (0.5, 1.0):
            y = base - part * _BAR_HEIGHT
            sheet.lines([[(_LEFT, y), (end, y)]], color=look.faint, width=0.5, z=1.0)
            sheet.text(
                _LEFT - 4, y, f"{part:.0%}", size=5.8, mono=True, ha="right", color=look.quiet
            )


def _mark(
    x: float, y: float, wide: float, tall: float, *, upper: bool
) -> list[tuple[float, float]]:
    """Lower left half of a square for wrongly low, upper right half for wrongly high."""
    if upper:
        return [(x, y), (x + wide, y), (x + wide, y + tall)]
    return [(x, y), (x + wide, y + tall), (x, y + tall)]


def _count_text(errors: _Errors, bit: int) -> str:
    wrong = int((errors.wrong[:, bit] > 0).sum())
    read = int((errors.reads[:, bit] > 0).sum())
    if not read:
        return "not read"
    return f"{wrong:,} of {read:,} wrong" if wrong else f"all {read:,} right"
