"""Setup and hold in all cycles, as distributions against the makers' limits."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from bustrace.cpu.makers_limits import AT_MOST, MEANINGS, MakersLimits, makers_limits
from bustrace.cycles import (
    Spread,
    clock_to_trust,
    measure_select,
    measure_timings,
    rule_on,
    sample_ps,
    slack_ps,
    slow_lines,
)
from bustrace.draw.plate import Plate, cannot_show, capture_facts, hang, no_cycles
from bustrace.draw.rulers import round_step
from bustrace.draw.sheet import Sheet
from bustrace.hookup import ADDRESS_PINS, DATA_PINS
from bustrace.units import PS_PER_SECOND, count_words

if TYPE_CHECKING:
    from bustrace.reading import Reading

TITLE = "Setup and hold against the maker's limits"
_ROW, _GAP = 25.0, 13.0
_LEFT, _RIGHT = 172.0, 100.0
_AXIS = 28.0
_KEY = 16.0
_MOST_SELECTS = 6
_PS_PER_NS = 1000
_BINS = 2048
_NAMES = ("tADS", "tRWS", "tAH", "tACC", "tDSU", "tDHR", "tMDS", "tDHW")


@dataclass(frozen=True, slots=True)
class _Row:
    """One time: its distribution, its limit in ns, and what that says."""

    name: str
    meaning: str
    spread: Spread | None
    limit: int | None
    at_most: bool
    said: str


def draw_margins(
    reading: Reading,
    *,
    ax: Axes | None = None,
    width: float = 11.0,
    title: str | None = None,
    print_safe: bool = False,
) -> Figure | Axes:
    """Draw how each time of the maker's sheet is distributed, with the limit beside it.

    Parameters
    ----------
    reading : Reading
    ax, width, title, print_safe
        As in `draw_bus_cycle`.

    Returns
    -------
    Axes or Figure
        `ax` where it was given. A capture without times in the cycle gives a picture that says
        so.
    """
    missing = no_cycles(reading)
    if missing is None and reading.capture.mode == "state":
        missing = "it has one row a cycle, and so no times within the cycle"
    if missing is None and reading.cycles.clock.line is None:
        missing = "it has no clock line to measure against"
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
            return _Picture(reading, points).plate()

    return hang(compose, ax=ax, width=width, title=title, print_safe=print_safe)


class _Picture:
    """The rows, laid out for a width."""

    def __init__(self, reading: Reading, width: float) -> None:
        self._reading = reading
        self._left, self._right = _LEFT, width - _RIGHT
        self._sample = sample_ps(reading.capture)
        self._doubt = clock_to_trust(reading.capture, reading.hookup, reading.cycles)
        self._limits = self._makers_limits()
        self._rows = [*self._named_rows(), *self._select_rows()]
        self._end = self._longest()

    def _makers_limits(self) -> MakersLimits | None:
        period = self._reading.cycles.clock.period_ps
        if self._doubt is not None or not period:
            return None
        return makers_limits(self._reading.board.cpu.variant, Fraction(PS_PER_SECOND, period))

    def _named_rows(self) -> list[_Row]:
        reading, limits = self._reading, self._limits
        timings = measure_timings(reading.capture, reading.hookup, reading.cycles)
        rows = []
        for name in _NAMES:
            spread = timings[name].spread(self._sample, _BINS)
            limit = limits[name] if limits is not None else None
            if spread is None and limit is None:
                continue
            said = "not seen"
            if spread is not None:
                worst = spread.high if name in AT_MOST else spread.low
                said = (rule_on(name, worst, limits, self._sample) if limits else None) or ""
            rows.append(_Row(name, MEANINGS[name], spread, limit, name in AT_MOST, said))
        return rows

    def _select_rows(self) -> list[_Row]:
        reading = self._reading
        rows = []
        for tap in reading.hookup.selects[:_MOST_SELECTS]:
            delay = measure_select(reading.capture, tap, reading.cycles).delay
            spread = delay.spread(self._sample, _BINS)
            if spread is not None:
                rows.append(_Row(tap.name, "fall of phase 2 to selected", spread, None, True, ""))
        return rows

    def _longest(self) -> int:
        """Time at the right edge: what is seen and asked for, a whole cycle at most."""
        ends = [row.spread.high for row in self._rows if row.spread is not None]
        ends += [row.limit * _PS_PER_NS for row in self._rows if row.limit is not None]
        longest = int(1.08 * max(ends, default=_PS_PER_NS)) + 2 * self._sample
        return min(longest, self._reading.cycles.clock.period_ps or longest)

    def _x(self, time_ps: float) -> float:
        share = min(max(time_ps / self._end, 0.0), 1.0)
        return self._left + share * (self._right - self._left)

    def plate(self) -> Plate:
        """The picture, not drawn yet."""
        facts = [*capture_facts(self._reading)]
        if self._limits is not None:
            facts.append(f"limits: {self._limits.grade}")
        height = _KEY + len(self._rows) * (_ROW + _GAP) + _AXIS
        return Plate(TITLE, tuple(facts), height, self._paint, self._foot())

    def _foot(self) -> tuple[str, ...]:
        reading, limits = self._reading, self._limits
        slack = slack_ps(self._sample) / _PS_PER_NS
        told = [
            "A bar for every length in samples, as high as the cycles that show it. Each edge is "
            f"seen in the first sample after it, {self._sample / _PS_PER_NS:.3g} ns apart here. "
            f"Kept or outside is said with {slack:.3g} ns to spare only: a sample, the skew of the "
            "clips, their thresholds; the one cycle in a hundred that is worst is left out."
        ]
        if self._doubt is not None:
            told.append(f"Not held against a maker's sheet: {self._doubt}.")
        elif limits is None:
            told.append("No limits: no sheet at hand covers this clock.")
        else:
            told.append(f"Limits: {limits.grade}, from {limits.source}.")
            if not reading.board.source:
                told.append("No board file names the CPU: an NMOS 6502 is assumed.")
        if any(row.said == "cannot be resolved" for row in self._rows):
            told.append(
                "Cannot be resolved: the limit is shorter than what samples at this rate can tell."
            )
        slow = [
            f"{pin} by {by / _PS_PER_NS:.0f} ns"
            for pins in (ADDRESS_PINS, DATA_PINS)
            for pin, by in slow_lines(reading.capture, reading.hookup, reading.cycles, pins)
        ]
        if slow:
            told.append(f"Slower than the other lines of their bus: {', '.join(slow)}.")
        left = len(reading.hookup.selects) - _MOST_SELECTS
        if left > 0:
            told.append(f"{count_words(left, 'more select')} not shown.")
        return tuple(told)

    def _paint(self, sheet: Sheet, top: float) -> None:
        self._draw_key(sheet, top + 2)
        y = top + _KEY
        bottom = y + len(self._rows) * (_ROW + _GAP)
        self._draw_axis(sheet, y, bottom)
        for row in self._rows:
            self._draw_row(sheet, row, y + _GAP, y + _GAP + _ROW)
            y += _ROW + _GAP

    def _draw_row(self, sheet: Sheet, row: _Row, top: float, bottom: float) -> None:
        look = sheet.look
        sheet.text(self._left - 164, top + 8, row.name, size=8.0, ha="left", weight="bold")
        sheet.text(self._left - 164, top + 19, row.meaning, size=6.2, ha="left", color=look.quiet)
        if row.limit is not None:
            self._draw_limit(sheet, row.limit * _PS_PER_NS, row.at_most, top, bottom)
        sheet.lines(
            [[(self._left, bottom), (self._right, bottom)]], color=look.quiet, width=0.6, z=2.0
        )
        beside = self._right + 6
        if row.spread is None:
            sheet.text(beside, top + 8, row.said, size=7.0, ha="left", color=look.quiet)
            return
        self._draw_bars(sheet, row.spread, top, bottom)
        if row.said:
            bad = row.said == "outside"
            sheet.text(
                beside,
                top + 8,
                row.said,
                size=7.5,
                ha="left",
                weight="bold",
                color=look.fault if bad else look.ink,
            )
        worst = row.spread.high if row.at_most else row.spread.low
        sign = "≤" if row.at_most else "≥"
        sheet.text(
            beside,
            top + 19,
            f"{sign} {worst / _PS_PER_NS:.0f} ns  {row.spread.count:,}",
            size=6.2,
            mono=True,
            ha="left",
            color=look.quiet,
        )

    def _draw_bars(self, sheet: Sheet, spread: Spread, top: float, bottom: float) -> None:
        half = self._sample / 2
        most = int(spread.counts.max())
        bars = []
        for at in np.flatnonzero(spread.counts).tolist():
            # The rarest bar stays visible: half a point at least.
            high = max((bottom - top) * int(spread.counts[at]) / most, 0.6)
            a, b = (self._x(at * self._sample + side * half) for side in (-1, 1))
            b = max(b - min(0.8, (b - a) / 4), a + 0.8)
            bars.append([(a, bottom), (b, bottom), (b, bottom - high), (a, bottom - high)])
        sheet.shapes(bars, face=sheet.look.ink, z=3.0)

    def _draw_limit(
        self, sheet: Sheet, limit: int, at_most: bool, top: float, bottom: float
    ) -> None:
        look, slack = sheet.look, slack_ps(self._sample)
        inside = (0, limit) if at_most else (limit, self._end)
        sheet.boxes([(self._x(inside[0]), self._x(inside[1]))], top, bottom, face=look.shade, z=0.4)
        near = (self._x(limit - slack), self._x(limit + slack))
        sheet.boxes([near], bottom, bottom + 3.2, face=look.paper, edge=look.quiet, hatch="//////")
        x = self._x(limit)
        sheet.lines([[(x, top - 8), (x, bottom + 3.2)]], color=look.fault, width=1.3, z=5.0)
        word = f"{'≤' if at_most else '≥'} {limit // _PS_PER_NS}"
        sheet.text(x + 3, top - 4.5, word, size=6.2, mono=True, ha="left", color=look.fault)

    def _draw_axis(self, sheet: Sheet, top: float, y: float) -> None:
        look = sheet.look
        points = self._right - self._left
        step = round_step(52 / points * self._end / _PS_PER_NS) * _PS_PER_NS
        y += 5
        sheet.lines([[(self._left, y), (self._right, y)]], color=look.ink, width=0.8)
        marks: Sequence[int] = range(0, self._end + 1, step)
        for time in marks:
            x = self._x(time)
            sheet.lines([[(x, y), (x, y + 3)]], color=look.ink, width=0.7)
            sheet.lines([[(x, top), (x, y)]], color=look.faint, width=0.5, z=0.2)
            text = f"{time // _PS_PER_NS:,}"
            sheet.text(x, y + 9, text, size=6.4, mono=True, color=look.quiet)
        sheet.text(self._right + 16, y + 9, "ns", size=6.4, ha="left", color=look.quiet)

    def _draw_key(self, sheet: Sheet, y: float) -> None:
        look = sheet.look
        x = self._left - 164
        entries: list[tuple[str, str, str | None]] = [
            ("inside the sheet's limit", look.shade, None),
            ("too close to it to tell", look.paper, "//////"),
        ]
        for text, face, hatch in entries if self._limits is not None else []:
            sheet.boxes([(x, x + 18)], y - 2.6, y + 2.6, face=face, edge=look.quiet, hatch=hatch)
            sheet.text(x + 22, y, text, size=6.4, ha="left", color=look.quiet, style="italic")
            x += 126
        sheet.shapes([[(x, y + 3), (x + 3, y + 3), (x + 3, y - 3), (x, y - 3)]], face=look.ink)
        sheet.text(x + 8, y, "cycles", size=6.4, ha="left", color=look.quiet, style="italic")
        beside = self._right + 6
        sheet.text(
            beside, y, "99 of 100, cycles", size=6.4, ha="left", color=look.quiet, style="italic"
        )
