"""What the file says the probes saw."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

import numpy as np
import numpy.typing as npt

Mode = Literal["timing", "state"]


@dataclass(frozen=True, slots=True)
class Note:
    """Something a reader or a later room decided, or doubts.

    Attributes
    ----------
    kind : {"fact", "guess", "doubt"}
        ``fact``: read in the file. ``guess``: chosen here, could be wrong. ``doubt``: a reason to
        trust the result less.
    text : str
        One sentence.
    option : str or None
        The option that overrides a guess, as typed, for instance ``--rate 24MHz``.
    """

    kind: Literal["fact", "guess", "doubt"]
    text: str
    option: str | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Capture:
    """Samples of up to 64 lines.

    Attributes
    ----------
    mode : {"timing", "state"}
        ``timing``: rows are transitions, each holds until the next. ``state``: every row is kept,
        one a bus cycle, identical neighbours included.
    time_ps : int64, shape (n,)
        Time of each row, picoseconds, never decreasing (strictly increasing in timing mode). May
        start anywhere, below zero too. In state mode without times: the row number
        times 10^6 (1 us a row).
    state : uint64, shape (n,)
        One bit a line: bit i belongs to ``lines[i]``. Unknown bits are 0.
    known : uint64, shape (n,), or None
        Bits that were read as 0 or 1; x and z are unknown alike. None when all are known.
    lines : tuple of str
        Names as in the file, units and decoration removed; bits of a bus are ``NAME[3]``.
    rate : Fraction or None
        Samples a second, exact; None when the file does not tell and it could not be inferred.
    gaps : int64, shape (k, 2)
        Spans [start, end) in ps in which nothing was recorded.
    end_ps : int
        End of the recording: the last row holds until then.
    source : str
        The file's name, as given.
    notes : tuple of Note
        Every guess and doubt of the reader.

    Arrays are read-only.
    """

    mode: Mode
    time_ps: npt.NDArray[np.int64]
    state: npt.NDArray[np.uint64]
    known: npt.NDArray[np.uint64] | None
    lines: tuple[str, ...]
    rate: Fraction | None
    gaps: npt.NDArray[np.int64]
    end_ps: int
    source: str = ""
    notes: tuple[Note, ...] = ()

    def __post_init__(self) -> None:
        n = len(self.time_ps)
        if self.time_ps.dtype != np.int64 or self.state.dtype != np.uint64:
            raise TypeError("time_ps must be int64 and state uint64")
        if len(self.state) != n or (self.known is not None and len(self.known) != n):
            raise ValueError("time_ps, state and known differ in length")
        if len(self.lines) > 64:
            raise ValueError("a capture holds at most 64 lines")
        if len(set(self.lines)) != len(self.lines):
            raise ValueError("two lines have the same name")
        for column in (self.time_ps, self.state, self.known, self.gaps):
            if column is not None:
                column.setflags(write=False)

    def __len__(self) -> int:
        return len(self.time_ps)

    def __repr__(self) -> str:
        name, rows = self.source or "no file", f"{len(self):,} rows"
        return f"<Capture {name}: {self.mode}, {len(self.lines)} lines, {rows}>"

    @property
    def start_ps(self) -> int:
        """Time of the first row, or `end_ps` for an empty capture."""
        return int(self.time_ps[0]) if len(self) else self.end_ps

    @property
    def duration_ps(self) -> int:
        """Length of the recording."""
        return self.end_ps - self.start_ps

    def levels(self, line: str) -> npt.NDArray[np.uint8]:
        """Level of one line in every row: 0, 1, or 2 where unknown.

        Returns
        -------
        uint8, shape (n,)

        Raises
        ------
        KeyError
            No line of that name.
        """
        try:
            bit = np.uint64(self.lines.index(line))
        except ValueError:
            raise KeyError(line) from None
        one = np.uint64(1)
        level = ((self.state >> bit) & one).astype(np.uint8)
        if self.known is not None:
            level[(self.known >> bit) & one == 0] = 2
        return level

    def same_as(self, other: Capture) -> bool:
        """Same mode, lines, times, levels, rate, gaps and end; source and notes aside."""
        mine, theirs = (c.known if c.known is not None else c.all_known for c in (self, other))
        return (
            self.mode == other.mode
            and self.lines == other.lines
            and self.rate == other.rate
            and self.end_ps == other.end_ps
            and np.array_equal(self.time_ps, other.time_ps)
            and np.array_equal(self.state, other.state)
            and np.array_equal(mine, theirs)
            and np.array_equal(self.gaps, other.gaps)
        )

    @property
    def all_known(self) -> npt.NDArray[np.uint64]:
        """The known-mask of a capture in which every bit is known: uint64, shape (n,)."""
        return np.full(len(self), (1 << len(self.lines)) - 1, dtype=np.uint64)
