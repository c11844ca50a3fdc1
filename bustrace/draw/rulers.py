"""What frames the lanes: cycle numbers, time, shaded regions, the key."""

from __future__ import annotations

import numpy as np

from bustrace.cycles.model import IN_RESET
from bustrace.draw.bins import runs
from bustrace.draw.lanes import View
from bustrace.draw.look import MONO_ADVANCE
from bustrace.draw.plate import time_text
from bustrace.draw.sheet import GUTTER, PS_PER_US, card, serif_width, wrap
from bustrace.hookup.model import SELECT, Tap

_STEPS = (1, 2, 5)
_PS_PER_NS = 1000
_RESET_HATCH = ".."
"""Dots, in grey too unlike the strokes of what was not captured."""
_TIME_UNITS = (("s", 10**12), ("ms", 10**9), ("µs", 10**6), ("ns", _PS_PER_NS))


def round_step(least: float) -> int:
    """Smallest of 1, 2, 5, 10, 20, 50 ... that is not under `least`."""
    power = 1
    while True:
        for step in _STEPS:
            if step * power >= least:
                return step * power
        power *= 10


def draw_cycle_ruler(view: View, y: float, bottom: float) -> None:
    """Number the cycles above the lanes, with faint rulings through them."""
    window, sheet, look = view.window, view.sheet, view.sheet.look
    if window.count <= 0:
        return
    label_wide = len(f"{window.last:,}") * 4.4 + 8
    step = round_step(label_wide / view.points_per_cycle)
    number = np.arange(-(-window.first // step) * step, window.last + 1, step)
    inside = number - window.first
    begin = view.starts_ps[inside] / PS_PER_US
    middle = (view.starts_ps[inside] + view.ends_ps[inside]) / 2 / PS_PER_US
    narrow = view.points_per_cycle < 6
    for at, x in zip(number.tolist(), (begin if narrow else middle).tolist(), strict=True):
        sheet.text(x, y - 6, f"{at:,}", size=6.8, mono=True)
    sheet.name(y - 6, "cycle", inset=20.0)
    last = int(view.ends_ps[-1])
    if view.reading.cycles.clock.stops_ps is not None and sheet.end_ps > last:
        rest = last / PS_PER_US
        if sheet.fits("clock at rest", (sheet.right_us - rest) / sheet.us_per_point, 6.8):
            half = (rest + sheet.right_us) / 2
            sheet.text(half, y - 6, "clock at rest", size=6.8, style="italic", color=look.quiet)
    sheet.rule(y, color=look.ink, width=0.8)
    ticks = begin if narrow else view.starts_ps / PS_PER_US
    sheet.lines([[(x, y), (x, y + 3)] for x in ticks.tolist()], color=look.ink, width=0.7)
    sheet.lines(
        [[(x, y + 3), (x, bottom)] for x in ticks.tolist()], color=look.faint, width=0.5, z=0.6
    )


def draw_time_ruler(view: View, y: float) -> None:
    """Mark the capture's time below the lanes."""
    sheet, look = view.sheet, view.sheet.look
    span = sheet.end_ps - sheet.start_ps
    # Nanoseconds are the finest: no analyser's sample is shorter than that.
    step = round_step(70 / sheet.plot_width * span / _PS_PER_NS) * _PS_PER_NS
    first = -(-sheet.start_ps // step) * step
    marks = range(first, sheet.end_ps + 1, step)
    sheet.lines(
        [[(t / PS_PER_US, y), (t / PS_PER_US, y + 3)] for t in marks], color=look.ink, width=0.7
    )
    sheet.name(y + 9, "time", inset=20.0)
    unit, size = next((u, s) for u, s in _TIME_UNITS if step * 10 >= s or u == "ns")
    digits = next(d for d in range(13) if step * 10**d % size == 0)
    for t in marks:
        sheet.text(
            t / PS_PER_US,
            y + 9,
            f"{t / size:,.{digits}f} {unit}",
            size=6.4,
            mono=True,
            color=look.quiet,
        )


def shade_reset(view: View, top: float, bottom: float) -> None:
    """Shade the cycles in which reset was active."""
    sheet, look = view.sheet, view.sheet.look
    flags = view.reading.cycles.flags[view.span]
    held = [(a, b) for a, b, on in runs((flags & IN_RESET != 0).astype(np.int64)) if on]
    if not held:
        return
    # Chatter may give thousands of spans: those that share a column become one.
    spans: list[tuple[float, float]] = []
    least = sheet.us_per_point / 2
    for a, b in held:
        begin = float(view.starts_ps[a]) / PS_PER_US
        end = float(view.ends_ps[b - 1]) / PS_PER_US
        if spans and begin - spans[-1][1] < least:
            spans[-1] = (spans[-1][0], end)
        else:
            spans.append((begin, end))
    sheet.boxes(
        spans, top, bottom, face=look.shade, edge=look.quiet, hatch=_RESET_HATCH, width=0.0, z=0.3
    )
    begin, end = max(spans, key=lambda span: span[1] - span[0])
    text = "in reset"
    if sheet.fits(text, (end - begin) / sheet.us_per_point, 7.0):
        sheet.text(
            (begin + end) / 2,
            top + 0.5,
            text,
            size=7.0,
            style="italic",
            color=look.quiet,
            ground=True,
        )


def shade_gaps(view: View, top: float, bottom: float) -> None:
    """Cross-hatch the time in which nothing was recorded."""
    sheet, look = view.sheet, view.sheet.look
    gaps = view.reading.capture.gaps
    if len(gaps) == 0:
        return
    seen = gaps[(gaps[:, 1] > sheet.start_ps) & (gaps[:, 0] < sheet.end_ps)]
    spans: list[tuple[float, float]] = []
    for begin, end in (np.clip(seen, sheet.start_ps, sheet.end_ps) / PS_PER_US).tolist():
        if spans and begin - spans[-1][1] < sheet.us_per_point / 2:
            spans[-1] = (spans[-1][0], end)
        else:
            spans.append((begin, end))
    sheet.boxes(spans, top, bottom, face=look.paper, edge=look.faint, hatch="xx", z=6.5)
    for begin, end in spans:
        if sheet.fits("nothing recorded", (end - begin) / sheet.us_per_point, 7.0):
            sheet.text(
                (begin + end) / 2,
                (top + bottom) / 2,
                "nothing recorded",
                size=7.0,
                style="italic",
                ground=True,
                z=7,
            )


def why_empty(view: View) -> list[str]:
    """Why there are no cycles, in lines that fit the plot."""
    reason = view.reading.cycles.reason or "none was found"
    return wrap(f"No bus cycles: {reason}", view.sheet.plot_width, 9.5)


def say_why_empty(view: View, ruler: float) -> None:
    """Write above the lanes, where the cycle numbers would be, why there are none."""
    lines = why_empty(view)
    for at, line in enumerate(lines):
        y = ruler - 6 - 14 * (len(lines) - 1 - at)
        view.sheet.text(view.sheet.left_us, y, line, size=9.5, ha="left", weight="bold")


def name_clip(view: View, tap: Tap, label: str, y: float) -> None:
    """Write the capture's own name of a line where it says something else than the label."""

    def bare(name: str) -> str:
        return "".join(c for c in name.casefold() if c.isalnum())

    pin = bare(tap.name)
    same = bare(tap.line) == pin or (tap.pin.startswith(SELECT) and pin in bare(tap.line))
    wide = serif_width(label, 7.5) + len(tap.line) * 5.4 * MONO_ADVANCE + 4
    if same or wide > GUTTER - 10:
        return
    sheet = view.sheet
    sheet.text(
        sheet.left_us - 62 * sheet.us_per_point,
        y,
        tap.line,
        size=5.4,
        mono=True,
        ha="left",
        color=sheet.look.quiet,
    )


def _any_reset(view: View) -> bool:
    return bool((view.reading.cycles.flags[view.span] & IN_RESET).any())


def draw_key(view: View, y: float) -> None:
    """Say what the shapes mean, on one line."""
    sheet, look = view.sheet, view.sheet.look
    if view.window.count <= 0:
        return
    point = sheet.us_per_point
    x = sheet.left_us
    if view.detail == "columns":
        text = (
            "dark = often (address), mostly high (lines, data)   ·   a band = both levels within "
            "the column"
        )
        if _any_reset(view):
            text += "   ·   dotted = in reset"
        sheet.text(x, y, text, size=6.4, ha="left", color=look.quiet, style="italic")
        return
    samples = [
        ("read", False, look.card, look.ink, None),
        ("written by the CPU", True, look.write, look.write, None),
        ("not captured or unknown", False, look.shade, look.quiet, "////"),
    ]
    if _any_reset(view):
        samples.append(("in reset", False, look.shade, look.quiet, _RESET_HATCH))
    for text, left_cut, face, edge, hatch in samples:
        shape = card(x, x + 16 * point, y - 4, y + 4, 2.5 * point, 2.5, left_cut=left_cut)
        sheet.shapes([shape], face=face, edge=edge, hatch=hatch)
        sheet.text(x + 20 * point, y, text, size=6.4, ha="left", color=look.quiet, style="italic")
        x += (34 + serif_width(text, 6.4)) * point


def window_text(view: View) -> str:
    """What is shown, in words."""
    window, n = view.window, len(view.reading.cycles)
    span = time_text(window.end_ps - window.start_ps)
    if window.count <= 0:
        return f"{span}, no bus cycles"
    if window.count == n:
        return f"all {n:,} cycles, {span}"
    return f"cycles {window.first:,} to {window.last:,} of {n:,}, {span}: {window.why}"
