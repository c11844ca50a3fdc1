"""Times and sample rate of a table, once its rows are read."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import numpy.typing as npt

from bustrace.capture import csv_table as t
from bustrace.capture.csv_table import Scan
from bustrace.capture.csv_times import on_grid, rounding_ps, stepped_rate, uniform_rate
from bustrace.capture.model import Mode, Note
from bustrace.capture.sample_rate import guess_rate
from bustrace.units import format_rate, format_time, grid_times

STATE_ROW_PS = 10**6


class Clock:
    """Decides what the times of a table mean.

    Parameters
    ----------
    scan : Scan
        All rows.
    rows : int
        How many they were before equal neighbours were dropped.
    mode : {"timing", "state"}
    has_time : bool
        Whether there is a time column; else `scan` holds row or sample numbers.
    asked, stated : Fraction or None
        Sample rate the user gave, and the one the file states.
    promised : int or None
        Number of samples the file states.

    Attributes
    ----------
    notes : list of Note
        What was decided, after `times`.
    """

    def __init__(
        self,
        scan: Scan,
        rows: int,
        *,
        mode: Mode,
        has_time: bool,
        asked: Fraction | None,
        stated: Fraction | None,
        promised: int | None,
    ) -> None:
        carry = scan.carry
        self.notes: list[Note] = []
        self._times = scan.times
        self._rows = rows
        self._mode = mode
        self._has_time = has_time
        self._asked = asked
        self._known = asked or stated
        self._promised = promised
        self._first = int(carry[t.FIRST_TIME])
        self._last = int(carry[t.LAST_TIME])
        self._moves = bool(carry[t.LONGEST_STEP] > 0)
        self._shortest = int(carry[t.SHORTEST_STEP]) if self._moves else 0
        self._longest = int(carry[t.LONGEST_STEP])
        largest = max(abs(self._first), abs(self._last))
        self._unit = rounding_ps(int(scan.statistics[:, t.SIGNIFICANT].max()), largest)

    def times(self) -> tuple[npt.NDArray[np.int64], int, Fraction | None]:
        """Times of the kept rows in ps, end of the recording in ps, and the sample rate."""
        self._count_samples()
        with_end = np.append(self._times, self._last)
        if not self._has_time and self._known is None:
            times = np.arange(self._rows, dtype=np.int64) * STATE_ROW_PS
            return times, self._rows * STATE_ROW_PS, None
        if not self._has_time:
            assert self._known is not None
            self._tell_rate(self._known)
            grid = grid_times(with_end, self._known)
            return grid[:-1], int(grid[-1]), self._known
        rate, grid_or_none = self._fit(with_end)
        if grid_or_none is None:
            return self._times, self._last, rate
        return grid_or_none[:-1], int(grid_or_none[-1]), rate

    def _even(self) -> bool:
        """Whether there is one row a sample: even steps, many of them without a change."""
        even = self._longest - self._shortest <= 2 * self._unit
        return self._moves and even and (self._rows - len(self._times)) * 8 >= self._rows

    def _count_samples(self) -> None:
        """Doubt a file with fewer rows than it promises, or whose row numbers jump."""
        jumps = not self._has_time and self._longest > 1
        if jumps and self._mode == "state":
            self.notes.append(Note("doubt", "the row numbers jump: rows are missing"))
        each = not jumps and (not self._has_time or self._even())
        if self._promised is not None and each and self._rows < self._promised:
            self.notes.append(
                Note(
                    "doubt",
                    f"the file promises {self._promised} samples and holds {self._rows}: it was "
                    "cut off",
                )
            )

    def _tell_rate(self, rate: Fraction) -> None:
        if self._asked is None:
            shown = format_rate(rate).replace(" ", "")
            text = f"the file states {format_rate(rate, 'S/s')}"
            self.notes.append(Note("fact", text, f"--rate {shown}"))

    def _fit(
        self, times: npt.NDArray[np.int64]
    ) -> tuple[Fraction | None, npt.NDArray[np.int64] | None]:
        """Sample rate that the times bear out, and the times on its grid."""
        if self._known is not None:
            self._tell_rate(self._known)
            grid = None if self._mode == "state" else on_grid(times, self._known, self._unit)
            if grid is None and self._mode == "timing":
                self.notes.append(
                    Note(
                        "doubt",
                        f"the times do not lie on a grid of {format_rate(self._known, 'S/s')}; "
                        "they were kept as written",
                    )
                )
            return self._known, grid
        if self._mode == "state":
            return None, None
        if self._even():
            guess = uniform_rate(self._first, self._last, self._rows, self._unit)
            how = f"the even spacing of {self._rows} rows"
        else:
            guess = guess_rate(self._times, self._unit) or stepped_rate(self._times, self._unit)
            how = f"the spacing of {len(self._times)} transitions"
        grid = None if guess is None else on_grid(times, guess, self._unit)
        if guess is not None and grid is not None:
            text = f"{format_rate(guess, 'S/s')}, from {how}"
            option = f"--rate {format_rate(guess).replace(' ', '')}"
            self.notes.append(Note("guess", text, option))
            return guess, grid
        step = f"; the shortest step is {format_time(self._shortest)}" if self._moves else ""
        self.notes.append(
            Note(
                "doubt",
                f"the times do not give the sample rate away and were kept as written{step}",
                "--rate",
            )
        )
        return None, None
