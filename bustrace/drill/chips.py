"""The chips that answer on the simulated bus: memory, and I/O of which nothing is known."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import ClassVar, Protocol

import numpy as np
import numpy.typing as npt


@dataclass(frozen=True, slots=True)
class Rows:
    """A part of a memory array that reads wrong: a row or a column.

    Attributes
    ----------
    mask, match : int
        It is where ``offset & mask == match``.
    keeps, sets : int
        Masks on the byte that is read: ``byte & keeps | sets``.
    """

    mask: int
    match: int
    keeps: int
    sets: int


@dataclass(frozen=True, slots=True)
class Forgetting:
    """Cells that lose their charge.

    Attributes
    ----------
    after : int
        Cycles without an access until a row is lost.
    row_mask : int
        Address bits that choose the row: the lowest ones.
    left : bytes
        What is left of each byte then.
    """

    after: int
    row_mask: int
    left: bytes


@dataclass(frozen=True, slots=True, eq=False)
class Inside:
    """What is wrong inside a chip.

    Attributes
    ----------
    cells : mapping of offset to (and, or)
        Masks that bad cells put on their byte when it is read.
    rows : tuple of Rows
    plane : (and, or)
        The same for every byte.
    content : bytes or None
        What a ROM holds instead of its image.
    forgetting : Forgetting or None
    ailment : str
        What an I/O chip no longer does, one of its `AILMENTS`.
    """

    cells: Mapping[int, tuple[int, int]] = field(default_factory=dict)
    rows: tuple[Rows, ...] = ()
    plane: tuple[int, int] = (0xFF, 0x00)
    content: bytes | None = None
    forgetting: Forgetting | None = None
    ailment: str = ""


SOUND = Inside()
"""Nothing is wrong."""


class Device(Protocol):
    """A chip's inside. Offsets are addresses within the chip, cycles count from 0."""

    size: int

    def read(self, offset: int, cycle: int) -> int:
        """Byte the chip would drive."""
        ...

    def write(self, offset: int, byte: int, cycle: int) -> None:
        """Take a byte."""
        ...

    def requests(self, cycle: int) -> bool:
        """Whether the interrupt output is active."""
        ...

    def reset(self) -> None:
        """RES is low."""
        ...

    def suffer(self, inside: Inside) -> None:
        """From now on so much is wrong inside, and no more."""
        ...


class Memory:
    """RAM, or ROM where `writable` is false.

    Parameters
    ----------
    content : uint8, shape (size,)
        At power-on.
    writable : bool
    """

    def __init__(self, content: npt.NDArray[np.uint8], writable: bool) -> None:
        self.content = bytearray(content.tobytes())
        self.size = len(self.content)
        self.writable = writable
        self._sound = bytes(self.content)
        self._used: dict[int, int] = {}
        self._held: Mapping[int, int] = {}
        self.suffer(SOUND)

    def hold(self, held: Mapping[int, int]) -> None:
        """What some of its bytes are at power-on, by offset; of a ROM, while it is bad that it
        holds another content.
        """
        self._held = held
        if self.writable:
            self._put_held()

    def _put_held(self) -> None:
        for offset, byte in self._held.items():
            self.content[offset] = byte

    def suffer(self, inside: Inside) -> None:
        """From now on so much is wrong inside, and no more."""
        self._inside = inside
        self._plain = not (inside.cells or inside.rows or inside.forgetting)
        if not self.writable:
            self.content = bytearray(inside.content or self._sound)
            if inside.content:
                self._put_held()

    def read(self, offset: int, cycle: int) -> int:
        """Byte at `offset`, what is bad applied."""
        inside = self._inside
        if not self._plain:
            return self._bad_byte(offset, cycle) & inside.plane[0] | inside.plane[1]
        return self.content[offset] & inside.plane[0] | inside.plane[1]

    def _bad_byte(self, offset: int, cycle: int) -> int:
        inside = self._inside
        self._charge(offset, cycle)
        byte = self.content[offset]
        for rows in inside.rows:
            if offset & rows.mask == rows.match:
                byte = byte & rows.keeps | rows.sets
        keeps, sets = inside.cells.get(offset, (0xFF, 0x00))
        return byte & keeps | sets

    def _charge(self, offset: int, cycle: int) -> None:
        """An access refreshes its row, if there is anything left of it."""
        forgetting = self._inside.forgetting
        if forgetting is None:
            return
        row = offset & forgetting.row_mask
        if cycle - self._used.get(row, 0) > forgetting.after:
            step = forgetting.row_mask + 1
            self.content[row::step] = forgetting.left[row::step]
        self._used[row] = cycle

    def write(self, offset: int, byte: int, cycle: int) -> None:
        """Keep the byte; a ROM ignores it."""
        if self.writable:
            self._charge(offset, cycle)
            self.content[offset] = byte

    def requests(self, cycle: int) -> bool:
        """Memory never interrupts."""
        return False

    def reset(self) -> None:
        """Memory has no reset."""


class Registers:
    """An I/O chip of which nothing is known: each register gives back what it last took."""

    AILMENTS: ClassVar[tuple[str, ...]] = ("deaf",)
    """What can be wrong with an I/O chip, each where it has the part concerned:

    - ``deaf``: its registers do not take what they are given;
    - ``timer``: its timer does not count;
    - ``status``: a status bit never changes;
    - ``quiet``: its interrupt request never comes;
    - ``asking``: its interrupt request never goes away.
    """
    ABOUT_IRQ: ClassVar[tuple[str, ...]] = ("quiet", "asking")

    def __init__(self, size: int) -> None:
        self.size = size
        self._bytes = bytearray(size)
        self.suffer(SOUND)

    def suffer(self, inside: Inside) -> None:
        """From now on so much is wrong inside, and no more."""
        self._deaf = inside.ailment == "deaf"

    def read(self, offset: int, cycle: int) -> int:
        """Byte last written to the register, 0 after power-on."""
        return self._bytes[offset]

    def write(self, offset: int, byte: int, cycle: int) -> None:
        """Keep the byte."""
        if not self._deaf:
            self._bytes[offset] = byte

    def requests(self, cycle: int) -> bool:
        """Never interrupts."""
        return False

    def reset(self) -> None:
        """Nobody said that it has one."""
