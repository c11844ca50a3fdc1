"""Edges in time for a simulated run: when each line moves, inside the makers' limits."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bustrace.board.model import READ, Chip
from bustrace.drill.limits import BusLimits, limits_for
from bustrace.drill.model import (
    CPU_DRIVES,
    BusRecord,
    address_lines,
    control_lines,
    select_active,
    select_name,
)
from bustrace.drill.nets import ADDRESS, DATA
from bustrace.drill.simulate import RESET_LOW
from bustrace.units import PS_PER_SECOND

Times = npt.NDArray[np.int64]
Levels = npt.NDArray[np.uint8]

_NS = 1000
_BEFORE = np.iinfo(np.int64).min // 4
"""Time of a level that was there before anything happened."""


@dataclass(frozen=True, slots=True, eq=False)
class Waveform:
    """Every line as the instants at which it takes a level.

    Attributes
    ----------
    fall_ps : int64, shape (n + 1,)
        Falls of phase 2; fall k begins cycle k, fall k + 1 ends it.
    rise_ps : int64, shape (n,)
    begin_ps, end_ps : int
        What an analyser may record of it.
    lines : dict of str to (int64 shape (m,), uint8 shape (m,))
        Times, never decreasing, and the level taken at each; the first is the level before all.
    """

    fall_ps: Times
    rise_ps: Times
    begin_ps: int
    end_ps: int
    lines: dict[str, tuple[Times, Levels]]


def line_names(record: BusRecord) -> tuple[str, ...]:
    """All lines that can be clipped: clock, R/W, buses, control, then the selects by name."""
    board = record.board
    # The chips of a bank share one line.
    selects = tuple(dict.fromkeys(_select_line(chip) for chip in board.mapped))
    return ("PHI2", "RW", *address_lines(board), *DATA, *control_lines(board), *selects)


def waveform(
    record: BusRecord,
    *,
    seed: int,
    lead_cycles: float = 0.0,
    chatter: int = 0,
    transients: float = 0.25,
    contention: float = 0.0,
    drift: float = 0.0,
) -> Waveform:
    """Give a run its timing.

    Address, R/W and SYNC settle within tADS of the fall of phase 2, now and then by way of a
    false value; read data are valid tDSU before the next fall and held tDHR after it; written
    data come within tMDS of the rise (`bustrace.drill.limits`).

    Parameters
    ----------
    record : BusRecord
    seed : int
    lead_cycles : float
        The clock rests this many periods before it starts: an oscillator slow to come up.
    chatter : int
        Short false pulses on RES around each of its edges.
    transients : float
        Share of cycles in which the address passes through a false value.
    contention : float
        Share of cycles in which chips overlap for some ns while they change over, so that the
        data lines show anything.
    drift : float
        How far the clock wanders, as a part of its rate; at most one slow swing in the run.
    """
    return _Timing(record, seed, transients, contention, drift).build(lead_cycles, chatter)


def _select_line(chip: Chip) -> str:
    return chip.selects[0].name if chip.selects else select_name(chip.ref)


class _Timing:
    def __init__(
        self, record: BusRecord, seed: int, transients: float, contention: float, drift: float
    ) -> None:
        self.record = record
        self.rng = np.random.default_rng((seed, 101))
        ugly = np.random.default_rng((seed, 103))
        self.fights = ugly.random(len(record)) < contention
        self.anything = ugly.integers(256, size=len(record), dtype=np.uint8)
        wander = drift * np.sin(np.linspace(ugly.uniform(0, 6), ugly.uniform(7, 12), len(record)))
        self.limits: BusLimits = limits_for(record.clock_hz, record.board.cpu.variant)
        self.period = PS_PER_SECOND / record.clock_hz
        n, rng, limits, period = len(record), self.rng, self.limits, float(self.period)
        ideal = np.round(np.append(0.0, np.cumsum(1 + wander)) * period).astype(np.int64)
        self.fall = ideal + rng.integers(-150, 151, n + 1)
        low = rng.uniform(limits.low, max(limits.low, period - limits.high))
        self.low_ps = int(min(max(low, 0.47 * period), 0.53 * period))
        self.rise = self.fall[:-1] + self.low_ps + rng.integers(-150, 151, n)
        usual = rng.uniform(0.45, 0.85) * limits.address_delay
        spread = 0.08 * limits.address_delay
        settle = usual + rng.uniform(-spread, spread, n)
        self.settle = self.fall[:-1] + np.clip(
            settle, limits.address_hold + 7 * _NS, limits.address_delay - 7 * _NS
        ).astype(np.int64)
        self.false = rng.random(n) < transients
        room = self.settle - self.fall[:-1] - limits.address_hold
        self.early = (
            self.fall[:-1] + limits.address_hold + (room * rng.uniform(0, 0.7, n)).astype(np.int64)
        )

    def build(self, lead_cycles: float, chatter: int) -> Waveform:
        record, period = self.record, float(self.period)
        n = len(record)
        lines = {"PHI2": self._clock(lead_cycles), "RW": self._settling(record.rw)}
        false_address = self._false_addresses()
        for bit, line in enumerate(ADDRESS):
            final = (record.clip_address >> np.uint16(bit) & 1).astype(np.uint8)
            through = (false_address >> np.uint16(bit) & 1).astype(np.uint8)
            lines[line] = self._settling(final, through)
        lines |= self._data()
        lines["SYNC"] = self._settling(record.sync)
        lines["RES"] = self._reset(chatter)
        sharing = (("RDY", record.rdy), ("BE", record.be))
        for name, levels in (("IRQ", record.irq), ("NMI", record.nmi), *sharing):
            lines[name] = self._after_fall(levels, 0.2, 0.4)
        for bit, chip in enumerate(record.board.mapped):
            lines[_select_line(chip)] = self._select(bit, chip, false_address)
        for line in lines:
            level = record.clip_levels.get(line)
            if level is not None:
                lines[line] = _constant(level)
        for chip in record.board.mapped:
            level = record.clip_levels.get(select_name(chip.ref))
            if level is not None:
                lines[_select_line(chip)] = _constant(level)
        begin = int(-lead_cycles * period) if lead_cycles else 0
        if record.clock_ends:
            end = int(self.fall[-1] + max(record.rest_cycles, 1) * period)
        else:
            # An analyser's memory ends where it ends, in the middle of a cycle.
            end = int(self.fall[max(n - 1, 0)] + self.rng.uniform(0.02, 0.98) * period)
        return Waveform(self.fall, self.rise, begin, end, lines)

    # ---- clock and control

    def _clock(self, lead_cycles: float) -> tuple[Times, Levels]:
        record, n = self.record, len(self.record)
        if n == 0:
            return _constant(record.rest_level)
        times = np.empty(2 * n, np.int64)
        times[0::2], times[1::2] = self.rise, self.fall[1:]
        levels = np.tile(np.array([1, 0], np.uint8), n)
        start_times, start_levels = [_BEFORE, int(self.fall[0])], [1, 0]
        if lead_cycles and self.rng.random() < 0.5:
            first_high = int(self.fall[0]) - int(self.period) + self.low_ps
            start_times, start_levels = [_BEFORE, first_high, int(self.fall[0])], [0, 1, 0]
        if record.clock_ends and record.rest_level:
            times = np.append(times, self.fall[-1] + self.low_ps)
            levels = np.append(levels, np.uint8(1))
        return _join(start_times, start_levels, times, levels)

    def _after_fall(self, levels: Levels, first: float, last: float) -> tuple[Times, Levels]:
        """A line that takes each cycle's level somewhere early in the cycle."""
        if len(levels) == 0:
            return _constant(1)
        moved = np.flatnonzero(np.diff(levels)) + 1
        delay = self.rng.uniform(first, last, len(moved)) * float(self.period)
        times = self.fall[moved] + delay.astype(np.int64)
        return _join([_BEFORE], [int(levels[0])], times, levels[moved])

    def _reset(self, chatter: int) -> tuple[Times, Levels]:
        levels, period = self.record.res, float(self.period)
        if len(levels) == 0:
            return _join(
                [_BEFORE], [0], np.array([int(RESET_LOW * period)]), np.array([1], np.uint8)
            )
        times, taken = self._after_fall(levels, 0.05, 0.2)
        extra_times: list[int] = []
        extra_levels: list[int] = []
        for moved in (np.flatnonzero(np.diff(levels)) + 1).tolist():
            near = np.arange(max(moved - 2, 0), min(moved + 3, len(levels)))
            for k in self.rng.choice(near, min(chatter, len(near)), replace=False):
                # Within phase 2 low: too short and too early for the CPU to take it.
                start = int(self.fall[k] + self.rng.uniform(0.25, 0.3) * period)
                width = int(self.rng.uniform(0.03, 0.12) * period)
                extra_times += [start, start + width]
                extra_levels += [1 - int(levels[k]), int(levels[k])]
        all_times = np.append(times, np.array(extra_times, np.int64))
        all_levels = np.append(taken, np.array(extra_levels, np.uint8))
        order = np.argsort(all_times, kind="stable")
        return all_times[order], all_levels[order]

    # ---- buses

    def _false_addresses(self) -> npt.NDArray[np.uint16]:
        """Value the address passes through; the final one in cycles without a transient."""
        final = self.record.clip_address
        if len(final) == 0:
            return final
        before = np.append(final[:1], final[:-1])
        n, rng = len(final), self.rng
        slow = rng.integers(0x10000, size=n, dtype=np.uint16)
        rare = rng.integers(0x10000, size=(4, n), dtype=np.uint16)
        glitch = rare[0] & rare[1] & rare[2] & rare[3]
        passing = (final ^ (before ^ final) & slow) ^ glitch
        return np.where(self.false, passing, final).astype(np.uint16)

    def _settling(self, final: Levels, through: Levels | None = None) -> tuple[Times, Levels]:
        """A line of the CPU that settles after the fall of phase 2."""
        n = len(final)
        if n == 0:
            return _constant(int(self.rng.integers(2)))
        # Lines differ by less than the margin kept to the limits.
        offset = int(self.rng.integers(-6 * _NS, 6 * _NS))
        settle = self.settle + offset
        if through is None:
            return _join([_BEFORE], [int(final[0])], settle, final)
        times = np.empty((n, 2), np.int64)
        levels = np.empty((n, 2), np.uint8)
        times[:, 0] = np.where(self.false, np.minimum(self.early, settle), settle)
        times[:, 1], levels[:, 0], levels[:, 1] = settle, through, final
        return _join([_BEFORE], [int(final[0])], times.ravel(), levels.ravel())

    def _data(self) -> dict[str, tuple[Times, Levels]]:
        """D0 to D7: garbage while chips change over, then the byte."""
        record, rng, limits = self.record, self.rng, self.limits
        n = len(record)
        if n == 0:
            return {line: _constant(int(rng.integers(2))) for line in DATA}
        byte = record.clip_data
        before = np.append(rng.integers(256, size=1, dtype=np.uint8), byte[:-1])
        early = record.early_driven
        before = before & ~early | record.early_data & early
        by_cpu = record.drivers & np.uint32(CPU_DRIVES) != 0
        by_chip = (record.drivers != 0) & ~by_cpu
        fall, end, period = self.fall[:-1], self.fall[1:], float(self.period)
        access = rng.uniform(0.12, 0.6, len(record.chips)) * period
        ready = self.settle.copy()
        for chips in self._banks():
            driving = np.any([record.drives(record.chips[bit]) for bit in chips], axis=0)
            # Two that drive at once answer side by side: the bus is right with the slower one.
            ready[driving] = np.maximum(ready, self.settle + int(access[chips[0]]))[driving]
        latest = end - limits.read_setup - 8 * _NS
        valid = np.minimum(np.maximum(ready, fall + limits.address_delay), latest)
        write_delay = rng.uniform(0.4, 0.9) * limits.write_delay
        valid = np.where(by_cpu, self.rise + int(write_delay), valid)
        # What a chip shows between: it is enabled before its bytes are right, and the byte of
        # the cycle before is gone tDHR after the fall on some boards.
        leaving = by_chip & np.append(False, ~by_cpu[:-1]) & (rng.random(n) < 0.2)
        gone = fall + rng.integers(limits.read_hold + 4 * _NS, limits.read_hold + 22 * _NS, n)
        enabling = by_chip & (rng.random(n) < 0.4)
        opening = np.minimum(self.settle + 25 * _NS, valid)
        first = np.where(leaving, before | rng.integers(256, size=n, dtype=np.uint8), before)
        mixed = (before & byte) | rng.integers(256, size=n, dtype=np.uint8) & (before | byte)
        second = np.where(enabling, mixed, first)
        first = np.where(self.fights, first & self.anything, first)
        second = np.where(self.fights, second & self.anything | byte & ~self.anything, second)
        result = {}
        for bit, line in enumerate(DATA):
            offset = int(rng.integers(0, 4 * _NS))
            times = np.stack([gone, opening + offset, valid + offset], axis=1)
            levels = np.stack([first, second, byte], axis=1) >> np.uint8(bit) & np.uint8(1)
            result[line] = _join(
                [_BEFORE], [int(before[0] >> bit & 1)], times.ravel(), levels.ravel()
            )
        return result

    def _asserts(self, address: npt.NDArray[np.uint16]) -> npt.NDArray[np.uint32]:
        """Selects of reads at these addresses, each in the bank of its cycle."""
        states, maps = self.record.state, self.record.board.maps
        asserts = np.zeros(len(address), np.uint32)
        for state in np.unique(states).tolist():
            rows = states == state
            asserts[rows] = maps[state].asserts[READ, address[rows]]
        return asserts

    def _banks(self) -> list[list[int]]:
        """Chips by select line: those of a bank answer together."""
        banks: dict[str, list[int]] = {}
        for bit, chip in enumerate(self.record.board.mapped):
            banks.setdefault(_select_line(chip), []).append(bit)
        return list(banks.values())

    def _select(
        self, bit: int, chip: Chip, false_address: npt.NDArray[np.uint16]
    ) -> tuple[Times, Levels]:
        record = self.record
        n, active = len(record), select_active(chip)
        if n == 0:
            return _constant(1 - active)
        selected = (record.selects >> np.uint32(bit) & 1).astype(np.uint8)
        delay = int(self.rng.integers(12 * _NS, 30 * _NS))
        settled = self.settle + 6 * _NS + delay
        if chip.selects and chip.selects[0].with_phi2:
            on = np.maximum(self.rise, settled) + delay
            off = self.fall[1:] + delay
            times = np.stack([on, off], axis=1).ravel()
            levels = np.stack([selected, np.zeros(n, np.uint8)], axis=1).ravel()
            first = 0
        else:
            passing = selected
            if not record.faults:
                asserts = self._asserts(false_address) >> np.uint32(bit) & 1
                passing = np.where(self.false, asserts, selected).astype(np.uint8)
            early = np.where(self.false, self.early, self.settle) + delay
            times = np.stack([early, settled], axis=1).ravel()
            levels = np.stack([passing, selected], axis=1).ravel()
            first = int(selected[0])
        polarity = np.uint8(1 - active)
        return _join([_BEFORE], [first ^ int(polarity)], times, levels ^ polarity)


def _constant(level: int) -> tuple[Times, Levels]:
    return np.array([_BEFORE], np.int64), np.array([level], np.uint8)


def _join(
    first_times: Sequence[int], first_levels: Sequence[int], times: Times, levels: Levels
) -> tuple[Times, Levels]:
    """Put levels in front, and let no instant lie before the one ahead of it."""
    all_times = np.append(np.array(first_times, np.int64), times)
    return np.maximum.accumulate(all_times), np.append(
        np.array(first_levels, np.uint8), levels
    ).astype(np.uint8)
