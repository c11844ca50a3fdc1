"""Times within the cycle, measured in every cycle of a capture, and what samples tell of them.

Setup and hold against the edges of phase 2, under the names of the makers' sheets. Each edge is
seen in the first sample after it, so a time is right to one sample; clips and thresholds add to
that.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from bustrace.capture.model import Capture
from bustrace.cpu.makers_limits import AT_MOST, MakersLimits
from bustrace.cycles.model import OWNER_CPU, STRETCHED, Cycles
from bustrace.hookup import ADDRESS_PINS, DATA_PINS, Hookup, Tap, meaning_of
from bustrace.units import PS_PER_SECOND

I64 = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

SKEW_PS = 5_000
"""Leads and inputs of different delay, about a metre of lead (common practice)."""

THRESHOLD_PS = 15_000
"""The sheets measure at 0.8 V and 2.0 V, an analyser at one level between: an edge may take 25 ns
from one to the other (tR, tF of Rockwell's R650X sheet, page 13), so it is seen up to so much
off."""

_STRAY = 0.01
"""Share of cycles left out at the worse end: a stray sample is no timing."""

_ENOUGH = 20
"""Moves of a line from which its time can be set against that of others."""

_ALL = slice(None)

Ruling = Literal["kept", "too close to tell", "cannot be resolved", "past this sheet", "outside"]
"""What samples say of a limit.

``cannot be resolved``: no time that this sample rate can show would be outside. ``past this
sheet``: other makers of the part allow it.
"""


@dataclass(frozen=True, slots=True)
class Spread:
    """How a time is distributed over the cycles that show it; times in ps.

    Attributes
    ----------
    sample_ps : int
        Width of a bin.
    counts : int64, shape (b,)
        Cycles by length, in whole samples from 0 on; the last bin holds what is longer too.
    count, opportunities : int
        Cycles that show the time, and that could have.
    least, low, usual, high, most : int
        Shortest, 1 in 100, median, 99 in 100, longest.
    """

    sample_ps: int
    counts: I64
    count: int
    opportunities: int
    least: int
    low: int
    usual: int
    high: int
    most: int


@dataclass(frozen=True, slots=True, eq=False)
class Timing:
    """One time under its name on the sheet. Columns have one row a cycle.

    Attributes
    ----------
    begin_ps, end_ps : int64, shape (n,)
    seen : bool, shape (n,)
        The cycle shows it; a line that does not change has no time.
    asked : bool, shape (n,)
        The cycle could have shown it.
    """

    begin_ps: I64
    end_ps: I64
    seen: Flags
    asked: Flags

    @property
    def count(self) -> int:
        """Cycles that show it."""
        return int(self.seen.sum())

    def lengths(self) -> I64:
        """Its length in each cycle that shows it, ps."""
        return (self.end_ps - self.begin_ps)[self.seen]

    def usual_ps(self) -> int | None:
        """Median over the capture, None where never seen."""
        return int(np.median(self.lengths())) if self.count else None

    def worst_ps(self, at_most: bool) -> int | None:
        """What 99 of 100 cycles keep: the longest where there is a most, else the shortest."""
        if not self.count:
            return None
        ordered = np.sort(self.lengths())
        aside = int(_STRAY * len(ordered))
        return int(ordered[-1 - aside] if at_most else ordered[aside])

    def spread(self, sample_ps: int, bins: int = 128) -> Spread | None:
        """Its distribution; None where it was never seen."""
        if not self.count:
            return None
        ordered = np.sort(self.lengths())
        aside = int(_STRAY * len(ordered))
        in_samples = np.round(ordered / max(sample_ps, 1)).astype(np.int64)
        counts = np.bincount(np.clip(in_samples, 0, bins - 1)).astype(np.int64)
        counts.setflags(write=False)
        return Spread(
            sample_ps,
            counts,
            len(ordered),
            int(self.asked.sum()),
            least=int(ordered[0]),
            low=int(ordered[aside]),
            usual=int(np.median(ordered)),
            high=int(ordered[-1 - aside]),
            most=int(ordered[-1]),
        )


@dataclass(frozen=True, slots=True, eq=False)
class SelectTimings:
    """When a select comes and goes, in the cycles that end with the chip selected.

    Attributes
    ----------
    delay : Timing
        Fall of phase 2 to selected, where it comes within the cycle.
    setup : Timing
        Selected to the fall that ends the cycle, there too.
    hold : Timing
        From that fall until it goes away, where it does in the next cycle.
    """

    delay: Timing
    setup: Timing
    hold: Timing


def sample_ps(capture: Capture) -> int:
    """Time from sample to sample; the shortest step between rows where no rate is known."""
    if capture.rate is not None:
        return round(PS_PER_SECOND / capture.rate)
    step = np.diff(capture.time_ps)
    return int(step.min()) if len(step) else 0


def slack_ps(sample: int) -> int:
    """How far a measured time may be off: a sample, the skew and the thresholds."""
    return sample + SKEW_PS + THRESHOLD_PS


def rule_on(name: str, worst_ps: int, limits: MakersLimits, sample: int) -> Ruling | None:
    """What a measured time says of the makers' limit; None where the sheet gives none.

    Parameters
    ----------
    name : str
        The sheet's name for it.
    worst_ps : int
        What 99 of 100 cycles keep, see `Timing.worst_ps`.
    limits : MakersLimits
    sample : int
        Time from sample to sample, ps.
    """
    limit = limits[name]
    if limit is None:
        return None
    slack, loosest = slack_ps(sample), 1000 * limits.loosest[name]
    room = 1000 * limit - worst_ps if name in AT_MOST else worst_ps - 1000 * limit
    past = worst_ps - loosest if name in AT_MOST else loosest - worst_ps
    if room >= slack:
        return "kept"
    if past > slack:
        return "outside"
    if not can_fail(name, limits, sample):
        return "cannot be resolved"
    return "past this sheet" if room < -slack else "too close to tell"


def can_fail(name: str, limits: MakersLimits, sample: int) -> bool:
    """Whether a time outside a limit that the sheet gives could be told at this sample rate."""
    if name in AT_MOST:
        return True
    # A change that is seen before an edge is seen a whole sample before it.
    shortest = sample if name == "tDSU" else 0
    return 1000 * limits.loosest[name] - shortest > slack_ps(sample)


def clock_to_trust(capture: Capture, hookup: Hookup, cycles: Cycles) -> str | None:
    """Why the edges of the clock are no measure for the makers' limits; None where they are one."""
    if capture.mode == "state":
        return "it has one row a cycle, and so no times within the cycle"
    clock, tap = cycles.clock, hookup.tap("PHI2")
    if clock.line is None or not len(cycles):
        return "the clock was not captured"
    if clock.divided_by > 1:
        return f"{clock.line} is a faster clock than phase 2"
    if clock.role != "phase 2" or tap is None:
        return (
            f"{clock.line} was taken for {clock.role}: phase 2 follows it late by an unknown time"
        )
    meaning = meaning_of(tap.line)
    if tap.why == "name" and meaning is not None and meaning.certainty == "vague":
        return f"the name {tap.line} does not tell whether it is phase 2"
    if cycles.sampling is not None and -cycles.sampling.offset_ps > sample_ps(capture) * 3 // 2:
        return "lines change before the clock is seen to fall: its clip is late against the others"
    return None


def cycle_starts(cycles: Cycles, start_ps: int) -> I64:
    """When each cycle began: the fall that ended the one before.

    Nothing tells when the first began, nor a cycle after a rest of the clock: those are given
    the usual length.

    Parameters
    ----------
    start_ps : int
        Start of the capture, before which no cycle begins.

    Returns
    -------
    int64, shape (n_cycles,)
    """
    end = cycles.time_ps
    if len(end) == 0:
        return np.zeros(0, dtype=np.int64)
    period = cycles.clock.period_ps or (int(np.median(np.diff(end))) if len(end) > 1 else 10**6)
    start = np.empty_like(end)
    start[0] = max(int(end[0]) - period, min(start_ps, int(end[0]) - 1))
    start[1:] = np.where(np.diff(end) > 8 * period, end[1:] - period, end[:-1])
    return start


def _whole(cycles: Cycles, start: I64) -> Flags:
    """Cycles whose beginning was seen, which the first's and one's after a rest was not."""
    whole = np.zeros(len(start), dtype=np.bool_)
    whole[1:] = start[1:] == cycles.time_ps[:-1]
    return whole


def measure_timings(capture: Capture, hookup: Hookup, cycles: Cycles) -> dict[str, Timing]:
    """Every time that the sheets name and the captured lines can show; linear in the capture."""
    start = cycle_starts(cycles, capture.start_ps)
    end, rise = cycles.time_ps, cycles.rise_ps
    whole = _whole(cycles, start)
    risen = whole & (rise >= 0)
    rw = cycles.pin("RW")
    following = np.append(end[1:], capture.end_ps)
    address = _changes(capture, hookup, ADDRESS_PINS)
    data = _changes(capture, hookup, DATA_PINS)
    settled, address_moved = _last(address, start, end)
    answered, data_moved = _last(data, start, end)
    left, address_left = _first(address, end, following)
    gone, data_left = _first(data, end, following)
    turned, rw_moved = _last(_changes(capture, hookup, ("RW",)), start, end)
    read, write = whole & (rw == 1), whole & (rw == 0)
    arrived = data_moved & read & (answered > np.where(address_moved, settled, start))
    driven = write & data_moved & risen & (answered >= rise)
    return {
        "tCYC": Timing(start, end, whole, whole),
        "tPWL": Timing(start, rise, risen, whole),
        "tPWH": Timing(rise, end, risen, whole),
        "tADS": Timing(start, settled, whole & address_moved, whole),
        "tRWS": Timing(start, turned, whole & rw_moved, whole),
        "tAH": Timing(end, left, whole & address_left, whole),
        "tACC": Timing(settled, answered, arrived & address_moved, read),
        "tDSU": Timing(answered, end, arrived, read),
        "tDHR": Timing(end, gone, read & data_left, read),
        "tMDS": Timing(rise, answered, driven, write),
        "tDHW": Timing(end, gone, write & data_left, write),
    }


def settling(capture: Capture, tap: Tap, start: I64, end: I64) -> tuple[I64, Flags]:
    """When one line last moved in each [start, end), and where that left it at another level.

    A pulse that leaves the level as it was is none: a stray sample looks like that.

    Parameters
    ----------
    start, end : int64, shape (n,)
        Increasing times, ps.

    Returns
    -------
    int64 and bool, shape (n,)
    """
    rows = slice(*np.searchsorted(capture.time_ps, (start[0], end[-1])).tolist())
    changes = _masked_changes(capture, 1 << tap.index, rows)
    first, last = (np.searchsorted(changes, when, side="left") for when in (start, end))
    if not len(changes):
        return start, np.zeros(len(start), dtype=np.bool_)
    return changes[np.maximum(last - 1, 0)], (last - first) % 2 == 1


def measure_select(capture: Capture, tap: Tap, cycles: Cycles) -> SelectTimings:
    """When one chip's select comes and goes against the falls of phase 2."""
    start, end = cycle_starts(cycles, capture.start_ps), cycles.time_ps
    following = np.append(end[1:], capture.end_ps)
    changes = _masked_changes(capture, 1 << tap.index)
    whole = _whole(cycles, start)
    asked = whole & (cycles.select(tap.name) == 1)
    came, moved = _last(changes, start, end)
    went, left = _first(changes, end, following)
    comes = asked & moved
    return SelectTimings(
        Timing(start, came, comes, asked),
        Timing(came, end, comes, asked),
        Timing(end, went, asked & left, asked),
    )


def slow_lines(
    capture: Capture, hookup: Hookup, cycles: Cycles, pins: tuple[str, ...]
) -> tuple[tuple[str, int], ...]:
    """Lines that settle later than most of their group, and by how much, ps.

    Told where the usual time differs by more than samples, skew and thresholds can make it. A line
    is measured in the CPU's own cycles in which it moves.
    """
    usual: dict[str, int] = {}
    if not len(cycles):
        return ()
    start = cycle_starts(cycles, capture.start_ps)
    plain = _whole(cycles, start) & (cycles.owner == OWNER_CPU) & (cycles.flags & STRETCHED == 0)
    for pin in pins:
        tap = hookup.tap(pin)
        if tap is None:
            continue
        settled, turned = settling(capture, tap, start, cycles.time_ps)
        seen = turned & plain
        if np.count_nonzero(seen) >= _ENOUGH:
            usual[pin] = int(np.median((settled - start)[seen]))
    if len(usual) < 3:
        return ()
    middle = int(np.median(list(usual.values())))
    by = slack_ps(sample_ps(capture))
    return tuple((pin, time - middle) for pin, time in usual.items() if time - middle > by)


def _changes(capture: Capture, hookup: Hookup, pins: tuple[str, ...]) -> I64:
    """Times at which any of some pins changes."""
    return _masked_changes(capture, sum(1 << t.index for t in hookup.taps if t.pin in pins))


def _masked_changes(capture: Capture, mask: int, rows: slice = _ALL) -> I64:
    """Times at which any line of a mask changes, its first level aside."""
    state = capture.state[rows] & np.uint64(mask)
    moved = np.flatnonzero(state[1:] != state[:-1]) + 1
    changes: I64 = capture.time_ps[rows][moved]
    return changes


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
