"""From capture bits to pins: a lookup table.

The pin word holds the address in bits 0 to 15, data in 16 to 23, control pins in 24 to 37, selects
from 38 on.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bustrace.cycles.model import CONTROL
from bustrace.hookup.model import ADDRESS_PINS, DATA_PINS, Hookup

CONTROL_SHIFT, SELECT_SHIFT = 24, 38
WORD_PINS = (*ADDRESS_PINS, *DATA_PINS, *CONTROL)
"""Bit i of the pin word is the pin ``WORD_PINS[i]``; selects follow."""
MOST_SELECTS = 64 - SELECT_SHIFT

_DRIVEN_BY_CPU = {*ADDRESS_PINS, *DATA_PINS, "RW", "SYNC", "VDA", "VPA", "VPB", "ML"}
_EARLY_IN_CYCLE = {*ADDRESS_PINS, "RW", "SYNC", "VDA", "VPA", "ML"}


@dataclass(frozen=True, slots=True, eq=False)
class PinColumns:
    """Columns gathered from states: `Cycles` columns of the same names."""

    address: npt.NDArray[np.uint32]
    data: npt.NDArray[np.uint8]
    control: npt.NDArray[np.uint16]
    selects: npt.NDArray[np.uint32]


@dataclass(frozen=True, slots=True, eq=False)
class PinTable:
    """How to gather pins out of a capture's states, one byte of them at a time.

    Attributes
    ----------
    shifts : uint64, shape (k,)
        Bit offsets of the bytes that hold captured pins.
    table : uint64, shape (k, 256)
        What each value of such a byte adds to the pin word.
    flips : int
        Bits of the pin word that are captured inverted, the selects' aside.
    select_names : tuple of str
    word_lines, bus_lines, early_lines, data_lines : int
        Capture bits of all pins but the selects; of the buses and of what the CPU drives; of
        those that move early in a cycle (address, R/W, SYNC); of the data bus.
    select_lines, low_select_lines : int
        Capture bits of the selects, and of those that are active low.
    """

    shifts: npt.NDArray[np.uint64]
    table: npt.NDArray[np.uint64]
    flips: int
    select_names: tuple[str, ...]
    word_lines: int
    bus_lines: int
    early_lines: int
    data_lines: int
    select_lines: int
    low_select_lines: int

    def columns(self, states: npt.NDArray[np.uint64], *, levels: bool) -> PinColumns:
        """Pins of an array of states.

        Parameters
        ----------
        states : uint64, shape (n,)
            Selects already as 1 where asserted.
        levels : bool
            Undo inversion; False for known-masks.
        """
        from bustrace.cycles import _kernels

        n = len(states)
        columns = PinColumns(
            np.empty(n, dtype=np.uint32),
            np.empty(n, dtype=np.uint8),
            np.empty(n, dtype=np.uint16),
            np.empty(n, dtype=np.uint32),
        )
        _kernels.spread_pins(
            states,
            self.shifts,
            self.table,
            np.uint64(self.flips if levels else 0),
            columns.address,
            columns.data,
            columns.control,
            columns.selects,
        )
        return columns


def pin_table(hookup: Hookup) -> PinTable:
    """The table for a hookup; its clock and unused lines take no part."""
    selects = hookup.selects[:MOST_SELECTS]
    places = {tap.index: WORD_PINS.index(tap.pin) for tap in hookup.taps if tap.pin in WORD_PINS}
    places |= {tap.index: SELECT_SHIFT + number for number, tap in enumerate(selects)}
    bytes_used = sorted({index // 8 for index in places})
    table = np.zeros((len(bytes_used), 256), dtype=np.uint64)
    values = np.arange(256, dtype=np.uint64)
    for index, bit in places.items():
        taken = (values >> np.uint64(index % 8)) & np.uint64(1)
        table[bytes_used.index(index // 8)] |= taken << np.uint64(bit)

    def lines(pins: set[str]) -> int:
        return sum(1 << tap.index for tap in hookup.taps if tap.pin in pins)

    return PinTable(
        shifts=np.array([8 * byte for byte in bytes_used], dtype=np.uint64),
        table=table,
        flips=sum(
            1 << places[tap.index] for tap in hookup.taps if tap.inverted and tap.pin in WORD_PINS
        ),
        select_names=tuple(tap.name for tap in selects),
        word_lines=lines(set(WORD_PINS)),
        bus_lines=lines(_DRIVEN_BY_CPU),
        early_lines=lines(_EARLY_IN_CYCLE),
        data_lines=lines(set(DATA_PINS)),
        select_lines=sum(1 << tap.index for tap in selects),
        low_select_lines=sum(1 << tap.index for tap in selects if tap.inverted),
    )
