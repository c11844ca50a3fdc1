"""The boot as address against time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from bustrace.draw.answering import banks_met, responds_met, short_list
from bustrace.draw.bins import density, mean_by_column, spread_cycles
from bustrace.draw.lanes import View
from bustrace.draw.marks import FLAG_HEIGHT, draw_derail
from bustrace.draw.plate import Plate, cannot_show, capture_facts, hang, no_cycles, time_text
from bustrace.draw.rulers import draw_cycle_ruler, draw_time_ruler, shade_gaps, shade_reset
from bustrace.draw.sheet import PS_PER_US, Sheet, useful_columns
from bustrace.draw.steps import draw_program
from bustrace.draw.touched import touched
from bustrace.draw.window import Window, choose_window, vector_fetch
from bustrace.program import Kind

if TYPE_CHECKING:
    from bustrace.diagnosis.model import Diagnosis
    from bustrace.reading import Reading

TITLE = "The boot: address against time"
_RULER = 18.0
_PROGRAM = 22.0
_BANDS = 290.0
_LOWEST = 15.0
"""Points of the smallest band."""
_BREAK = 5.0
_MOST_BANDS = 12
_ROW = 1.6
_LANE = 9.0
_PAGE = 8
"""Bits of a page."""
_PAGE_NAMES = {0: "zero page", 1: "stack"}
_FOOT = (
    "Only pages that were touched are shown, the highest at the top; breaks stand for what "
    "lies between. Darker: more often. A slope is a loop that walks through memory, a level line "
    "a loop that stays, a gap in the code's band a subroutine elsewhere.",
)


def draw_boot(
    reading: Reading,
    *,
    diagnosis: Diagnosis | None = None,
    first: int | None = None,
    last: int | None = None,
    ax: Axes | None = None,
    width: float = 11.0,
    title: str | None = None,
    print_safe: bool = False,
) -> Figure | Axes:
    """Draw which addresses the program was at, from the first cycle to the last.

    Parameters
    ----------
    reading : Reading
    diagnosis : Diagnosis or None
        Its derail is marked.
    first, last : int or None
        Cycles to draw, both included; the whole capture by default.
    ax, width, title, print_safe
        As in `draw_bus_cycle`.

    Returns
    -------
    Axes or Figure
        `ax` where it was given. A capture without whole addresses gives a picture that says so.

    Raises
    ------
    ValueError
        `last` before `first`.
    """
    bands: list[_Band] = []
    missing = no_cycles(reading)
    window = choose_window(reading, None, first=first or 0, last=last)
    if missing is None:
        seen = touched(reading)
        inside = (seen.cycle >= window.first) & (seen.cycle <= window.last)
        bands = _bands(np.bincount(seen.address[inside] >> _PAGE, minlength=256))
        if not bands:
            missing = "in no cycle outside reset are all sixteen address lines and R/W known"
    if missing is not None:
        compose = cannot_show(
            reading,
            TITLE,
            missing,
            "Clip phase 2, R/W and all sixteen address lines, and begin the capture with reset.",
        )
    else:

        def compose(points: float) -> Plate:
            return _compose(reading, diagnosis, window, bands)

    return hang(compose, ax=ax, width=width, title=title, print_safe=print_safe)


@dataclass(frozen=True, slots=True)
class _Band:
    """Neighbouring pages: first and last, and the points they take."""

    first: int
    last: int
    height: float

    @property
    def name(self) -> str:
        return _PAGE_NAMES.get(self.first, "") if self.first == self.last else ""


def _bands(hits: npt.NDArray[np.int64]) -> list[_Band]:
    """Group touched pages, highest first; zero page and stack stay apart.

    Parameters
    ----------
    hits : int64, shape (256,)
        Accesses of each page.
    """
    pages = np.flatnonzero(hits)
    if not len(pages):
        return []
    spans = [[int(p), int(p)] for p in pages if p < 2]
    for page in pages[pages >= 2].tolist():
        if spans and spans[-1][0] >= 2 and page - spans[-1][1] <= 2:
            spans[-1][1] = page
        else:
            spans.append([page, page])
    while len(spans) > _MOST_BANDS:
        apart = [b[0] - a[1] if a[0] >= 2 else 256 for a, b in pairwise(spans)]
        at = int(np.argmin(apart))
        spans[at : at + 2] = [[spans[at][0], spans[at + 1][1]]]
    room = max(_BANDS - _LOWEST * len(spans), 0.0)
    # Room for many pages, and for the busy ones.
    weight = [float(np.sqrt(b - a + 1) * np.log1p(hits[a : b + 1].sum())) for a, b in spans]
    return [
        _Band(a, b, _LOWEST + room * w / sum(weight))
        for (a, b), w in zip(reversed(spans), reversed(weight), strict=True)
    ]


def _compose(
    reading: Reading, diagnosis: Diagnosis | None, window: Window, bands: Sequence[_Band]
) -> Plate:
    derail = diagnosis.derail if diagnosis is not None else None
    flagged = derail is not None and window.first <= derail.cycle <= window.last
    facts = [*capture_facts(reading)]
    count, n = window.count, len(reading.cycles)
    span = time_text(window.end_ps - window.start_ps)
    facts.append(
        f"all {n:,} cycles, {span}"
        if count == n
        else f"cycles {window.first:,} to {window.last:,} of {n:,}, {span}"
    )
    foot = list(_FOOT)
    banks = banks_met(reading) if reading.board.state_bits else []
    if len(banks) > 1:
        met = "; ".join(reading.board.state_words(state) for state in banks[:4])
        foot.append(f"Chips are those of all banks that were met, together: {met}.")
    if flagged and derail is not None:
        foot.insert(0, f"Derail: {derail.text}")
    head = _RULER + (FLAG_HEIGHT if flagged else 0.0)
    body = sum(band.height + _BREAK for band in bands)
    height = head + 8 + _PROGRAM + 8 + body + 2 * (_LANE + 4) + 22

    def paint(sheet: Sheet, top: float) -> None:
        columns = useful_columns(sheet.plot_width, count)
        view = View(reading, window, replace(sheet, columns=columns))
        ruler = top + head
        y = ruler + 8
        bottom = top + height - 20
        shade_reset(view, ruler + 5, bottom)
        draw_cycle_ruler(view, ruler, bottom)
        view.sheet.name(y + _PROGRAM / 2, "program")
        draw_program(view, y, y + _PROGRAM)
        y += _PROGRAM + 8
        row_of = _Rows(reading, view)
        for band in bands:
            row_of.draw(band, y, y + band.height)
            y += band.height + _BREAK
        _draw_writes(view, y + 2, y + 2 + _LANE)
        _draw_interrupts(view, y + _LANE + 6, y + 2 * _LANE + 6)
        _draw_vector(view, ruler, bottom)
        if derail is not None and flagged:
            draw_derail(view, derail, ruler, bottom, ruler)
        shade_gaps(view, ruler, bottom)
        draw_time_ruler(view, bottom)
        view.sheet.rule(bottom, color=sheet.look.ink, width=0.8)

    return Plate(TITLE, tuple(facts), height, paint, tuple(foot), (window.start_ps, window.end_ps))


class _Rows:
    """Bands of addresses over the columns of the window."""

    def __init__(self, reading: Reading, view: View) -> None:
        self._reading, self._view = reading, view
        seen = touched(reading)
        address = np.full(len(reading.cycles), -1, dtype=np.int64)
        address[seen.cycle] = seen.address
        cycle, self._column = spread_cycles(view.starts_ps, view.ends_ps, view.sheet.edges_ps)
        self._address = address[view.span][cycle]
        self._responds = responds_met(reading)

    def draw(self, band: _Band, top: float, bottom: float) -> None:
        """Draw one band, with its addresses on the left and its chips on the right."""
        sheet, look = self._view.sheet, self._view.sheet.look
        low, high = band.first << _PAGE, (band.last + 1 << _PAGE) - 1
        rows = max(int((bottom - top) / _ROW), 1)
        mine = (self._address >= low) & (self._address <= high)
        row = rows - 1 - (self._address[mine] - low) * rows // (high - low + 1)
        dark = density(row.astype(np.intp), self._column[mine], rows, sheet.columns)
        sheet.boxes(
            [(sheet.left_us, sheet.right_us)],
            top,
            bottom,
            face=look.card,
            edge=look.faint,
            width=0.5,
            z=1.5,
        )
        sheet.strip(np.where(dark > 0, dark, np.nan), top, bottom)
        point = sheet.us_per_point
        tall = bottom - top > 22
        for text, y in (
            ((f"${high:04X}", top + 3.5), (f"${low:04X}", bottom - 3.5))
            if tall
            else ((f"${low:04X}", (top + bottom) / 2),)
        ):
            sheet.text(
                sheet.left_us - 5 * point,
                y,
                text,
                size=6.0,
                mono=True,
                ha="right",
                color=look.quiet,
            )
        names = self._names(low, high)
        middle = (top + bottom) / 2
        if band.name and names:
            sheet.readout(middle - 3.6, names, size=6.2, color=look.ink)
            sheet.readout(middle + 3.6, band.name, size=5.6)
        elif band.name or names:
            sheet.readout(middle, names or band.name, size=6.2, color=look.ink)

    def _names(self, low: int, high: int) -> str:
        """Chips of a stretch of addresses, by the board file, in the banks that were met."""
        table = self._reading.board.map
        responds = self._responds[:, low : high + 1]
        bits = int(np.bitwise_or.reduce(responds, axis=None))
        names = [ref for bit, ref in enumerate(table.chips) if bits >> bit & 1]
        if not names and table.chips and table.described[low : high + 1].all():
            return "nobody"
        answered = responds.any(axis=0)
        return short_list(names, 3) + ("" if answered.all() else " in part")


def _draw_writes(view: View, top: float, bottom: float) -> None:
    """Draw the share of writes, by column."""
    sheet = view.sheet
    rw = view.pin("RW")
    cycle, column = spread_cycles(view.starts_ps, view.ends_ps, sheet.edges_ps)
    level = rw[cycle]
    known = level != 2
    share = mean_by_column((level[known] == 0).astype(np.uint8), column[known], sheet.columns)
    sheet.name((top + bottom) / 2, "writes")
    sheet.rule(bottom)
    dark = np.where(share > 0, 0.3 + 0.7 * np.sqrt(share), np.nan)
    sheet.strip(dark[np.newaxis, :], top, bottom)
    if known.any():
        percent = 100 * float((rw[rw != 2] == 0).mean())
        text = "<1" if 0 < percent < 1 else f"{percent:.0f}"
        sheet.readout((top + bottom) / 2, f"{text} % of cycles", size=5.8)


def _draw_interrupts(view: View, top: float, bottom: float) -> None:
    """Tick the interrupts that were taken."""
    sheet, program = view.sheet, view.reading.program
    rows = np.flatnonzero(np.isin(program.kind, (Kind.IRQ, Kind.NMI)))
    cycles = program.first_cycle[rows]
    cycles = cycles[(cycles >= view.window.first) & (cycles <= view.window.last)]
    middle = (top + bottom) / 2
    sheet.name(middle, "interrupts")
    sheet.rule(bottom)
    # Those that share a column are one tick.
    edges = sheet.edges_ps
    place = np.searchsorted(edges, view.all_starts_ps[cycles], side="right") - 1
    ticks = [(int(edges[c]) / PS_PER_US) for c in np.unique(np.maximum(place, 0)).tolist()]
    sheet.lines([[(x, top), (x, bottom)] for x in ticks], color=sheet.look.ink, width=1.0)
    sheet.readout(middle, f"{len(cycles):,}" if len(cycles) else "none", size=5.8)


def _draw_vector(view: View, top: float, bottom: float) -> None:
    """Mark the fetch of the reset vector."""
    vector = vector_fetch(view.reading)
    if vector is None or not view.shows(vector):
        return
    sheet = view.sheet
    x = int(view.all_starts_ps[vector]) / PS_PER_US
    sheet.lines([[(x, top), (x, bottom)]], color=sheet.look.quiet, width=0.9, style="dashed", z=2.4)
    sheet.text(
        x + 3 * sheet.us_per_point,
        bottom - 6.5,
        "vector read",
        size=6.0,
        ha="left",
        style="italic",
        color=sheet.look.quiet,
    )
