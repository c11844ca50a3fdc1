"""From capture bits to pins: lookup tables for the bus word and the selects.

The bus word holds the address in bits 0 to 15, data in 16 to 23, control pins from 24 on.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bustrace.cycles.model import CONTROL
from bustrace.hookup.model import ADDRESS_PINS, DATA_PINS, SELECT, Hookup

DATA_SHIFT, CONTROL_SHIFT = 16, 24
WORD_PINS = (*ADDRESS_PINS, *DATA_PINS, *CONTROL)
"""Bit i of the bus word is the pin ``WORD_PINS[i]``."""

_DRIVEN_BY_CPU = {*ADDRESS_PINS, *DATA_PINS, "RW", "SYNC", "VDA", "VPA", "VPB", "ML"}
_SETTLED_BY_TADS = {*ADDRESS_PINS, "RW", "SYNC", "VDA", "VPA", "ML"}


@dataclass(frozen=True, slots=True, eq=False)
class PinTables:
    """How to gather pins out of a capture's state, one byte of it at a time.

    Attributes
    ----------
    shifts : uint64, shape (k,)
        Bit offsets of the bytes that hold captured pins.
    bus, selects : uint64, shape (k, 256)
        What each value of such a byte adds to the bus word, to the selects.
    flips : uint64, shape (2,)
        Bits of the bus word and of the selects to invert afterwards.
    captured : int
        Bits of the bus word that were captured.
    select_names : tuple of str
    bus_lines, settled_lines, data_lines : int
        Capture bits of the buses and of what the CPU drives; of those that move early in a cycle
        (address, R/W, SYNC); of the data bus.
    """

    shifts: npt.NDArray[np.uint64]
    bus: npt.NDArray[np.uint64]
    selects: npt.NDArray[np.uint64]
    flips: npt.NDArray[np.uint64]
    captured: int
    select_names: tuple[str, ...]
    bus_lines: int
    settled_lines: int
    data_lines: int

    def gather(
        self, state: npt.NDArray[np.uint64], *, selects: bool = False, flip: bool = True
    ) -> npt.NDArray[np.uint64]:
        """Bus words, or selects, of an array of states: uint64, shape (n,)."""
        word = np.zeros(len(state), dtype=np.uint64)
        table = self.selects if selects else self.bus
        for shift, entries in zip(self.shifts, table, strict=True):
            word |= entries[(state >> shift) & np.uint64(0xFF)]
        return word ^ self.flips[int(selects)] if flip else word


def pin_tables(hookup: Hookup) -> PinTables:
    """Tables for a hookup; its clock and unused lines take no part."""
    select_taps = hookup.selects
    places = {tap.index: (0, WORD_PINS.index(tap.pin)) for tap in hookup.taps if _in_word(tap.pin)}
    places |= {tap.index: (1, bit) for bit, tap in enumerate(select_taps)}
    bytes_used = sorted({index // 8 for index in places})
    tables = np.zeros((2, len(bytes_used), 256), dtype=np.uint64)
    values = np.arange(256, dtype=np.uint64)
    for index, (table, bit) in places.items():
        taken = (values >> np.uint64(index % 8)) & np.uint64(1)
        tables[table, bytes_used.index(index // 8)] |= taken << np.uint64(bit)
    inverted = {tap.index for tap in hookup.taps if tap.inverted}
    flips = [
        sum(1 << bit for index, (t, bit) in places.items() if t == table and index in inverted)
        for table in (0, 1)
    ]

    def lines(pins: set[str]) -> int:
        return sum(1 << tap.index for tap in hookup.taps if tap.pin in pins)

    return PinTables(
        shifts=np.array([8 * byte for byte in bytes_used], dtype=np.uint64),
        bus=tables[0],
        selects=tables[1],
        flips=np.array(flips, dtype=np.uint64),
        captured=sum(1 << bit for table, bit in places.values() if table == 0),
        select_names=tuple(tap.pin.removeprefix(SELECT) for tap in select_taps),
        bus_lines=lines(_DRIVEN_BY_CPU),
        settled_lines=lines(_SETTLED_BY_TADS),
        data_lines=lines(set(DATA_PINS)),
    )


def _in_word(pin: str) -> bool:
    return pin in WORD_PINS
