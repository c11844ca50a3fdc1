"""When lines move around the clock's fall, and where the levels were taken."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from bustrace.cycles import Sampling
from bustrace.draw.bins import I64, runs
from bustrace.draw.lanes import SHOWN_NAMES
from bustrace.draw.plate import LINE, TEXT, Plate, cannot_show, capture_facts, hang, no_cycles
from bustrace.draw.rulers import round_step
from bustrace.draw.sheet import Sheet
from bustrace.hookup import ADDRESS_PINS, CLOCK_PINS, DATA_PINS, Tap

if TYPE_CHECKING:
    from bustrace.reading import Reading

TITLE = "When lines move around the clock's fall"
_WAVE = 16.0
_GROUP = 40.0
_LINE_HEIGHT = 6.6
_QUIET = 0.001
"""Share of the bus lines' moves up to which a bin counts as quiet."""
_BUSY = 0.01
"""Share of a group's moves from which a bin counts as one of its times to move."""
_MOST_STRETCHES = 3
_PS_PER_NS = 1000
_FOOT = (
    "Address and R/W must be valid from tADS after the fall until tAH after the next; read data "
    "from tDSU before the fall until tDHR after it (makers' data sheets). So the quiet place just "
    "before the fall is where all of them can be read at once.",
)


@dataclass(frozen=True, slots=True)
class _Group:
    """Lines that move alike."""

    name: str
    taps: tuple[Tap, ...]
    counts: I64

    @property
    def total(self) -> int:
        return int(self.counts.sum())


def draw_line_moves(
    reading: Reading,
    *,
    ax: Axes | None = None,
    width: float = 11.0,
    title: str | None = None,
    print_safe: bool = False,
) -> Figure | Axes:
    """Draw the histogram of line movements by time from the fall of phase 2.

    Parameters
    ----------
    reading : Reading
    ax, width, title, print_safe
        As in `draw_bus_cycle`.

    Returns
    -------
    Axes or Figure
        `ax` where it was given. A capture without samples between the edges gives a picture that
        says so.
    """
    missing, sampling = no_cycles(reading), reading.cycles.sampling
    if missing is None and sampling is None:
        missing = (
            "it has no clock line: where phase 2 falls was estimated from these very moves"
            if reading.capture.mode == "timing"
            else "it has one row a cycle: when a line moved within the cycle was not recorded"
        )
    if missing is not None or sampling is None:
        compose = cannot_show(
            reading,
            TITLE,
            missing or "",
            "Sample with the analyser's own clock (timing mode), at ten times the board's clock "
            "or more, with phase 2 on one of the clips.",
        )
    else:
        shown = sampling

        def compose(points: float) -> Plate:
            return _Picture(reading, shown, points).plate()

    return hang(compose, ax=ax, width=width, title=title, print_safe=print_safe)


def _groups(reading: Reading, sampling: Sampling) -> list[_Group]:
    taps = [tap for tap in reading.hookup.taps if tap.pin not in CLOCK_PINS]
    control = [t for t in taps if t.pin in ("RW", "SYNC")]
    chosen = (
        ("address", [t for t in taps if t.pin in ADDRESS_PINS]),
        ("R/W, SYNC" if reading.board.has_pin("SYNC") else "R/W", control),
        ("data", [t for t in taps if t.pin in DATA_PINS]),
        ("selects", list(reading.hookup.selects)),
    )
    return [
        _Group(name, tuple(mine), sampling.moves[[t.index for t in mine]].sum(axis=0))
        for name, mine in chosen
        if mine
    ]


