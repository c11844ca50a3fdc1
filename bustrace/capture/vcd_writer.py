"""Writing Value Change Dump files: IEEE 1364-2005, clause 18."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from bustrace.capture.model import Capture
from bustrace.capture.vcd_header import END_MARK, GAP_MARK, MARK, parse_tick, split_reference
from bustrace.capture.whole_file import whole_file

_ROWS_AT_ONCE = 4096
_LARGEST_TICK_PS = 10**14


def write_vcd(capture: Capture, path: str | Path, *, timescale: str | None = None) -> None:
    """Write a capture as VCD, whole or not at all.

    `read_vcd` gives back the same capture: what VCD has no words for (sample rate, state mode,
    times below zero, the end of the file) is said in comments, which other programs skip. Unknown
    levels are x, gaps are ``$dumpoff`` to ``$dumpon``. Not kept, because readers merge them: rows
    of a timing capture that change nothing, and levels claimed within a gap.

    Parameters
    ----------
    capture : Capture
        At least one row.
    path : path
    timescale : str or None
        Time unit of the file such as ``1 ns``; None takes the coarsest that is exact.

    Raises
    ------
    ValueError
        The capture has no rows, a time is no whole number of `timescale`, or a name cannot be
        written.
    OSError
        The file cannot be written.
    """
    if len(capture) == 0:
        raise ValueError("a capture without rows cannot be written as VCD")
    for name in capture.lines:
        _reference(name)
    shift_ps = min(0, capture.start_ps)
    tick_ps, unit = _time_unit(capture, timescale, shift_ps)

    with whole_file(path) as file:
        for part in (_header(capture, unit, shift_ps), _body(capture, tick_ps, shift_ps)):
            file.writelines(text.encode() for text in part)


def _time_unit(capture: Capture, timescale: str | None, shift_ps: int) -> tuple[int, str]:
    """Tick in ps, and its text."""
    times = capture.time_ps - shift_ps
    marks = [capture.end_ps - shift_ps, *(capture.gaps.ravel() - shift_ps).tolist()]
    common = math.gcd(int(np.gcd.reduce(times)), *marks) or 1000
    if timescale is not None:
        tick_ps = parse_tick(timescale)
        if tick_ps.denominator != 1 or common % tick_ps.numerator:
            raise ValueError(f"the times are no whole numbers of {timescale}")
        return tick_ps.numerator, timescale
    tick = 1
    while common % (tick * 10) == 0 and tick < _LARGEST_TICK_PS:
        tick *= 10
    power = len(str(tick)) - 1
    return tick, f"{10 ** (power % 3)} {('ps', 'ns', 'us', 'ms', 's')[power // 3]}"


def _header(capture: Capture, unit: str, shift_ps: int) -> Iterator[str]:
    rate = capture.rate
    rate_text = "none" if rate is None else f"{rate.numerator}/{rate.denominator}"
    yield "$version bustrace $end\n"
    mark = MARK.format(mode=capture.mode, rate=rate_text, shift_ps=shift_ps, end_ps=capture.end_ps)
    yield f"$comment {mark} $end\n"
    if capture.mode == "state":  # where each time is a row
        for start, end in capture.gaps.tolist():
            yield f"$comment {GAP_MARK.format(start_ps=start, end_ps=end)} $end\n"
    yield f"$timescale {unit} $end\n$scope module capture $end\n"
    for name, code in zip(capture.lines, _id_codes(len(capture.lines)), strict=True):
        yield f"$var wire 1 {code} {_reference(name)} $end\n"
    yield "$upscope $end\n$enddefinitions $end\n"


def _reference(name: str) -> str:
    """A line's name as it must be written to be read as that name."""
    plain = " ".join(name.split()) == name and "$end" not in name.split()
    for reference in (name, "\\" + name):  # Verilog's escaped identifiers begin with a backslash
        if plain and name and split_reference(reference, 1)[1:] == ((name,), True):
            return reference
    raise ValueError(f"a line named {name!r} cannot be written as VCD")


def _id_codes(count: int) -> list[str]:
    return [chr(ord("!") + index) for index in range(count)]


def _body(capture: Capture, tick_ps: int, shift_ps: int) -> Iterator[str]:
    """Rows, with the gaps woven in."""
    stops = capture.gaps if capture.mode == "timing" else capture.gaps[:0]
    known = capture.known if capture.known is not None else capture.all_known
    codes = _id_codes(len(capture.lines))
    everything = _Levels(codes)
    first = 0

    def stamp(time_ps: int) -> str:
        return f"#{(time_ps - shift_ps) // tick_ps}\n"

    def rows(start: int, stop: int) -> Iterator[str]:
        for begin in range(start, stop, _ROWS_AT_ONCE):
            part = slice(begin, min(begin + _ROWS_AT_ONCE, stop))
            times = (capture.time_ps[part] - shift_ps) // tick_ps
            yield everything.changes(times, capture.state[part], known[part])

    for start_ps, end_ps in stops.tolist():
        at = int(np.searchsorted(capture.time_ps, start_ps))
        yield from rows(first, at)
        first = int(np.searchsorted(capture.time_ps, end_ps))
        yield stamp(start_ps) + "$dumpoff\n" + everything.block(0, 0) + "$end\n"
        state = seen = 0
        if first < len(capture) and capture.time_ps[first] == end_ps:
            state, seen = int(capture.state[first]), int(known[first])
            first += 1
        elif end_ps >= capture.end_ps:
            continue  # nothing was seen after it
        yield stamp(end_ps) + "$dumpon\n" + everything.block(state, seen) + "$end\n"
    yield from rows(first, len(capture))
    if capture.mode == "timing":  # in state mode a time more would be a row more
        yield stamp(capture.end_ps)
    yield END_MARK


class _Levels:
    """Turns rows into text, remembering the levels last written."""

    def __init__(self, codes: list[str]) -> None:
        self._bit = np.arange(len(codes), dtype=np.uint64)
        self._text = np.array([[level + code + "\n" for level in "01x"] for code in codes], object)
        self._last = np.full(len(codes), 3, dtype=np.uint8)

    def _unpack(self, state: np.ndarray, known: np.ndarray) -> np.ndarray:
        """Level 0, 1 or 2 of every row and line."""
        one = np.uint64(1)
        ones = (state[:, np.newaxis] >> self._bit & one).astype(np.uint8)
        seen = (known[:, np.newaxis] >> self._bit & one).astype(bool)
        return np.where(seen, ones, np.uint8(2))

    def changes(self, ticks: np.ndarray, state: np.ndarray, known: np.ndarray) -> str:
        """Rows as text: each time, then the lines that changed."""
        levels = self._unpack(state, known)
        changed = levels != np.vstack([self._last, levels[:-1]])
        self._last = levels[-1]
        pieces = np.empty((len(ticks), len(self._bit) + 1), dtype=object)
        pieces[:, 0] = [f"#{tick}\n" for tick in ticks.tolist()]
        pieces[:, 1:] = self._text[np.arange(len(self._bit)), levels]
        wanted = np.ones(pieces.shape, dtype=bool)
        wanted[:, 1:] = changed
        return "".join(pieces[wanted])

    def block(self, state: int, known: int) -> str:
        """Levels of all lines."""
        column = np.array([state, known], dtype=np.uint64)
        self._last = self._unpack(column[:1], column[1:])[0]
        return "".join(self._text[np.arange(len(self._bit)), self._last])
