"""A few cycles with their waveforms, and below each what happens in it and why."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.figure import Figure

from bustrace.cycles import IN_RESET, cycle_starts
from bustrace.draw.answering import answering_in, short_list
from bustrace.draw.buses import draw_bus, draw_meant
from bustrace.draw.lanes import Lane, View, choose_lanes, lane_gap, lane_height
from bustrace.draw.look import SCREEN
from bustrace.draw.plate import Plate
from bustrace.draw.rulers import draw_cycle_ruler, name_clip, shade_gaps, shade_reset
from bustrace.draw.sheet import GUTTER, PS_PER_US, SMALLEST, Sheet, wrap
from bustrace.draw.waves import draw_wave, is_quiet
from bustrace.draw.window import Window

if TYPE_CHECKING:
    from bustrace.reading import Reading

MOST_CYCLES = 24
"""Cycles that a story shows; more are cut off at the end."""
_RULER = 18.0
_HEADROOM = 8.0
"""Points above the lanes for the words of a shaded region."""
_WHO = 12.0
_NARROWEST = 56.0
"""Points of a column that still holds sentences."""
_NAMES = 120.0
"""Points of the names, where the steps are a list."""
_SIZE = 6.8
_PITCH = 8.4


@dataclass(frozen=True, slots=True)
class Step:
    """What happens in some neighbouring cycles.

    Attributes
    ----------
    first, last : int
        Cycles, both included.
    mark : str
        Number in the sequence, ``3`` or ``3-5``; empty before and after it.
    name : str
        What, in a few words.
    text : str
        Why, in a sentence or two.
    """

    first: int
    last: int
    mark: str
    name: str
    text: str


Extra = tuple[float, Callable[[Sheet, float], None]]
"""Points and painter of what comes below the steps."""


def story(
    reading: Reading,
    steps: Sequence[Step],
    lines: Sequence[str],
    *,
    title: str,
    facts: Sequence[str],
    foot: Sequence[str],
    width: float,
    extra: Extra | None = None,
) -> Plate:
    """Lay out the cycles from the first step to the last.

    Parameters
    ----------
    steps : sequence of Step
        At least one; in order, without holes.
    lines : sequence of str
        Pins whose waveforms are shown above the buses, where they were captured.
    width : float
        Points of the page.
    extra : (float, callable) or None
        Points and painter of what comes below the steps.
    """
    first, last = steps[0].first, min(steps[-1].last, steps[0].first + MOST_CYCLES - 1)
    steps = [step for step in steps if step.first <= last]
    starts = cycle_starts(reading.cycles, reading.capture.start_ps)
    start, end = int(starts[first]), int(reading.cycles.time_ps[last])
    window = Window(first, last, start, max(end, start + 1), title)
    # Heights of lanes depend on the width alone: nothing is drawn on these axes.
    trial = Sheet(Figure().add_axes((0, 0, 1, 1)), SCREEN, start, window.end_ps, width)
    placed, lanes_height = _places(View(reading, window, trial), lines, 0.0)
    spans = [(int(starts[s.first]), int(reading.cycles.time_ps[min(s.last, last)])) for s in steps]
    wide = [(b - a) / PS_PER_US / trial.us_per_point for a, b in spans]
    in_columns = min(wide) >= _NARROWEST
    told = [
        _Told(wrap(step.name, (points - 8) / 1.14, _SIZE), wrap(step.text, points - 8, _SIZE))
        if in_columns
        else _Told(
            wrap(step.name, (_NAMES - 8) / 1.14, _SIZE), wrap(step.text, width - _NAMES - 50, _SIZE)
        )
        for step, points in zip(steps, wide, strict=True)
    ]
    if in_columns:
        below = 32 + _PITCH * max(len(t.name) + len(t.text) for t in told)
    else:
        below = 32 + sum(_PITCH * max(len(t.text), len(t.name)) + 3 for t in told)

    def paint(sheet: Sheet, top: float) -> None:
        view = View(reading, window, sheet)
        bottom = top + lanes_height
        lanes = [(lane, top + a, top + b) for lane, a, b in placed]
        _draw_lanes(view, lanes, top, bottom)
        _draw_marks(view, steps, spans, top + lanes_height + 4)
        (_write_columns if in_columns else _write_list)(view, steps, spans, told, bottom + 26)
        if extra is not None:
            extra[1](sheet, bottom + below)

    height = lanes_height + below + (extra[0] if extra is not None else 0.0)
    return Plate(title, tuple(facts), height, paint, tuple(foot), (start, window.end_ps))


@dataclass(frozen=True, slots=True)
class _Told:
    """A step's sentences in lines."""

    name: list[str]
    text: list[str]


def _places(
    view: View, lines: Sequence[str], top: float
) -> tuple[list[tuple[Lane, float, float]], float]:
    """Lanes with their upper and lower edges, and the y below the last."""
    usual = choose_lanes(view, None)
    clock = [lane for lane in usual if lane.tap and lane.tap.line == view.reading.cycles.clock.line]
    wanted = [lane for name in lines for lane in usual if lane.key == name]
    buses = [lane for lane in usual if lane.kind in ("address", "data", "meant")]
    held = (view.reading.cycles.flags[view.span] & IN_RESET).any()
    y = top + _RULER + 4 + (_HEADROOM if held else 0.0)
    placed = []
    for lane in dict.fromkeys([*clock, *wanted, *buses]):
        y += lane_gap(lane)
        height = lane_height(lane, view.detail, quiet=is_quiet(view, lane))
        placed.append((lane, y, y + height))
        y += height
    return placed, y + _WHO + 4


