"""Registers that were not loaded yet, told by what the bus shows later.

A recording that begins in mid-program shows the registers only when they are stored, pushed, used
as an index, or decide a branch. Each bit that is not known is tried at both levels: where one of
them leads to a cycle that is not what was captured, it was the other. All arithmetic in between is
that of the executor, so whatever follows from a register speaks for it.
"""

from __future__ import annotations

import numpy as np

from bustrace.cpu import CpuState, variant_named
from bustrace.program.thread import Run, Thread

_REGISTERS = {"s": 0xFF, "x": 0xFF, "y": 0xFF, "a": 0xFF, "p": 0xCF}
_A, _P = 0, 4
_FULL = np.array([0xFF, 0xFF, 0xFF, 0xFF, 0xCF], np.uint8)
_RESULTS = 0xC3
"""Flags that come of a result."""

_SOON, _LATE = (64, 512), (64, 512, 2048)
"""Cycles over which a level is tried: most registers show soon. The first ones are given longer."""

_FEWEST = 32
"""Cycles that must be all as executed, or nothing is deduced from them."""

_CERTAIN = 2
"""Cycles that are no stray level together."""

_BRANCH = 8
"""Cycles behind the end, which tell where a branch just before it goes."""

_AGAIN = 2
"""Times that one instruction is tried with the same bits unknown."""

_TRIALS = 10_000
"""Bound of the work on one capture."""

_WORLDS, _ALL = 48, 1024
"""Most values of A, carry and the decimal flag that are kept side by side."""

_LONG = 24
"""Rows without a load of A from which all its values are followed until they come to the same."""

_MIXES = (
    *("ADC", "SBC", "AND", "ORA", "EOR", "ASL", "LSR", "ROL", "ROR"),
    *("CMP", "CPX", "CPY", "BIT"),
)
"""Make of what is not known something new, which may show though what it came from does not."""

_C, _D = 0x01, 0x08


