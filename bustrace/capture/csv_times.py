"""The exact sample rate behind rounded times, and times put back on its grid."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import numpy.typing as npt

from bustrace.units import PS_PER_SECOND, grid_times

# A rate or period that someone would set on an analyser has few digits.
_MOST_DIGITS = 7
_FEWEST_ROWS = 4
_ENOUGH_STEPS = 50
_DIFFERENT_STEPS = 4
_WIDEST = Fraction(102, 100)


def rounding_ps(significant: int, largest_ps: int) -> int:
    """Weight of the last digit of the times, in ps, at least 1.

    Parameters
    ----------
    significant : int
        Most significant digits that any time has.
    largest_ps : int
        Largest time, without sign. Times written with a fixed number of decimals and times
        written with a fixed number of significant digits are both coarsest there.
    """
    if significant == 0 or largest_ps == 0:
        return 1
    return int(10 ** max(0, len(str(largest_ps)) - significant))


def uniform_rate(first_ps: int, last_ps: int, rows: int, unit_ps: int) -> Fraction | None:
    """Rate of a file with one row a sample, given that its times were rounded to `unit_ps`.

    The whole length narrows the period down; of what is left the rate (or the period) with the
    fewest digits is taken. None when no rate or several of that many digits remain.
    """
    span = last_ps - first_ps
    if rows < _FEWEST_ROWS or span <= unit_ps:
        return None
    slowest = Fraction(PS_PER_SECOND * (rows - 1), span + unit_ps)
    fastest = Fraction(PS_PER_SECOND * (rows - 1), span - unit_ps)
    return simplest_rate(slowest, fastest)


def stepped_rate(time_ps: npt.NDArray[np.int64], unit_ps: int) -> Fraction | None:
    """Rate of transitions that all lie whole multiples of the shortest step apart.

    A board's lines move only at a few places of its clock cycle, so few different steps occur. Four
    different multiples are asked for: a clock recorded alone has one or two.

    Parameters
    ----------
    time_ps : int64, shape (n,)
        Strictly increasing.
    unit_ps : int
        Weight of the last digit; a shortest step of one unit proves nothing.
    """
    steps = np.sort(np.diff(time_ps))
    if len(steps) < _ENOUGH_STEPS:
        return None
    shortest = int(steps[0])
    different = 1 + int(np.count_nonzero(np.diff(steps)))
    if shortest <= unit_ps or different < _DIFFERENT_STEPS or np.any(steps % shortest):
        return None
    return Fraction(PS_PER_SECOND, shortest)


def simplest_rate(slowest: Fraction, fastest: Fraction) -> Fraction | None:
    """Rate between two bounds that a person would have set: few digits in Hz, or in ps.

    None when the bounds are over 2 % apart, or no number or several of the fewest digits lie there.
    """
    if slowest == fastest:
        return slowest
    if fastest > slowest * _WIDEST:
        return None
    by_rate = _shortest_between(slowest, fastest)
    by_period = _shortest_between(PS_PER_SECOND / fastest, PS_PER_SECOND / slowest)
    if by_rate is None and by_period is None:
        return None
    if by_period is None or (by_rate is not None and by_rate[0] <= by_period[0]):
        assert by_rate is not None
        return by_rate[1]
    return None if by_period[1] is None else PS_PER_SECOND / by_period[1]


def _shortest_between(low: Fraction, high: Fraction) -> tuple[int, Fraction | None] | None:
    """Fewest decimal digits of a number in [low, high], and the number if it is the only one."""
    place = len(str(int(high))) if high >= 1 else 0
    for digits in range(1, _MOST_DIGITS + 1):
        step = Fraction(10) ** (place - digits)
        lowest = -(-low // step)
        count = high // step - lowest + 1
        if count > 0:
            return digits, (lowest * step if count == 1 else None)
    return None


def on_grid(
    time_ps: npt.NDArray[np.int64], rate: Fraction, unit_ps: int
) -> npt.NDArray[np.int64] | None:
    """Put rounded times back on the grid of a sample rate.

    Parameters
    ----------
    time_ps : int64, shape (n,)
        Never decreasing.
    rate : Fraction
    unit_ps : int
        How far a time may lie from its sample.

    Returns
    -------
    int64, shape (n,), or None
        index * 10^12 * den // num for each time. Where time 0 is no sample, the grid is counted
        from the first time. None when a time is on no sample, or two times on one.
    """
    if not len(time_ps):
        return time_ps
    for origin in (0, int(time_ps[0])):
        for part in (time_ps[:1000], time_ps):  # a wrong rate shows soon
            distance = part - origin if origin else part
            # Floats serve to find the sample only.
            index = np.rint(distance * float(rate / PS_PER_SECOND)).astype(np.int64)
            grid = grid_times(index, rate)
            error = distance - grid
            # A sample's time is rounded down to a whole ps.
            if int(error.max()) > unit_ps + 1 or int(error.min()) < -unit_ps:
                break
            if np.any((grid[1:] == grid[:-1]) & (distance[1:] != distance[:-1])):
                break
        else:
            return origin + grid if origin else grid
    return None
