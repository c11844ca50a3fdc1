"""What a run shows on the captured lines, cycle by cycle, before any sampling."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from bustrace.drill import BusRecord, waveform

Seen = npt.NDArray[np.uint64]

_JUST_BEFORE = 1_000
"""ps before an edge: after everything has settled, before the hold times begin."""


def seen_on(record: BusRecord, lines: Sequence[str], *, start: int = 0) -> Seen:
    """Settled levels at the clip at the end of each cycle, without noise and skew.

    Parameters
    ----------
    record : BusRecord
    lines : sequence of str
        Captured lines, at most 64.
    start : int
        First cycle of the recording.

    Returns
    -------
    uint64, shape (cycles,)
        Bit i is ``lines[i]``; for PHI2 whether the clock is seen to run. A clock that ends makes
        it shorter.
    """
    wave = waveform(record, seed=0, transients=0.0)
    before_fall, before_rise = wave.fall_ps[1:] - _JUST_BEFORE, wave.rise_ps - _JUST_BEFORE
    words = np.zeros(len(record), dtype=np.uint64)
    for place, line in enumerate(lines):
        times, levels = wave.lines[line]
        level = _at(times, levels, before_fall)
        if line == "PHI2":
            level = level & (1 - _at(times, levels, before_rise))
        words |= level.astype(np.uint64) << np.uint64(place)
    for join in record.clip_joins:
        words = join.apply(words, lines)
    return words[start:]


def differing(one: Seen, other: Seen) -> npt.NDArray[np.int64]:
    """Cycles in which two runs differ; those that only one of them has differ too."""
    both = min(len(one), len(other))
    differ = np.ones(max(len(one), len(other)), dtype=np.bool_)
    differ[:both] = one[:both] != other[:both]
    return np.flatnonzero(differ)


def _at(
    times: npt.NDArray[np.int64], levels: npt.NDArray[np.uint8], instants: npt.NDArray[np.int64]
) -> npt.NDArray[np.uint8]:
    at: npt.NDArray[np.uint8] = levels[np.searchsorted(times, instants, side="right") - 1]
    return at
