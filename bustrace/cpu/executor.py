"""The cycle-exact executor: one CPU driven cycle by cycle, or a batch of captured cycles.

Pin levels are those of the pins, 1 high and 0 low; RES, IRQ, NMI and SO are active low, RDY low
makes a read wait. A level given with a cycle is the level at the end of that cycle, where phase 2
falls.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import IntEnum
from typing import Any, Final, Self

import numpy as np
import numpy.typing as npt

from bustrace.cpu import _kernels
from bustrace.cpu.deciding import Seen, settle
from bustrace.cpu.mnemonics import OPERATIONS
from bustrace.cpu.variants import packed_table, variant_index, variant_named

Bytes = npt.NDArray[np.uint8]
Words = npt.NDArray[np.uint16]

REGISTERS: Final = ("pc", "a", "x", "y", "s", "p")
"""Order of the columns of register arrays."""

_FIELDS: Final = {name: 2 * place for place, name in enumerate(REGISTERS)}
_EMPTY8: Final = np.empty(0, dtype=np.uint8)
_EMPTY16: Final = np.empty(0, dtype=np.uint16)


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


class CpuState:
    """Everything inside the CPU at the start of a cycle, with masks of known bits.

    Made by `at_fetch` or `at_reset`, carried by `Executor` and returned by `replay`, from which the
    next replay goes on. It can be copied, and its registers amended.
    """

    __slots__ = ("_fields", "_row", "variant")

    def __init__(self, variant: str) -> None:
        self.variant = variant_named(variant).name
        self._row = packed_table()[variant_index(variant)]
        self._fields = np.zeros(_kernels.STATE_FIELDS, dtype=np.int64)
        for level in (_kernels.NMI_LEVEL, _kernels.SO_LEVEL, _kernels.RES_LEVEL):
            self._fields[level] = 1
        self._fields[_kernels.OPERATION] = OPERATIONS.index("NOP")

    @classmethod
    def at_fetch(
        cls, variant: str = "6502", *, known: Sequence[str] = REGISTERS, **registers: int
    ) -> Self:
        """State at the start of an opcode fetch.

        Parameters
        ----------
        variant : str
            CPU part.
        known : sequence of str
            Registers whose value is known; all by default.
        **registers : int
            Values of pc, a, x, y, s, p; 0 where not given, p 0x24.
        """
        state = cls(variant)
        state._fields[_kernels.ENTRY] = _kernels.FETCH
        state._set_registers(registers, known)
        return state

    @classmethod
    def at_reset(
        cls, variant: str = "6502", *, known: Sequence[str] = (), **registers: int
    ) -> Self:
        """State with RES held low for long, as after power-on.

        The arguments are those of `at_fetch`, but nothing is known by default.
        """
        state = cls(variant)
        state._fields[_kernels.ENTRY] = _kernels.HELD
        state._fields[_kernels.RUNNING] = _kernels.RESET
        state._fields[_kernels.RES_LEVEL] = 0
        state._set_registers(registers, known)
        return state

    def _set_registers(self, registers: dict[str, int], known: Sequence[str]) -> None:
        strange = (set(registers) | set(known)) - set(REGISTERS)
        if strange:
            raise TypeError(f"no such register: {', '.join(sorted(strange))}")
        for name in REGISTERS:
            value = registers.get(name, 0x24 if name == "p" else 0)
            self._store(name, value, 0xFFFF if name in known else 0)
        _kernels.show(self._fields, self._row)

    def amend(self, register: str, value: int, known: int | None = None) -> None:
        """Set a register and the mask of its known bits (all of them by default)."""
        self._store(register, value, 0xFFFF if known is None else known)
        _kernels.show(self._fields, self._row)

    def _store(self, register: str, value: int, known: int) -> None:
        full = 0xFFFF if register == "pc" else 0xFF
        if not 0 <= value <= full:
            raise ValueError(f"{register} = {value} is out of range")
        known &= full
        if register == "p":
            value, known = (value | 0x20) & 0xEF, known | 0x30
        self._fields[_FIELDS[register]] = value
        self._fields[_FIELDS[register] + 1] = known

    def register(self, name: str) -> tuple[int, int]:
        """Value of a register and the mask of its known bits."""
        place = _FIELDS[name]
        return int(self._fields[place]), int(self._fields[place + 1])

    @property
    def address(self) -> int:
        """Address pins in the current cycle."""
        return int(self._fields[_kernels.ADDRESS])

    @property
    def address_known(self) -> int:
        """Mask of the address bits that are known."""
        return int(self._fields[_kernels.ADDRESSM])

    @property
    def data_out(self) -> int:
        """Byte the CPU drives in the current cycle, 0 in a read."""
        return int(self._fields[_kernels.OUT])

    @property
    def rw(self) -> int:
        """R/W pin: 1 read, 0 write."""
        return int(self._fields[_kernels.READ])

    @property
    def sync(self) -> int:
        """SYNC pin: 1 in the opcode fetch."""
        return int(self._fields[_kernels.ENTRY] == _kernels.FETCH)

    def copy(self) -> CpuState:
        """Return an independent copy."""
        other = CpuState.__new__(CpuState)
        other.variant, other._row, other._fields = self.variant, self._row, self._fields.copy()
        return other


class Executor:
    """One CPU, driven cycle by cycle.

    Parameters
    ----------
    variant : str
        CPU part.
    a, x, y, s, p : int
        Registers at the start.
    pc : int or None
        Start with an opcode fetch there. None: start as after power-on, RES having been low; the
        low byte of the reset vector is then read 7 cycles after the cycle in which RES is first
        high.

    Notes
    -----
    `address`, `data_out`, `rw` and `sync` are the pins in the current cycle; `clock` ends it.
    """

    __slots__ = ("_end", "_fields", "_row", "_state")

    def __init__(
        self,
        variant: str = "6502",
        *,
        a: int = 0,
        x: int = 0,
        y: int = 0,
        s: int = 0,
        p: int = 0x24,
        pc: int | None = None,
    ) -> None:
        make = CpuState.at_reset if pc is None else CpuState.at_fetch
        self._adopt(make(variant, known=REGISTERS, a=a, x=x, y=y, s=s, p=p, pc=pc or 0))

    def _adopt(self, state: CpuState) -> None:
        self._state = state
        self._fields = state._fields
        self._row = state._row
        self._end: Callable[..., None] = _kernels.end_cycle

    @classmethod
    def from_state(cls, state: CpuState) -> Executor:
        """Go on from a copy of `state`, taking unknown bits at their stand-in values."""
        executor = cls.__new__(cls)
        executor._adopt(state.copy())
        return executor

    def clock(
        self, data_in: int, *, res: int = 1, irq: int = 1, nmi: int = 1, rdy: int = 1, so: int = 1
    ) -> None:
        """End the current cycle and move on to the next.

        Parameters
        ----------
        data_in : int
            Byte on the data pins; not looked at in a write. In a read of $0001 by a CPU with a
            port, the levels at the port.
        res, irq, nmi, rdy, so : int
            Pin levels at the end of this cycle.
        """
        pins = (
            (1 if res else 0)
            | (2 if irq else 0)
            | (4 if nmi else 0)
            | (8 if rdy else 0)
            | (16 if so else 0)
        )
        self._end(self._fields, self._row, data_in, 0xFF, pins)

    @property
    def address(self) -> int:
        """Address pins."""
        return int(self._fields[_kernels.ADDRESS])

    @property
    def data_out(self) -> int:
        """Byte the CPU drives, 0 in a read."""
        return int(self._fields[_kernels.OUT])

    @property
    def rw(self) -> int:
        """R/W pin: 1 read, 0 write."""
        return int(self._fields[_kernels.READ])

    @property
    def sync(self) -> int:
        """SYNC pin: 1 in the opcode fetch."""
        return self._state.sync

    @property
    def a(self) -> int:
        """Accumulator."""
        return int(self._fields[_kernels.A])

    @property
    def x(self) -> int:
        """Index register X."""
        return int(self._fields[_kernels.X])

    @property
    def y(self) -> int:
        """Index register Y."""
        return int(self._fields[_kernels.Y])

    @property
    def s(self) -> int:
        """Stack pointer."""
        return int(self._fields[_kernels.S])

    @property
    def p(self) -> int:
        """Status NV1BDIZC; bit 5 reads 1 and bit 4 reads 0, neither is a flag in the CPU."""
        return int(self._fields[_kernels.P])

    @property
    def pc(self) -> int:
        """Program counter."""
        return int(self._fields[_kernels.PC])

    @property
    def drives_data(self) -> int:
        """1 where the CPU puts `data_out` on the data pins: in writes, but not to its own port."""
        return int(not self.rw and bool(self._fields[_kernels.DRIVES]))

    @property
    def vpb(self) -> int:
        """VPB pin, of a W65C02S: 0 in the two cycles that read a vector (its data sheet)."""
        where = int(self._row[self._fields[_kernels.ENTRY]]) & 15
        return int(where not in (_kernels.AT_VEC, _kernels.AT_VEC_NEXT))

    @property
    def state(self) -> CpuState:
        """A copy of everything inside."""
        return self._state.copy()

    def clone(self) -> Executor:
        """Return an independent CPU in the same state."""
        return Executor.from_state(self._state)


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
    known8 = _optional(reads_known, np.uint8, n)
    pins = _pins(n, res, irq, nmi, rdy, so)
    seen_address = _optional(address, np.uint16, n)
    seen_address_known = _mask(seen_address, address_known, np.uint16)
    seen_data = _optional(data, np.uint8, n)
    seen_data_known = _mask(seen_data, data_known, np.uint8)
    control, control_known = _control(n, rw, rw_known, sync, sync_known)

    state = start.copy()
    out_address, out_address_known = np.empty(n, np.uint16), np.empty(n, np.uint16)
    out_data, out_data_known = np.empty(n, np.uint8), np.empty(n, np.uint8)
    out_control, out_control_known = np.empty(n, np.uint8), np.empty(n, np.uint8)
    bad_address = np.zeros(n, np.uint16)
    bad_data, bad_control = np.zeros(n, np.uint8), np.zeros(n, np.uint8)
    row_cycle, row_kind, row_opcode = (
        np.empty(n, np.int64),
        np.empty(n, np.uint8),
        np.empty(n, np.uint8),
    )
    row_registers, row_known = np.empty((n, 6), np.uint16), np.empty((n, 6), np.uint16)
    counts = np.array([0, 0, 0, -1, 0], dtype=np.int64)
    seen = Seen(reads8, known8, pins, seen_address, seen_address_known, control, control_known)
    settled_at, goes_on = -1, True
    while goes_on:
        _kernels.replay(
            state._fields, state._row, reads8, known8, pins, seen_address, seen_address_known,
            seen_data, seen_data_known, control, control_known, stop_on_mismatch, out_address,
            out_address_known, out_data, out_data_known, out_control, out_control_known,
            bad_address, bad_data, bad_control, row_cycle, row_kind, row_opcode, row_registers,
            row_known, counts,
        )  # fmt: skip
        open_at = int(counts[1])
        # What was settled and is open again in the same cycle would be so for ever.
        goes_on = (
            counts[4] == StopReason.UNDECIDED
            and open_at > settled_at
            and settle(state._fields, state._row, open_at, seen)
        )
        settled_at = open_at
    predicted, ended, rows, first, reason = (int(count) for count in counts)
    cut = slice(predicted)
    return ReplayTrace(
        address=out_address[cut],
        address_known=out_address_known[cut],
        data_out=out_data[cut],
        data_out_known=out_data_known[cut],
        rw=out_control[cut] & np.uint8(_kernels.RW_BIT),
        sync=(out_control[cut] >> np.uint8(1)) & np.uint8(1),
        control_known=out_control_known[cut],
        inside=(out_control[cut] >> np.uint8(2)) & np.uint8(1),
        address_mismatch=bad_address[cut],
        data_mismatch=bad_data[cut],
        control_mismatch=bad_control[cut],
        first_cycle=row_cycle[:rows].copy(),
        kind=row_kind[:rows].copy(),
        opcode=row_opcode[:rows].copy(),
        registers=row_registers[:rows].copy(),
        registers_known=row_known[:rows].copy(),
        ended=ended,
        first_mismatch=None if first < 0 else first,
        stop=StopReason(reason),
        state=state,
    )


def _column(values: npt.ArrayLike, dtype: Any) -> npt.NDArray[Any]:
    column = np.ascontiguousarray(values, dtype=dtype)
    if column.ndim != 1:
        raise ValueError(f"a column has one axis, not {column.ndim}")
    return column


def _optional(values: npt.ArrayLike | None, dtype: Any, n: int) -> npt.NDArray[Any]:
    if values is None:
        return _EMPTY16 if dtype is np.uint16 else _EMPTY8
    column = _column(values, dtype)
    if len(column) != n:
        raise ValueError(f"a column of {len(column)} cycles beside one of {n}")
    return column


def _mask(seen: npt.NDArray[Any], known: npt.ArrayLike | None, dtype: Any) -> npt.NDArray[Any]:
    if known is None:
        return np.full(len(seen), np.iinfo(dtype).max, dtype)
    return _optional(known, dtype, len(seen))


def _pins(n: int, *levels: npt.ArrayLike | None) -> Bytes:
    if all(level is None for level in levels):
        return _EMPTY8
    pins = np.zeros(n, dtype=np.uint8)
    for place, level in enumerate(levels):
        if level is None:
            pins |= np.uint8(1 << place)
        else:
            pins |= (_optional(level, np.uint8, n) != 0).astype(np.uint8) << np.uint8(place)
    return pins


def _control(
    n: int,
    rw: npt.ArrayLike | None,
    rw_known: npt.ArrayLike | None,
    sync: npt.ArrayLike | None,
    sync_known: npt.ArrayLike | None,
) -> tuple[Bytes, Bytes]:
    if rw is None and sync is None:
        return _EMPTY8, _EMPTY8
    control, known = np.zeros(n, dtype=np.uint8), np.zeros(n, dtype=np.uint8)
    for bit, level, level_known in ((1, rw, rw_known), (2, sync, sync_known)):
        if level is not None:
            control |= (_optional(level, np.uint8, n) != 0).astype(np.uint8) * np.uint8(bit)
            seen = _mask(control, level_known, np.uint8) != 0
            known |= seen.astype(np.uint8) * np.uint8(bit)
    return control, known
