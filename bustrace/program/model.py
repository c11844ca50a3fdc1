"""The instructions that the cycles were."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import IntEnum
from functools import cached_property
from typing import Any, Literal, TypeVar

import numpy as np
import numpy.typing as npt

from bustrace.capture.model import Note


class Kind(IntEnum):
    """What a row of `Program` is.

    RESET: from RES low to the fetch at the vector. IRQ, NMI, BRK: the seven cycles up to the fetch
    of the handler; a BRK whose vector an NMI took is an NMI with opcode 0. FOREIGN: cycles of
    another bus owner before a fetch; within an instruction they are part of its row, as waits are.
    STALLED: after a jam opcode, or a wait until the end. LOST: not followed.
    """

    INSTRUCTION = 0
    RESET = 1
    IRQ = 2
    NMI = 3
    BRK = 4
    FOREIGN = 5
    STALLED = 6
    LOST = 7


REGISTERS = ("A", "X", "Y", "S", "P")
"""Order of the columns of `Program.registers`."""


@dataclass(frozen=True, eq=False)
class Intent:
    """What the CPU meant on the bus, by executing what it read. One row a cycle.

    Nothing is known where the program was not followed, nor while RES is low. The columns are
    unpacked when they are first asked for.

    Attributes
    ----------
    levels, certain : uint32, shape (n_cycles,)
        A0 to A15, D0 to D7, R/W, SYNC from bit 0 on, and which of them are certain. Bit 26 of
        `levels`: `inside`.
    """

    levels: npt.NDArray[np.uint32]
    certain: npt.NDArray[np.uint32]

    def __post_init__(self) -> None:
        self.levels.setflags(write=False)
        self.certain.setflags(write=False)

    @classmethod
    def of_columns(
        cls,
        address: npt.NDArray[np.uint32],
        address_known: npt.NDArray[np.uint32],
        data: npt.NDArray[np.uint8],
        data_known: npt.NDArray[np.uint8],
        rw: npt.NDArray[np.uint8],
        sync: npt.NDArray[np.uint8],
        inside: npt.NDArray[np.uint8],
    ) -> Intent:
        """Pack the columns that the properties of the same names tell of."""
        levels, certain = address & np.uint32(0xFFFF), address_known & np.uint32(0xFFFF)
        for column, known, at in (
            (data, data_known, 16),
            (rw == 1, rw != 2, 24),
            (sync == 1, sync != 2, 25),
            (inside, 0 * inside, 26),
        ):
            levels |= column.astype(np.uint32) << np.uint32(at)
            certain |= known.astype(np.uint32) << np.uint32(at)
        return cls(levels, certain)

    @cached_property
    def address(self) -> npt.NDArray[np.uint32]:
        """Address the CPU put out: uint32, 0 in the bits that are not certain."""
        return _fixed(self.levels & self.certain & np.uint32(0xFFFF))

    @cached_property
    def address_known(self) -> npt.NDArray[np.uint32]:
        """Bits of the address that are certain: uint32, 0 where lost."""
        return _fixed(self.certain & np.uint32(0xFFFF))

    @cached_property
    def data(self) -> npt.NDArray[np.uint8]:
        """Byte the CPU wrote: uint8."""
        return _fixed(self._byte(self.levels & self.certain, 16))

    @cached_property
    def data_known(self) -> npt.NDArray[np.uint8]:
        """Bits of it that are certain: uint8, none but in write cycles."""
        return _fixed(self._byte(self.certain, 16))

    @cached_property
    def rw(self) -> npt.NDArray[np.uint8]:
        """1 read, 0 write, 2 where lost: uint8."""
        return self._level(24)

    @cached_property
    def sync(self) -> npt.NDArray[np.uint8]:
        """1 in an opcode fetch, 0 else, 2 where lost: uint8."""
        return self._level(25)

    @cached_property
    def inside(self) -> npt.NDArray[np.uint8]:
        """1 where the CPU accessed a port of its own: `data` is then on no pin; uint8."""
        return _fixed(self._byte(self.levels, 26) & np.uint8(1))

    @staticmethod
    def _byte(levels: npt.NDArray[np.uint32], at: int) -> npt.NDArray[np.uint8]:
        return (levels >> np.uint32(at)).astype(np.uint8)

    def _level(self, at: int) -> npt.NDArray[np.uint8]:
        high, known = (self._byte(c, at) & np.uint8(1) for c in (self.levels, self.certain))
        return _fixed(high & known | (known ^ np.uint8(1)) << np.uint8(1))


Column = TypeVar("Column", bound=npt.NDArray[Any])


def _fixed(column: Column) -> Column:
    column.setflags(write=False)
    return column


@dataclass(frozen=True, slots=True)
class ReadCorrection:
    """A read of which the CPU must have seen another byte than the clip.

    Attributes
    ----------
    cycle : int
    seen : int
        Byte at the clip.
    believed : int
        Byte that explains what the CPU did then; other bytes may explain it too.
    """

    cycle: int
    seen: int
    believed: int


BRANCH_SENSE = np.uint8(0x20)
"""Bit in which a branch differs from the one on the flag's other level (the opcode table)."""