class _Picture:
    """The histogram, laid out for a width."""

    def __init__(self, reading: Reading, sampling: Sampling, width: float) -> None:
        self._reading, self._sampling = reading, sampling
        self._left, self._right = 74.0, width - 84.0
        bins = sampling.bins_ps
        self._bin = int(bins[1] - bins[0]) if len(bins) > 1 else 1
        self._start, self._end = int(bins[0]), int(bins[-1]) + self._bin
        self._groups = _groups(reading, sampling)
        ordered = {tap.pin: tap for group in self._groups for tap in group.taps}
        rest = [t for t in reading.hookup.taps if t.pin not in (*ordered, *CLOCK_PINS)]
        self._taps = [*ordered.values(), *rest]
        self._quiet = self._quiet_window()

    def _x(self, time_ps: float) -> float:
        share = (time_ps - self._start) / (self._end - self._start)
        return self._left + share * (self._right - self._left)

    def _quiet_window(self) -> tuple[int, int] | None:
        """Bins around the sampling point in which no bus line moves: first and end, or None."""
        buses = [g.counts for g in self._groups if g.name != "selects"]
        if not buses:
            return None
        total = np.sum(buses, axis=0)
        quiet = total <= _QUIET * total.sum()
        middle = self._sampling.bins_ps + self._bin // 2
        at = int(np.argmin(np.abs(middle - self._sampling.offset_ps)))
        if not quiet[at] or not total.sum():
            return None
        busy = np.flatnonzero(~quiet)
        before, after = busy[busy < at], busy[busy > at]
        first = int(before[-1]) + 1 if len(before) else 0
        end = int(after[0]) if len(after) else len(quiet)
        return first, end

    def plate(self) -> Plate:
        """The picture, not drawn yet."""
        sampled = -self._sampling.offset_ps
        facts = [
            *capture_facts(self._reading),
            f"levels taken {_ns(abs(sampled))} {'before' if sampled >= 0 else 'after'} the fall "
            "is seen",
        ]
        if self._quiet is not None:
            wide = (self._quiet[1] - self._quiet[0]) * self._bin
            facts.append(f"{_ns(wide)} quiet around it")
        said = [self._sentence(group) for group in self._groups]
        height = 24 + _WAVE + len(self._groups) * (_GROUP + 8) + 14
        height += _LINE_HEIGHT * len(self._taps) + 36 + LINE * len(said)

        def paint(sheet: Sheet, top: float) -> None:
            self._paint(sheet, top, said)

        return Plate(TITLE, tuple(facts), height, paint, _FOOT)

    def _paint(self, sheet: Sheet, top: float, said: Sequence[str]) -> None:
        look = sheet.look
        y = top + 16
        plot_top = y
        self._draw_clock(sheet, y, y + _WAVE)
        y += _WAVE + 8
        for group in self._groups:
            self._draw_histogram(sheet, group, y, y + _GROUP)
            y += _GROUP + 8
        y += 4
        for tap in self._taps:
            self._draw_line(sheet, tap, y)
            y += _LINE_HEIGHT
        bottom = y + 3
        self._draw_axis(sheet, bottom)
        self._draw_sampling(sheet, plot_top - 4, bottom)
        y = bottom + 34
        for text in said:
            sheet.text(self._left, y, text, size=TEXT, ha="left", color=look.ink)
            y += LINE

    def _draw_clock(self, sheet: Sheet, top: float, bottom: float) -> None:
        clock = self._reading.cycles.clock
        rise = -(clock.high_ps or -self._start)
        again = clock.low_ps or self._end
        corners = [(self._start, bottom)]
        for time, up in ((rise, True), (0, False), (again, True)):
            if self._start <= time <= self._end:
                corners += [(time, bottom if up else top), (time, top if up else bottom)]
        corners.append((self._end, corners[-1][1]))
        if rise < self._start:
            corners[0] = (self._start, top)
        sheet.lines([[(self._x(t), y) for t, y in corners]], color=sheet.look.ink, width=1.1)
        sheet.text(self._left - 6, (top + bottom) / 2, "φ2", size=7.5, ha="right")
        sheet.text(self._x(0) + 3, (top + bottom) / 2, "fall", size=6.4, ha="left", style="italic")

    def _draw_histogram(self, sheet: Sheet, group: _Group, top: float, bottom: float) -> None:
        look = sheet.look
        most = int(group.counts.max(initial=0))
        sheet.lines(
            [[(self._left, bottom), (self._right, bottom)]], color=look.quiet, width=0.6, z=2.0
        )
        sheet.text(self._left - 6, (top + bottom) / 2, group.name, size=7.5, ha="right")
        sheet.text(
            self._right + 5,
            (top + bottom) / 2,
            f"{group.total:,} moves",
            size=6.2,
            mono=True,
            ha="left",
            color=look.quiet,
        )
        if not most:
            return
        wide = (self._right - self._left) / len(group.counts)
        bars = []
        for at in np.flatnonzero(group.counts).tolist():
            # The rarest bar stays visible: half a point at least.
            high = max((bottom - top) * int(group.counts[at]) / most, 0.6)
            a = self._x(int(self._sampling.bins_ps[at]))
            b = a + wide - min(0.8, wide / 4)
            bars.append([(a, bottom), (b, bottom), (b, bottom - high), (a, bottom - high)])
        sheet.shapes(bars, face=look.ink, z=3.0)

    def _draw_line(self, sheet: Sheet, tap: Tap, y: float) -> None:
        """One line as a row of squares: dark where it often moves."""
        counts = self._sampling.moves[tap.index].astype(np.float64)
        label = SHOWN_NAMES.get(tap.name, tap.name)
        sheet.text(self._left - 6, y + _LINE_HEIGHT / 2, label, size=5.4, ha="right", mono=True)
        total, most = int(counts.sum()), float(counts.max(initial=0.0))
        if not total:
            sheet.text(
                self._right + 5,
                y + _LINE_HEIGHT / 2,
                "never moves",
                size=5.4,
                mono=True,
                ha="left",
                color=sheet.look.quiet,
            )
        dark = np.where(counts > 0, 0.15 + 0.85 * np.sqrt(counts / max(most, 1.0)), np.nan)
        sheet.strip(
            dark[np.newaxis, :], y + 0.5, y + _LINE_HEIGHT - 0.5, span=(self._left, self._right)
        )

    def _draw_axis(self, sheet: Sheet, y: float) -> None:
        look = sheet.look
        sheet.lines([[(self._left, y), (self._right, y)]], color=look.ink, width=0.8)
        points = self._right - self._left
        step = round_step(52 / points * (self._end - self._start) / _PS_PER_NS) * _PS_PER_NS
        for time in range(-(-self._start // step) * step, self._end + 1, step):
            x = self._x(time)
            sheet.lines([[(x, y), (x, y + 3)]], color=look.ink, width=0.7)
            text = "0" if time == 0 else f"{time // _PS_PER_NS:+,}"
            # The mark of the sampling point stands in the row of the numbers.
            if abs(x - self._x(self._sampling.offset_ps)) > 6 + 2 * len(text):
                sheet.text(x, y + 9, text, size=6.4, mono=True, color=look.quiet)
        sheet.text(
            self._right + 16, y + 9, "ns from the fall", size=6.4, ha="left", color=look.quiet
        )
        sheet.lines([[(self._x(0), y), (self._x(0), y - 4)]], color=look.ink, width=0.7)

    def _draw_sampling(self, sheet: Sheet, top: float, bottom: float) -> None:
        look = sheet.look
        fall = self._x(0)
        sheet.lines([[(fall, top), (fall, bottom)]], color=look.quiet, width=0.6, style="dotted")
        if self._quiet is not None:
            first, end = self._quiet
            a = self._x(self._start + first * self._bin)
            b = self._x(self._start + end * self._bin)
            sheet.boxes([(a, b)], top, bottom, face=look.shade, z=0.4)
            sheet.text((a + b) / 2, top - 5, "quiet", size=6.8, style="italic", color=look.quiet)
        x = self._x(self._sampling.offset_ps)
        sheet.lines([[(x, top), (x, bottom)]], color=look.fault, width=1.4, z=5.0)
        sheet.shapes(
            [[(x - 4, bottom + 7), (x + 4, bottom + 7), (x, bottom)]], face=look.fault, z=5.5
        )
        sheet.text(x, bottom + 18, "sampled here", size=6.8, weight="bold", color=look.fault)

    def _sentence(self, group: _Group) -> str:
        """When a group moves, in words."""
        if not group.total:
            return f"{group.name}: never moves."
        busy = group.counts >= max(_BUSY * group.total, 1)
        times = [
            f"{_signed(self._start + a * self._bin)} to {_signed(self._start + b * self._bin)}"
            for a, b, on in runs(busy.astype(np.int64))
            if on
        ]
        more = f" and {len(times) - _MOST_STRETCHES} more" if len(times) > _MOST_STRETCHES else ""
        joined = ", ".join(times[:_MOST_STRETCHES])
        return f"{group.name[:1].upper()}{group.name[1:]}: moves {joined} ns from the fall{more}."


def _signed(time_ps: int) -> str:
    rounded = round(time_ps / _PS_PER_NS)
    return f"{rounded:+,}" if rounded else "0"


def _ns(time_ps: int) -> str:
    return f"{time_ps / _PS_PER_NS:,.0f} ns"
