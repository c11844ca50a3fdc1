"""The timeline of a reading."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, overload

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from bustrace.draw.buses import draw_bus, draw_meant
from bustrace.draw.lanes import Lane, View, choose_lanes, lane_gap, lane_height
from bustrace.draw.look import PRINT, SCREEN, Look, own_settings
from bustrace.draw.marks import (
    FLAG_HEIGHT,
    HEADROOM,
    RULER,
    Callout,
    callouts,
    draw_callouts,
    draw_derail,
    draw_legend,
    legend_height,
)
from bustrace.draw.overview import HEAD_HEIGHT, OVERVIEW_HEIGHT, draw_heading, draw_overview
from bustrace.draw.rulers import (
    draw_cycle_ruler,
    draw_key,
    draw_time_ruler,
    name_clip,
    say_why_empty,
    shade_gaps,
    shade_reset,
    why_empty,
)
from bustrace.draw.sheet import Sheet, useful_columns
from bustrace.draw.steps import draw_program
from bustrace.draw.waves import draw_select, draw_wave, is_quiet
from bustrace.draw.window import Window, choose_window

if TYPE_CHECKING:
    from bustrace.diagnosis.model import Diagnosis
    from bustrace.reading import Reading

POINTS_PER_INCH = 72.0
_RULER_HEIGHT = 26.0
_FOOT_HEIGHT = 34.0
_EDGE = 10.0
_LEAST_WIDTH = 4.0


@overload
def draw_timeline(
    reading: Reading,
    *,
    diagnosis: Diagnosis | None = None,
    first: int | None = None,
    last: int | None = None,
    around: int | None = None,
    lines: Sequence[str] | None = None,
    ax: None = None,
    width: float = 11.0,
    title: str | None = None,
    print_safe: bool = False,
) -> Figure: ...


@overload
def draw_timeline(
    reading: Reading,
    *,
    diagnosis: Diagnosis | None = None,
    first: int | None = None,
    last: int | None = None,
    around: int | None = None,
    lines: Sequence[str] | None = None,
    ax: Axes,
    width: float = 11.0,
    title: str | None = None,
    print_safe: bool = False,
) -> Axes: ...


def draw_timeline(
    reading: Reading,
    *,
    diagnosis: Diagnosis | None = None,
    first: int | None = None,
    last: int | None = None,
    around: int | None = None,
    lines: Sequence[str] | None = None,
    ax: Axes | None = None,
    width: float = 11.0,
    title: str | None = None,
    print_safe: bool = False,
) -> Figure | Axes:
    """Draw what was on the bus, cycle by cycle or condensed.

    Waveforms are the probe's transitions; value boxes are what was sampled when each cycle
    ended. The work that depends on the length of the capture is array arithmetic; the number of
    drawn things depends on the picture's width alone.

    Parameters
    ----------
    reading : Reading
    diagnosis : Diagnosis or None
        Its findings and derail are marked in place and told below the picture.
    first, last : int or None
        Cycles to draw, both included; a missing one is the capture's own.
    around : int or None
        A cycle to draw with some before and after it, each with its label. Without any of the
        three: around the derail, the first late fault, the end of a clock that stops, or the
        reset vector's fetch, whichever there is first.
    lines : sequence of str or None
        Lanes to draw, in order: ``program``, ``address``, ``data``, a pin (``RW``, ``A9``), a
        chip reference for its select, or a line as the capture names it. None draws all.
    ax : matplotlib Axes or None
        Where to draw. Its data coordinates become microseconds of the capture's time, and
        points down from the top. None makes a figure, with an overview of the whole capture
        above.
    width : float
        Inches, for a new figure.
    title : str or None
        Heading; None says what is shown.
    print_safe : bool
        Greys on white. The coloured look reads in grey too; this one spares the ink.

    Returns
    -------
    Axes or Figure
        `ax` where it was given, else a new figure that pyplot does not know.

    Raises
    ------
    InputError
        `lines` names something the capture does not have.
    ValueError
        Windows that contradict each other, or a `width` under 4 inches.
    """
    if width < _LEAST_WIDTH:
        raise ValueError(f"a timeline needs {_LEAST_WIDTH:g} inches or more, not {width:g}")
    look = PRINT if print_safe else SCREEN
    window = choose_window(reading, diagnosis, first=first, last=last, around=around)
    with own_settings():
        if ax is not None:
            return _draw_into(reading, diagnosis, window, lines, ax, title, look)
        return _draw_figure(reading, diagnosis, window, lines, width, title, look)


@dataclass(frozen=True, slots=True)
class _Plan:
    """Where everything goes, in points from the top of the timeline."""

    lanes: tuple[tuple[Lane, float, float], ...]
    called: tuple[Callout, ...]
    top: float
    ruler: float
    bottom: float
    legend: float
    height: float


def _plan(
    view: View, diagnosis: Diagnosis | None, lines: Sequence[str] | None, head: float
) -> _Plan:
    lanes = choose_lanes(view, lines)
    called = callouts(view, diagnosis, lanes)
    marked = {c.lane for c in called if c.cycles or not c.finding.cycles}
    ruler = head + _RULER_HEIGHT - 8
    if view.window.count <= 0:
        ruler += 14.0 * (len(why_empty(view)) - 1)
    if diagnosis is not None and diagnosis.derail is not None:
        ruler += FLAG_HEIGHT if view.shows(diagnosis.derail.cycle) else 0.0
    y = ruler + 6 + (HEADROOM if RULER in marked else 0.0)
    top = y
    placed = []
    for lane in lanes:
        y += lane_gap(lane) + (HEADROOM if lane.key in marked else 0.0)
        height = lane_height(lane, view.detail, quiet=is_quiet(view, lane))
        placed.append((lane, y, y + height))
        y += height
    bottom = y + 6
    legend = bottom + _FOOT_HEIGHT
    height = legend + legend_height(view, diagnosis, called) + 6
    return _Plan(tuple(placed), called, top, ruler, bottom, legend, height)


def _draw_figure(
    reading: Reading,
    diagnosis: Diagnosis | None,
    window: Window,
    lines: Sequence[str] | None,
    width: float,
    title: str | None,
    look: Look,
) -> Figure:
    points = width * POINTS_PER_INCH
    inner = points - 2 * _EDGE
    whole = window.count in (0, len(reading.cycles))
    head = HEAD_HEIGHT + (0 if whole else OVERVIEW_HEIGHT)
    figure = Figure(figsize=(width, 1.0), facecolor=look.paper)
    ax = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    view = View(reading, window, _sheet(ax, look, window, inner))
    plan = _plan(view, diagnosis, lines, 0.0)
    height = head + plan.height + 2 * _EDGE
    figure.set_size_inches(width, height / POINTS_PER_INCH)
    left, across = _EDGE / points, inner / points
    ax.set_position((left, _EDGE / height, across, plan.height / height))
    top = figure.add_axes((left, (_EDGE + plan.height) / height, across, head / height))
    above = _sheet(top, look, window, inner)
    draw_overview(view, above, diagnosis, title, head, strip=not whole)
    _draw_plan(view, diagnosis, plan)
    return figure


def _sheet(ax: Axes, look: Look, window: Window, width: float) -> Sheet:
    bare = Sheet(ax, look, window.start_ps, window.end_ps, width)
    return replace(bare, columns=useful_columns(bare.plot_width, window.count))


def _draw_into(
    reading: Reading,
    diagnosis: Diagnosis | None,
    window: Window,
    lines: Sequence[str] | None,
    ax: Axes,
    title: str | None,
    look: Look,
) -> Axes:
    box = ax.get_window_extent()
    dpi = ax.get_figure(root=True).dpi  # type: ignore[union-attr]
    across, down = (float(side) / dpi * POINTS_PER_INCH for side in (box.width, box.height))
    trial = View(reading, window, _sheet(ax, look, window, across))
    height = _plan(trial, diagnosis, lines, HEAD_HEIGHT).height
    sheet = replace(trial.sheet, scale=down / height)
    view = View(reading, window, sheet)
    plan = _plan(view, diagnosis, lines, HEAD_HEIGHT)
    _draw_plan(view, diagnosis, plan)
    draw_heading(view, sheet, diagnosis, title)
    return ax


def _draw_plan(view: View, diagnosis: Diagnosis | None, plan: _Plan) -> None:
    sheet = view.sheet
    sheet.prepare(plan.height)
    shade_reset(view, plan.top, plan.bottom)
    shade_gaps(view, plan.top, plan.bottom)
    draw_cycle_ruler(view, plan.ruler, plan.bottom)
    draw_time_ruler(view, plan.bottom)
    for lane, top, bottom in plan.lanes:
        middle = (top + bottom) / 2
        scaled = lane.kind in ("address", "data") and view.detail == "columns"
        sheet.name(
            middle if lane.kind != "meant" else min(middle, top + 7.5),
            lane.label,
            inset=32.0 if scaled else 6.0,
        )
        if lane.tap is not None:
            name_clip(view, lane.tap, lane.label, middle)
        if lane.kind == "wave":
            draw_wave(view, lane, top, bottom)
        elif lane.kind == "select":
            draw_select(view, lane, top, bottom)
        elif lane.kind == "program":
            draw_program(view, top, bottom)
        elif lane.kind == "meant":
            draw_meant(view, lane, top, bottom)
        else:
            draw_bus(view, lane, top, bottom)
    if len(view.reading.cycles) == 0:
        say_why_empty(view, plan.ruler)
    tops = {lane.key: top for lane, top, _ in plan.lanes} | {RULER: plan.top}
    if diagnosis is not None and diagnosis.derail is not None:
        draw_derail(view, diagnosis.derail, plan.top, plan.bottom, plan.ruler)
    draw_callouts(view, plan.called, tops)
    draw_key(view, plan.bottom + 24)
    draw_legend(view, diagnosis, plan.called, plan.legend)
    sheet.rule(plan.bottom, color=sheet.look.ink, width=0.8)
