"""Batches of captured cycles executed, and compared with what was observed."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from bustrace.cpu import _kernels
from bustrace.cpu.deciding import Seen, settle
from bustrace.cpu.executor import CpuState

Bytes = npt.NDArray[np.uint8]
Words = npt.NDArray[np.uint16]
Levels = npt.NDArray[np.uint32]

_EMPTY8: Final = np.empty(0, dtype=np.uint8)
_EMPTY32: Final = np.empty(0, dtype=np.uint32)


class SequenceKind(IntEnum):
    """What a run of cycles was."""

    INSTRUCTION = 0
    RESET = 1
    IRQ = 2
    NMI = 3
    BRK = 4
    BRK_NMI = 5
    """A BRK whose vector an NMI took (NMOS)."""


class StopReason(IntEnum):
    """Why a replay ended."""

    RAN_OUT = 0
    """All cycles were executed."""
    DISAGREES = 1
    """A prediction differs from what was observed."""
    UNDECIDED = 2
    """The way on hangs on an unknown bit, and nothing observed decides it."""
    UNKNOWN_OPCODE = 3
    """An opcode byte is not wholly known."""


@dataclass(frozen=True, slots=True)
class Replayed:
    """What the CPU does, as levels of the bus: A0 to A15, D0 to D7, R/W, SYNC from bit 0 on.

    Attributes
    ----------
    meant, certain, off : uint32, shape (n,), of which the first `predicted` are filled in
        Levels foretold, which of them are known, and which were observed otherwise. Bit 26 of
        `meant`: the CPU accesses a port of its own. Data bits are certain only in writes.
    pc, pc_known : uint16, shape (m,)
        Program counter at the start of each sequence.
    registers, registers_known : uint8, shape (m, 5)
        A X Y S P there.
    predicted : int
        Cycles foretold: `ended`, or one more where that one stopped the replay.
    first_cycle, kind, opcode, ended, first_mismatch, stop, state
        As in `ReplayTrace`.
    """

    meant: Levels
    certain: Levels
    off: Levels
    first_cycle: npt.NDArray[np.int64]
    kind: Bytes
    opcode: Bytes
    pc: Words
    pc_known: Words
    registers: Bytes
    registers_known: Bytes
    predicted: int
    ended: int
    first_mismatch: int | None
    stop: StopReason
    state: CpuState


def replay_levels(
    start: CpuState,
    reads: Bytes,
    reads_known: Bytes | None = None,
    pins: Bytes | None = None,
    seen: Levels | None = None,
    captured: Levels | None = None,
    telling: Levels | None = None,
    *,
    stop_on_mismatch: bool = False,
) -> Replayed:
    """Execute one cycle for each byte of `reads`; columns packed as the kernel takes them.

    Parameters
    ----------
    start : CpuState
        Where to begin; it is not changed.
    reads, reads_known : uint8, shape (n,)
        Byte on the data bus at the end of each cycle, and its known bits.
    pins : uint8, shape (n,), or None
        Levels of RES IRQ NMI RDY SO, from bit 0 on; None where all are high.
    seen, captured, telling : uint32, shape (n,), or None
        Levels observed, as in `Replayed`; which are known; which may decide what hangs on an
        unknown bit.
    stop_on_mismatch : bool
        Stop in the first cycle that disagrees, before it is executed.
    """
    n = len(reads)
    known = _EMPTY8 if reads_known is None else reads_known
    levels = _EMPTY8 if pins is None else pins
    watched = _EMPTY32 if seen is None else seen
    compared = _EMPTY32 if captured is None else captured
    decisive = _EMPTY32 if telling is None else telling
    state = start.copy()
    meant, certain, off = (np.empty(n, np.uint32) for _ in range(3))
    row_cycle, row_kind, row_opcode = (
        np.empty(n, np.int64),
        np.empty(n, np.uint8),
        np.empty(n, np.uint8),
    )
    row_pc, row_pc_known = np.empty(n, np.uint16), np.empty(n, np.uint16)
    row_registers, row_known = np.empty((n, 5), np.uint8), np.empty((n, 5), np.uint8)
    counts = np.array([0, 0, 0, -1, 0], dtype=np.int64)
    told = Seen(reads, known, levels, watched, decisive)
    settled_at, goes_on = -1, True
    while goes_on:
        _kernels.replay(
            state._fields, state._row, reads, known, levels, watched, compared, decisive,
            stop_on_mismatch, meant, certain, off, row_cycle, row_kind, row_opcode, row_pc,
            row_pc_known, row_registers, row_known, counts,
        )  # fmt: skip
        open_at = int(counts[1])
        # What was settled and is open again in the same cycle would be so for ever.
        goes_on = (
            counts[4] == StopReason.UNDECIDED
            and open_at > settled_at
            and settle(state._fields, state._row, open_at, told)
        )
        settled_at = open_at
    predicted, ended, rows, first, reason = (int(count) for count in counts)
    return Replayed(
        meant=meant,
        certain=certain,
        off=off,
        first_cycle=row_cycle[:rows].copy(),
        kind=row_kind[:rows].copy(),
        opcode=row_opcode[:rows].copy(),
        pc=row_pc[:rows].copy(),
        pc_known=row_pc_known[:rows].copy(),
        registers=row_registers[:rows].copy(),
        registers_known=row_known[:rows].copy(),
        predicted=predicted,
        ended=ended,
        first_mismatch=None if first < 0 else first,
        stop=StopReason(reason),
        state=state,
    )


@dataclass(frozen=True, slots=True)
class ReplayTrace:
    """What the CPU does, given what it read.

    Attributes
    ----------
    address, address_known : uint16, shape (n,)
        Predicted address, and the bits of it that do not depend on anything unknown; lines that
        have no pin are 0 and known.
    data_out, data_out_known : uint8, shape (n,)
        Predicted byte in writes; mask 0 in reads.
    rw, sync : uint8, shape (n,)
        Predicted levels.
    control_known : uint8, shape (n,)
        Bit 0: `rw` is known; bit 1: `sync` is known. Both are unknown in the cycle after RES falls.
    inside : uint8, shape (n,)
        1 where the CPU accesses a port of its own: the data pins do not show what it writes, and
        what they show is not what it reads.
    address_mismatch : uint16, shape (n,)
        Bits in which prediction and observation disagree, both being known.
    data_mismatch, control_mismatch : uint8, shape (n,)
        Likewise; bit 0 of the latter R/W, bit 1 SYNC.
    first_cycle : int64, shape (m,)
        First cycle of each sequence; sequences tile all n cycles. The first may have begun before.
    kind, opcode : uint8, shape (m,)
        `SequenceKind` (as far as it has shown itself) and the opcode obeyed (0 in interrupts).
    registers, registers_known : uint16, shape (m, 6)
        `REGISTERS` at the start of each sequence.
    ended : int
        Cycles executed to their end: n, or n - 1 where the last one stopped the replay.
    first_mismatch : int or None
        First cycle that disagrees.
    stop : StopReason
    state : CpuState
        At the start of cycle `ended`, from which a replay can go on.
    """

    address: Words
    address_known: Words
    data_out: Bytes
    data_out_known: Bytes
    rw: Bytes
    sync: Bytes
    control_known: Bytes
    inside: Bytes
    address_mismatch: Words
    data_mismatch: Bytes
    control_mismatch: Bytes
    first_cycle: npt.NDArray[np.int64]
    kind: Bytes
    opcode: Bytes
    registers: Words
    registers_known: Words
    ended: int
    first_mismatch: int | None
    stop: StopReason
    state: CpuState

    def __post_init__(self) -> None:
        for name in self.__slots__:
            column = getattr(self, name)
            if isinstance(column, np.ndarray):
                column.flags.writeable = False

    def __len__(self) -> int:
        return len(self.address)


def replay(
    start: CpuState,
    reads: npt.ArrayLike,
    *,
    reads_known: npt.ArrayLike | None = None,
    res: npt.ArrayLike | None = None,
    irq: npt.ArrayLike | None = None,
    nmi: npt.ArrayLike | None = None,
    rdy: npt.ArrayLike | None = None,
    so: npt.ArrayLike | None = None,
    address: npt.ArrayLike | None = None,
    address_known: npt.ArrayLike | None = None,
    data: npt.ArrayLike | None = None,
    data_known: npt.ArrayLike | None = None,
    rw: npt.ArrayLike | None = None,
    rw_known: npt.ArrayLike | None = None,
    sync: npt.ArrayLike | None = None,
    sync_known: npt.ArrayLike | None = None,
    stop_on_mismatch: bool = True,
) -> ReplayTrace:
    """Execute one cycle for each byte of `reads` and compare with what was observed.

    Parameters
    ----------
    start : CpuState
        Where to begin; it is not changed.
    reads : uint8, shape (n,)
        Byte on the data bus at the end of each cycle; not looked at in writes.
    reads_known : uint8, shape (n,), optional
        Mask of known bits of `reads`.
    res, irq, nmi, rdy, so : shape (n,), optional
        Pin levels at the end of each cycle, 0 or not; absent means high.
    address, data : shape (n,), optional
        What was observed; `data` is compared in writes only, so the column of reads will do.
    address_known, data_known : shape (n,), optional
        Masks of observed bits; all bits by default.
    rw, sync : shape (n,), optional
        Observed levels.
    rw_known, sync_known : shape (n,), optional
        Whether the level was observed, 0 or not.
    stop_on_mismatch : bool
        Stop in the first cycle that disagrees, before it is executed.

    Raises
    ------
    ValueError
        Columns of unequal length.
    """
    reads8 = _column(reads, np.uint8)
    n = len(reads8)
    known8 = None if reads_known is None else _optional(reads_known, np.uint8, n)
    levels, captured = _observed(
        n,
        (address, address_known, np.uint16, 0, 0xFFFF),
        (data, data_known, np.uint8, _kernels.OUT_AT, 0xFF),
        (rw, rw_known, np.bool_, _kernels.CONTROL_AT, 1),
        (sync, sync_known, np.bool_, _kernels.CONTROL_AT + 1, 1),
    )
    pins = _pins(n, res, irq, nmi, rdy, so)
    found = replay_levels(
        start, reads8, known8, pins, levels, captured, captured, stop_on_mismatch=stop_on_mismatch
    )
    cut = slice(found.predicted)
    meant, certain, off = found.meant[cut], found.certain[cut], found.off[cut]
    return ReplayTrace(
        address=meant.astype(np.uint16),
        address_known=certain.astype(np.uint16),
        data_out=(meant >> _kernels.OUT_AT).astype(np.uint8),
        data_out_known=(certain >> _kernels.OUT_AT).astype(np.uint8),
        rw=(meant >> _kernels.CONTROL_AT & 1).astype(np.uint8),
        sync=(meant >> (_kernels.CONTROL_AT + 1) & 1).astype(np.uint8),
        control_known=(certain >> _kernels.CONTROL_AT & 3).astype(np.uint8),
        inside=(meant >> _kernels.INSIDE_AT & 1).astype(np.uint8),
        address_mismatch=off.astype(np.uint16),
        data_mismatch=(off >> _kernels.OUT_AT).astype(np.uint8),
        control_mismatch=(off >> _kernels.CONTROL_AT & 3).astype(np.uint8),
        first_cycle=found.first_cycle,
        kind=found.kind,
        opcode=found.opcode,
        registers=np.column_stack([found.pc, found.registers]),
        registers_known=np.column_stack([found.pc_known, found.registers_known]),
        ended=found.ended,
        first_mismatch=found.first_mismatch,
        stop=found.stop,
        state=found.state,
    )


def _observed(
    n: int, *lines: tuple[npt.ArrayLike | None, npt.ArrayLike | None, Any, int, int]
) -> tuple[Levels | None, Levels | None]:
    """Columns that were observed as levels of the bus, and which are known."""
    if all(column is None for column, *_ in lines):
        return None, None
    levels, captured = np.zeros(n, np.uint32), np.zeros(n, np.uint32)
    for column, known, dtype, place, every in lines:
        if column is None:
            continue
        part = _optional(column, dtype, n).astype(np.uint32)
        levels |= part << np.uint32(place)
        if known is None:
            captured |= np.uint32(every << place)
        else:
            captured |= _optional(known, dtype, n).astype(np.uint32) << np.uint32(place)
    return levels, captured


def _column(values: npt.ArrayLike, dtype: Any) -> npt.NDArray[Any]:
    column = np.ascontiguousarray(values, dtype=dtype)
    if column.ndim != 1:
        raise ValueError(f"a column has one axis, not {column.ndim}")
    return column


def _optional(values: npt.ArrayLike, dtype: Any, n: int) -> npt.NDArray[Any]:
    column = _column(values, dtype)
    if len(column) != n:
        raise ValueError(f"a column of {len(column)} cycles beside one of {n}")
    return column


def _pins(n: int, *levels: npt.ArrayLike | None) -> Bytes | None:
    if all(level is None for level in levels):
        return None
    pins = np.zeros(n, dtype=np.uint8)
    for place, level in enumerate(levels):
        if level is None:
            pins |= np.uint8(1 << place)
        else:
            pins |= (_optional(level, np.uint8, n) != 0).astype(np.uint8) << np.uint8(place)
    return pins
