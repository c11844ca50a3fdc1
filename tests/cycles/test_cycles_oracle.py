"""The cycle finder against a plain one that looks at every sample."""

import itertools
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from bustrace.capture.model import Capture
from bustrace.cycles import IN_RESET, SHORT, STRETCHED, UNSETTLED, Cycles, find_cycles
from bustrace.hookup import Hookup, Tap, identify_hookup

STEP_PS = 100_000
RATE = Fraction(10_000_000)
LINES = ("PHI2", "A0", "D0", "D1", "RW", "RES", "CS_RAM", "CS_ROM")


@st.composite
def captures(draw: st.DrawFn) -> Capture:
    """Up to 60 clock pulses, most of them regular, and lines that change at random."""
    widths = st.one_of(st.integers(4, 6), st.integers(1, 16), st.just(5), st.just(5))
    pulses = draw(st.lists(widths, min_size=1, max_size=60))
    start = draw(st.integers(0, 1))
    clock = np.concatenate([np.full(w, (start + i) % 2) for i, w in enumerate(pulses)])
    seed = draw(st.integers(0, 2**32 - 1))
    random = np.random.default_rng(seed)
    state = clock.astype(np.uint64)
    for bit in range(1, len(LINES)):
        changes = random.random(len(clock)) < draw(st.sampled_from((0.02, 0.3)))
        state |= (np.cumsum(changes) % 2).astype(np.uint64) << np.uint64(bit)
    known = np.full(len(clock), (1 << len(LINES)) - 1, dtype=np.uint64)
    partial = draw(st.booleans())
    if partial:
        for bit in range(len(LINES)):
            unknown = random.random(len(clock)) < (0.01 if bit == 0 else 0.05)
            known &= ~(unknown.astype(np.uint64) << np.uint64(bit))
        state &= known
    gaps = np.zeros((0, 2), dtype=np.int64)
    times = np.arange(len(clock), dtype=np.int64) * STEP_PS
    cut = draw(st.one_of(st.none(), st.integers(1, len(clock))))
    keep = np.ones(len(clock), dtype=bool)
    if cut is not None and cut + 3 < len(clock):
        gaps = np.array([[times[cut], times[cut + 3]]])
        keep[cut : cut + 3] = False
    new = np.ones(len(clock), dtype=bool)
    new[1:] = (state[1:] != state[:-1]) | (known[1:] != known[:-1])
    if len(gaps):
        new[cut + 3] = True
    rows = np.flatnonzero(keep & new)
    return Capture(
        mode="timing",
        time_ps=times[rows],
        state=state[rows],
        known=known[rows] if partial else None,
        lines=LINES,
        rate=RATE,
        gaps=gaps,
        end_ps=int(times[-1]) + STEP_PS,
    )


