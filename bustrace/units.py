"""Exact times and rates.

Times are integer picoseconds (`int`, or int64 arrays named `*_ps`). A rate is a `Fraction` in
hertz, because a sample period is seldom a whole number of picoseconds: 24 MS/s has a period of
41,666.67 ps. Floats appear only in printed text.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from fractions import Fraction

import numpy as np
import numpy.typing as npt

PS_PER_SECOND = 10**12

_TIME_UNITS = {
    "s": 10**12,
    "ms": 10**9,
    "us": 10**6,
    "µs": 10**6,
    "μs": 10**6,
    "ns": 10**3,
    "ps": 1,
}
_RATE_PREFIX = {"": 1, "k": 10**3, "m": 10**6, "g": 10**9}
_NUMBER = r"([+-]?\d+(?:[.,]\d*)?(?:[eE][+-]?\d+)?)"


def grid_times(index: npt.NDArray[np.int64], rate: Fraction) -> npt.NDArray[np.int64]:
    """Times of samples: index * 10^12 * den // num, exact, so that no rounding error adds up.

    Parameters
    ----------
    index : int64, shape (n,)

    Returns
    -------
    int64, shape (n,), picoseconds since sample 0.
    """
    period = PS_PER_SECOND / rate
    size, parts = period.numerator, period.denominator
    largest = max(abs(int(index.max(initial=0))), abs(int(index.min(initial=0))))
    if largest * size < 1 << 63:
        times: npt.NDArray[np.int64] = index * size // parts
        return times
    return np.array([int(i) * size // parts for i in index], dtype=np.int64)


def sample_times_ps(first: int, count: int, rate: Fraction) -> npt.NDArray[np.int64]:
    """Times of samples `first` to `first + count - 1`: int64, shape (count,), picoseconds."""
    return grid_times(np.arange(first, first + count, dtype=np.int64), rate)


def sample_index(time_ps: int, rate: Fraction) -> int:
    """Index of the sample at or nearest before `time_ps`, the inverse of `sample_times_ps`."""
    # A sample's time was floored, so the true instant lies in [time, time + 1).
    return int((Fraction(time_ps + 1) * rate / PS_PER_SECOND).__ceil__()) - 1


def parse_rate(text: str) -> Fraction:
    """Read a rate such as ``24 MHz``, ``24MS/s``, ``1e6``; a bare number is hertz.

    Raises
    ------
    ValueError
        When the text is no rate, or not above zero.
    """
    match = re.fullmatch(
        _NUMBER + r"\s*([kKmMgG]?)\s*(?:hz|s/s|sps|sa/s|samples/s)?", text.strip(), re.IGNORECASE
    )
    if match is None:
        raise ValueError(f"{text!r} is not a rate: write it like 24MHz, 24 MS/s or 24000000")
    rate = Fraction(match[1].replace(",", ".")) * _RATE_PREFIX[match[2].lower()]
    if rate <= 0:
        raise ValueError(f"{text!r} is not a rate: it must be above zero")
    return rate


def parse_time_ps(text: str) -> int:
    """Read a time such as ``1.5us``, ``-20 ns``, ``3 ms``; a unit is required.

    Raises
    ------
    ValueError
        When the text is no time with a unit.
    """
    match = re.fullmatch(_NUMBER + r"\s*(s|ms|us|µs|μs|ns|ps)", text.strip())
    if match is None:
        raise ValueError(f"{text!r} is not a time: write it like 1.5us, 20 ns or 3 ms")
    return round(Fraction(match[1].replace(",", ".")) * _TIME_UNITS[match[2]])


def format_time(time_ps: int) -> str:
    """Time for people: four significant digits and the unit that suits them."""
    size = abs(time_ps)
    for unit in ("s", "ms", "us", "ns"):
        if size >= _TIME_UNITS[unit]:
            return f"{time_ps / _TIME_UNITS[unit]:.4g} {unit}"
    return f"{time_ps} ps"


def format_rate(rate: Fraction, unit: str = "Hz") -> str:
    """Rate for people: ``24 MHz``, or ``24 MS/s`` with ``unit="S/s"``."""
    for prefix, size in (("G", 10**9), ("M", 10**6), ("k", 10**3)):
        if rate >= size:
            return f"{float(rate / size):.5g} {prefix}{unit}"
    return f"{float(rate):.5g} {unit}"


def count_words(number: int, one: str, many: str | None = None) -> str:
    """``1 fault``, ``2 faults``, ``1,204 faults``."""
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def numbered_runs(names: Iterable[str]) -> str:
    """Names in a row, neighbours condensed: ``A0-A2, RW``, ``U6, U20-U27``."""
    found: list[list[str]] = []
    for name in names:
        before = re.fullmatch(r"(.*?)(\d+)", found[-1][-1]) if found else None
        if before is not None and name == f"{before[1]}{int(before[2]) + 1}":
            found[-1].append(name)
        else:
            found.append([name])
    return ", ".join(f"{run[0]}-{run[-1]}" if len(run) > 2 else ", ".join(run) for run in found)
