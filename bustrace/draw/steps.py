"""The lane of instructions: one card each, or stretches of code where they are too many."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bustrace.cpu import instruction_text, opcode_info
from bustrace.draw.bins import runs
from bustrace.draw.lanes import View
from bustrace.draw.sheet import PS_PER_US, SMALLEST
from bustrace.program.model import Kind

_KIND_NAMES = {
    Kind.RESET: "reset",
    Kind.IRQ: "IRQ",
    Kind.NMI: "NMI",
    Kind.BRK: "BRK",
    Kind.FOREIGN: "other owner",
    Kind.STALLED: "stopped",
    Kind.LOST: "thread lost",
}
_HATCHED = {Kind.FOREIGN: "....", Kind.STALLED: "----", Kind.LOST: "////", Kind.RESET: "\\\\\\"}
_NARROWEST = 6.0
"""Points of the narrowest stretch that is drawn for itself."""
_POINTS_A_MNEMONIC = 8.0
"""Room for an upright mnemonic."""


def draw_program(view: View, top: float, bottom: float) -> None:
    """Draw the instruction lane, or say why there is none."""
    program = view.reading.program
    sheet = view.sheet
    if len(program) == 0 or program.method == "none":
        sheet.rule((top + bottom) / 2)
        sheet.text(
            (sheet.left_us + sheet.right_us) / 2,
            (top + bottom) / 2,
            f"no instructions: {program.reason or 'the capture does not tell'}",
            size=7.0,
            style="italic",
            color=sheet.look.quiet,
            ground=True,
        )
        return
    first = max(int(np.searchsorted(program.first_cycle, view.window.first, side="right")) - 1, 0)
    last = int(np.searchsorted(program.first_cycle, view.window.last, side="right"))
    crowded = (last - first) * _POINTS_A_MNEMONIC > sheet.plot_width
    if view.detail == "columns" and crowded:
        _draw_stretches(view, first, last, top, bottom)
    else:
        _draw_instructions(view, first, last, top, bottom)


def _span(view: View, row: int) -> tuple[float, float]:
    """Time of a row in µs, cut to the window."""
    program, window = view.reading.program, view.window
    begin = max(int(program.first_cycle[row]), window.first)
    end = min(int(program.first_cycle[row] + program.length[row]) - 1, window.last)
    return (
        int(view.all_starts_ps[begin]) / PS_PER_US,
        int(view.reading.cycles.time_ps[end]) / PS_PER_US,
    )


def _draw_instructions(view: View, first: int, last: int, top: float, bottom: float) -> None:
    program, sheet, look = view.reading.program, view.sheet, view.sheet.look
    point = sheet.us_per_point
    plain: list[tuple[float, float]] = []
    doubtful: list[tuple[float, float]] = []
    hatched: dict[Kind, list[tuple[float, float]]] = {}
    for row in range(first, last):
        begin, end = _span(view, row)
        left, right = begin + 0.75 * point, end - 0.75 * point
        wide = (right - left) / point
        kind = Kind(int(program.kind[row]))
        middle = (left + right) / 2
        if kind is Kind.INSTRUCTION:
            (plain if program.confidence[row] >= 0.995 else doubtful).append((left, right))
            _write_instruction(view, row, middle, wide, top, bottom)
            continue
        hatched.setdefault(kind, []).append((left, right))
        name = _KIND_NAMES[kind]
        size = next((s for s in (7.5, 6.5, SMALLEST) if sheet.fits(name, wide, s)), 0.0)
        if size:
            sheet.text(
                middle, (top + bottom) / 2, name, size=size, style="italic", mono=True, ground=True
            )
    sheet.boxes(plain, top, bottom, face=look.card, edge=look.ink)
    sheet.boxes(doubtful, top, bottom, face=look.card, edge=look.ink, style="dashed")
    for kind, spans in hatched.items():
        sheet.boxes(spans, top, bottom, face=look.shade, edge=look.quiet, hatch=_HATCHED.get(kind))


def _write_instruction(
    view: View, row: int, x: float, wide: float, top: float, bottom: float
) -> None:
    sheet, program = view.sheet, view.reading.program
    text = row_text(view, row)
    mnemonic, _, operand = text.partition(" ")
    place = f"${int(program.pc[row]):04X}" if program.pc[row] >= 0 else ""
    high, low = top + 7.2, bottom - 6.6
    for size in (8.0, 7.0, 6.2):
        if sheet.fits(text, wide, size, 4.0):
            middle = (top + bottom) / 2
            small = min(size - 1.4, 6.0)
            under = place if sheet.fits(place, wide, small) else ""
            sheet.text(x, high if under else middle, text, size=size, mono=True, weight="bold")
            if under:
                sheet.text(x, low, under, size=small, mono=True, color=sheet.look.quiet)
            return
    for size in (7.0, 6.2, SMALLEST):
        if sheet.fits(max(mnemonic, operand, key=len), wide, size, 4.0):
            sheet.text(x, high, mnemonic, size=size, mono=True, weight="bold")
            sheet.text(x, low, operand, size=size, mono=True)
            return
    for size in (6.2, SMALLEST):
        if sheet.fits(mnemonic, wide, size):
            sheet.text(x, (top + bottom) / 2, mnemonic, size=size, mono=True, weight="bold")
            return
    if wide < SMALLEST:
        return
    sheet.text(
        x,
        (top + bottom) / 2,
        mnemonic,
        size=SMALLEST,
        mono=True,
        weight="bold",
        rotation=90.0,
        va="center",
    )


def row_text(view: View, row: int) -> str:
    """Mnemonic and operand of a row, from the bytes the CPU read in it; ``?`` where unknown."""
    program, variant = view.reading.program, view.reading.board.cpu.variant
    opcode, pc = int(program.opcode[row]), int(program.pc[row])
    if opcode < 0:
        return "?"
    info = opcode_info(variant, opcode)
    # The second byte is read in the second cycle, the third in the third; a call reads it last.
    places = (1, 5 if info.mode == "call" else 2)[: info.length - 1]
    operands = [_byte(view, row, place) for place in places]
    if info.mode == "rel" and pc < 0:
        operands = [None]
    return instruction_text(variant, opcode, operands, max(pc, 0))


def _byte(view: View, row: int, place: int) -> int | None:
    program, cycles = view.reading.program, view.reading.cycles
    if place >= program.length[row]:
        return None
    cycle = int(program.first_cycle[row]) + place
    return int(cycles.data[cycle]) if cycles.data_known[cycle] == 0xFF else None


@dataclass(frozen=True, slots=True)
class Stretch:
    """Neighbouring columns in which the CPU kept to one place.

    Attributes
    ----------
    first, end : int
        Columns.
    low, high : int
        First and last address of an instruction; -1 where there are none.
    executed, distinct : int
        Instructions, and how many addresses they came from.
    kind : str
        ``code``, ``loop``, ``various``, or the name of what was there instead of code.
    """

    first: int
    end: int
    low: int
    high: int
    executed: int
    distinct: int
    kind: str

    @property
    def label(self) -> str:
        """Text for the card."""
        if self.low < 0:
            return self.kind
        word = "" if self.kind == "code" else f"{self.kind} "
        return f"{word}${self.low:04X}–${self.high:04X}"


def _draw_stretches(view: View, first: int, last: int, top: float, bottom: float) -> None:
    sheet, look = view.sheet, view.sheet.look
    edges = sheet.edges_ps / PS_PER_US
    point = sheet.us_per_point
    groups: dict[str, list[tuple[float, float]]] = {}
    for stretch in find_stretches(view, first, last):
        left, right = float(edges[stretch.first]), float(edges[stretch.end])
        groups.setdefault(stretch.kind, []).append((left, right))
        wide = (right - left) / point
        text, middle = stretch.label, (left + right) / 2
        if sheet.fits(text, wide, 6.2):
            sheet.text(
                middle, (top + bottom) / 2, text, size=6.2, mono=True, ground=stretch.kind != "code"
            )
            continue
        parts = text.replace(" ", "\n").replace("–", "–\n").split("\n")
        if len(parts) == 3:
            parts = [parts[0], parts[1] + parts[2]]
        widest = max(parts, key=len)
        if len(parts) == 2 and sheet.fits(widest, wide, SMALLEST):
            for y, part in zip((top + 5.8, bottom - 5.8), parts, strict=True):
                sheet.text(middle, y, part, size=SMALLEST, mono=True, ground=stretch.kind != "code")
    hatch = {"various": "....", "thread lost": "////", "reset": "\\\\\\"}
    for kind, spans in groups.items():
        face = look.card if kind == "code" else look.shade
        edge = look.ink if kind in ("code", "loop") else look.quiet
        sheet.boxes(
            spans,
            top,
            bottom,
            face=face,
            edge=edge,
            hatch=hatch.get(kind),
            width=1.1 if kind == "loop" else 0.6,
        )


def find_stretches(view: View, first: int, last: int) -> list[Stretch]:
    """Fold rows `first` to `last` - 1 into stretches of columns.

    Each column is named by the page of 256 bytes from which most of its instructions came, or by
    what filled most of its cycles; equal neighbours join. Stretches too narrow to see are joined
    into one of kind ``various``.
    """
    program, sheet = view.reading.program, view.sheet
    edges = sheet.edges_ps
    columns = len(edges) - 1
    begin = np.clip(program.first_cycle[first:last], view.window.first, view.window.last)
    start = view.all_starts_ps[begin]
    column = np.clip(np.searchsorted(edges, start, side="right") - 1, 0, columns - 1)
    pc = program.pc[first:last].astype(np.int64)
    kind = program.kind[first:last].astype(np.int64)
    code = ((kind == Kind.INSTRUCTION) | (kind == Kind.BRK)) & (pc >= 0)
    # Interrupts are short and belong to the code around them; the rest is named by its kind.
    name = np.where(code, pc >> 8, 0x100 + kind)
    dominant = _most_frequent(name, column, program.length[first:last], columns)
    dominant[edges[:-1] >= int(view.ends_ps[-1])] = -1
    narrowest = _NARROWEST * columns / sheet.plot_width
    stretches: list[Stretch] = []
    narrow: list[tuple[int, int]] = []

    def close_narrow() -> None:
        if narrow:
            stretches.append(_stretch(narrow[0][0], narrow[-1][1], column, pc, code, "various"))
            narrow.clear()

    for a, b, value in runs(dominant):
        if value < 0:
            close_narrow()
        elif b - a < narrowest:
            narrow.append((a, b))
        elif value >= 0x100:
            close_narrow()
            text = _KIND_NAMES.get(Kind(value - 0x100), "code")
            stretches.append(Stretch(a, b, -1, -1, 0, 0, text))
        else:
            close_narrow()
            here = code & (name == value)
            stretches.append(_stretch(a, b, column, pc, here, "code"))
    close_narrow()
    return stretches


def _most_frequent(
    name: npt.NDArray[np.int64],
    column: npt.NDArray[np.intp],
    weight: npt.NDArray[np.int32],
    columns: int,
) -> npt.NDArray[np.int64]:
    """Name with the most cycles in each column; an empty column continues the one before."""
    names = 0x100 + len(Kind)
    pair, where = np.unique(column * names + name, return_inverse=True)
    total = np.bincount(where, weights=weight)
    order = np.lexsort((total, pair // names))
    result = np.full(columns, -1, dtype=np.int64)
    # Within a column the heaviest comes last, and the last assignment wins.
    result[pair[order] // names] = pair[order] % names
    filled = np.flatnonzero(result >= 0)
    if len(filled) == 0:
        return result
    source = np.searchsorted(filled, np.arange(columns), side="right") - 1
    return np.where(source >= 0, result[filled[np.maximum(source, 0)]], -1)


def _stretch(
    first: int,
    end: int,
    column: npt.NDArray[np.intp],
    pc: npt.NDArray[np.int64],
    code: npt.NDArray[np.bool_],
    kind: str,
) -> Stretch:
    low, high = np.searchsorted(column, [first, end], side="left")
    places = pc[low:high][code[low:high]]
    if len(places) == 0:
        return Stretch(first, end, -1, -1, 0, 0, kind)
    distinct = len(np.unique(places))
    # Each place executed eight times on average: nothing but a loop does that.
    if kind == "code" and len(places) >= 8 * distinct:
        kind = "loop"
    return Stretch(first, end, int(places.min()), int(places.max()), len(places), distinct, kind)
