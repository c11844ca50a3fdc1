"""Times within the cycle, measured in every cycle of a capture."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from bustrace.draw.bins import I64
from bustrace.draw.window import cycle_starts
from bustrace.hookup import ADDRESS_PINS, DATA_PINS
from bustrace.units import PS_PER_SECOND

if TYPE_CHECKING:
    from bustrace.reading import Reading

Flags = npt.NDArray[np.bool_]
_STRAY = 0.01
"""Share of cycles left out at the worse end: a stray sample is no timing."""


@dataclass(frozen=True, slots=True, eq=False)
class Timing:
    """One time under its name on the sheet. Columns have one row a cycle.

    Attributes
    ----------
    begin_ps, end_ps : int64, shape (n,)
    seen : bool, shape (n,)
        The cycle shows it; a line that does not change has no time.
    """

    begin_ps: I64
    end_ps: I64
    seen: Flags

    @property
    def count(self) -> int:
        """Cycles that show it."""
        return int(self.seen.sum())

    def usual_ps(self) -> int | None:
        """Median over the capture, None where never seen."""
        return int(np.median(self._values())) if self.count else None

    def worst_ps(self, at_most: bool) -> int | None:
        """What 99 of 100 cycles keep: the longest where there is a most, else the shortest."""
        if not self.count:
            return None
        ordered = np.sort(self._values())
        aside = int(_STRAY * len(ordered))
        return int(ordered[-1 - aside] if at_most else ordered[aside])

    def _values(self) -> I64:
        return (self.end_ps - self.begin_ps)[self.seen]


def sample_ps(reading: Reading) -> int:
    """Time from sample to sample; the shortest step between rows where no rate is known."""
    rate = reading.capture.rate
    if rate is not None:
        return round(PS_PER_SECOND / rate)
    step = np.diff(reading.capture.time_ps)
    return int(step.min()) if len(step) else 0


def measure_timings(reading: Reading) -> dict[str, Timing]:
    """Every time that the sheets name and the captured lines can show; linear in the capture.

    Edges are seen in the first sample after them, so each time is right to a sample.
    """
    cycles = reading.cycles
    start = cycle_starts(cycles, reading.capture.start_ps)
    end, rise = cycles.time_ps, cycles.rise_ps
    # The start of the first cycle, and of one after a rest of the clock, was not seen.
    whole = np.zeros(len(end), dtype=np.bool_)
    whole[1:] = start[1:] == end[:-1]
    risen = whole & (rise >= 0)
    rw = cycles.pin("RW")
    following = np.append(end[1:], reading.capture.end_ps)
    address = _changes(reading, ADDRESS_PINS)
    data = _changes(reading, DATA_PINS)
    settled, address_moved = _last(address, start, end)
    answered, data_moved = _last(data, start, end)
    left, address_left = _first(address, end, following)
    gone, data_left = _first(data, end, following)
    turned, rw_moved = _last(_changes(reading, ("RW",)), start, end)
    read, write = whole & (rw == 1), whole & (rw == 0)
    arrived = data_moved & read & (answered > np.where(address_moved, settled, start))
    return {
        "tCYC": Timing(start, end, whole),
        "tPWL": Timing(start, rise, risen),
        "tPWH": Timing(rise, end, risen),
        "tADS": Timing(start, settled, whole & address_moved),
        "tRWS": Timing(start, turned, whole & rw_moved),
        "tAH": Timing(end, left, whole & address_left),
        "tACC": Timing(settled, answered, arrived & address_moved),
        "tDSU": Timing(answered, end, arrived),
        "tDHR": Timing(end, gone, read & data_left),
        "tMDS": Timing(rise, answered, write & data_moved & risen & (answered >= rise)),
        "tDHW": Timing(end, gone, write & data_left),
    }


def _changes(reading: Reading, pins: tuple[str, ...]) -> I64:
    """Times at which any of some pins changes."""
    capture = reading.capture
    mask = sum(1 << tap.index for tap in reading.hookup.taps if tap.pin in pins)
    state = capture.state & np.uint64(mask)
    moved = np.zeros(len(state), dtype=np.bool_)
    moved[1:] = state[1:] != state[:-1]
    return capture.time_ps[moved]


def _last(changes: I64, start: I64, end: I64) -> tuple[I64, Flags]:
    """Last change in each [start, end)."""
    if not len(changes):
        return start, np.zeros(len(start), dtype=np.bool_)
    at = np.searchsorted(changes, end, side="left") - 1
    found = changes[np.maximum(at, 0)]
    return found, (at >= 0) & (found >= start)


def _first(changes: I64, start: I64, end: I64) -> tuple[I64, Flags]:
    """First change in each [start, end)."""
    if not len(changes):
        return start, np.zeros(len(start), dtype=np.bool_)
    at = np.searchsorted(changes, start, side="left")
    found = changes[np.minimum(at, len(changes) - 1)]
    return found, (at < len(changes)) & (found < end)
