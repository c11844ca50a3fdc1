"""Folding into columns, against a plain per-picosecond or per-cycle reckoning."""

from itertools import pairwise

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from bustrace.draw.bins import (
    column_edges,
    density,
    level_shares,
    mean_by_column,
    runs,
    spread_cycles,
)


@given(st.integers(-1000, 1000), st.integers(1, 5000), st.integers(1, 300))
def test_edges_cover_the_span_and_never_decrease(start, length, columns):
    """The first and last edge are the span's ends, and no column is more than 1 ps off."""
    edges = column_edges(start, start + length, columns)
    assert edges[0] == start
    assert edges[-1] == start + length
    width = np.diff(edges)
    assert width.min() >= 0
    assert width.max() - width.min() <= 1


@given(
    st.lists(st.tuples(st.integers(1, 9), st.integers(0, 2)), min_size=1, max_size=30),
    st.integers(1, 12),
)
def test_shares_equal_counting_each_picosecond(rows, columns):
    """The share at each level is what counting every picosecond of a column gives."""
    held = np.array([width for width, _ in rows])
    level = np.array([value for _, value in rows], dtype=np.uint8)
    time = np.concatenate(([0], np.cumsum(held)[:-1])).astype(np.int64)
    end = int(held.sum())
    edges = column_edges(-3, end + 4 + columns, columns)
    shares = level_shares(time, level, end, edges)
    every = np.repeat(level, held)
    for value, share in ((1, shares.high), (0, shares.low), (2, shares.unknown)):
        for at in range(columns):
            inside = every[max(edges[at], 0) : max(min(edges[at + 1], end), 0)]
            expected = np.count_nonzero(inside == value) / (edges[at + 1] - edges[at])
            assert np.isclose(share[at], expected)


def test_a_pulse_of_one_sample_in_a_million_makes_its_column_busy():
    """However short, a pulse is never lost to the folding."""
    time = np.array([0, 600_000_000, 600_000_001], dtype=np.int64)
    level = np.array([1, 0, 1], dtype=np.uint8)
    shares = level_shares(time, level, 10**9, column_edges(0, 10**9, 10))
    assert np.flatnonzero(shares.busy).tolist() == [6]


def test_a_line_without_rows_was_at_no_level():
    """Nothing recorded is neither high nor low."""
    none = np.zeros(0, dtype=np.int64)
    shares = level_shares(none, none.astype(np.uint8), 0, column_edges(0, 100, 4))
    assert not (shares.high + shares.low + shares.unknown).any()


def test_wide_cycles_fill_all_their_columns_and_leave_rests_empty():
    """Where cycles are wider than columns each column names the cycle at its middle."""
    start = np.array([0, 40], dtype=np.int64)
    end = np.array([20, 60], dtype=np.int64)
    cycle, column = spread_cycles(start, end, column_edges(0, 80, 8))
    assert list(zip(cycle.tolist(), column.tolist(), strict=True)) == [
        (0, 0),
        (0, 1),
        (1, 4),
        (1, 5),
    ]


def test_narrow_cycles_appear_exactly_once():
    """Where cycles are narrower than columns none is dropped or counted twice."""
    end = np.arange(1, 1001, dtype=np.int64) * 10
    cycle, column = spread_cycles(end - 10, end, column_edges(0, 10_000, 7))
    assert cycle.tolist() == list(range(1000))
    assert np.bincount(column).min() >= 142


def test_a_single_hit_stays_visible_beside_a_frequent_cell():
    """The scale keeps one access among a million at more than a third of the ink."""
    row = np.zeros(100_001, dtype=np.intp)
    row[-1] = 1
    dark = density(row, np.zeros_like(row), 3, 1)
    assert dark[0, 0] == 1.0
    assert dark[1, 0] >= 0.35
    assert dark[2, 0] == 0.0


def test_mean_is_nan_where_a_column_has_no_value():
    """No value is not zero."""
    mean = mean_by_column(np.array([1, 0, 1], dtype=np.uint8), np.array([0, 0, 2]), 3)
    assert mean[0] == 0.5
    assert np.isnan(mean[1])
    assert mean[2] == 1.0


@given(st.lists(st.integers(0, 2), max_size=40))
def test_runs_rebuild_the_list(values):
    """Runs laid end to end are the values again, and neighbours differ."""
    found = runs(np.array(values, dtype=np.int64))
    assert [v for a, b, v in found for _ in range(b - a)] == values
    assert all(x[2] != y[2] for x, y in pairwise(found))
