"""Single lines: true waveforms, bands where they are too fast for the picture, and selects."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import numpy.typing as npt

from bustrace.draw.bins import I64, Shares, column_edges, level_shares, runs
from bustrace.draw.lanes import Lane, View
from bustrace.draw.sheet import PS_PER_US
from bustrace.hookup.model import CLOCK_PINS
from bustrace.units import PS_PER_SECOND, format_rate

_POINTS_PER_EDGE = 1.0
"""Closer edges than this, on average, are drawn as a band."""
_EDGES_A_COLUMN = 12


def is_quiet(view: View, lane: Lane) -> bool:
    """Whether a line keeps one level all through the window."""
    if lane.tap is None:
        return False
    level = view.trace(lane.tap)[1]
    return len(level) == 0 or bool((level == level[0]).all())


def draw_wave(view: View, lane: Lane, top: float, bottom: float) -> None:
    """Draw the pin's level as the probe saw it, high at the top."""
    if lane.tap is None:
        return
    time, level, end = view.trace(lane.tap)
    if len(time) == 0:
        return
    high, low = top + 1.5, bottom - 1.5
    edge = np.flatnonzero(np.diff(level)) + 1
    if len(edge) * _POINTS_PER_EDGE > view.sheet.plot_width:
        edges = _band_edges(view, len(edge))
        shares = level_shares(time, level, end, edges)
        _draw_band(view, edges, shares, high, low)
        _read_band(view, lane, time, level, shares, (top + bottom) / 2)
        return
    begin = np.clip(time[np.concatenate(([0], edge))], view.sheet.start_ps, None) / PS_PER_US
    finish = np.append(begin[1:], min(end, view.sheet.end_ps) / PS_PER_US)
    held = level[np.concatenate(([0], edge))]
    y = np.array([low, high, (low + high) / 2])[held]
    corner = np.empty((2 * len(begin), 2))
    corner[0::2, 0], corner[1::2, 0] = begin, finish
    corner[0::2, 1], corner[1::2, 1] = y, y
    constant = len(edge) == 0
    crowded = len(edge) * 2 * _POINTS_PER_EDGE > view.sheet.plot_width
    width = 1.2 if constant else 0.6 if crowded else 1.0
    view.sheet.lines([corner], color=view.sheet.look.ink, width=width)
    _draw_unknown(view, begin, finish, held == 2, high, low)
    if constant:
        # The plate shows a part of the capture: nothing is said of the rest.
        words = ("stays low here", "stays high here", "unknown here")
        view.sheet.readout((top + bottom) / 2, words[int(held[0])])


def draw_select(view: View, lane: Lane, top: float, bottom: float) -> None:
    """Draw a bar while the chip is selected, on a thin line."""
    if lane.tap is None:
        return
    time, level, end = view.trace(lane.tap)
    if len(time) == 0:
        return
    look, sheet = view.sheet.look, view.sheet
    middle, half = (top + bottom) / 2, min((bottom - top) / 2 - 1.5, 3.6)
    sheet.rule(middle, color=look.quiet, width=0.6)
    edge = np.flatnonzero(np.diff(level)) + 1
    if len(edge) * _POINTS_PER_EDGE > sheet.plot_width:
        shares = level_shares(time, level, end, _band_edges(view, len(edge)))
        dark = np.where(shares.high > 0, 0.25 + 0.75 * shares.high, np.nan)
        sheet.strip(dark[np.newaxis, :], middle - half, middle + half)
        sheet.readout(middle, f"{_share(shares.high, shares)} selected")
        return
    row = np.concatenate(([0], edge))
    begin = np.clip(time[row], sheet.start_ps, None) / PS_PER_US
    finish = np.append(begin[1:], min(end, sheet.end_ps) / PS_PER_US)
    on = level[row] == 1
    spans = list(zip(begin[on].tolist(), finish[on].tolist(), strict=True))
    sheet.boxes(spans, middle - half, middle + half, face=look.ink, z=3.0)
    _draw_unknown(view, begin, finish, level[row] == 2, middle - half, middle + half)
    if len(edge) == 0:
        text = ("not selected here", "selected here", "unknown here")[int(level[0])]
        sheet.readout(middle, text)


def _draw_unknown(
    view: View,
    begin: npt.NDArray[np.float64],
    finish: npt.NDArray[np.float64],
    unknown: npt.NDArray[np.bool_],
    high: float,
    low: float,
) -> None:
    spans = list(zip(begin[unknown].tolist(), finish[unknown].tolist(), strict=True))
    look = view.sheet.look
    view.sheet.boxes(spans, high, low, face=look.card, edge=look.quiet, hatch="xxxx", z=2.5)


def _band_edges(view: View, edges: int) -> I64:
    """Columns for a line with that many edges: enough edges in each to mean something."""
    sheet = view.sheet
    least = int(sheet.plot_width / 12)
    columns = max(1, min(sheet.columns, max(edges // _EDGES_A_COLUMN, least)))
    return column_edges(sheet.start_ps, sheet.end_ps, columns)


def _draw_band(view: View, edges_ps: I64, shares: Shares, high: float, low: float) -> None:
    """Draw a line's envelope: where it was high, where low, and how much of each."""
    sheet, look = view.sheet, view.sheet.look
    dark = np.where(shares.busy, 0.12 + 0.55 * shares.high, np.nan)
    sheet.strip(dark[np.newaxis, :], high, low)
    edges = edges_ps / PS_PER_US
    for there, y in ((shares.high > 0, high), (shares.low > 0, low)):
        sheet.lines(
            [[(edges[a], y), (edges[b], y)] for a, b, on in runs(there.astype(np.int64)) if on],
            color=look.ink,
            width=0.9,
        )
    lost = [(edges[a], edges[b]) for a, b, on in runs((shares.unknown > 0).astype(np.int64)) if on]
    sheet.boxes(lost, high, low, face=look.card, edge=look.quiet, hatch="xxxx", z=2.5)


def _read_band(
    view: View,
    lane: Lane,
    time: I64,
    level: npt.NDArray[np.uint8],
    shares: Shares,
    y: float,
) -> None:
    """Say in the margin what the band is: the clock's rate, or the share of time high."""
    if lane.key in CLOCK_PINS:
        falls = time[1:][(level[1:] == 0) & (level[:-1] == 1)]
        if len(falls) > 1:
            usual = int(np.median(np.diff(falls)))
            rate = format_rate(Fraction(PS_PER_SECOND, usual))
            view.sheet.readout(y, rate)
            return
    view.sheet.readout(y, f"{_share(shares.high, shares)} high")


def _share(part: npt.NDArray[np.float64], shares: Shares) -> str:
    whole = float((shares.high + shares.low + shares.unknown).sum())
    percent = 100 * float(part.sum()) / whole if whole else 0.0
    if 0 < percent < 1:
        return "<1 %"
    return ">99 %" if 99 < percent < 100 else f"{percent:.0f} %"
