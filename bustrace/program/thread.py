"""Executing with the captured reads: the believed inputs, and the thread of what was executed."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from bustrace.cpu import CpuState, StopReason, replay_levels
from bustrace.cycles.model import CONTROL_BIT, OWNER_FOREIGN, Cycles
from bustrace.program.boundaries import in_reset
from bustrace.program.disagreements import captured_levels
from bustrace.program.model import Departure, Intent

Bytes = npt.NDArray[np.uint8]
Masks = npt.NDArray[np.uint32]

_SYNC = np.uint32(25)

_FLAG_WINDOW = 128
"""Cycles executed at a time while a flag is held at a level."""

_WAYS = 64
"""Cycles over which the two ways of an undecided branch are compared."""

BRANCH_FLAGS = (0x80, 0x40, 0x01, 0x02)
"""Flag a branch looks at, by the top two bits of its opcode: N V C Z."""

PINS = ("res", "irq", "nmi", "rdy", "so")
_ALL_HIGH = np.uint8(31)


@dataclass(slots=True)
class Believed:
    """What the CPU is believed to have been given, one entry a cycle.

    It starts as what was captured; an explanation of a disagreement edits it. A pin that was not
    captured is believed high, the level at which it does nothing.

    Attributes
    ----------
    reads, reads_known : uint8, shape (n_cycles,)
        Data bus.
    pins : uint8, shape (n_cycles,)
        Levels of `PINS`, from bit 0 on.
    """

    reads: Bytes
    reads_known: Bytes
    pins: Bytes

    @classmethod
    def from_cycles(cls, cycles: Cycles) -> Believed:
        """Take what was captured; cycles of another bus owner are waits."""
        high = cycles.control | ~cycles.control_known
        # The registry has the pins in this order, from RES on.
        pins = (high >> np.uint16(CONTROL_BIT["RES"])).astype(np.uint8) & _ALL_HIGH
        foreign = cycles.owner == OWNER_FOREIGN
        if foreign.any():
            pins[foreign] &= np.uint8(~_pin_bit("rdy") & 0xFF)
        return cls(cycles.data.copy(), cycles.data_known.copy(), pins)

    def high(self, name: str, part: slice = slice(None)) -> npt.NDArray[np.bool_]:
        """Whether a pin is high, one entry a cycle."""
        level: npt.NDArray[np.bool_] = self.pins[part] & np.uint8(_pin_bit(name)) != 0
        return level


def _pin_bit(name: str) -> int:
    return 1 << PINS.index(name)


@dataclass(frozen=True, slots=True)
class Patch:
    """A change to what is believed: `column` at `cycles` becomes `values`."""

    column: str
    cycles: tuple[int, ...]
    values: tuple[int, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Run:
    """What the CPU does in cycles ``[start, start + len(off))``, given what is believed.

    Attributes
    ----------
    start : int
    meant, certain : uint32
        Predicted levels as line masks over `LINES`, and which of them are known. Bit 26 of
        `meant`: the CPU accesses a port of its own.
    off : uint32
        Lines that were captured otherwise.
    row_cycle : int64
        First cycles of the sequences, absolute; the first may have begun before.
    row_kind, row_opcode : uint8
    row_pc, row_pc_known : uint16
    row_registers, row_known : uint8, shape (rows, 5)
        A X Y S P.
    state : CpuState
        At the end.
    stopped : str or None
        Why the run ended early.
    agrees : bool
        No captured line is off.
    """

    start: int
    meant: Masks
    certain: Masks
    off: Masks
    row_cycle: npt.NDArray[np.int64]
    row_kind: Bytes
    row_opcode: Bytes
    row_pc: npt.NDArray[np.uint16]
    row_pc_known: npt.NDArray[np.uint16]
    row_registers: Bytes
    row_known: Bytes
    state: CpuState
    stopped: str | None
    agrees: bool

    @property
    def end(self) -> int:
        """First cycle after the run."""
        return self.start + len(self.off)


@dataclass(slots=True)
class Rows:
    """Sequences that were executed, in order, as chunks of columns: those of `Run`."""

    cycle: list[npt.NDArray[np.int64]] = field(default_factory=list)
    kind: list[Bytes] = field(default_factory=list)
    opcode: list[Bytes] = field(default_factory=list)
    pc: list[npt.NDArray[np.uint16]] = field(default_factory=list)
    pc_known: list[npt.NDArray[np.uint16]] = field(default_factory=list)
    registers: list[Bytes] = field(default_factory=list)
    known: list[Bytes] = field(default_factory=list)

    def __len__(self) -> int:
        return sum(map(len, self.cycle))

    def cut(self, cycle: int) -> None:
        """Forget the sequences that begin at `cycle` or later."""
        columns = [getattr(self, name) for name in self.__dataclass_fields__]
        while self.cycle and len(self.cycle[-1]) and self.cycle[-1][-1] >= cycle:
            keep = int(np.searchsorted(self.cycle[-1], cycle))
            for column in columns:
                last = column.pop()
                if keep:
                    column.append(last[:keep])

    def add(self, run: Run, upto: int, goes_on: bool) -> None:
        """Append the run's sequences that begin before `upto`.

        With `goes_on` the first one began in the run before, whose kind it may settle.
        """
        keep = int(np.searchsorted(run.row_cycle, upto))
        first = 0
        if goes_on and keep and self.kind:
            first = 1
            kind = self.kind[-1].copy()
            kind[-1] = run.row_kind[0]
            self.kind[-1] = kind
        if first < keep:
            for name in self.__dataclass_fields__:
                getattr(self, name).append(getattr(run, f"row_{name}")[first:keep])

    def since(self, cycle: int) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
        """First cycles and program counters of the sequences that begin at `cycle` or later, where
        the program counter is known.
        """
        first, pc = [], []
        for chunk, at, known in zip(self.cycle, self.pc, self.pc_known, strict=True):
            mine = (chunk >= cycle) & (known == 0xFFFF)
            first.append(chunk[mine])
            pc.append(at[mine].astype(np.int64))
        empty = np.empty(0, np.int64)
        return np.concatenate([empty, *first]), np.concatenate([empty, *pc])

    def last_kind(self) -> int:
        """Kind of the last sequence, -1 without one."""
        return int(self.kind[-1][-1]) if self.kind else -1

    def before(self, cycle: int, count: int) -> list[int]:
        """First cycles of the last `count` sequences that begin at `cycle` or before."""
        found: list[int] = []
        for chunk in reversed(self.cycle):
            inside = chunk[: int(np.searchsorted(chunk, cycle, side="right"))]
            found = [*inside[-count:].tolist(), *found]
            if len(found) >= count:
                break
        return found[-count:]


class Thread:
    """The captured cycles, what is believed of them, and what has been executed so far.

    Attributes
    ----------
    seen, captured : uint32, shape (n_cycles,)
        Captured levels as line masks, and which are known.
    pins : int
        Address lines that the CPU has pins for.
    low : bool, shape (n_cycles,)
        RES is low; such cycles count as not captured.
    moving : uint32
        Lines that show both levels.
    unwatched : frozenset of str
        `PINS` that were not captured in any cycle.
    meant, certain : uint32, shape (n_cycles,)
        Executed levels, 0 certain where nothing was executed.
    done : bool, shape (n_cycles,)
        Executed.
    believed : Believed
    rows : Rows
    departure : Departure or None
        How the CPU that executes breaks its sheet.
    unsteady : int
        A data line, as a bit of a byte, of which the CPU and the clip often see different levels.
    """

    def __init__(self, cycles: Cycles, pins: int = 0xFFFF) -> None:
        n = len(cycles)
        self.pins = pins
        self.seen, self.captured = captured_levels(cycles)
        # How a CPU leaves what it was doing when RES falls is not compared.
        self.low = in_reset(cycles)
        self.captured[self.low] = 0
        self.moving = moving_lines(self.seen, self.captured)
        watched = int(np.bitwise_or.reduce(cycles.control_known, initial=0))
        self.unwatched = frozenset(
            name for name in PINS if not watched >> CONTROL_BIT[name.upper()] & 1
        )
        self.meant, self.certain = np.zeros(n, np.uint32), np.zeros(n, np.uint32)
        self.done = np.zeros(n, np.bool_)
        self.believed = Believed.from_cycles(cycles)
        self.rows = Rows()
        self.departure: Departure | None = None
        self.unsteady = 0
        # A line that never moves may not be what it seems: it decides no branch.
        telling = self.moving | np.uint32(0xFFFF0000)
        all_tell = not int(np.bitwise_or.reduce(self.captured, initial=0)) & ~int(telling)
        self._telling = self.captured if all_tell else self.captured & telling
        self._whole_bytes = bool(np.bitwise_and.reduce(self.believed.reads_known) == 0xFF)
        self._quiet = bool(np.bitwise_and.reduce(self.believed.pins) == _ALL_HIGH)
        self._checkpoints: list[tuple[int, CpuState]] = []

    def __len__(self) -> int:
        return len(self.seen)

    def run(self, start: int, state: CpuState, end: int, patches: tuple[Patch, ...] = ()) -> Run:
        """Execute cycles ``[start, end)`` from `state`, with `patches` on top of what is believed.

        Where the way on hangs on an unknown flag and the next cycles do not decide, both ways are
        tried and the one that agrees is taken.
        """
        if self.departure is not None and self.departure.flag:
            return self._run_with_dead_flag(self.departure, start, state, end, patches)
        return self._run(start, state, end, patches)

    def _run(self, start: int, state: CpuState, end: int, patches: tuple[Patch, ...]) -> Run:
        parts = [self._replayed(start, state, end, patches)]
        while parts[-1].stopped == "undecided" and len(parts) < 64:
            way = self._decided(parts[-1], end, patches)
            if way is None:
                break
            parts.append(way)
        return parts[0] if len(parts) == 1 else _joined(parts)

    def _run_with_dead_flag(
        self,
        dead: Departure,
        start: int,
        state: CpuState,
        end: int,
        patches: tuple[Patch, ...],
    ) -> Run:
        """The same, the flag set to its level in the cycle after each fetch: it settles there."""
        parts: list[Run] = []
        position = start
        while True:
            upto = min(position + _FLAG_WINDOW, end)
            run = self._run(position, state, upto, patches)
            amiss = run.row_registers[:, 4] & dead.flag != dead.level
            amiss |= run.row_known[:, 4] & dead.flag == 0
            cuts = run.row_cycle[amiss] + 1
            cuts = cuts[(cuts > position) & (cuts <= run.end)]
            if len(cuts):
                if cuts[0] < run.end:
                    run = self._run(position, state, int(cuts[0]), patches)
                state = run.state.copy()
                value, known = state.register("p")
                state.amend("p", value & ~dead.flag | dead.level, known | dead.flag)
                run = replace(run, state=state)
            parts.append(run)
            if run.stopped is not None or run.end >= end or run.end == position:
                break
            position, state = run.end, run.state
        return parts[0] if len(parts) == 1 else _joined(parts)

    def _decided(self, part: Run, end: int, patches: tuple[Patch, ...]) -> Run | None:
        """The run from an undecided branch on, the way that agrees, or None."""
        opcode = int(part.row_opcode[-1])
        if opcode & 0x1F != 0x10:
            return None
        flag = BRANCH_FLAGS[opcode >> 6]
        value, known = part.state.register("p")
        near = min(end, part.end + _WAYS)
        ways = []
        for level in (0, flag):
            state = part.state.copy()
            state.amend("p", (value & ~flag) | level, known | flag)
            probe = self._replayed(part.end, state, near, patches)
            trouble = np.flatnonzero(probe.off & self.moving)
            ways.append((int(trouble[0]) if len(trouble) else _WAYS, state))
        (reach_clear, clear), (reach_set, set_) = ways
        if reach_clear == reach_set:
            return None
        return self._replayed(part.end, clear if reach_clear > reach_set else set_, end, patches)

    def _replayed(
        self, start: int, state: CpuState, end: int, patches: tuple[Patch, ...] = ()
    ) -> Run:
        window = slice(start, end)
        believed = self.believed
        reads, pins = believed.reads[window], believed.pins[window]
        for patch in patches:
            inside = [
                (cycle - start, value)
                for cycle, value in zip(patch.cycles, patch.values, strict=True)
                if start <= cycle < end
            ]
            if patch.column == "reads":
                reads = reads.copy()
                for at, value in inside:
                    reads[at] = value
            else:
                pins = pins.copy()
                _set_pin(pins, patch.column, inside)
        if self.departure is not None and not self.departure.flag:
            state = state.taking(self.departure.opcode, self.departure.taken_for)
        found = replay_levels(
            state,
            reads,
            None if self._whole_bytes else believed.reads_known[window],
            None if self._quiet and not patches else pins,
            self.seen[window],
            self.captured[window],
            self._telling[window],
        )
        upto = slice(found.ended)
        why = {StopReason.UNDECIDED: "undecided", StopReason.UNKNOWN_OPCODE: "unknown opcode"}
        return Run(
            start=start,
            meant=found.meant[upto],
            certain=found.certain[upto],
            off=found.off[upto],
            row_cycle=found.first_cycle + start,
            row_kind=found.kind,
            row_opcode=found.opcode,
            row_pc=found.pc,
            row_pc_known=found.pc_known,
            row_registers=found.registers,
            row_known=found.registers_known,
            state=found.state,
            stopped=why.get(found.stop),
            agrees=found.first_mismatch is None,
        )

    def off(self) -> Masks:
        """Lines that were captured otherwise than they were executed: uint32, shape (n_cycles,)."""
        off: Masks = (self.seen ^ self.meant) & self.captured & self.certain
        return off

    def intent(self) -> Intent:
        """What the CPU meant in each cycle; in reset nothing."""
        certain = self.certain * ~self.low
        levels = self.meant & certain
        if int(np.bitwise_or.reduce(self.meant, initial=0)) >> 26 & 1:
            # Without any certain line nothing was executed; every access to the port has one.
            levels |= self.meant & ((certain != 0).astype(np.uint32) << np.uint32(26))
        return Intent(levels=levels, certain=certain)

    def compared_lines(self) -> Masks:
        """Lines of which the executed CPU's levels are compared, the data lines in its writes."""
        writes = self.done & (self.certain >> 24 & ~(self.meant >> 24) & 1 == 1)
        compared = np.where(writes, np.uint32(0x1FFFFFF), np.uint32(0x100FFFF))
        levels: Masks = np.where(self.done, compared, np.uint32(0)).astype(np.uint32)
        return levels

    def commit(self, run: Run, state: CpuState, upto: int) -> None:
        """Take over a run up to a cycle; `state` is what it started from."""
        start = run.start
        if upto <= start:
            return
        part = slice(0, upto - start)
        goes_on = start > 0 and bool(self.done[start - 1]) and self._goes_on(run)
        self.meant[start:upto], self.certain[start:upto] = run.meant[part], run.certain[part]
        self.done[start:upto] = True
        self.rows.add(run, upto, goes_on)
        self._checkpoints.append((start, state))

    def _goes_on(self, run: Run) -> bool:
        """Whether the run's first sequence is the rest of the last one committed."""
        if not len(run.row_kind) or (run.row_kind[0] == 1 and self.rows.last_kind() != 1):
            return False
        if not run.meant[0] >> _SYNC & 1:
            return True
        waited = not self.believed.pins[run.start - 1] & _pin_bit("rdy")
        return waited and bool(self.meant[run.start - 1] >> _SYNC & 1)

    def patch(self, patches: tuple[Patch, ...]) -> None:
        """Believe a change from now on."""
        for patch in patches:
            if patch.column == "reads":
                self.believed.reads[list(patch.cycles)] = patch.values
            else:
                pairs = list(zip(patch.cycles, patch.values, strict=True))
                _set_pin(self.believed.pins, patch.column, pairs)
                self._quiet = False

    def forget(self, cycle: int) -> None:
        """Forget what was executed from a cycle on."""
        while self._checkpoints and self._checkpoints[-1][0] >= cycle:
            self._checkpoints.pop()
        self.rows.cut(cycle)
        self.done[cycle:] = False
        self.certain[cycle:] = 0

    def state_at(self, cycle: int) -> CpuState | None:
        """State at the start of an executed cycle.

        None where it cannot be had again: some decision on the way looks past the cycle.
        """
        for start, state in reversed(self._checkpoints):
            if start <= cycle:
                if start == cycle:
                    return state.copy()
                run = self.run(start, state, cycle)
                return run.state if run.end == cycle else None
        return None


