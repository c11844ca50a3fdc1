"""A bus cycle, dissected against the maker's sheet."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from bustrace.cpu.makers_limits import AT_MOST, MEANINGS, MakersLimits, makers_limits
from bustrace.cycles import (
    IN_RESET,
    SHORT,
    STRETCHED,
    UNSETTLED,
    Timing,
    measure_timings,
    rule_on,
    sample_ps,
)
from bustrace.draw.bins import I64
from bustrace.draw.buses import address_text, hex_text
from bustrace.draw.lanes import Lane, View, choose_lanes
from bustrace.draw.look import SCREEN
from bustrace.draw.plate import Plate, cannot_show, capture_facts, hang, no_cycles
from bustrace.draw.rulers import draw_cycle_ruler, draw_time_ruler
from bustrace.draw.sheet import GUTTER, PS_PER_US, Sheet
from bustrace.draw.story import chips_in
from bustrace.draw.waves import draw_select, draw_wave
from bustrace.draw.window import Window
from bustrace.hookup import ADDRESS_PINS, DATA_PINS
from bustrace.units import PS_PER_SECOND

if TYPE_CHECKING:
    from bustrace.reading import Reading

TITLE = "A bus cycle against the maker's sheet"
_LANES = (
    ("clock", ("tPWL", "tPWH", "tCYC")),
    ("address", ("tADS", "tAH")),
    ("RW", ("tRWS",)),
    ("select", ()),
    ("data", ("tACC", "tDSU", "tDHR", "tMDS", "tDHW")),
)
_BUS = 17.0
_WAVE = 14.0
_DIMENSION = 11.5
_RULER = 22.0
_ROW = 10.0
_MOST_SEGMENTS = 400
_MOST_TICKS = 240
_CHOICES = 200_000


def draw_bus_cycle(
    reading: Reading,
    *,
    cycle: int | None = None,
    ax: Axes | None = None,
    width: float = 11.0,
    title: str | None = None,
    print_safe: bool = False,
) -> Figure | Axes:
    """Draw a cycle and the next, with the times that the maker's sheet names.

    Parameters
    ----------
    reading : Reading
    cycle : int or None
        The first of the two cycles. None takes a read followed by a write in which the most can
        be seen.
    ax : matplotlib Axes or None
        Where to draw. Its data coordinates become those of the picture: x in microseconds of the
        capture's time, or in points where the picture has no time axis; y in points from the top.
        None makes a figure that pyplot does not know.
    width : float
        Inches, for a new figure.
    title : str or None
        Heading; None takes the picture's own.
    print_safe : bool
        Greys on white. The coloured look reads in grey too; this one spares the ink.

    Returns
    -------
    Axes or Figure
        `ax` where it was given. A capture without times in the cycle gives a picture that says
        so.

    Raises
    ------
    ValueError
        `width` under 4 inches.
    """
    missing = no_cycles(reading)
    timings: dict[str, Timing] = {}
    first = 0
    if missing is None and reading.capture.mode == "state":
        missing = "it has one row a cycle, and so no times within the cycle"
    if missing is None:
        timings = measure_timings(reading.capture, reading.hookup, reading.cycles)
        chosen = _choose(reading, timings) if cycle is None else cycle
        if not 0 <= chosen < len(reading.cycles):
            missing = f"it has no cycle {chosen:,}; the last is {len(reading.cycles) - 1:,}"
        first = chosen
    if missing is not None:
        compose = cannot_show(
            reading,
            TITLE,
            missing,
            "Sample with the analyser's own clock (timing mode), at ten times the board's clock "
            "or more, with phase 2 on one of the clips.",
        )
    else:

        def compose(points: float) -> Plate:
            return _compose(reading, timings, first)

    return hang(compose, ax=ax, width=width, title=title, print_safe=print_safe)


def _choose(reading: Reading, timings: Mapping[str, Timing]) -> int:
    """First cycle of a pair that shows the most, reads before writes."""
    cycles = reading.cycles
    n = min(len(cycles), _CHOICES)
    if n < 2:
        return 0
    plain = cycles.flags[:n] & (IN_RESET | SHORT | STRETCHED | UNSETTLED) == 0
    whole = timings["tCYC"].seen[:n]
    plain = plain & whole if (plain & whole).any() else whole
    rw = cycles.pin("RW")[:n]
    score = np.zeros(n, dtype=np.int64)
    for name in ("tADS", "tAH", "tACC", "tDSU", "tDHR"):
        score += timings[name].seen[:n]
    later = np.zeros(n, dtype=np.int64)
    for name in ("tMDS", "tDHW", "tRWS"):
        later[:-1] += timings[name].seen[1:n]
    later[:-1] += 4 * ((rw[:-1] == 1) & (rw[1:] == 0))
    return int(np.argmax(np.where(plain & np.append(plain[1:], False), 1 + score + later, 0)))


@dataclass(frozen=True, slots=True)
class _Shown:
    """One timing in the picture: which cycle shows it."""

    name: str
    begin_ps: int
    end_ps: int
    limit_ns: int | None

    @property
    def length_ps(self) -> int:
        return self.end_ps - self.begin_ps


def _compose(reading: Reading, timings: Mapping[str, Timing], first: int) -> Plate:
    cycles = reading.cycles
    last = min(first + 1, len(cycles) - 1)
    start = int(timings["tCYC"].begin_ps[first])
    end = int(cycles.time_ps[last])
    unit = max((end - start) // (last - first + 1), 1)
    window = Window(first, last, start, end, TITLE)
    limits = _limits(reading)
    shown = {
        name: found
        for name, timing in timings.items()
        if (found := _shown(name, timing, first, last, limits)) is not None
    }
    facts = [*capture_facts(reading), _what(reading, first)]
    if last > first:
        facts.append("then " + _what(reading, last))
    step = sample_ps(reading.capture)
    foot = (
        f"Each edge is seen in the first sample after it, {step / 1000:.3g} ns apart here: times "
        "are right to one sample, besides the skew of the analyser's inputs and its threshold. "
        '"99 of 100" leaves out the worst cycle in a hundred, which may be a stray sample.',
        f"Limits: {limits.grade}, from {limits.source}."
        if limits
        else "No limits: no sheet at hand covers this clock.",
        "A byte often stays on the undriven bus after its driver let go, until the next one "
        "drives: a long hold does not tell how long the chip drove. The widths of phase 2 are "
        "compared with those that the sheet asks of the clock.",
        *_assumed(reading),
    )
    names = [name for name in MEANINGS if timings[name].count or (limits and limits[name])]
    lanes = _LanesAt(reading, window, shown)
    table = 26 + _ROW * len(names)
    height = lanes.height + 34 + table

    def paint(sheet: Sheet, top: float) -> None:
        view = View(reading, window, sheet)
        lanes.draw(view, top, step)
        _draw_legend(sheet, top + lanes.height + 26)
        _draw_table(sheet, top + lanes.height + 46, names, timings, shown, limits, step)

    return Plate(
        TITLE, tuple(facts), height, paint, foot, (start - unit // 8, end + unit * 3 // 10)
    )


def _what(reading: Reading, cycle: int) -> str:
    cycles = reading.cycles
    rw = int(cycles.pin("RW")[cycle])
    address = address_text(reading, cycle)
    (chip,) = chips_in(reading, cycle, cycle)
    name = ("a write to", "a read from", "a cycle at")[rw]
    of = f" ({chip})" if chip != "-" else ""
    return f"{name} {address}{of}" if address != "-" else ("a write", "a read", "a cycle")[rw]


def _limits(reading: Reading) -> MakersLimits | None:
    period = reading.cycles.clock.period_ps
    if not period:
        return None
    return makers_limits(reading.board.cpu.variant, Fraction(PS_PER_SECOND, period))


def _assumed(reading: Reading) -> tuple[str, ...]:
    if reading.board.source:
        return ()
    return ("No board file names the CPU: an NMOS 6502 is assumed.",)


def _shown(
    name: str, timing: Timing, first: int, last: int, limits: MakersLimits | None
) -> _Shown | None:
    for cycle in range(first, last + 1):
        if timing.seen[cycle]:
            return _Shown(
                name,
                int(timing.begin_ps[cycle]),
                int(timing.end_ps[cycle]),
                limits[name] if limits else None,
            )
    return None


class _LanesAt:
    """Lanes with their dimensions below them, laid out before there are axes."""

    def __init__(self, reading: Reading, window: Window, shown: Mapping[str, _Shown]) -> None:
        self._reading, self._window = reading, window
        # Which lanes there are depends on the reading alone: nothing is drawn on these axes.
        bare = Sheet(Figure().add_axes((0, 0, 1, 1)), SCREEN, window.start_ps, window.end_ps, 1.0)
        trial = View(reading, window, bare)
        usual = {lane.key: lane for lane in choose_lanes(trial, None)}
        clock = next(
            (lane for lane in usual.values() if lane.tap and lane.tap.line == _clock(reading)), None
        )
        y = _RULER
        self._placed: list[tuple[Lane, float, float, list[tuple[_Shown, float]]]] = []
        for key, names in _LANES:
            if key == "select":
                lanes = self._selects(usual)
            else:
                lane = clock if key == "clock" else usual.get(key)
                lanes = [lane] if lane is not None else []
            for lane in lanes:
                y += 7
                height = {"address": _BUS, "data": _BUS, "select": 11.0}.get(lane.kind, _WAVE)
                top, y = y, y + height
                rows = []
                for name in names:
                    if name in shown:
                        rows.append((shown[name], y + _DIMENSION / 2 + 1.5))
                        y += _DIMENSION
                self._placed.append((lane, top, top + height, rows))
        self.height = y + 8

    def _selects(self, usual: Mapping[str, Lane]) -> list[Lane]:
        cycles, span = self._reading.cycles, slice(self._window.first, self._window.last + 1)
        used = [ref for ref in cycles.select_names if (cycles.select(ref)[span] == 1).any()]
        return [usual[f"select:{ref}"] for ref in used if f"select:{ref}" in usual][:3]

    def draw(self, view: View, top: float, step: int) -> None:
        """Draw everything down to the time ruler."""
        sheet = view.sheet
        bottom = top + self.height - 6
        _draw_guides(view, top + _RULER, bottom)
        draw_cycle_ruler(view, top + _RULER, top + _RULER)
        _draw_samples(sheet, top + _RULER, step)
        for lane, high, low, rows in self._placed:
            sheet.name(top + (high + low) / 2, lane.label)
            if lane.kind in ("address", "data"):
                _draw_bus(view, lane.kind, top + high, top + low)
            elif lane.kind == "select":
                draw_select(view, lane, top + high, top + low)
            else:
                draw_wave(view, lane, top + high, top + low)
            for found, y in rows:
                _draw_dimension(sheet, found, top + y)
        draw_time_ruler(view, bottom)
        sheet.rule(bottom, color=sheet.look.ink, width=0.8)


def _clock(reading: Reading) -> str | None:
    return reading.cycles.clock.line


def _draw_guides(view: View, top: float, bottom: float) -> None:
    """Draw faint lines through the edges of the clock."""
    edges = {int(t) for t in (*view.starts_ps, *view.ends_ps)}
    edges |= {int(t) for t in view.reading.cycles.rise_ps[view.span] if t >= 0}
    view.sheet.lines(
        [[(t / PS_PER_US, top), (t / PS_PER_US, bottom)] for t in sorted(edges)],
        color=view.sheet.look.quiet,
        width=0.5,
        style="dotted",
        z=0.6,
    )


def _draw_samples(sheet: Sheet, y: float, step: int) -> None:
    """Tick the analyser's samples, where they can be told apart."""
    if step <= 0 or not 8 <= (sheet.end_ps - sheet.start_ps) / step <= _MOST_TICKS:
        return
    first = -(-sheet.start_ps // step)
    ticks = [k * step / PS_PER_US for k in range(first, sheet.end_ps // step + 1)]
    sheet.lines([[(x, y - 2.4), (x, y)] for x in ticks], color=sheet.look.quiet, width=0.5)
    sheet.readout(y - 3, "samples", size=6.0)


def _draw_bus(view: View, bus: str, top: float, bottom: float) -> None:
    """Draw a bus as the probe saw it: values between changes, hatched while it moves."""
    sheet, look = view.sheet, view.sheet.look
    pins = ADDRESS_PINS if bus == "address" else DATA_PINS
    digits = 4 if bus == "address" else 2
    time, value, known, end = _bus_rows(view, pins)
    if not len(time):
        return
    edge = np.concatenate(([0], np.flatnonzero(np.diff(value)) + 1))
    begin = np.clip(time[edge], sheet.start_ps, None) / PS_PER_US
    finish = np.append(begin[1:], min(end, sheet.end_ps) / PS_PER_US)
    point = sheet.us_per_point
    mask = sum(1 << bit for bit, pin in enumerate(pins) if view.reading.hookup.has(pin))
    written = view.reading.cycles.pin("RW")[view.span] == 0
    cards: dict[str, list[list[tuple[float, float]]]] = {"read": [], "write": [], "moving": []}
    middle = (top + bottom) / 2
    moving_from: float | None = None
    for at in range(min(len(begin), _MOST_SEGMENTS)):
        a, b = float(begin[at]), float(finish[at])
        sure = mask & int(known[edge[at]])
        if digits == 4:
            sure = view.reading.board.shown_lines(sure)
        text = hex_text(int(value[edge[at]]), sure, digits, "$")
        if not sheet.fits(text, (b - a) / point, 7.0, 3.0) and 0 < at < len(begin) - 1:
            moving_from = a if moving_from is None else moving_from
            continue
        if moving_from is not None:
            cards["moving"].append(_box(moving_from, a, top, bottom))
            moving_from = None
        cut = min(3.0 * point, (b - a) / 2)
        shape = [
            (a + cut, top),
            (b - cut, top),
            (b, middle),
            (b - cut, bottom),
            (a + cut, bottom),
            (a, middle),
        ]
        wrote = bus == "data" and _is_written(view, a, b, written)
        cards["write" if wrote else "read"].append(shape)
        if sheet.fits(text, (b - a) / point, 7.0, 3.0):
            sheet.text(
                (a + b) / 2,
                middle,
                text,
                size=7.5,
                mono=True,
                color=look.card if wrote else look.ink,
                weight="bold" if wrote else "normal",
            )
    if moving_from is not None:
        cards["moving"].append(_box(moving_from, float(finish[-1]), top, bottom))
    sheet.shapes(cards["read"], face=look.card, edge=look.ink)
    sheet.shapes(cards["write"], face=look.write, edge=look.write)
    sheet.shapes(cards["moving"], face=look.shade, edge=look.ink, hatch="////")


def _box(a: float, b: float, top: float, bottom: float) -> list[tuple[float, float]]:
    return [(a, top), (b, top), (b, bottom), (a, bottom)]


def _is_written(view: View, a: float, b: float, written: npt.NDArray[np.bool_]) -> bool:
    """Whether a stretch is what the bus held at the end of a write cycle."""
    ends = view.ends_ps / PS_PER_US
    return bool((written & (ends > a) & (ends <= b + 1e-9)).any())


def _bus_rows(view: View, pins: Sequence[str]) -> tuple[I64, I64, I64, int]:
    """Rows of a bus over the window: times, values, known bits, and when the last ends."""
    taps = [(bit, view.reading.hookup.tap(pin)) for bit, pin in enumerate(pins)]
    value = known = time = None
    end = 0
    for bit, tap in taps:
        if tap is None:
            continue
        time, level, end = view.trace(tap)
        if value is None or known is None:
            value = np.zeros(len(time), dtype=np.int64)
            known = np.zeros(len(time), dtype=np.int64)
        value |= (level == 1).astype(np.int64) << bit
        known |= (level != 2).astype(np.int64) << bit
    if time is None or value is None or known is None:
        none = np.zeros(0, dtype=np.int64)
        return none, none, none, 0
    return time, value, known, end


def _draw_dimension(sheet: Sheet, found: _Shown, y: float) -> None:
    """Draw one time as an arrow, over the bar that the sheet allows or asks for."""
    look, point = sheet.look, sheet.us_per_point
    a, b = found.begin_ps / PS_PER_US, found.end_ps / PS_PER_US
    sheet.name(y, found.name)
    right = b
    if found.limit_ns is not None:
        limit = found.limit_ns / 1000
        if found.name in AT_MOST:
            bar, hatch = (a, a + limit), None
        elif found.name == "tDSU":
            bar, hatch = (b - limit, b), "//////"
        else:
            bar, hatch = (a, a + limit), "//////"
        sheet.boxes([bar], y - 2.6, y + 2.6, face=look.shade, edge=look.quiet, hatch=hatch, z=2.0)
        right = max(right, bar[1])
    # A time that ends beyond the picture runs out of it without an end mark.
    cut = b > sheet.right_us
    b = min(b, sheet.right_us)
    right = min(right, sheet.right_us)
    ends = [[(x, y - 3.4), (x, y + 3.4)] for x in ((a,) if cut else (a, b))]
    sheet.lines([[(a, y), (b, y)], *ends], color=look.ink, width=1.1, z=5.0)
    if (b - a) / point > 9:
        tip = 3.6 * point
        sheet.shapes(
            [
                [(a, y), (a + tip, y - 2), (a + tip, y + 2)],
                [(b, y), (b - tip, y - 2), (b - tip, y + 2)],
            ],
            face=look.ink,
            z=5.0,
        )
    text = f"{found.length_ps / 1000:.0f} ns"
    if found.limit_ns is not None:
        word = "at most" if found.name in AT_MOST else "at least"
        text += f" (sheet: {word} {found.limit_ns})"
    wide = len(text) * 3.9 + 8
    if (sheet.right_us - right) / point + 60 > wide:
        sheet.text(right + 4 * point, y, text, size=6.4, mono=True, ha="left")
    else:
        sheet.text(a - 4 * point, y, text, size=6.4, mono=True, ha="right", ground=True)


def _draw_legend(sheet: Sheet, y: float) -> None:
    look, point = sheet.look, sheet.us_per_point
    x = sheet.left_us
    entries = (
        ("the sheet allows this long", look.shade, None),
        ("the sheet asks for this long", look.shade, "//////"),
    )
    for text, face, hatch in entries:
        sheet.boxes(
            [(x, x + 18 * point)], y - 2.6, y + 2.6, face=face, edge=look.quiet, hatch=hatch
        )
        sheet.text(x + 22 * point, y, text, size=6.4, ha="left", color=look.quiet, style="italic")
        x += 136 * point
    sheet.lines(
        [
            [(x, y), (x + 18 * point, y)],
            [(x, y - 3), (x, y + 3)],
            [(x + 18 * point, y - 3), (x + 18 * point, y + 3)],
        ],
        color=look.ink,
        width=1.1,
    )
    sheet.text(
        x + 22 * point, y, "this capture", size=6.4, ha="left", color=look.quiet, style="italic"
    )


def _draw_table(
    sheet: Sheet,
    top: float,
    names: Sequence[str],
    timings: Mapping[str, Timing],
    shown: Mapping[str, _Shown],
    limits: MakersLimits | None,
    step: int,
) -> None:
    """List every time: the sheet's limit, this cycle, the whole capture, and what that says."""
    look, point = sheet.look, sheet.us_per_point
    left = sheet.left_us - (GUTTER - 4) * point
    wide = sheet.width - 8
    size = min(6.8, 6.8 * wide / 460)
    at = [left + share * wide * point for share in (0.0, 0.08, 0.42, 0.54, 0.65, 0.76, 0.87)]
    heads = ("", "", "sheet", "here", "usual", "99 of 100", "")
    for x, text in zip(at, heads, strict=True):
        sheet.text(x, top, text, size=size, ha="left", style="italic", color=look.quiet)
    sheet.lines([[(left, top + 6), (left + wide * point, top + 6)]], color=look.ink, width=0.7)
    y = top + 13
    for name in names:
        timing, most = timings[name], name in AT_MOST
        limit = limits[name] if limits else None
        worst, usual = timing.worst_ps(most), timing.usual_ps()
        here = shown[name].length_ps if name in shown else None
        sign = "≤" if most else "≥"
        cells = (
            name,
            MEANINGS[name],
            f"{sign} {limit} ns" if limit is not None else "-",
            _ns(here),
            _ns(usual),
            f"{sign} {_ns(worst)}" if worst is not None else "-",
            "chooses the sheet" if name == "tCYC" else _says(name, worst, limits, step),
        )
        for column, (x, text) in enumerate(zip(at, cells, strict=True)):
            sheet.text(
                x,
                y,
                text,
                size=size,
                ha="left",
                mono=column not in (1, 6),
                weight="bold" if column == 0 or text == "outside" else "normal",
            )
        y += _ROW


def _ns(time_ps: int | None) -> str:
    return "-" if time_ps is None else f"{time_ps / 1000:.0f} ns"


def _says(name: str, worst: int | None, limits: MakersLimits | None, step: int) -> str:
    """Whether the limit is kept, as far as samples can tell."""
    if worst is None:
        return "not seen"
    return (rule_on(name, worst, limits, step) if limits else None) or ""
