"""Loops: runs of the same instructions over and over, and loops of loops."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bustrace.program.handlers import handler_rows
from bustrace.program.model import Kind, Program

FEWEST_TURNS = 3
"""Turns that make a loop: two may be two calls one after the other."""

_DEEPEST = 6
"""Loops within loops that are looked for."""

Rows = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Loop:
    """Instructions that come again and again; `rows` is the thread that `find_loops` was given.

    Attributes
    ----------
    first, end : int
        Its instructions are ``rows[first:end]``: whole turns only.
    turn_end : int
        The first turn is ``rows[first:turn_end]``. Where inner loops turn more or less often,
        later turns have other lengths.
    turns : int
    inner : tuple of Loop
        Loops within the first turn.
    """

    first: int
    end: int
    turn_end: int
    turns: int
    inner: tuple[Loop, ...] = ()


def main_rows(program: Program) -> Rows:
    """Instructions outside interrupt handlers: row numbers, int64."""
    rows: Rows = np.flatnonzero((program.kind == Kind.INSTRUCTION) & ~handler_rows(program))
    return rows


def find_loops(program: Program, rows: Rows) -> tuple[Loop, ...]:
    """Outermost loops of a thread of instructions, in order; linear in their number.

    Parameters
    ----------
    program : Program
    rows : int64, shape (n,)
        Row numbers, such as those of `main_rows`. An instruction whose address is not known is
        like no other.
    """
    pc = program.pc[rows].astype(np.int64)
    key = np.where(pc >= 0, pc, -1 - np.arange(len(rows)))
    # A gap in the thread, such as a reset, is no part of a loop.
    start = np.arange(len(rows), dtype=np.int64)
    end = start + 1
    found = np.full(len(rows), -1, dtype=np.int64)
    loops: list[Loop] = []
    names: dict[tuple[int, ...], int] = {}
    for _ in range(_DEEPEST):
        spans = _repeats(key)
        if not spans:
            break
        keep = np.ones(len(key), dtype=np.bool_)
        key, start, end, found = key.copy(), start.copy(), end.copy(), found.copy()
        for first, period, turns in spans:
            last = first + period * turns
            body = tuple(key[first : first + period].tolist())
            inner = tuple(loops[n] for n in found[first : first + period] if n >= 0)
            loop = Loop(int(start[first]), int(end[last - 1]), int(end[first + period - 1]),
                        turns, inner)  # fmt: skip
            # Loops of the same body are alike, however often they turn.
            key[first] = names.setdefault(body, _FIRST_NAME + len(names))
            end[first], found[first] = loop.end, len(loops)
            loops.append(loop)
            keep[first + 1 : last] = False
        key, start, end, found = key[keep], start[keep], end[keep], found[keep]
    return tuple(loops[n] for n in found if n >= 0)


_FIRST_NAME = 1 << 20
"""Above every address."""


def _repeats(key: npt.NDArray[np.int64]) -> list[tuple[int, int, int]]:
    """Stretches that repeat: first place, period, turns; they do not overlap."""
    n = len(key)
    order = np.argsort(key, kind="stable")
    before = np.full(n, -1, dtype=np.int64)
    same = np.flatnonzero(key[order[1:]] == key[order[:-1]]) + 1
    before[order[same]] = order[same - 1]
    back = np.where(before >= 0, np.arange(n) - before, 0)
    begins = np.flatnonzero(np.diff(back, prepend=-1))
    ends = np.append(begins[1:], n)
    spans = []
    done = 0
    for at, stop in zip(begins.tolist(), ends.tolist(), strict=True):
        period = int(back[at])
        if period == 0:
            continue
        first = at - period
        if first < done:
            first += -(-(done - first) // period) * period
        turns = (stop - first) // period
        if turns >= FEWEST_TURNS:
            spans.append((first, period, turns))
            done = first + period * turns
    return spans
