"""The sample rate a file states in passing, or that its times give away."""

from __future__ import annotations

import re
from collections.abc import Iterable
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from bustrace.units import PS_PER_SECOND, parse_rate

_SAMPLES = re.compile(r"(?<![\w.,])(\d+(?:[.,]\d+)?\s*[kKMG]?(?:S/s|Sa/s|SPS|sps|samples/s))(?!\w)")
_HERTZ = re.compile(r"(?<![\w.,])(\d+(?:[.,]\d+)?\s*[kKMG]?[Hh]z)(?!\w)")
_SAMPLE_WORD = re.compile(r"sampl|acquisition|rate", re.IGNORECASE)

# Rates that logic analysers offer (common practice), in MS/s. Each may be a thousandth, too.
_USUAL = (1, 2, 3, 4, 5, 6, 8, 10, 12, 16, 20, 24, 25, 30, 32, 40, 48, 50, 60, 64, 75, 80, 96)
_USUAL_MORE = (100, 120, 125, 128, 150, 160, 192, 200, 240, 250, 300, 320, 400, 500, 800, 1000)

_ENOUGH_TIMES = 100
_ENOUGH_INTERVALS = 8
_TIMES_LOOKED_AT = 100_000
_INT64_MAX = (1 << 63) - 1


def stated_rate(remarks: Iterable[str]) -> Fraction | None:
    """Sample rate in free text, such as ``27 lines, 24 MS/s``; None when absent or ambiguous.

    Plain hertz count only where the text speaks of sampling: ``CPU at 1 MHz`` is no sample rate.
    """
    remarks = tuple(remarks)
    found = {parse_rate(text) for remark in remarks for text in _SAMPLES.findall(remark)}
    if not found:
        found = {
            parse_rate(text)
            for remark in remarks
            if _SAMPLE_WORD.search(remark)
            for text in _HERTZ.findall(remark)
        }
    return found.pop() if len(found) == 1 else None


def rate_fits(time_ps: npt.NDArray[np.int64], tick_ps: int, rate: Fraction) -> bool:
    """Whether all times lie on the sample grid of `rate`, given that they were rounded to ticks."""
    period = PS_PER_SECOND / rate
    steps = _distances(time_ps)
    if not len(steps) or int(steps[-1]) > _INT64_MAX // period.denominator:
        return False
    if period.numerator > _INT64_MAX // 2:
        return False
    num, den = period.numerator, period.denominator
    # The first time is off by part of a tick itself: all errors lie within one tick of each other.
    error = (steps * den + num // 2) % num - num // 2
    return int(error.max()) - int(error.min()) <= tick_ps * den


def guess_rate(time_ps: npt.NDArray[np.int64], tick_ps: int) -> Fraction | None:
    """Slowest rate whose samples explain all the times, where that is safe to say.

    A clock that was recorded alone lies on a coarse grid whatever the sample rate was; so the
    distances between times must be varied before anything is concluded.

    Parameters
    ----------
    time_ps : int64, shape (n,)
        Strictly increasing.
    tick_ps : int
        Resolution of the times.
    """
    steps = _distances(time_ps)
    if len(steps) < _ENOUGH_TIMES:
        return None
    intervals = np.diff(steps)
    common = int(np.gcd.reduce(intervals))
    if len(np.unique(intervals)) < _ENOUGH_INTERVALS or intervals.min() < 1:
        return None
    if common > tick_ps or int(intervals.min()) == tick_ps:
        return Fraction(PS_PER_SECOND, common)
    for rate in sorted(
        Fraction(mega * size) for mega in _USUAL + _USUAL_MORE for size in (1_000, 1_000_000)
    ):
        period = PS_PER_SECOND / rate
        # Rounding would hide a grid this fine.
        if period < 4 * tick_ps:
            return None
        if period <= int(intervals.min()) + tick_ps and rate_fits(time_ps, tick_ps, rate):
            return rate
    return None


def _distances(time_ps: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """Times since the first, for as many as it takes to tell."""
    return time_ps[:_TIMES_LOOKED_AT] - time_ps[:1]
