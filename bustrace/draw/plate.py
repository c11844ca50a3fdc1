"""The page that a teaching picture is printed on: heading, body, and the sources in the foot."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from bustrace.draw.look import PRINT, SCREEN, Look, own_settings
from bustrace.draw.sheet import GUTTER, MARGIN, PS_PER_US, Sheet, serif_width, wrap
from bustrace.units import format_rate, format_time

if TYPE_CHECKING:
    from bustrace.reading import Reading

POINTS_PER_INCH = 72.0
EDGE = 10.0
"""Points around the page."""
HEAD = 40.0
LINE = 9.5
"""Points from line to line of a sentence."""
TEXT = 7.5
SMALL = 6.4
LEAST_WIDTH = 4.0
_LONGEST_NAME = 48
_ITALIC = 1.06
"""Slanted letters are so much wider than the upright ones that are measured."""


@dataclass(frozen=True, slots=True)
class Plate:
    """One picture, laid out but not drawn.

    Attributes
    ----------
    title : str
        Heading where the caller gave none.
    facts : tuple of str
        What is shown, for the line below the heading.
    height : float
        Points of the body.
    paint : callable of (Sheet, float)
        Draws the body from that y down.
    foot : tuple of str
        Sentences below the body; sources among them.
    span_ps : tuple of (int, int) or None
        Time across the plot, for bodies over time. None: x is in points from the page's left.
    """

    title: str
    facts: tuple[str, ...]
    height: float
    paint: Callable[[Sheet, float], None]
    foot: tuple[str, ...] = ()
    span_ps: tuple[int, int] | None = None


def hang(
    compose: Callable[[float], Plate],
    *,
    ax: Axes | None,
    width: float,
    title: str | None,
    print_safe: bool,
) -> Figure | Axes:
    """Draw a plate on a new figure or into given axes.

    Parameters
    ----------
    compose : callable of float
        Lays the picture out for a width in points.
    ax, width, title, print_safe
        As every picture takes them, see `draw_bus_cycle`.

    Raises
    ------
    ValueError
        `width` under 4 inches.
    """
    if width < LEAST_WIDTH:
        raise ValueError(f"a picture needs {LEAST_WIDTH:g} inches or more, not {width:g}")
    look = PRINT if print_safe else SCREEN
    with own_settings():
        if ax is not None:
            box = ax.get_window_extent()
            dpi = ax.get_figure(root=True).dpi  # type: ignore[union-attr]
            across, down = (float(side) / dpi * POINTS_PER_INCH for side in (box.width, box.height))
            plate = compose(across)
            height = _height(plate, across)
            _draw(plate, _sheet(plate, ax, look, across, down / height), height, title)
            return ax
        points = width * POINTS_PER_INCH
        inner = points - 2 * EDGE
        plate = compose(inner)
        height = _height(plate, inner)
        whole = height + 2 * EDGE
        figure = Figure(figsize=(width, whole / POINTS_PER_INCH), facecolor=look.paper)
        own = figure.add_axes((EDGE / points, EDGE / whole, inner / points, height / whole))
        _draw(plate, _sheet(plate, own, look, inner, 1.0), height, title)
        return figure


def _sheet(plate: Plate, ax: Axes, look: Look, width: float, scale: float) -> Sheet:
    start, end = plate.span_ps or (
        round(GUTTER * PS_PER_US),
        round(max(width - MARGIN, GUTTER + 1) * PS_PER_US),
    )
    return Sheet(ax, look, start, end, width, scale=scale)


def _foot_lines(plate: Plate, width: float) -> list[str]:
    return [line for text in plate.foot for line in wrap(text, (width - 10) / _ITALIC, SMALL)]


def _height(plate: Plate, width: float) -> float:
    return HEAD + plate.height + 14 + 8.5 * len(_foot_lines(plate, width))


def _draw(plate: Plate, sheet: Sheet, height: float, title: str | None) -> None:
    look, point = sheet.look, sheet.us_per_point
    sheet.prepare(height)
    left = sheet.left_us - (GUTTER - 4) * point
    heading = plate.title if title is None else title
    room = sheet.width - 8
    size = min(12.0, 12.0 * room / max(1.15 * serif_width(heading, 12.0), 1.0))
    sheet.text(left, 10, heading, size=size, ha="left", weight="bold")
    line = "   ·   ".join(plate.facts)
    size = min(7.5, 7.5 * room / max(_ITALIC * serif_width(line, 7.5), 1.0))
    sheet.text(left, 26, line, size=size, ha="left", color=look.quiet, style="italic")
    plate.paint(sheet, HEAD)
    y = HEAD + plate.height + 12
    for text in _foot_lines(plate, sheet.width):
        sheet.text(left, y, text, size=SMALL, ha="left", color=look.quiet, style="italic")
        y += 8.5


def file_name(reading: Reading) -> str:
    """The capture's file, without its folders."""
    return reading.capture.source.replace("\\", "/").rpartition("/")[2] or "capture"


def capture_facts(reading: Reading) -> tuple[str, ...]:
    """File, clock and sample rate, for the line below a heading."""
    name = file_name(reading)
    if len(name) > _LONGEST_NAME:
        name = f"{name[: _LONGEST_NAME // 2]}…{name[-_LONGEST_NAME // 2 :]}"
    facts = [name]
    clock, rate = reading.cycles.clock, reading.capture.rate
    if clock.period_ps and reading.capture.mode == "timing":
        facts.append(f"cycle {time_text(clock.period_ps)}")
    if reading.capture.mode == "state":
        facts.append("one row a cycle")
    elif rate is not None:
        facts.append(f"sampled at {format_rate(rate, 'S/s')}")
    return tuple(facts)


def time_text(time_ps: int) -> str:
    """Time for people, with a micro sign."""
    return format_time(time_ps).replace("us", "µs")


def cannot_show(reading: Reading, title: str, why: str, advice: str) -> Callable[[float], Plate]:
    """A plate that says why this capture does not show it, and what would."""

    def compose(width: float) -> Plate:
        room = min(width - 40, 520.0)
        reason = wrap(f"This capture does not show it: {why}.", room, 9.5)
        hint = wrap(advice, room, TEXT)
        height = 24 + 13 * len(reason) + LINE * len(hint)

        def paint(sheet: Sheet, top: float) -> None:
            x, y = 20.0, top + 12
            for line in reason:
                sheet.text(x, y, line, size=9.5, ha="left")
                y += 13
            y += 2
            for line in hint:
                sheet.text(x, y, line, size=TEXT, ha="left", color=sheet.look.quiet)
                y += LINE
            sheet.lines([[(8, top + 4), (8, y - 4)]], color=sheet.look.quiet, width=1.2)

        return Plate(title, capture_facts(reading), height, paint)

    return compose


def no_cycles(reading: Reading) -> str | None:
    """Why there are no cycles to draw, or None where there are some."""
    if len(reading.cycles):
        return None
    return "it has no bus cycles, since " + (reading.cycles.reason or "no clock was found")


def paragraph(
    sheet: Sheet,
    x: float,
    y: float,
    lines: Sequence[str],
    *,
    size: float = TEXT,
    pitch: float = LINE,
    color: str | None = None,
    ha: str = "left",
) -> float:
    """Write lines one below the other and return the y after them."""
    for line in lines:
        sheet.text(x, y, line, size=size, ha=ha, color=color)
        y += pitch
    return y