class Deducer:
    """Completes states of one capture.

    Parameters
    ----------
    thread : Thread
    variant : str
        CPU part.
    """

    def __init__(self, thread: Thread, variant: str) -> None:
        self._thread = thread
        self._left = _TRIALS
        self._by_one = False  # a level was told by one cycle alone
        self._tried: dict[tuple[int, ...], int] = {}
        self._later: dict[int, tuple[int, int]] = {}
        part = variant_named(variant)
        opcodes = [o.opcode for o in part.opcodes() if o.mnemonic in _MIXES]
        self._mixes = np.zeros(256, np.bool_)
        self._mixes[opcodes] = True
        if thread.departure is not None and not thread.departure.flag:
            self._mixes[thread.departure.opcode] = self._mixes[thread.departure.taken_for]

    def completed(
        self, cycle: int, state: CpuState, aside: int, *, first: bool = False
    ) -> CpuState:
        """The state at the start of a cycle with all bits that the cycles after it tell.

        Parameters
        ----------
        cycle : int
        state : CpuState
        aside : int
            Lines set aside, as a mask.
        first : bool
            The program is entered here.

        Returns
        -------
        CpuState
            `state` itself where there is nothing to add.
        """
        unknown = self._unknown(state)
        if cycle in self._later:
            state = state.copy()
            state.amend("a", *self._later[cycle])
        if not unknown or self._left <= 0:
            return state
        keep = self._thread.moving & np.uint32(~aside & 0x3FFFFFF)
        reaches = _LATE if first else _SOON
        self._by_one = False
        clean = self._clean(cycle, state, cycle + reaches[-1], keep)
        if clean == cycle:
            return state
        found = state
        for reach in reaches:
            end = min(cycle + reach, clean)
            while True:
                told, upto = self._told(cycle, found, end, keep)
                if upto == cycle:
                    return state
                if told is found and upto == end:
                    break
                clean = upto if upto < end else clean
                found, end = told, upto
            if end >= clean or not self._unknown(found):
                break
        if first:
            self._look_ahead(cycle, found, min(clean, cycle + _SOON[-1]), keep)
        return self._jointly(cycle, found, end, keep, _WORLDS)[0]

    def next_row(self, run: Run, after: int) -> int | None:
        """First row of a run, behind a cycle, before which A or a flag became new and unknown."""
        before, known = run.row_opcode[:-1], run.row_known[1:]
        open_ = (known[:, _A] != 0xFF) | (known[:, _P] & _RESULTS != _RESULTS)
        open_ &= self._mixes[before]
        again = np.isin(run.row_cycle[1:], list(self._later)) & (known[:, _A] != 0xFF)
        rows = np.flatnonzero((open_ | again) & (run.row_cycle[1:] > after)) + 1
        for row in rows.tolist():
            if int(run.row_cycle[row]) in self._later:
                return int(run.row_cycle[row])
            key = (int(run.row_pc[row]), *run.row_known[row].tolist())
            if self._tried.get(key, 0) < _AGAIN:
                self._tried[key] = self._tried.get(key, 0) + 1
                return int(run.row_cycle[row])
        return None

    def _unknown(self, state: CpuState) -> bool:
        return any(state.register(name)[1] & full != full for name, full in _REGISTERS.items())

    def _clean(self, cycle: int, state: CpuState, end: int, keep: np.uint32) -> int:
        """End of the cycles that are as executed and can tell; `cycle` where they are too few."""
        run = self._thread.run(cycle, state, min(end, len(self._thread)))
        off = np.flatnonzero(run.off & keep)
        clean = cycle + int(off[0]) if len(off) else run.end
        if clean - cycle < _FEWEST:
            return cycle
        # Once all is known again, what it was before leaves no more traces.
        whole = (run.row_known | ~_FULL == 0xFF).all(axis=1)
        again = run.row_cycle[np.flatnonzero(whole)[:1]]
        return min(clean, int(again[0])) if len(again) else clean

    def _refuted(self, cycle: int, state: CpuState, end: int, keep: np.uint32) -> bool:
        """Whether a state leads to a cycle that is not what was captured."""
        return bool(self._amiss(cycle, state, end, keep))

    def _amiss(self, cycle: int, state: CpuState, end: int, keep: np.uint32) -> list[int]:
        """The first cycles that a state leads to and that are not what was captured.

        Where neither way on fits, the run ends before cycles that it reached with less known.
        """
        self._left -= 1
        beyond = min(end + _BRANCH, len(self._thread))
        run = self._thread.run(cycle, state, beyond)
        amiss = (cycle + np.flatnonzero(run.off[: end - cycle] & keep)[:_CERTAIN]).tolist()
        return [*amiss, *([run.end] if run.end < end else [])]

    def _told(self, cycle: int, state: CpuState, end: int, keep: np.uint32) -> tuple[CpuState, int]:
        """One round over all unknown bits, the lowest first, and the end of what tells of them.

        Where both levels are refuted, the later refutation is another matter: what comes before
        it tells, where that is no stray level. Nothing does where it may be one.
        """
        for name, full in _REGISTERS.items():
            for bit in (1 << n for n in range(8)):
                known = state.register(name)[1]
                if known & bit or not full & bit or self._left <= 0:
                    continue
                ways = [_amended(state, name, bit, level) for level in (0, bit)]
                amiss = [self._amiss(cycle, way, end, keep) for way in ways]
                if all(amiss):
                    sooner, later = sorted(amiss)
                    before = [at for at in sooner if at < later[0]]
                    doubtful = len(before) == 1 or self._by_one
                    return state, cycle if doubtful else later[0]
                if any(amiss):
                    state = ways[0] if amiss[1] else ways[1]
                    self._by_one |= sum(map(len, amiss)) < _CERTAIN
        return state, end

    def _look_ahead(self, cycle: int, state: CpuState, end: int, keep: np.uint32) -> None:
        """Note where all values that A can have come to the same: a sum that forgets its start."""
        known = self._thread.run(cycle, state, end).row_known[:_LONG, _A]
        if len(known) < _LONG or (known == 0xFF).any():
            return
        _, worlds = self._jointly(cycle, state, end, keep, _ALL)
        runs = [self._thread.run(cycle, world, end) for world in worlds]
        if len(runs) < 2 or any(not np.array_equal(r.row_cycle, runs[0].row_cycle) for r in runs):
            return
        value = runs[0].row_registers[:, _A]
        same = [
            (run.row_registers[:, _A] == value) & (run.row_known[:, _A] == 0xFF) for run in runs
        ]
        rows = np.flatnonzero(np.logical_and.reduce(same))
        if len(rows):
            self._later[int(runs[0].row_cycle[rows[0]])] = (int(value[rows[0]]), 0xFF)

    def _jointly(
        self, cycle: int, state: CpuState, end: int, keep: np.uint32, most: int
    ) -> tuple[CpuState, list[CpuState]]:
        """What all values of A and its flags that are not refuted agree on, and these values.

        A sum of two unknowns tells nothing of either, but of both. No values where they are more
        than `most`.
        """
        worlds = [state]
        for name, bit in (("p", _D), ("p", _C), *(("a", 1 << n) for n in range(8))):
            if state.register(name)[1] & bit:
                continue
            ways = [_amended(world, name, bit, level) for world in worlds for level in (0, bit)]
            worlds = [way for way in ways if not self._refuted(cycle, way, end, keep)]
            if not 0 < len(worlds) <= most or self._left <= 0:
                return state, []
        for name in ("a", "p"):
            values = [world.register(name) for world in worlds]
            value, known = values[0]
            for other, other_known in values[1:]:
                known &= other_known & ~(value ^ other)
            state = state.copy()
            state.amend(name, value, known)
        return state, worlds


def _amended(state: CpuState, name: str, bit: int, level: int) -> CpuState:
    other = state.copy()
    value, known = state.register(name)
    other.amend(name, (value & ~bit) | level, known | bit)
    return other
