"""What the row scanners of the CSV reader are told and what they gather."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

# What a column holds.
SKIP, BIT, TIME, HEX, BINARY, DECIMAL, ANALOG = range(7)

# What cells of a column have looked like: bits of `statistics[column, FLAGS]`.
LEVEL = 1  # 0 or 1
LETTER = 2  # H or L
UNKNOWN = 4  # empty, or only x, z, ?, -
BINARY_DIGITS = 8  # two or more digits, all 0 or 1
DIGITS = 16  # a digit from 2 to 9
HEX_LETTER = 32  # a digit from A to F
HEX_MARK = 64  # 0x.., $.. or ..h
NUMBER = 128  # signed, with a decimal mark or an exponent
TEXT = 256  # anything else
LEADING_ZERO = 512  # two or more digits, the first 0
BINARY_MARK = 1024  # 0b..
NO_BINARY_MARK = 2048  # a cell of digits without 0b

# Columns of `statistics`.
FLAGS, FEWEST_DIGITS, MOST_DIGITS, LARGEST, TEXT_LINE, SIGNIFICANT, STATISTICS = range(7)

# Slots of `carry`, the scanner's memory between chunks.
(
    KEPT,
    ROWS,
    LINES,
    FIRST_TIME,
    LAST_TIME,
    SHORTEST_STEP,
    LONGEST_STEP,
    FIRST_STEP,
    SAME_TIME,
    COLUMN,
    CARRY,
) = range(11)
# Slots of `masks`: lines known in any row, lines unknown in any row.
EVER_KNOWN, EVER_UNKNOWN, MASKS = range(3)

# Why the scanner stopped.
DONE, MORE, FULL, FEW_CELLS, MANY_CELLS, BAD_TIME, BACKWARDS, BAD_CELL = range(8)


@dataclass(frozen=True, slots=True)
class Table:
    """What the scanner is told about a table.

    Attributes
    ----------
    separator, decimal : int
        Byte between cells, byte before the fraction.
    semicolon_comments : bool
        Whether a row that starts with ``;`` is a comment.
    keep_all : bool
        Keep rows equal to the one before.
    kinds : int64, shape (columns,)
        SKIP, BIT, TIME, HEX, BINARY, DECIMAL or ANALOG.
    shifts, widths : uint64, shape (columns,)
        First bit and number of bits of each column in the state.
    runs : int64, shape (columns,)
        Columns from here on that are BIT and have adjacent bits; the table's last column, which
        no separator follows, does not count.
    scales : int64, shape (columns,)
        Power of ten from a cell's unit to ps (TIME, 0 for sample numbers) or uV (ANALOG).
    threshold : int
        Level of ANALOG columns in uV: at or above is 1.
    all_lines : int
        Bits to keep.
    time_column : int
        Index of the TIME column, -1 when rows are only counted.
    """

    separator: int
    decimal: int
    semicolon_comments: bool
    keep_all: bool
    kinds: npt.NDArray[np.int64]
    shifts: npt.NDArray[np.uint64]
    widths: npt.NDArray[np.uint64]
    runs: npt.NDArray[np.int64]
    scales: npt.NDArray[np.int64]
    threshold: int
    all_lines: int
    time_column: int


@dataclass(slots=True)
class Scan:
    """What the scanner has gathered: columns that grow, and its memory between chunks.

    Attributes
    ----------
    times : int64; states, knowns : uint64; shape (capacity,)
        The first ``carry[KEPT]`` are filled.
    statistics : int64, shape (columns, STATISTICS)
        What the cells of each column looked like.
    carry : int64, shape (CARRY,)
    masks : uint64, shape (MASKS,)
    """

    times: npt.NDArray[np.int64]
    states: npt.NDArray[np.uint64]
    knowns: npt.NDArray[np.uint64]
    statistics: npt.NDArray[np.int64]
    carry: npt.NDArray[np.int64]
    masks: npt.NDArray[np.uint64]

    def grow(self) -> None:
        """Make room for half as many rows again."""
        rows = len(self.times) * 3 // 2 + 1024
        for column in (self.times, self.states, self.knowns):
            column.resize(rows, refcheck=False)


def new_scan(columns: int, capacity: int) -> Scan:
    """Return an empty scan of a table of `columns` columns with room for `capacity` rows."""
    statistics = np.zeros((columns, STATISTICS), dtype=np.int64)
    statistics[:, FEWEST_DIGITS] = 1 << 20
    statistics[:, LARGEST] = -1
    carry = np.zeros(CARRY, dtype=np.int64)
    carry[SHORTEST_STEP] = np.iinfo(np.int64).max
    return Scan(
        times=np.empty(capacity, dtype=np.int64),
        states=np.empty(capacity, dtype=np.uint64),
        knowns=np.empty(capacity, dtype=np.uint64),
        statistics=statistics,
        carry=carry,
        masks=np.zeros(MASKS, dtype=np.uint64),
    )
