"""The compiled search against a plain one that gives nothing up.

In plain Python every opcode that the captured bits allow is walked from every cycle, in all its
lengths, with an interrupt and a reset besides, and of all ways into a cycle the best is kept: no
beam, no bound on walkers, no window. What one walk scores is the kernel's own rule, run as plain
Python; `test_search_meaning` holds it to the executor.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from random_captures import LINE_SETS, part_of, random_program, seen_of

from bustrace.program import _kernels as k
from bustrace.program import search as wrapper
from bustrace.program.search import Seen

NOTHING_TOO_BAD = 1 << 40
AS_CAPTURED = replace(wrapper.WITH_DATA, doubt=1e17, gap_doubt=1e17, beam=1e6)
"""Every byte is what was captured, no cycle lacks, and nothing is given up: as the plain search."""

WITH_DATA = [lines for lines in LINE_SETS if lines != "A16+RW"]


@dataclass(frozen=True, slots=True)
class Best:
    """The best way into a cycle: its score, what is known there, and the step that led to it."""

    score: int
    state: tuple[int, ...]
    before: int
    step: tuple[int, int]


class PlainSearch:
    """All walks over a short capture."""

    def __init__(self, seen: Seen, variant: str) -> None:
        self.cycles = seen.packed()
        self.potential = np.zeros(len(seen) + 1, np.int64)
        self.w = wrapper._memory(variant, wrapper.WITH_DATA, len(seen))
        self.w[k.COUNTS_AT + k.FAR_LOSS] = NOTHING_TOO_BAD
        self.w[k.COUNTS_AT + k.MOST_LOSS] = NOTHING_TOO_BAD
        self.best: dict[int, Best] = {}
        lines = np.bitwise_count(seen.address_known & np.uint32(0xFFFF)) + (seen.rw != 2)
        for t in range(min(wrapper._SEEDS, len(seen))):
            state = [0] * k.NODE_FIELDS
            state[k.PM], state[k.STACK] = 0x30, k.STACKS_AT
            state[k.FETCHED] = int(lines[t]) * k.BIT_UNITS
            ahead = int(lines[: t + 1].sum()) - wrapper._LATER * t
            self.best[t] = Best(ahead * k.BIT_UNITS, tuple(state), -1, (-1, -1))

    def path(self) -> tuple[list[tuple[int, int, int]], float]:
        """Rows as (first cycle, kind, opcode) of the best path, and what they score."""
        n = len(self.cycles)
        for t in range(n):
            if t in self.best:
                self._from(t)
        rows = []
        at = n
        while self.best[at].before >= 0:
            here = self.best[at]
            rows.append((here.before, *here.step))
            at = here.before
        if at:
            rows.append((0, k.BY_NOTHING, -1))
        return rows[::-1], self.best[n].score / k.BIT_UNITS

    def _from(self, t: int) -> None:
        nodes = np.zeros((t + 1, k.NODE_FIELDS), np.int64)
        nodes[t] = self.best[t].state
        self._stray(t, nodes[t])
        mode = nodes[t, k.MODE]
        captured = int(self.cycles[t]) >> k.DMASK_AT & 0xFF
        data = int(self.cycles[t]) >> k.DATA_AT & 0xFF
        k._fetch(self.w, nodes, self.cycles[t], t, self.best[t].score)
        choices = [code for code in range(255, -1, -1) if (code ^ data) & captured == 0]
        if k._may_break_in(self.cycles, t):
            choices += [k.BREAK_IN, k.BREAK_IN + 1]
        for choice in [k.BREAK_IN + 1] if mode == k.JAMMED else choices:
            self._explore(t, choice)

    def _stray(self, t: int, state: np.ndarray) -> None:
        """A cycle that is no program, as far as one that runs needs it."""
        w = self.w
        w[: k.NODE_FIELDS] = state
        astray = state[k.MODE] == k.ASTRAY
        price = w[k.PRICES_AT + (k.STRAYS_ON if astray else k.STRAY)]
        w[k.SCORE] = self.best[t].score - state[k.FETCHED] - price
        w[[k.AM, k.XM, k.YM, k.PCM, k.PEEKM]] = 0
        w[k.PM], w[k.MODE], w[k.AT] = 0x30, k.ASTRAY, t + 1
        self._arrive(t, k.BY_NOTHING, -1)

    def _explore(self, t: int, choice: int) -> None:
        w = self.w
        shown = int(k._set_out(w, choice))
        w[k.COUNTS_AT + k.WALKERS] = 0
        while True:
            if w[k.ENTRY] == k.FETCH or k._walk(
                w, self.cycles, self.potential, NOTHING_TOO_BAD, t + k.AHEAD
            ):
                stops = w[k.OPERATION] in (k.JAM, k.STP)
                if stops and k._kind(w) == k.BY_INSTRUCTION:
                    w[k.MODE], w[k.PEEKM] = k.JAMMED, 0
                self._arrive(t, int(k._kind(w)), shown)
            waiting = int(w[k.COUNTS_AT + k.WALKERS]) - 1
            assert waiting < k.FORKS - 1, "a walker was dropped"
            if waiting < 0:
                return
            w[k.COUNTS_AT + k.WALKERS] = waiting
            begin = k.PENDING_AT + waiting * k.WALKER_FIELDS
            w[: k.WALKER_FIELDS] = w[begin : begin + k.WALKER_FIELDS]

    def _arrive(self, t: int, kind: int, shown: int) -> None:
        w, at = self.w, int(self.w[k.AT])
        gain = k._fetch_gain(w, self.cycles[at])[0] if at < len(self.cycles) else 0
        score = int(w[k.SCORE] + gain)
        other = self.best.get(at)
        if other is not None and max(other.before, 0) != t and abs(score - other.score) < k.TIE:
            self._agree(at, other)
        if at not in self.best or score > self.best[at].score:
            w[k.FETCHED] = gain
            state = tuple(w[: k.NODE_FIELDS].tolist())
            self.best[at] = Best(score, state, t, (kind, shown))

    def _agree(self, at: int, other: Best) -> None:
        """Forget of the registers in what two good ways into a cycle differ."""
        state = list(other.state)
        for value, known in ((k.A, k.AM), (k.X, k.XM), (k.Y, k.YM), (k.S, k.SM), (k.P, k.PM)):
            unlike = int(self.w[value]) ^ state[value]
            state[known] &= int(self.w[known]) & ~unlike
            self.w[known] = state[known]
        self.best[at] = replace(other, state=tuple(state))


def checked(seen, variant):
    """Hold the kernel to the plain search: the same score, and the same rows if it is one way."""
    plain, score = PlainSearch(seen, variant).path()
    found = wrapper.search(seen, variant, AS_CAPTURED)
    rows = zip(found.first_cycle.tolist(), found.edge.tolist(), found.opcode.tolist(), strict=True)
    told = list(rows)
    assert float(found.score.sum()) == pytest.approx(score, abs=0.01)
    if told != plain:
        # As good a path in another way leaves as little unexplained.
        strays = [sum(kind == k.BY_NOTHING for _, kind, _ in rows) for rows in (told, plain)]
        assert strays[0] == strays[1]


@pytest.mark.slow
@settings(deadline=None, max_examples=150, derandomize=True)
@given(
    variant=st.sampled_from(["6502", "W65C02S"]),
    seed=st.integers(0, 400),
    begin=st.integers(0, 60),
    length=st.integers(20, 60),
    lines=st.sampled_from(WITH_DATA),
)
def test_on_short_captures_the_search_finds_the_best_path(variant, seed, begin, length, lines):
    """From anywhere in a random program, whatever lines are captured."""
    truth = random_program(variant, seed, begin + length)
    checked(seen_of(part_of(truth, slice(begin, None)), lines), variant)


@pytest.mark.slow
@settings(deadline=None, max_examples=60, derandomize=True)
@given(
    seed=st.integers(0, 400),
    bit=st.integers(0, 7),
    length=st.integers(20, 40),
    lines=st.sampled_from(WITH_DATA),
)
def test_with_a_dead_data_line_the_search_finds_the_best_path(seed, bit, length, lines):
    """Two opcodes fit each fetch then."""
    truth = random_program("6502", seed, length)
    checked(seen_of(truth, lines, dead_data=1 << bit), "6502")


@pytest.mark.slow
def test_the_plain_search_tells_a_better_path_from_a_worse_one():
    """It is a witness only if it disagrees with a search that looks at less."""
    truth = random_program("6502", 3, 40)
    seen = seen_of(truth, "D8+RW")
    _, score = PlainSearch(seen, "6502").path()
    starved = replace(wrapper.WITH_DATA, beam=-20.0)
    found = wrapper.search(seen, "6502", starved)
    assert float(found.score.sum()) < score - 5
