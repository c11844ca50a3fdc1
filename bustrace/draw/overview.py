"""The heading, and the strip of the whole capture with the window marked."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bustrace.draw.buses import address_density, block_bits, data_shares
from bustrace.draw.lanes import View, choose_lanes
from bustrace.draw.plate import file_name, time_text
from bustrace.draw.rulers import shade_gaps, shade_reset, window_text
from bustrace.draw.sheet import PS_PER_US, Sheet, useful_columns
from bustrace.draw.waves import draw_wave
from bustrace.draw.window import Window, choose_window
from bustrace.units import format_rate

if TYPE_CHECKING:
    from bustrace.diagnosis.model import Diagnosis

HEAD_HEIGHT = 36.0
OVERVIEW_HEIGHT = 58.0
_STRIP = 34.0


_BADGE = {"healthy up to": "healthy as far as captured"}


def draw_heading(view: View, sheet: Sheet, diagnosis: Diagnosis | None, title: str | None) -> None:
    """Write the heading and, below it, what the picture shows."""
    point = sheet.us_per_point
    left = sheet.left_us - 62 * point
    source = file_name(view.reading)
    board = view.reading.board
    named = board.name if board.source else source
    heading = title if title is not None else named
    sheet.text(left, 10, heading, size=12.0, ha="left", weight="bold")
    facts = [window_text(view)] if heading == source else [source, window_text(view)]
    clock, rate = view.reading.cycles.clock, view.reading.capture.rate
    if clock.period_ps:
        facts.append(f"cycle {time_text(clock.period_ps)}")
    if rate is not None:
        facts.append(f"sampled at {format_rate(rate, 'S/s')}")
    sheet.text(
        left, 26, "   ·   ".join(facts), size=7.5, ha="left", color=sheet.look.quiet, style="italic"
    )
    if diagnosis is not None:
        sheet.text(
            sheet.right_us + 58 * point,
            10,
            _BADGE.get(diagnosis.verdict, diagnosis.verdict),
            size=9.5,
            ha="right",
            weight="bold",
            color=sheet.look.fault if diagnosis.verdict == "fault" else sheet.look.ink,
        )


def draw_overview(
    view: View,
    sheet: Sheet,
    diagnosis: Diagnosis | None,
    title: str | None,
    height: float,
    *,
    strip: bool,
) -> None:
    """Draw the heading and, with `strip`, the whole capture.

    Parameters
    ----------
    view : View
        The timeline below.
    sheet : Sheet
        Where to draw, on axes of its own.
    """
    reading = view.reading
    columns = useful_columns(sheet.plot_width, len(reading.cycles))
    whole = Sheet(sheet.ax, sheet.look, reading.capture.start_ps, _end(view), sheet.width, columns)
    whole.prepare(height)
    draw_heading(view, whole, diagnosis, title)
    if not strip:
        return
    everything = choose_window(reading, None, first=0)
    window = Window(everything.first, everything.last, whole.start_ps, whole.end_ps, "")
    full = View(reading, window, whole)
    top = HEAD_HEIGHT + 6
    bottom = top + _STRIP
    whole.name((top + bottom) / 2 - 4, "whole")
    whole.name((top + bottom) / 2 + 5, "capture")
    low, pins = block_bits(reading.board), reading.board.address_mask
    if reading.hookup.address_mask >> low & pins >> low == pins >> low:
        whole.strip(address_density(full, columns), top, bottom)
        whole.readout((top + bottom) / 2, "address", size=5.8)
    elif reading.hookup.data_mask:
        whole.strip(data_shares(full, columns), top, bottom)
        whole.readout((top + bottom) / 2, "D7 to D0", size=5.8)
    else:
        waves = [lane for lane in choose_lanes(full, None) if lane.kind == "wave"][:2]
        for at, lane in enumerate(waves):
            draw_wave(full, lane, top + 17 * at, top + 17 * at + 15)
    shade_reset(full, top, bottom)
    shade_gaps(full, top, bottom)
    _draw_marks(full, diagnosis, top, bottom)
    _draw_window(full, view.window, top, bottom)


def _end(view: View) -> int:
    capture, cycles = view.reading.capture, view.reading.cycles
    last = int(cycles.time_ps[-1]) if len(cycles) else capture.end_ps
    return max(capture.end_ps, last, capture.start_ps + 1)


def _draw_window(full: View, window: Window, top: float, bottom: float) -> None:
    """Draw a bracket around the window, and lines that open to the timeline below."""
    sheet, look = full.sheet, full.sheet.look
    point = sheet.us_per_point
    left, right = window.start_ps / PS_PER_US, window.end_ps / PS_PER_US
    middle = (left + right) / 2
    left, right = min(left, middle - 2 * point), max(right, middle + 2 * point)
    sheet.boxes([(left, right)], top - 3, bottom + 3, face="none", edge=look.ink, width=1.3, z=5)
    foot = bottom + 15
    sheet.lines(
        [
            [(left, bottom + 3), (sheet.left_us, foot)],
            [(right, bottom + 3), (sheet.right_us, foot)],
        ],
        color=look.quiet,
        width=0.6,
    )


def _draw_marks(full: View, diagnosis: Diagnosis | None, top: float, bottom: float) -> None:
    """Tick the findings below the strip, and flag the derail above it."""
    if diagnosis is None:
        return
    sheet, look = full.sheet, full.sheet.look
    end = full.reading.cycles.time_ps
    seen = sorted(
        {
            int(end[cycle]) * 1.0
            for finding in diagnosis.findings
            if finding.severity == "fault"
            for cycle in finding.cycles
            if cycle < len(end)
        }
    )
    sheet.lines(
        [[(t / PS_PER_US, bottom + 1), (t / PS_PER_US, bottom + 6)] for t in seen[:400]],
        color=look.fault,
        width=1.0,
    )
    if diagnosis.derail is not None and diagnosis.derail.cycle < len(end):
        x = int(end[diagnosis.derail.cycle]) / PS_PER_US
        point = sheet.us_per_point
        sheet.lines([[(x, top - 6), (x, bottom)]], color=look.fault, width=1.2, z=5.5)
        sheet.shapes(
            [[(x, top - 8), (x + 8 * point, top - 5), (x, top - 2)]], face=look.fault, z=5.5
        )