@dataclass(frozen=True, slots=True)
class Departure:
    """One way in which the CPU always does something else than its sheet says.

    Attributes
    ----------
    opcode, taken_for : int
        An opcode that is obeyed as another; both 0 where it is a flag.
    flag, level : int
        Bit of P that is dead, and its level there (0 or the bit); 0 where it is an opcode.
    cycles : tuple of int
        Fetches of the instructions at which a sound CPU would have done something else.
    """

    opcode: int = 0
    taken_for: int = 0
    flag: int = 0
    level: int = 0
    cycles: tuple[int, ...] = ()

    def obeyed(self, fetched: npt.NDArray[np.uint8]) -> npt.NDArray[np.uint8]:
        """The opcodes that a sound CPU would have obeyed so: with a dead flag, the branch on the
        flag's other level.
        """
        if self.flag:
            return fetched ^ BRANCH_SENSE
        return np.full_like(fetched, self.taken_for)


@dataclass(frozen=True, slots=True, eq=False)
class Program:
    """Rows tile all cycles exactly: row i covers ``first_cycle[i]`` and the ``length[i]`` from it.

    Attributes
    ----------
    first_cycle : int64, shape (n,)
    length : int32
        Cycles.
    kind : uint8
        A `Kind`.
    opcode : int16
        -1 where there is none or it is not known.
    pc : int32
        Address of the instruction, -1 where not known; of a 28-pin CPU with the lines it has no
        pin for, as far as they are known.
    confidence : float32
        0 to 1: 1 where SYNC or the executed prediction confirms the row.
    registers, registers_known : uint8, shape (n, 5)
        A X Y S P before the row, and which bits are known.
    searched : bool, shape (n,)
        The row is the likeliest reading of what was captured, and was not executed: nothing is
        known of what the CPU meant there. `certain` leaves such rows out.
    alternatives : tuple of (row, opcode)
        Other readings of a row that the capture cannot tell apart.
    intent : Intent
    method : {"sync", "follow", "search", "none"}
        Where the boundaries come from; ``search`` where nothing was executed, nor marked by SYNC.
    reason : str or None
        Why there is no program, or why the thread was lost.
    lost_at : int or None
        First cycle from which the thread is lost until the end.
    jam_at : int or None
        First cycle of an instruction that stopped the CPU for good, and is none of the documented.
    notes : tuple of Note
    lines_aside : tuple of str
        Lines that disagree with an otherwise followed program, and were set aside to follow it.
    clips_off : tuple of str
        Data lines whose captured level was not believed: they never move, yet the CPU acted as
        though they did.
    read_corrections : tuple of ReadCorrection
        In order of discovery.
    departure : Departure or None
        How the CPU was taken to break its sheet, so that it could be followed.

    The first row begins before the capture does, or the last one ends after it, where they were
    cut; a row cut at its start is lost.
    """

    first_cycle: npt.NDArray[np.int64]
    length: npt.NDArray[np.int32]
    kind: npt.NDArray[np.uint8]
    opcode: npt.NDArray[np.int16]
    pc: npt.NDArray[np.int32]
    confidence: npt.NDArray[np.float32]
    registers: npt.NDArray[np.uint8]
    registers_known: npt.NDArray[np.uint8]
    intent: Intent
    method: Literal["sync", "follow", "search", "none"]
    searched: npt.NDArray[np.bool_]
    alternatives: tuple[tuple[int, int], ...] = ()
    reason: str | None = None
    lost_at: int | None = None
    jam_at: int | None = None
    notes: tuple[Note, ...] = ()
    lines_aside: tuple[str, ...] = ()
    clips_off: tuple[str, ...] = ()
    read_corrections: tuple[ReadCorrection, ...] = ()
    departure: Departure | None = None

    def __post_init__(self) -> None:
        for name in self.__dataclass_fields__:
            column = getattr(self, name)
            if isinstance(column, np.ndarray):
                column.setflags(write=False)

    def __len__(self) -> int:
        return len(self.first_cycle)

    def __repr__(self) -> str:
        why = f", {self.reason}" if self.reason else ""
        return f"<Program: {len(self):,} rows, by {self.method}{why}>"

    def certain(self) -> Program:
        """The program without what was only searched for: such rows are lost."""
        if not self.searched.any():
            return self
        guessed = self.searched
        return replace(
            self,
            kind=np.where(guessed, np.uint8(Kind.LOST), self.kind).astype(np.uint8),
            opcode=np.where(guessed, np.int16(-1), self.opcode).astype(np.int16),
            pc=np.where(guessed, np.int32(-1), self.pc).astype(np.int32),
            confidence=np.where(guessed, np.float32(0), self.confidence).astype(np.float32),
            registers=np.where(guessed[:, None], np.uint8(0), self.registers).astype(np.uint8),
            registers_known=np.where(guessed[:, None], np.uint8(0), self.registers_known).astype(
                np.uint8
            ),
            method="none" if self.method == "search" else self.method,
            searched=np.zeros(len(guessed), np.bool_),
            alternatives=(),
        )

    def row_of(self, cycle: int) -> int:
        """Row that covers a cycle.

        Raises
        ------
        IndexError
            The program has no such cycle.
        """
        row = int(np.searchsorted(self.first_cycle, cycle, side="right")) - 1
        if row < 0 or cycle >= self.first_cycle[row] + self.length[row]:
            raise IndexError(f"no row covers cycle {cycle}")
        return row
