"""Loops are found by what repeats, and nothing is lost by folding them."""

from types import SimpleNamespace

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from bustrace.program import Loop, find_loops

PIECES = st.recursive(
    st.lists(st.integers(0, 9), min_size=1, max_size=4),
    lambda inner: st.lists(st.tuples(inner, st.integers(1, 6)), min_size=1, max_size=3).map(
        lambda parts: [pc for body, turns in parts for pc in body * turns]
    ),
    max_leaves=6,
)


def program_of(pcs):
    return SimpleNamespace(pc=np.array(pcs, dtype=np.int32))


def loops_in(pcs):
    return find_loops(program_of(pcs), np.arange(len(pcs)))


def test_a_plain_loop():
    (loop,) = loops_in([1, 2, *[3, 4] * 5, 9])
    assert loop == Loop(2, 12, 4, 5)


def test_two_turns_are_no_loop():
    assert loops_in([1, 2, 3, 1, 2, 3, 9]) == ()


def test_a_loop_around_a_loop_whose_turns_vary():
    """Inner loops of 4, 7 and 3 turns, three times round: one loop, the inner one in its body."""
    pcs = [0, *[1] * 4, 2, 0, *[1] * 7, 2, 0, *[1] * 3, 2, 9]
    (loop,) = loops_in(pcs)
    assert (loop.first, loop.end, loop.turns) == (0, len(pcs) - 1, 3)
    assert [(inner.first, inner.end, inner.turns) for inner in loop.inner] == [(1, 5, 4)]


def test_unknown_addresses_are_never_alike():
    assert loops_in([-1] * 20) == ()


@settings(deadline=None, max_examples=200)
@given(PIECES)
def test_loops_tile_whole_turns(pcs):
    """Outermost loops do not overlap, and every turn without inner loops is the first again."""

    def check(loop):
        assert loop.turns >= 3
        assert loop.first < loop.turn_end < loop.end
        body = pcs[loop.first : loop.turn_end]
        if not loop.inner:
            assert pcs[loop.first : loop.end] == body * loop.turns
        for inner in loop.inner:
            assert loop.first <= inner.first < inner.end <= loop.turn_end
            check(inner)

    at = 0
    for loop in loops_in(pcs):
        assert loop.first >= at
        at = loop.end
        check(loop)
    assert at <= len(pcs)