def _set_pin(pins: Bytes, name: str, levels: list[tuple[int, int]]) -> None:
    """Write levels of one pin, given as (place, level)."""
    bit = _pin_bit(name)
    for at, level in levels:
        pins[at] = pins[at] | bit if level else pins[at] & (0xFF ^ bit)


def branches_on(opcode: Bytes, flag: int) -> npt.NDArray[np.bool_]:
    """Which opcodes are branches that look at a flag."""
    on: npt.NDArray[np.bool_] = (opcode & 0x1F == 0x10) & (opcode >> 6 == BRANCH_FLAGS.index(flag))
    return on


def moving_lines(seen: Masks, captured: Masks) -> np.uint32:
    """Lines that show both levels somewhere, as a mask."""
    high = np.bitwise_or.reduce(seen, initial=0)
    low = np.bitwise_or.reduce(~seen & captured, initial=0)
    return np.uint32(high & low)


def _joined(parts: list[Run]) -> Run:
    """Runs one after another as one; a sequence cut between two is counted once."""
    rows = {
        name: np.concatenate(
            [getattr(part, name)[min(number, 1) :] for number, part in enumerate(parts)]
        )
        for name in Run.__slots__
        if name.startswith("row_")
    }
    return Run(
        start=parts[0].start,
        meant=np.concatenate([part.meant for part in parts]),
        certain=np.concatenate([part.certain for part in parts]),
        off=np.concatenate([part.off for part in parts]),
        **rows,
        state=parts[-1].state,
        stopped=parts[-1].stopped,
        agrees=all(part.agrees for part in parts),
    )
