"""What a capture shows of its board, without a board file. Observed numbers; no words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from bustrace.board import Image

Ranges = tuple[tuple[int, int], ...]
"""Addresses, first and last of each range."""

Taken = Literal["rom", "ram", "io", "other"]
"""What a chip was taken for; ``other`` where the capture does not tell."""

Habit = Literal[
    "changing", "steady", "program", "written only", "kept", "not kept", "written before"
]
"""What addresses that nobody explains did: bytes that change though never written, always the
same byte, the same with opcode fetches, only writes, reads that gave what was written, reads that
did not, reads before the writes only."""


@dataclass(frozen=True, slots=True, eq=False)
class Touched:
    """What the bus did at each address, in settled cycles of the CPU outside reset.

    Arrays are read-only, of shape (65536,) and dtype int64 unless told otherwise.

    Attributes
    ----------
    reads, writes, fetches : number of cycles; `fetches` are the opcode fetches among the reads.
    byte : int16, the byte of the last read that was wholly known, -1 for none.
    steady : bool, all reads gave one byte.
    returned : reads that gave what was last written there.
    lost : reads that gave something else.
    """

    reads: npt.NDArray[np.int64]
    writes: npt.NDArray[np.int64]
    fetches: npt.NDArray[np.int64]
    byte: npt.NDArray[np.int16]
    steady: npt.NDArray[np.bool_]
    returned: npt.NDArray[np.int64]
    lost: npt.NDArray[np.int64]

    def __post_init__(self) -> None:
        for name in self.__dataclass_fields__:
            getattr(self, name).setflags(write=False)


@dataclass(frozen=True, slots=True)
class SelectSeen:
    """What a select line did.

    Attributes
    ----------
    line : str
        Its name in the capture.
    active_low : bool
    reads, writes : int
        Cycles in which it was asserted.
    addresses : int
        Distinct addresses of these.
    lowest, highest : int or None
        The ends of these; None where it was never asserted.
    elsewhere : int
        Cycles at other addresses; it was not asserted there.
    mixed : int
        Addresses at which it was asserted in some cycles only, of one direction.
    strays : int
        Cycles left out: asserted together with another select, at an address met once or twice.
    read_ranges, write_ranges : tuple of (first, last), or None
        The smallest aligned blocks that hold these addresses and none at which it stayed away.
        None: there are too many to be a decoding.
    both_ranges : tuple of (first, last), or None
        The same for reads and writes as one; None where R/W takes part in it.
    """

    line: str
    active_low: bool
    reads: int
    writes: int
    addresses: int
    lowest: int | None
    highest: int | None
    elsewhere: int
    mixed: int
    strays: int
    read_ranges: Ranges | None
    write_ranges: Ranges | None
    both_ranges: Ranges | None


@dataclass(frozen=True, slots=True)
class Placement:
    """An image laid at an address.

    Attributes
    ----------
    base : int
        Address of its first byte.
    matching, compared : int
        Distinct addresses read with the image's byte, of how many that were read there.
    """

    base: int
    matching: int
    compared: int


@dataclass(frozen=True, slots=True)
class ImageSeen:
    """A ROM image and where its bytes were read.

    Attributes
    ----------
    image : Image
    places : tuple of Placement
        Best first; further ones are mirrors. Empty where it matches nowhere.
    nearest : Placement or None
        Where it comes closest, for an image without a place.
    """

    @property
    def share(self) -> float:
        """Share of the addresses read at its best place that hold its bytes; 0 without a place."""
        if not self.places:
            return 0.0
        return self.places[0].matching / max(1, self.places[0].compared)

    image: Image
    places: tuple[Placement, ...]
    nearest: Placement | None


@dataclass(frozen=True, slots=True)
class MemorySeen:
    """How well written bytes came back.

    Attributes
    ----------
    returned, lost : int
        Reads that gave what was last written there, and that gave something else.
    addresses : int
        Distinct addresses with such a read.
    size : int
        Bytes: a power of two that the accesses allow.
    repeats : tuple of int
        Address lines above `size` that both levels were seen of: what is written under one is
        read under the other.
    """

    returned: int
    lost: int
    addresses: int
    size: int
    repeats: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class ChipSeen:
    """A chip that the capture gives reason to write down.

    Attributes
    ----------
    ref : str
        A reference that a board file allows.
    taken : str
        One of `Taken`.
    select : SelectSeen or None
        None: inferred from bytes alone.
    image : ImageSeen or None
    memory : MemorySeen or None
        None where nothing was read after a write.
    read_ranges, write_ranges : tuple of (first, last), or None
        Where it is drafted; None, None for a select that was never asserted or fits no decoding.
    steady, changing : int
        Of its addresses that were read more than once and never written: how many always gave one
        byte, and how many did not.
    fetches : int
        Opcode fetches from it.
    """

    ref: str
    taken: Taken
    select: SelectSeen | None
    image: ImageSeen | None
    memory: MemorySeen | None
    read_ranges: Ranges | None
    write_ranges: Ranges | None
    steady: int
    changing: int
    fetches: int


@dataclass(frozen=True, slots=True)
class Unexplained:
    """Addresses that no drafted chip holds.

    Attributes
    ----------
    first, last : int
        Lowest and highest of them; others between them may have been met or not.
    addresses, reads, writes : int
    habit : str
        One of `Habit`.
    """

    first: int
    last: int
    addresses: int
    reads: int
    writes: int
    habit: Habit


@dataclass(frozen=True, slots=True)
class Hold:
    """A control line that was held low: cycles in all, stretches, and the longest one."""

    line: str
    cycles: int
    stretches: int
    longest: int


@dataclass(frozen=True, slots=True, eq=False)
class BoardSeen:
    """Everything a draft of a board file can be made from.

    Attributes
    ----------
    cycles, used : int
        Bus cycles of the capture, and those that count here: the CPU's own, settled, outside
        reset, with address and R/W known.
    met : int
        Distinct addresses in these.
    reason : str or None
        Why nothing can be drafted.
    clock_hz : float or None
    missing_lines : tuple of str
        Address lines that were not captured. With any of them no chip is drafted.
    still_lines : tuple of (str, int)
        Address lines that never moved in the cycles used, with their level.
    other_cpu_pins : tuple of str
        Captured lines named like pins that the NMOS 6502 in 40 pins does not have.
    contradicted : tuple of (str, int)
        Lines at which the clip saw another level than the CPU meant, with the number of cycles.
    lost : int
        Cycles in which the program could not be followed.
    chips : tuple of ChipSeen
        Those with a select first, in the capture's order.
    images : tuple of ImageSeen
        All that were given, in their order. One that no chip holds was found nowhere, or lies over
        a better one.
    unexplained : tuple of Unexplained
    holds : tuple of Hold
    """

    cycles: int
    used: int
    met: int
    reason: str | None
    clock_hz: float | None
    missing_lines: tuple[str, ...] = ()
    still_lines: tuple[tuple[str, int], ...] = ()
    other_cpu_pins: tuple[str, ...] = ()
    contradicted: tuple[tuple[str, int], ...] = ()
    lost: int = 0
    chips: tuple[ChipSeen, ...] = ()
    images: tuple[ImageSeen, ...] = ()
    unexplained: tuple[Unexplained, ...] = ()
    holds: tuple[Hold, ...] = ()
