"""Which cycles the picture shows, and how they lie in time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from bustrace.cycles import cycle_starts
from bustrace.cycles.model import IN_RESET
from bustrace.program.model import Kind

if TYPE_CHECKING:
    from bustrace.diagnosis.model import Diagnosis
    from bustrace.reading import Reading

BEFORE, AFTER = 9, 16
"""Cycles shown before and after the one a chosen window is about: all of them have room for
their labels in a picture of the usual width."""


@dataclass(frozen=True, slots=True)
class Window:
    """Cycles and time shown.

    Attributes
    ----------
    first, last : int
        Cycles, both included; ``last < first`` where there are none.
    start_ps, end_ps : int
        Time shown; a little more than the cycles where the clock stops in view.
    why : str
        What the window is about.
    """

    first: int
    last: int
    start_ps: int
    end_ps: int
    why: str

    @property
    def count(self) -> int:
        """Number of cycles."""
        return self.last - self.first + 1


def choose_window(
    reading: Reading,
    diagnosis: Diagnosis | None,
    *,
    first: int | None = None,
    last: int | None = None,
    around: int | None = None,
) -> Window:
    """Take the window that was asked for, or the one that tells the story.

    Raises
    ------
    ValueError
        `around` together with `first` or `last`, or `last` before `first`.
    """
    if around is not None and (first is not None or last is not None):
        raise ValueError("give either around, or first and last")
    if first is not None and last is not None and last < first:
        raise ValueError(f"last ({last}) lies before first ({first})")
    cycles, capture = reading.cycles, reading.capture
    n = len(cycles)
    if n == 0:
        start, end = capture.start_ps, max(capture.end_ps, capture.start_ps + 1)
        return Window(0, -1, start, end, "the whole capture: it has no cycles")
    if first is not None or last is not None:
        low, high = first or 0, n - 1 if last is None else last
        why = "as asked"
    else:
        centre, why = (around, "as asked") if around is not None else _story(reading, diagnosis)
        low, high = centre - BEFORE, centre + AFTER
        if low < 0:
            low, high = 0, high - low
        if high >= n:
            low, high = low - (high - n + 1), n - 1
    low, high = min(max(low, 0), n - 1), min(max(high, 0), n - 1)
    starts = cycle_starts(cycles, capture.start_ps)
    start, end = int(starts[low]), int(cycles.time_ps[high])
    if high == n - 1 and cycles.clock.stops_ps is not None:
        end = min(capture.end_ps, end + max((end - start) // 6, 2 * (end - int(starts[high]))))
    return Window(low, high, start, max(end, start + 1), why)


def _story(reading: Reading, diagnosis: Diagnosis | None) -> tuple[int, str]:
    """The cycle a picture should be about when nobody said."""
    n = len(reading.cycles)
    vector = vector_fetch(reading)
    if diagnosis is not None:
        if diagnosis.derail is not None:
            return diagnosis.derail.cycle, "where it leaves the path"
        shown = [
            f.cycles[0] for f in diagnosis.findings if f.severity == "fault" and len(f.cycles) > 0
        ]
        late = [cycle for cycle in shown if vector is None or cycle > vector]
        if late:
            return min(late), "the first fault seen"
    if reading.cycles.clock.stops_ps is not None:
        return n - 1, "where the clock stops"
    if vector is not None:
        return vector, "the reset vector"
    return 0, "the start"


def vector_fetch(reading: Reading) -> int | None:
    """Cycle that reads the reset vector's low byte, or None where none was seen."""
    program, cycles = reading.program, reading.cycles
    # A row of reset ends with the vector's two bytes, unless the capture ends within it.
    for row in np.flatnonzero(program.kind[:-1] == Kind.RESET)[::-1].tolist():
        end = int(program.first_cycle[row] + program.length[row])
        if program.length[row] >= 2 and not (cycles.flags[end - 2 : end] & IN_RESET).any():
            return end - 2
    pins = reading.board.address_mask
    seen = (cycles.address == 0xFFFC & pins) & (cycles.address_known & pins == pins)
    seen &= cycles.flags & IN_RESET == 0
    hits = np.flatnonzero(seen)
    return int(hits[0]) if len(hits) else None
