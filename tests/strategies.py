"""Shared hypothesis strategies."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
from hypothesis import strategies as st

from bustrace.capture.model import Capture

# Names as people write them; unusual ones included.
_NAMES = st.sampled_from(
    [
        "PHI2",
        "R/W",
        "/RES",
        "nIRQ",
        "A[3]",
        "DATA[7:0]",
        "top.clk",
        "CS ROM",
        "\\odd",
        "Größe",
        "#1",
    ]
) | st.from_regex(r"[A-Za-z_][A-Za-z0-9_]{0,6}", fullmatch=True)
_RATES = st.none() | st.sampled_from([Fraction(24_000_000), Fraction(10**8), Fraction(10**9, 3)])


@st.composite
def captures(draw: st.DrawFn, *, modes: tuple[str, ...] = ("timing", "state")) -> Capture:
    """Captures that any reader could have made.

    In timing mode times rise strictly and no row repeats the one before. Within a gap, lines are
    unknown, and in timing mode a row says so where the gap begins.
    """
    mode = draw(st.sampled_from(modes))
    names = draw(st.lists(_NAMES, min_size=1, max_size=draw(st.sampled_from([3, 64])), unique=True))
    full = (1 << len(names)) - 1
    count = draw(st.integers(1, 12))
    step = st.integers(1, 50) if mode == "timing" else st.integers(0, 50)
    unit = draw(st.sampled_from([1, 1000, 125, 10**7]))
    begin = draw(st.integers(-(10**6), 10**6))
    times = [begin]
    for _ in range(count - 1):
        times.append(times[-1] + unit * draw(step))
    word = st.integers(0, full) | st.sampled_from([0, full])
    masks = word if draw(st.booleans()) else st.just(full)
    known = [draw(masks) for _ in times]
    state = [draw(word) & mask for mask in known]
    end = times[-1] + unit * draw(st.integers(0, 3))

    gaps: list[tuple[int, int]] = []
    if count > 2 and draw(st.booleans()):
        first = draw(st.integers(1, count - 2))
        start, stop = times[first], draw(st.sampled_from([*times[first + 1 :], end]))
        if start < stop:
            gaps.append((start, stop))
    for start, stop in gaps if mode == "timing" else ():
        for row, time in enumerate(times):
            if start <= time < stop:
                known[row] = state[row] = 0

    rows = list(zip(times, state, known, strict=True))
    if mode == "timing":
        rows = [row for i, row in enumerate(rows) if i == 0 or row[1:] != rows[i - 1][1:]]
    return Capture(
        mode="timing" if mode == "timing" else "state",
        time_ps=np.array([row[0] for row in rows], dtype=np.int64),
        state=np.array([row[1] for row in rows], dtype=np.uint64),
        known=np.array([row[2] for row in rows], dtype=np.uint64),
        lines=tuple(names),
        rate=draw(_RATES),
        gaps=np.array(gaps, dtype=np.int64).reshape(-1, 2),
        end_ps=end,
    )
