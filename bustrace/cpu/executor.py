"""The cycle-exact executor: one CPU driven cycle by cycle.

Pin levels are those of the pins, 1 high and 0 low; RES, IRQ, NMI and SO are active low, RDY low
makes a read wait. A level given with a cycle is the level at the end of that cycle, where phase 2
falls.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final, Self

import numpy as np

from bustrace.cpu import _kernels
from bustrace.cpu.mnemonics import OPERATIONS
from bustrace.cpu.variants import OPCODES_AT, packed_table, variant_index, variant_named

REGISTERS: Final = ("pc", "a", "x", "y", "s", "p")
"""Order of the columns of register arrays."""

_FIELDS: Final = {name: 2 * place for place, name in enumerate(REGISTERS)}


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

    def taking(self, opcode: int, taken_for: int) -> CpuState:
        """The same state of a CPU that obeys one opcode as another."""
        other = self.copy()
        row = self._row.copy()
        row[OPCODES_AT + opcode] = packed_table()[variant_index(self.variant)][
            OPCODES_AT + taken_for
        ]
        row.flags.writeable = False
        other._row = row
        return other

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
