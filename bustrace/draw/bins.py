"""Folding any number of cycles or transitions into as many columns as the picture is wide."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

I64 = npt.NDArray[np.int64]
F64 = npt.NDArray[np.float64]


def column_edges(start_ps: int, end_ps: int, columns: int) -> I64:
    """Edges of equal columns over [start_ps, end_ps], exact in integers.

    Returns
    -------
    int64, shape (columns + 1,), picoseconds.
    """
    whole, part = divmod(end_ps - start_ps, columns)
    index = np.arange(columns + 1, dtype=np.int64)
    return start_ps + whole * index + part * index // columns


@dataclass(frozen=True, slots=True)
class Shares:
    """How one line spent each column.

    Attributes
    ----------
    high, low, unknown : float64, shape (columns,)
        Share of the column's time at that level, 0 to 1; together less than 1 where nothing was
        recorded. Any time at a level at all, however short, gives more than 0: a one-sample
        pulse is never lost.
    """

    high: F64
    low: F64
    unknown: F64

    @property
    def busy(self) -> npt.NDArray[np.bool_]:
        """Columns in which the line was both high and low."""
        return (self.high > 0) & (self.low > 0)


def level_shares(time_ps: I64, level: npt.NDArray[np.uint8], end_ps: int, edges_ps: I64) -> Shares:
    """Share of each column that a line spent high, low and unknown.

    Parameters
    ----------
    time_ps : int64, shape (n,)
        Rows; each holds until the next, the last until `end_ps`.
    level : uint8, shape (n,)
        0, 1, or 2 where unknown.
    edges_ps : int64, shape (columns + 1,)
    """
    width = np.diff(edges_ps).astype(np.float64)
    if len(time_ps) == 0:
        none = np.zeros(len(width))
        return Shares(none, none, none)
    held = np.diff(time_ps, append=end_ps)
    at = np.clip(edges_ps, time_ps[0], end_ps)
    row = np.searchsorted(time_ps, at, side="right") - 1
    shares = []
    for wanted in (1, 0, 2):
        here = level == wanted
        until = np.concatenate(([0], np.cumsum(np.where(here, held, 0))))
        spent = until[row] + np.where(here[row], at - time_ps[row], 0)
        shares.append(np.diff(spent) / width)
    return Shares(*shares)


def spread_cycles(
    start_ps: I64, end_ps: I64, edges_ps: I64
) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """Pairs of (cycle, column) to draw.

    Where cycles are wider than columns, one pair a column (the cycle at the column's middle);
    where they are narrower, one pair a cycle (the column at the cycle's middle).

    Parameters
    ----------
    start_ps, end_ps : int64, shape (n,)
        Cycles in order, not overlapping.

    Returns
    -------
    cycle, column : intp, shape (pairs,)
    """
    columns = len(edges_ps) - 1
    none = np.zeros(0, dtype=np.intp)
    if len(start_ps) == 0:
        return none, none
    if len(start_ps) <= columns:
        middle = (edges_ps[:-1] + edges_ps[1:]) // 2
        cycle = np.searchsorted(end_ps, middle, side="right")
        inside = cycle < len(end_ps)
        inside[inside] = start_ps[cycle[inside]] <= middle[inside]
        return cycle[inside], np.flatnonzero(inside)
    middle = (start_ps + end_ps) // 2
    column = np.searchsorted(edges_ps, middle, side="right") - 1
    inside = (column >= 0) & (column < columns)
    return np.flatnonzero(inside), column[inside]


def density(
    row: npt.NDArray[np.intp], column: npt.NDArray[np.intp], rows: int, columns: int
) -> F64:
    """Darkness of a strip: how often each cell was hit, on a scale that keeps the rare visible.

    Returns
    -------
    float64, shape (rows, columns)
        0 where never; 0.35 for a single hit; 1 for the most frequent cell, logarithmic between.
    """
    count = np.bincount(row * columns + column, minlength=rows * columns).reshape(rows, columns)
    most = int(count.max(initial=0))
    if most <= 1:
        return np.where(count > 0, 1.0, 0.0)
    return np.where(count > 0, 0.35 + 0.65 * np.log(np.maximum(count, 1)) / np.log(most), 0.0)


def mean_by_column(value: npt.NDArray[np.uint8], column: npt.NDArray[np.intp], columns: int) -> F64:
    """Mean of a value in each column.

    Returns
    -------
    float64, shape (columns,), NaN in a column without values.
    """
    count = np.bincount(column, minlength=columns)
    total = np.bincount(column, weights=value, minlength=columns)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def runs(value: npt.NDArray[np.int64]) -> list[tuple[int, int, int]]:
    """Stretches of equal neighbours as (first, end, value)."""
    if len(value) == 0:
        return []
    cut = np.flatnonzero(np.diff(value)) + 1
    first = np.concatenate(([0], cut))
    end = np.append(cut, len(value))
    return [(int(a), int(b), int(value[a])) for a, b in zip(first, end, strict=True)]
