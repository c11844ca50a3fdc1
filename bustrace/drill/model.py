"""What happened on the simulated bus, layer by layer."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from bustrace.board.model import Board, Chip
from bustrace.cpu.variants import variant_named
from bustrace.faults import SELECT, Fault

CPU_DRIVES = 1 << 31
"""Bit of `BusRecord.drivers`: the CPU drives the data bus."""

PowerOn = Mapping[str, Mapping[int, int]]
"""Bytes that RAMs hold at power-on, by chip and offset; what is not told is left to chance."""


CONTROL: tuple[str, ...] = ("SYNC", "RES", "IRQ", "NMI", "RDY")
_MORE_CONTROL = {"W65C02S": (*CONTROL, "BE"), "6507": ("RES", "RDY")}


def control_lines(board: Board) -> tuple[str, ...]:
    """Control pins of the board's CPU that can be clipped, R/W aside.

    The 6507 has neither SYNC nor interrupts (R650X sheet, page 2); BE is the W65C02S's (its data
    sheet, section 3.2).
    """
    return _MORE_CONTROL.get(variant_named(board.cpu.variant).name, CONTROL)


def address_lines(board: Board) -> tuple[str, ...]:
    """Address pins of the board's CPU, A0 first."""
    return tuple(f"A{bit}" for bit in range(variant_named(board.cpu.variant).address_bits))


def select_name(ref: str) -> str:
    """Name of a chip's select line in `BusRecord.clip_levels` and in captures."""
    return f"{SELECT}{ref}"


def select_active(chip: Chip) -> int:
    """Level at which a chip's select line selects it; low where the board does not say."""
    return chip.selects[0].active if chip.selects else 0


@dataclass(frozen=True, slots=True)
class Join:
    """Lines that touch.

    Attributes
    ----------
    lines : tuple of str
    wins : str
        ``low``, ``high``, or the name of the line whose driver is the stronger.
    """

    lines: tuple[str, ...]
    wins: str

    def apply(self, words: npt.NDArray[np.uint64], lines: Sequence[str]) -> npt.NDArray[np.uint64]:
        """Levels with the touching lines joined, as far as they are among `lines`.

        Parameters
        ----------
        words : uint64
            Levels, bit i of each is ``lines[i]``.
        lines : sequence of str
        """
        places = [lines.index(line) for line in self.lines if line in lines]
        mask = np.uint64(sum(1 << place for place in places))
        if self.wins in lines:
            high = words >> np.uint64(lines.index(self.wins)) & np.uint64(1) != 0
        elif self.wins == "high":
            high = words & mask != 0
        else:
            high = words & mask == mask
        return np.where(high, words | mask, words & ~mask)


@dataclass(frozen=True, slots=True)
class Display:
    """A display that shares the CPU's memory: it takes the bus by RDY and BE, and reads.

    Attributes
    ----------
    every, run : int
        In so many cycles it takes so many, one after the other.
    first, length : int
        It reads so many bytes from this address on, over and over.
    starts : int
        Cycle in which it first takes the bus.
    """

    every: int
    run: int
    first: int
    length: int
    starts: int = 0

    def takes(self, cycle: int) -> bool:
        """Whether the display has the bus in this cycle."""
        return cycle >= self.starts and (cycle - self.starts) % self.every < self.run

    def address(self, fetched: int) -> int:
        """What it reads after so many bytes."""
        return self.first + fetched % self.length


@dataclass(frozen=True, slots=True, eq=False)
class BusRecord:
    """The truth of a simulated run: one row a bus cycle, from one fall of phase 2 to the next.

    All arrays are read-only and of shape (n,) unless told otherwise. A *clip* column shows the
    net under the probe when the cycle ends; the *cpu* and *chip* columns what those parts meant
    or met. On a healthy board the layers agree.

    Attributes
    ----------
    board : Board
    faults : tuple of Fault
        What was planted.
    seed : int
    clock_hz : Fraction
    cpu_address, clip_address, decoder_address : uint16
    chip_address : uint16, shape (n, chips)
        At each chip of ``board.map.chips``.
    cpu_data, clip_data, bus_data : uint8
        The byte the CPU took or gave; at the clip; on the chips' side of the data path.
    cpu_rw, rw, sync : uint8
        R/W as the CPU meant it, R/W and SYNC at the clip.
    res, irq, nmi, rdy, be : uint8
        At the clip. While BE is low the clip and the chips see a display's address, the CPU waits.
    early_data, early_driven : uint8
        What the data lines show at the clip while phase 2 is low, and on which of them something
        makes it so; the others keep what they had.
    state : uint16
        Values of ``board.state_bits``, the first in bit 0.
    selects : uint32
        Chips whose select pin is active in the read window; bit i is ``board.map.chips[i]``.
    drivers : uint32
        Who drives the data bus: the same bits, and `CPU_DRIVES`; 0 is nobody.
    clip_levels : dict of str to int
        Lines that never move at the clip, for whatever reason: pin name to level.
    clip_joins : tuple of Join
        Lines that touch, as the clip sees it, from the first cycle to the last.
    clock_ends : bool
        The clock stops after the last cycle (or never ran) and rests at `rest_level`.
    rest_cycles : int
        Periods of silence that belong to the run after the clock's end.
    rest_level : int
    """

    board: Board
    faults: tuple[Fault, ...]
    seed: int
    clock_hz: Fraction
    cpu_address: npt.NDArray[np.uint16]
    clip_address: npt.NDArray[np.uint16]
    decoder_address: npt.NDArray[np.uint16]
    chip_address: npt.NDArray[np.uint16]
    cpu_data: npt.NDArray[np.uint8]
    clip_data: npt.NDArray[np.uint8]
    bus_data: npt.NDArray[np.uint8]
    cpu_rw: npt.NDArray[np.uint8]
    rw: npt.NDArray[np.uint8]
    sync: npt.NDArray[np.uint8]
    res: npt.NDArray[np.uint8]
    irq: npt.NDArray[np.uint8]
    nmi: npt.NDArray[np.uint8]
    rdy: npt.NDArray[np.uint8]
    be: npt.NDArray[np.uint8]
    early_data: npt.NDArray[np.uint8]
    early_driven: npt.NDArray[np.uint8]
    state: npt.NDArray[np.uint16]
    selects: npt.NDArray[np.uint32]
    drivers: npt.NDArray[np.uint32]
    clip_levels: dict[str, int]
    clip_joins: tuple[Join, ...] = ()
    clock_ends: bool = False
    rest_cycles: int = 0
    rest_level: int = 0

    def __post_init__(self) -> None:
        n = len(self.cpu_address)
        for name in self.__dataclass_fields__:
            column = getattr(self, name)
            if isinstance(column, np.ndarray):
                if len(column) != n:
                    raise ValueError(f"{name} has {len(column)} rows, not {n}")
                column.setflags(write=False)

    def __len__(self) -> int:
        return len(self.cpu_address)

    @property
    def chips(self) -> tuple[str, ...]:
        """References behind the bits of `selects` and `drivers`."""
        return self.board.map.chips

    def drives(self, ref: str) -> npt.NDArray[np.bool_]:
        """Cycles in which a chip drives the data bus: bool, shape (n,)."""
        return np.asarray(self.drivers >> np.uint32(self.board.map.index(ref)) & 1, dtype=np.bool_)

    def selected(self, ref: str) -> npt.NDArray[np.bool_]:
        """Cycles in which a chip's select pin is active: bool, shape (n,)."""
        return np.asarray(self.selects >> np.uint32(self.board.map.index(ref)) & 1, dtype=np.bool_)