def _draw_lanes(
    view: View, placed: Sequence[tuple[Lane, float, float]], top: float, bottom: float
) -> None:
    shade_reset(view, top + _RULER + _HEADROOM, bottom)
    draw_cycle_ruler(view, top + _RULER, bottom)
    for lane, high, low in placed:
        middle = (high + low) / 2
        view.sheet.name(middle if lane.kind != "meant" else min(middle, high + 7.5), lane.label)
        if lane.tap is not None:
            name_clip(view, lane.tap, lane.label, middle)
        if lane.kind == "wave":
            draw_wave(view, lane, high, low)
        elif lane.kind == "meant":
            draw_meant(view, lane, high, low)
        else:
            draw_bus(view, lane, high, low)
    shade_gaps(view, top + _RULER, bottom)
    _name_chips(view, bottom - _WHO / 2 - 2)


def _name_chips(view: View, y: float) -> None:
    """Write below each cycle which chip it reaches."""
    sheet = view.sheet
    sheet.name(y, "chip")
    names = chips_in(view.reading, view.window.first, view.window.last)
    for at, text in enumerate(names):
        x = (int(view.starts_ps[at]) + int(view.ends_ps[at])) / 2 / PS_PER_US
        if not sheet.fits(text, view.points_per_cycle, 6.2):
            text = text.split("+")[0]
        color = sheet.look.quiet if text == "-" else sheet.look.ink
        if sheet.fits(text, view.points_per_cycle, SMALLEST, 0.0):
            sheet.text(x, y, text, size=6.2, mono=True, color=color)


def chips_in(reading: Reading, first: int, last: int) -> list[str]:
    """Chips that each cycle of a span reaches: by the board's address map in the bank of that
    cycle, else by the captured selects.

    ``-`` where nobody is known to answer, ``?`` where a bank bit that is not known decides.
    """
    cycles, board = reading.cycles, reading.board
    span = slice(first, last + 1)
    rw = cycles.pin("RW")[span]
    address = cycles.address[span] & np.uint32(0xFFFF)
    known = board.shown_lines(cycles.address_known[span]) & 0xFFFF == 0xFFFF
    told = (rw != 2) & known & board.map.described[address]
    found = answering_in(reading, np.arange(first, last + 1), address, np.minimum(rw, 1))
    selected = cycles.selects[span] & cycles.selects_known[span]
    names = []
    for at in range(len(address)):
        if told[at] and found.open[at]:
            names.append("?")
            continue
        bits, refs = (
            (found.chips[at], board.map.chips) if told[at] else (selected[at], cycles.select_names)
        )
        chosen = [ref for bit, ref in enumerate(refs) if int(bits) >> bit & 1]
        names.append(short_list(chosen, 3) or "-")
    return names


def _draw_marks(
    view: View, steps: Sequence[Step], spans: Sequence[tuple[int, int]], y: float
) -> None:
    """Draw a brace below the cycles of each step, with its number."""
    sheet, look = view.sheet, view.sheet.look
    point = sheet.us_per_point
    braces = []
    for step, (start, end) in zip(steps, spans, strict=True):
        left, right = start / PS_PER_US + 2 * point, end / PS_PER_US - 2 * point
        braces.append([(left, y), (left, y + 3), (right, y + 3), (right, y)])
        if step.mark:
            sheet.text(
                (left + right) / 2,
                y + 11,
                step.mark,
                size=7.5,
                weight="bold",
                color=look.ink,
            )
    sheet.lines(braces, color=look.ink, width=0.8)


def _write_columns(
    view: View,
    steps: Sequence[Step],
    spans: Sequence[tuple[int, int]],
    told: Sequence[_Told],
    top: float,
) -> None:
    sheet, look = view.sheet, view.sheet.look
    for (start, _), lines in zip(spans, told, strict=True):
        x, y = start / PS_PER_US + 3 * sheet.us_per_point, top
        for name in lines.name:
            sheet.text(x, y, name, size=_SIZE, ha="left", weight="bold")
            y += _PITCH
        for text in lines.text:
            sheet.text(x, y, text, size=_SIZE, ha="left", color=look.ink)
            y += _PITCH


def _write_list(
    view: View,
    steps: Sequence[Step],
    spans: Sequence[tuple[int, int]],
    told: Sequence[_Told],
    top: float,
) -> None:
    sheet = view.sheet
    left = sheet.left_us - (GUTTER - 4) * sheet.us_per_point
    y = top
    for step, lines in zip(steps, told, strict=True):
        sheet.text(left + 16 * sheet.us_per_point, y, step.mark, size=7.0, weight="bold")
        x = left + 36 * sheet.us_per_point
        for at, name in enumerate(lines.name):
            sheet.text(x, y + at * _PITCH, name, size=_SIZE, ha="left", weight="bold")
        x = left + (36 + _NAMES) * sheet.us_per_point
        for at, text in enumerate(lines.text):
            sheet.text(x, y + at * _PITCH, text, size=_SIZE, ha="left")
        y += _PITCH * max(len(lines.text), len(lines.name)) + 3