def plain_cycles(capture: Capture, found: Cycles) -> list[dict[str, object]]:
    """Cycles by walking the samples one at a time.

    Only the choices that are statistics of the whole capture are taken from `found`: the role of
    the clock, the sampling point, the usual widths.
    """
    n = capture.end_ps // STEP_PS
    known_rows = capture.known if capture.known is not None else capture.all_known
    samples: list[tuple[int, int] | None] = [None] * n
    row = 0
    for i in range(n):
        while row + 1 < len(capture) and capture.time_ps[row + 1] <= i * STEP_PS:
            row += 1
        samples[i] = int(capture.state[row]), int(known_rows[row])
    for begin, end in capture.gaps:
        for i in range(begin // STEP_PS, end // STEP_PS):
            samples[i] = None

    flip = int(found.clock.role == "phase 1, inverted")
    runs: list[list[int]] = []  # level, first sample, samples; -1 for a gap
    for i, sample in enumerate(samples):
        if sample is None:
            level = -1
        elif sample[1] & 1:
            level = (sample[0] & 1) ^ flip
        else:
            if not runs or runs[-1][0] == -1:
                continue
            level = runs[-1][0]
        if runs and runs[-1][0] == level:
            continue
        runs.append([level, i])

    stretches: list[list[list[int]]] = [[]]
    for level, i in runs:
        if level == -1:
            stretches.append([])
        else:
            stretches[-1].append([level, i])

    limits = {kind: _least(_usual(stretches, kind)) for kind in (0, 1)}
    clean = [_without_short_pulses(stretch, limits) for stretch in stretches]
    out = []
    back = -found.sampling.offset_ps // STEP_PS if found.sampling else 1
    # Without two whole cycles the usual one is made of the pulses that are left.
    period = found.clock.period_ps or _usual(clean, 0) + _usual(clean, 1)
    moves = _by_sample(found)
    for kept in clean:
        for k in range(2, len(kept)):
            if kept[k][0] == 0:
                before = kept[k - 2][1] if k >= 3 else None
                out.append(
                    _plain_cycle(samples, kept[k - 1][1], kept[k][1], before, back, period, moves)
                )
    return out


def _usual(stretches: list[list[list[int]]], kind: int) -> int:
    """Median width of the pulses of a level whose both edges were seen."""
    widths = [
        (b[1] - a[1]) * STEP_PS
        for s in stretches
        for a, b in itertools.pairwise(s[1:])
        if a[0] == kind
    ]
    return int(np.median(widths)) if widths else 0


def _least(usual: int) -> float:
    return max(usual // 5, 1.5 * STEP_PS if usual >= 3.5 * STEP_PS else 0)


def _without_short_pulses(stretch: list[list[int]], limits: dict[int, float]) -> list[list[int]]:
    def is_short(run: list[int], following: list[int]) -> bool:
        return (following[1] - run[1]) * STEP_PS < limits[run[0]]

    kept: list[list[int]] = []
    left = list(stretch)
    while left:
        run = left.pop(0)
        # The first run of a stretch began before it was seen: it is never too short.
        if len(kept) >= 2 and is_short(kept[-1], run):
            if left and is_short(run, left[0]):
                left.pop(0)
            else:
                kept.pop()
        else:
            kept.append(run)
    return kept


def _plain_cycle(samples, rise, fall, before, back, period, moves):
    at = max(fall - back, rise)
    state, known = samples[at]
    moved = [
        at > rise
        and bool((samples[at][0] ^ samples[at - 1][0]) >> bit & 1)
        and bool(samples[at][1] & samples[at - 1][1] & 1 << bit)
        for bit in range(len(LINES))
    ]
    bus = (1, 2, 3, 4)
    mended = False
    for bit in (*bus, 5):
        quiet = _quiet(moves, bit, back)
        returned = (samples[at][0] ^ samples[at + 1][0]) >> bit & 1
        if moved[bit] and quiet and returned:
            state ^= 1 << bit
            mended = True
    state &= known

    middle = rise * STEP_PS + (fall - rise) * STEP_PS // 2
    window = [i for i in range(rise, fall) if (i + 1) * STEP_PS > middle]
    selects = selects_known = 0
    for number, bit in enumerate((6, 7)):
        levels = [samples[i][0] >> bit & 1 if samples[i][1] >> bit & 1 else None for i in window]
        if 0 in levels:  # active low
            selects |= 1 << number
            selects_known |= 1 << number
        elif None not in levels:
            selects_known |= 1 << number
    other, other_known = samples[rise - 1]
    flags = UNSETTLED * (mended or any(moved[bit] for bit in bus))
    if before is not None:
        lasted = (fall - before) * STEP_PS
        if lasted >= max(period * 3 // 2, period + 1.5 * STEP_PS):
            flags |= STRETCHED
        elif lasted < min(period * 3 // 4, period - 1.5 * STEP_PS):
            flags |= SHORT
    if known >> 5 & 1 and not state >> 5 & 1:
        flags |= IN_RESET
    return {
        "time_ps": fall * STEP_PS,
        "rise_ps": rise * STEP_PS,
        "address": state >> 1 & 1,
        "address_known": known >> 1 & 1,
        "data": state >> 2 & 3,
        "data_known": known >> 2 & 3,
        "control": (state >> 4 & 1) | (state >> 5 & 1) << 2,
        "control_known": (known >> 4 & 1) | (known >> 5 & 1) << 2,
        "selects": selects,
        "selects_known": selects_known,
        "owner": 0,
        "other_address": (other & other_known) >> 1 & 1,
        "other_address_known": other_known >> 1 & 1,
        "other_data": (other & other_known) >> 2 & 3,
        "other_data_known": other_known >> 2 & 3,
        "flags": flags,
    }


def _by_sample(found: Cycles) -> list[dict[int, int]]:
    """Changes of each line, by samples from the fall."""
    if found.sampling is None:
        return []
    bins = [round((left + STEP_PS / 2) / STEP_PS) for left in found.sampling.bins_ps.tolist()]
    return [
        {place: count for place, count in zip(bins, counts, strict=True) if count}
        for counts in found.sampling.moves.tolist()
    ]


def _quiet(moves, bit, back):
    at_sample = moves[bit].get(-back, 0)
    return at_sample <= max(1, 0.01 * sum(moves[bit].values()))


_ONE_CYCLE_AND_A_GLITCH = Capture(
    mode="timing",
    time_ps=np.array([0, 3, 4, 5, 9, 11, 14, 15, 19, 23], dtype=np.int64) * STEP_PS,
    state=np.array([1, 3, 2, 34, 35, 49, 48, 113, 112, 113], dtype=np.uint64),
    known=None,
    lines=LINES,
    rate=RATE,
    gaps=np.zeros((0, 2), dtype=np.int64),
    end_ps=27 * STEP_PS,
)
"""A pulse of one sample is left out, and but one cycle is seen whole."""


@pytest.mark.slow
@example(_ONE_CYCLE_AND_A_GLITCH)
@settings(max_examples=120, deadline=None)
@given(captures())
def test_cycles_are_those_of_a_plain_walk_over_the_samples(capture: Capture) -> None:
    found = find_cycles(capture, identify_hookup(capture))
    if found.reason is not None:
        assert len(found) == 0
        if "too few to follow" in found.reason:
            return
        assert plain_cycles(capture, found) == []
        return
    expected = plain_cycles(capture, found)
    assert len(expected) == len(found)
    for name in expected[0]:
        assert getattr(found, name).tolist() == [row[name] for row in expected], name


def test_the_histogram_counts_each_change_once_by_its_distance_from_the_fall() -> None:
    """Counted by hand: four cycles of 10 samples; D0 changes 2 samples before every second fall,
    A0 one sample after each."""
    fall = [10, 20, 30, 40]
    n = 46
    clock = np.array([(i % 10) >= 5 for i in range(n)])
    d0 = np.array([sum(1 for f in fall[1::2] if i >= f - 2) % 2 for i in range(n)])
    a0 = np.array([sum(1 for f in fall if i >= f + 1) % 2 for i in range(n)])
    state = clock.astype(np.uint64) | a0.astype(np.uint64) << np.uint64(1)
    state |= d0.astype(np.uint64) << np.uint64(2)
    new = np.flatnonzero(np.diff(state, prepend=~state[:1]))
    capture = Capture(
        "timing",
        (new * STEP_PS).astype(np.int64),
        state[new],
        None,
        ("PHI2", "A0", "D0"),
        RATE,
        np.zeros((0, 2), dtype=np.int64),
        n * STEP_PS,
    )
    taps = tuple(Tap(name, i, name) for i, name in enumerate(("PHI2", "A0", "D0")))
    moves = dict(zip(capture.lines, _by_sample(find_cycles(capture, Hookup(taps))), strict=True))
    assert moves["D0"] == {-2: 2}
    assert moves["A0"] == {1: 4}
    assert moves["PHI2"] == {-5: 4, 0: 4}
