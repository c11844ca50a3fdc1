"""Lines in groups, and what faults make of the levels that pass along them.

A net has stages. The CPU's pin and everything wired straight to it is *near*, which is also where
the clip sits; behind it comes *far*, then the decoder and each chip's own pin. Data flows both
ways: a write goes near, far, chip; a read chip, far, near.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

ADDRESS = tuple(f"A{bit}" for bit in range(16))
DATA = tuple(f"D{bit}" for bit in range(8))

Table = npt.NDArray[np.uint16]
_Change = tuple[str, tuple[int, ...], int]


@dataclass(slots=True)
class Net:
    """Faults on a group of lines, by stage."""

    width: int
    stages: dict[str, list[_Change]] = field(default_factory=dict)

    def add(self, stage: str, kind: str, bits: Sequence[int], level: int = 0) -> None:
        """Note a fault.

        Parameters
        ----------
        stage : str
        kind : {"stuck", "low", "high", "follow", "copies", "exchanged", "inverted"}
            Tied to a level; joined lines of which the low or the high level wins, or which all
            follow the first of `bits`; clips: the first shows the second's level, both each
            other's, the first its opposite.
        bits : sequence of int
        level : int
            Of ``stuck``.
        """
        self.stages.setdefault(stage, []).append((kind, tuple(bits), level))

    def table(self, *stages: str) -> Table:
        """What comes out of the stages for each value that goes in: uint16, shape (2**width,).

        A level to which a line is tied wins over every other.
        """
        value = np.arange(1 << self.width, dtype=np.uint16)
        for stage in stages:
            changes = self.stages.get(stage, ())
            for kind, bits, _ in changes:
                if kind != "stuck":
                    value = _CHANGES[kind](value, bits)
            for kind, bits, level in changes:
                if kind == "stuck":
                    mask = np.uint16(1 << bits[0])
                    value = value | mask if level else value & ~mask
        return value


def _mask(bits: Sequence[int]) -> np.uint16:
    return np.uint16(sum(1 << bit for bit in bits))


def _low(value: Table, bits: Sequence[int]) -> Table:
    return np.where(value & _mask(bits) == _mask(bits), value, value & ~_mask(bits))


def _high(value: Table, bits: Sequence[int]) -> Table:
    return np.where(value & _mask(bits) == 0, value, value | _mask(bits))


def _follow(value: Table, bits: Sequence[int]) -> Table:
    leads = value & _mask(bits[:1]) != 0
    return np.where(leads, value | _mask(bits), value & ~_mask(bits))


def _copies(value: Table, bits: Sequence[int]) -> Table:
    leads = value & _mask(bits[1:2]) != 0
    return np.where(leads, value | _mask(bits[:1]), value & ~_mask(bits[:1]))


def _exchanged(value: Table, bits: Sequence[int]) -> Table:
    differ = (value >> np.uint16(bits[0]) ^ value >> np.uint16(bits[1])) & np.uint16(1)
    return np.where(differ != 0, value ^ _mask(bits), value)


def _inverted(value: Table, bits: Sequence[int]) -> Table:
    return value ^ _mask(bits[:1])


_CHANGES = {
    "low": _low,
    "high": _high,
    "follow": _follow,
    "copies": _copies,
    "exchanged": _exchanged,
    "inverted": _inverted,
}


def group_of_line(line: str) -> tuple[str | None, int]:
    """The group of a line, ``address``, ``data`` or ``rw``, and its bit; None for others."""
    if line in ADDRESS:
        return "address", ADDRESS.index(line)
    if line in DATA:
        return "data", DATA.index(line)
    return ("rw", 0) if line == "RW" else (None, 0)
