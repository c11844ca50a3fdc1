"""The address map: who answers where, with what the program touched."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from bustrace.board import READ, WRITE
from bustrace.draw.answering import answering_in, banks_met
from bustrace.draw.bins import runs
from bustrace.draw.plate import SMALL, Plate, cannot_show, capture_facts, hang, no_cycles
from bustrace.draw.sheet import MARGIN, Sheet, wrap
from bustrace.draw.touched import CODE, READS, WRITES, Touched, touched
from bustrace.units import numbered_runs

if TYPE_CHECKING:
    from bustrace.reading import Reading

TITLE = "Who answers where, and what was touched"
_ROWS = 16
_ROW_BYTES = 0x1000
_COLUMN_BYTES = 16
_COLUMNS = _ROW_BYTES // _COLUMN_BYTES
_OWNER = 10.0
_TRACK = 6.0
_GAP = 5.0
_TABLE = 10.0
_NAMES = (("code", CODE), ("read", READS), ("written", WRITES))
_LEFT = 62.0
_LEAST = 1.6
"""Points of the smallest range that is still seen."""
_FOOT = (
    "Each row is 4 KB, $000 to $FFF from left to right; a mark stands for 16 bytes, darker where "
    "they were touched more often. Addresses are those at the clips, or what the CPU "
    "meant where a line was not clipped or has no pin; reset left out. What was not "
    "touched was not tried: that says nothing of the chip.",
)

Owners = npt.NDArray[np.int64]


def draw_address_map(
    reading: Reading,
    *,
    ax: Axes | None = None,
    width: float = 11.0,
    title: str | None = None,
    print_safe: bool = False,
) -> Figure | Axes:
    """Draw the 64 KB of addresses with the chips of the board file and the CPU's accesses.

    Parameters
    ----------
    reading : Reading
    ax, width, title, print_safe
        As in `draw_bus_cycle`.

    Returns
    -------
    Axes or Figure
        `ax` where it was given. Without a board file the accesses are shown alone; without an
        address to show, the picture says why.
    """
    seen = touched(reading) if len(reading.cycles) else None
    mapped = bool(reading.board.map.chips)
    if not mapped and (seen is None or not len(seen.address)):
        compose = cannot_show(
            reading,
            TITLE,
            no_cycles(reading)
            or "no cycle's address is known whole, and no board file says who answers where",
            "Clip phase 2, R/W and all sixteen address lines, or give the board file.",
        )
    else:

        def compose(points: float) -> Plate:
            return _compose(reading, seen, points)

    return hang(compose, ax=ax, width=width, title=title, print_safe=print_safe)


def _compose(reading: Reading, seen: Touched | None, points: float) -> Plate:
    facts = list(capture_facts(reading))
    if reading.board.source:
        facts.append(reading.board.name)
    if seen is None:
        facts.append("no cycles: the board file alone")
    elif seen.left_out:
        facts.append(f"{seen.left_out:,} cycles with an unknown address left out")
    if reading.board.state_bits:
        facts.append(_banks_shown(reading))
    if not reading.board.map.chips:
        facts.append("no board file: nobody is known to answer")
    table = _table(reading, seen)
    rows = _rows(reading, seen)
    height = 26 + sum(row.height for row in rows) + 16
    height += 24 + _TABLE * len(table) if table else 0

    def paint(sheet: Sheet, top: float) -> None:
        y = top + 14
        for row in rows:
            _draw_row(sheet, reading, row, y, points - MARGIN)
            y += row.height
        _draw_key(sheet, y + 8)
        if table:
            _draw_table(sheet, table, y + 28, points)

    return Plate(TITLE, tuple(facts), height, paint, _FOOT)


def _banks_shown(reading: Reading) -> str:
    """Which bank the map shows, and that the accesses are counted in theirs."""
    board = reading.board
    others = [state for state in banks_met(reading) if state != board.reset_state]
    text = f"the map is that with {board.state_words(board.reset_state)}"
    if not others:
        return text
    met = "; ".join(board.state_words(state) for state in others[:2])
    more = f" and {len(others) - 2} more" if len(others) > 2 else ""
    return f"{text}; met too: {met}{more}, and counted there"


@dataclass(frozen=True, slots=True, eq=False)
class _Row:
    """4 KB: who answers, which bytes are mirrors, and a track for each kind of access there is."""

    base: int
    owner: Owners
    mirrored: npt.NDArray[np.bool_]
    tracks: tuple[tuple[str, npt.NDArray[np.float64]], ...]

    @property
    def height(self) -> float:
        return _OWNER + _TRACK * len(self.tracks) + _GAP


def _rows(reading: Reading, seen: Touched | None) -> list[_Row]:
    """All rows, the highest addresses first."""
    owner, mirrored = owners(reading), _mirrors(reading)
    dark = {}
    for name, kind in _NAMES if seen is not None else ():
        count = seen.counts(kind) if seen is not None else np.zeros(0x10000)
        marks = count.reshape(-1, _COLUMN_BYTES).sum(axis=1)
        tone = 0.45 + 0.55 * np.log1p(marks) / max(float(np.log1p(marks.max())), 1.0)
        dark[name] = np.where(marks > 0, tone, np.nan)
    rows = []
    for row in reversed(range(_ROWS)):
        part = slice(row * _COLUMNS, (row + 1) * _COLUMNS)
        tracks = tuple((n, d[part]) for n, d in dark.items() if np.isfinite(d[part]).any())
        span = slice(row * _ROW_BYTES, (row + 1) * _ROW_BYTES)
        rows.append(_Row(row * _ROW_BYTES, owner[span], mirrored[span], tracks))
    return rows


def owners(reading: Reading) -> Owners:
    """Who answers at each address, as one number: equal where the same chips do the same.

    -1 where nothing is said, 0 where nobody answers. int64, shape (65536,).
    """
    table = reading.board.map
    both = table.responds[READ].astype(np.int64) << 32 | table.responds[WRITE].astype(np.int64)
    return np.where(table.described, both, -1)


def owner_text(reading: Reading, owner: int) -> str:
    """Chips of one number of `owners`; ``r`` or ``w`` where one direction alone is answered."""
    if owner < 0:
        return ""
    readers, takers = owner >> 32, owner & 0xFFFFFFFF
    names: dict[str, list[str]] = {}
    for bit, ref in enumerate(reading.board.map.chips):
        r, w = readers >> bit & 1, takers >> bit & 1
        role = reading.board.chip(ref).role
        if r or w:
            note = "" if r and w else " (reads)" if r and role != "rom" else ""
            names.setdefault(" (writes)" if w and not r else note, []).append(ref)
    return " + ".join(numbered_runs(refs).replace(", ", " + ") + n for n, refs in names.items())


def _mirrors(reading: Reading) -> npt.NDArray[np.bool_]:
    """Addresses at which every chip that answers repeats a lower one: bool, shape (65536,)."""
    table = reading.board.map
    answered = np.zeros(0x10000, dtype=np.bool_)
    fresh = np.zeros(0x10000, dtype=np.bool_)
    for offsets in table.offsets:
        here = np.flatnonzero(offsets >= 0)
        answered[here] = True
        _, first = np.unique(offsets[here], return_index=True)
        fresh[here[first]] = True
    return answered & ~fresh


def _draw_row(sheet: Sheet, reading: Reading, row: _Row, y: float, right: float) -> None:
    look = sheet.look
    wide = right - _LEFT
    sheet.text(_LEFT - 6, y + _OWNER / 2, f"${row.base:04X}", size=7.0, mono=True, ha="right")
    groups: dict[str, list[tuple[float, float]]] = {"own": [], "mirror": [], "gap": [], "not": []}
    for a, b, both in runs(row.owner * 2 + row.mirrored):
        number, again = both >> 1, bool(both & 1)
        left, end = _LEFT + a / _ROW_BYTES * wide, _LEFT + b / _ROW_BYTES * wide
        kind = "not" if number < 0 else "gap" if number == 0 else "mirror" if again else "own"
        # A single byte is seen too.
        groups[kind].append((left, max(end, left + (_LEAST if kind == "own" else 0.0))))
        text = owner_text(reading, number) + (" again" if kind == "mirror" else "")
        if kind in ("own", "mirror") and sheet.fits(text, end - left, 6.4, 4.0):
            sheet.text(
                (left + end) / 2,
                y + _OWNER / 2,
                text,
                size=6.4,
                mono=True,
                weight="bold" if kind == "own" else "normal",
                color=look.ink if kind == "own" else look.quiet,
            )
    low = y + _OWNER
    sheet.boxes(groups["own"], y, low, face=look.card, edge=look.ink, z=4.2)
    sheet.boxes(groups["mirror"], y, low, face=look.shade, edge=look.quiet, width=0.5)
    sheet.boxes(groups["gap"], y, low, face="none", edge=look.faint, width=0.5)
    sheet.boxes(groups["not"], y, low, face="none", edge=look.faint, hatch="....", width=0.4)
    for name, dark in row.tracks:
        sheet.strip(dark[np.newaxis, :], low + 0.8, low + _TRACK - 0.4, span=(_LEFT, right))
        low += _TRACK
        sheet.lines([[(_LEFT, low), (right, low)]], color=look.faint, width=0.4)
        sheet.text(right + 4, low - _TRACK / 2, name, size=5.8, ha="left", color=look.quiet)


def _draw_key(sheet: Sheet, y: float) -> None:
    look = sheet.look
    x = _LEFT
    for text, face, edge, hatch in (
        ("answers", look.card, look.ink, None),
        ("the same bytes again (mirror)", look.shade, look.quiet, None),
        ("nobody answers", "none", look.faint, None),
        ("the board file says nothing", "none", look.faint, "...."),
    ):
        sheet.boxes([(x, x + 16)], y - 4, y + 4, face=face, edge=edge, hatch=hatch)
        sheet.text(x + 20, y, text, size=SMALL, ha="left", color=look.quiet, style="italic")
        x += 34 + len(text) * 3.6


def _table(reading: Reading, seen: Touched | None) -> list[tuple[str, ...]]:
    """One line a chip: what it is, and how much of it was touched, each access in its bank."""
    rows = []
    board, table = reading.board, reading.board.map
    found = None
    if seen is not None:
        rw = (seen.kind != WRITES).astype(np.uint8)
        found = answering_in(reading, seen.cycle, seen.address.astype(np.uint32), rw)
    for at, ref in enumerate(table.chips):
        chip = board.chip(ref)
        cells = [ref, chip.part, chip.role]
        if seen is None or found is None:
            cells += ["", "", "", ""]
        else:
            mine = found.by(at)
            inner = _inner(reading, at, seen.address[mine], found.state[mine])
            cells += [f"{int((seen.kind[mine] == kind).sum()):,}" for kind in (CODE, READS, WRITES)]
            cells.append(f"{len(np.unique(inner)):,} of {int(chip.size or 0):,}")
        rows.append(tuple(cells))
    if seen is not None and found is not None and table.chips:
        nobody = found.by_nobody & table.described[seen.address]
        for name, mine in (("nobody", nobody), ("bank not known", found.open)):
            if name != "nobody" and not mine.any():
                continue
            counts = [int((mine & (seen.kind == kind)).sum()) for kind in (CODE, READS, WRITES)]
            touched_at = f"{len(np.unique(seen.address[mine])):,} addresses"
            rows.append((name, "", "", *(f"{count:,}" for count in counts), touched_at))
    return rows


def _inner(
    reading: Reading, chip: int, address: Owners, state: npt.NDArray[np.uint16]
) -> npt.NDArray[np.int32]:
    """Address within a chip of each access, in its bank."""
    inner = np.empty(len(address), dtype=np.int32)
    for number in np.unique(state).tolist():
        rows = state == number
        inner[rows] = reading.board.maps[number].inner[chip, address[rows]]
    return inner


def _draw_table(sheet: Sheet, rows: list[tuple[str, ...]], top: float, points: float) -> None:
    look = sheet.look
    wide = points - 8
    at = [4 + share * wide for share in (0.0, 0.12, 0.26, 0.36, 0.48, 0.60, 0.74)]
    ends = (False, False, False, True, True, True, False)
    heads = ("chip", "part", "", "code", "reads", "writes", "bytes touched")
    for x, text, end in zip(at, heads, ends, strict=True):
        sheet.text(
            x + (36 if end else 0),
            top,
            text,
            size=6.8,
            ha="right" if end else "left",
            style="italic",
            color=look.quiet,
        )
    sheet.lines([[(4, top + 6), (4 + wide, top + 6)]], color=look.ink, width=0.7)
    y = top + 13
    for row in rows:
        for x, text, end in zip(at, row, ends, strict=True):
            short = wrap(text, wide * 0.13, 6.8)[0] if x == at[1] and text else text
            sheet.text(
                x + (36 if end else 0),
                y,
                short,
                size=6.8,
                ha="right" if end else "left",
                mono=True,
                weight="bold" if x == at[0] else "normal",
            )
        y += _TABLE
