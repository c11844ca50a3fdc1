"""What should be on the board."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Literal, TypeVar

import numpy as np
import numpy.typing as npt

from bustrace.board.wires import Buffer, Decoder, Decoding, StateBit
from bustrace.capture.model import Note
from bustrace.cpu import variant_named

Known = TypeVar("Known", int, npt.NDArray[np.uint32])
Role = Literal["rom", "ram", "io", "logic", "cpu", "other"]
ROLES: tuple[Role, ...] = ("rom", "ram", "io", "logic", "cpu", "other")

N_ADDRESSES = 0x10000
WRITE, READ = 0, 1
"""First index of the tables of `AddressMap`: the level of R/W."""


@dataclass(frozen=True, slots=True, eq=False)
class Image:
    """One known content of a chip.

    Attributes
    ----------
    name : str
        The revision's name; the file's name without extension where none was given.
    path : str
        File, as given.
    content : uint8, shape (size,)
        Read-only.
    sha256 : str
        64 hex digits.
    crc32 : int
        As in IEEE 802.3.
    """

    name: str
    path: str
    content: npt.NDArray[np.uint8]
    sha256: str
    crc32: int

    def __post_init__(self) -> None:
        if self.content.dtype != np.uint8 or self.content.ndim != 1:
            raise TypeError("content must be one row of uint8")
        self.content.setflags(write=False)

    def __len__(self) -> int:
        return len(self.content)


@dataclass(frozen=True, slots=True)
class SelectLine:
    """A chip's select line, as a capture may name it.

    Attributes
    ----------
    name : str
        The file's name for it, else ``CS_REF``.
    aliases : tuple of str
        Other names to look for.
    active : int
        Level at which the chip is selected.
    with_phi2 : bool or None
        Active only while phase 2 is high; None when nobody said.
    pin : str or None
        Name of the chip's pin, where the file says.
    """

    name: str
    aliases: tuple[str, ...] = ()
    active: int = 0
    with_phi2: bool | None = None
    pin: str | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Chip:
    """One chip.

    Attributes
    ----------
    ref : str
        Reference on the board.
    part : str
        Part number, or ``custom``.
    role : str
        One of `ROLES`.
    socketed : bool or None
        False: soldered. None: nobody said.
    fitted : bool
        False: the socket is empty.
    size : int or None
        Bytes, or registers; None for chips outside the address map.
    base : int
        Address at which the chip's byte 0 appears, modulo its size.
    data_mask : int
        Data lines the chip drives, bits 0 to 7.
    images : tuple of Image
        Known contents, the expected one first; all of `size` bytes.
    selects : tuple of SelectLine
    pins : mapping of str to str
        Pins given in the file: line to pin.
    rails : mapping of str to tuple of str
        Supply pins given in the file: rail to pins.
    decoding : Decoding
    """

    ref: str
    part: str = "custom"
    role: Role = "other"
    socketed: bool | None = None
    fitted: bool = True
    size: int | None = None
    base: int = 0
    data_mask: int = 0xFF
    images: tuple[Image, ...] = ()
    selects: tuple[SelectLine, ...] = ()
    pins: Mapping[str, str] = field(default_factory=dict)
    rails: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    decoding: Decoding = field(default_factory=Decoding)


@dataclass(frozen=True, slots=True)
class Cpu:
    """The CPU: `part` as written, `variant` the family member it behaves like."""

    ref: str = "CPU"
    part: str = "6502"
    variant: str = "6502"
    socketed: bool | None = None


@dataclass(frozen=True, slots=True)
class ClipPlace:
    """A place on a net: a chip, and its pin where told."""

    ref: str
    pin: str | None = None

    def __str__(self) -> str:
        return self.ref if self.pin is None else f"{self.ref}.{self.pin}"


@dataclass(frozen=True, slots=True)
class Clip:
    """Where the analyser's clips sit.

    Attributes
    ----------
    default : ClipPlace
        For every line without a place of its own.
    places : mapping of str to ClipPlace
        Places of single lines.
    second : mapping of str to ClipPlace
        Where a line is clipped a second time.
    stated : bool
        False: nobody said, the CPU's pins are assumed.
    """

    default: ClipPlace
    places: Mapping[str, ClipPlace] = field(default_factory=dict)
    second: Mapping[str, ClipPlace] = field(default_factory=dict)
    stated: bool = False

    def place_of(self, line: str) -> ClipPlace:
        """Where the clip of a line sits."""
        return self.places.get(line, self.default)


@dataclass(frozen=True, slots=True)
class NormalHold:
    """A control line that a healthy board holds now and then.

    Attributes
    ----------
    line : str
    level : int
    description : str
        Why, in the file's words.
    cycles : int or None
        Longest normal hold; None for any length.
    """

    line: str
    level: int
    description: str = ""
    cycles: int | None = None


@dataclass(frozen=True, slots=True, eq=False)
class AddressMap:
    """Who answers, at every address. First index of pairs: 0 write, 1 read (the level of R/W).

    Attributes
    ----------
    chips : tuple of str
        References; bit i of the tables is ``chips[i]``.
    responds : uint32, shape (2, 65536)
        Chips that answer: drive the bus in a read, take the byte in a write. Only fitted chips.
    asserts : uint32, shape (2, 65536)
        Chips whose select line is active in the read window, fitted or not.
    asserts_known : uint32, shape (2, 65536)
        Where `asserts` is sure. A range says nothing of the select line in writes to a ROM,
        since nobody knows whether R/W takes part in the decoding.
    offsets : int32, shape (n_chips, 65536)
        Address within the chip; -1 where it answers neither reads nor writes.
    inner : int32, shape (n_chips, 65536)
        The same at every address: what the chip would answer with if it were selected there.
    described : bool, shape (65536,)
        The board file speaks of this address. Elsewhere a missing answer means nothing.
    data_masks : uint8, shape (n_chips,)
        Data lines each chip drives.

    Arrays are read-only.
    """

    chips: tuple[str, ...]
    responds: npt.NDArray[np.uint32]
    asserts: npt.NDArray[np.uint32]
    asserts_known: npt.NDArray[np.uint32]
    offsets: npt.NDArray[np.int32]
    inner: npt.NDArray[np.int32]
    described: npt.NDArray[np.bool_]
    data_masks: npt.NDArray[np.uint8]

    def __post_init__(self) -> None:
        n = len(self.chips)
        shapes = {
            "responds": (np.uint32, (2, N_ADDRESSES)),
            "asserts": (np.uint32, (2, N_ADDRESSES)),
            "asserts_known": (np.uint32, (2, N_ADDRESSES)),
            "offsets": (np.int32, (n, N_ADDRESSES)),
            "inner": (np.int32, (n, N_ADDRESSES)),
            "described": (np.bool_, (N_ADDRESSES,)),
            "data_masks": (np.uint8, (n,)),
        }
        for name, (dtype, shape) in shapes.items():
            column = getattr(self, name)
            if column.dtype != dtype or column.shape != shape:
                raise TypeError(f"{name} must be {np.dtype(dtype).name} of shape {shape}")
            column.setflags(write=False)

    def index(self, ref: str) -> int:
        """Bit of a chip.

        Raises
        ------
        KeyError
            The chip is not in the map.
        """
        try:
            return self.chips.index(ref)
        except ValueError:
            raise KeyError(ref) from None

    def map_at(
        self, addresses: npt.NDArray[np.uint32], rw: npt.NDArray[np.uint8] | int = READ
    ) -> npt.NDArray[np.uint32]:
        """Chips that answer, for each address and level of R/W: uint32 bits."""
        bits: npt.NDArray[np.uint32] = self.responds[rw, addresses]
        return bits

    def asserts_at(
        self, addresses: npt.NDArray[np.uint32], rw: npt.NDArray[np.uint8] | int = READ
    ) -> tuple[npt.NDArray[np.uint32], npt.NDArray[np.uint32]]:
        """Select lines that are active, and which of them are sure, for each address."""
        return self.asserts[rw, addresses], self.asserts_known[rw, addresses]

    def readers(self, ref: str) -> npt.NDArray[np.bool_]:
        """Addresses at which a chip answers reads: bool, shape (65536,)."""
        return self._column(self.responds[READ], ref)

    def takers(self, ref: str) -> npt.NDArray[np.bool_]:
        """Addresses at which a chip takes writes: bool, shape (65536,)."""
        return self._column(self.responds[WRITE], ref)

    def _column(self, bits: npt.NDArray[np.uint32], ref: str) -> npt.NDArray[np.bool_]:
        answers: npt.NDArray[np.bool_] = bits & np.uint32(1 << self.index(ref)) != 0
        return answers

    def doubled(self) -> npt.NDArray[np.bool_]:
        """Addresses where two chips drive the same data line in a read: bool, shape (65536,)."""
        driven = np.zeros(N_ADDRESSES, dtype=np.uint8)
        twice = np.zeros(N_ADDRESSES, dtype=np.bool_)
        for ref, mask in zip(self.chips, self.data_masks, strict=True):
            mine = np.where(self.readers(ref), mask, np.uint8(0))
            twice |= driven & mine != 0
            driven |= mine
        return twice

    def after_line_fault(
        self, and_mask: int, or_mask: int, *, decoder_only: bool = False
    ) -> AddressMap:
        """The map as the CPU meets it when address lines are stuck behind it.

        The chips see ``(address & and_mask) | or_mask``. With `decoder_only` only the selection
        does, while the chips' own address pins see the right address.
        """
        seen = np.arange(N_ADDRESSES, dtype=np.uint32) & np.uint32(and_mask & 0xFFFF)
        seen |= np.uint32(or_mask & 0xFFFF)
        inner = self.inner.copy() if decoder_only else self.inner[:, seen]
        return AddressMap(
            chips=self.chips,
            responds=self.responds[:, seen],
            asserts=self.asserts[:, seen],
            asserts_known=self.asserts_known[:, seen],
            offsets=np.where(self.offsets[:, seen] >= 0, inner, np.int32(-1)),
            inner=inner,
            described=self.described[seen],
            data_masks=self.data_masks.copy(),
        )


@dataclass(frozen=True, slots=True, eq=False)
class Board:
    """What should be there.

    Attributes
    ----------
    name : str
    source : str
        The file, as given; empty without one.
    complete : bool
        False: the map says nothing about addresses it does not list.
    cpu : Cpu
    clock_hz : Fraction or None
    chips : tuple of Chip
        The CPU first, then the others in the file's order.
    map : AddressMap
        Who answers after reset; bits that reset leaves alone are taken for 0.
    decoders : tuple of Decoder
    buffers : tuple of Buffer
    state_bits : tuple of StateBit
        What changes the map.
    banks : sequence of AddressMap or None
        The map of every value of the state bits; None without them.
    holds : tuple of NormalHold
    clip : Clip
    clock_from, reset_from : str or None
        Chip that makes the clock, the reset.
    irq_from, nmi_from : tuple of str
        Chips that can request the interrupt.
    priors : mapping of str to float
        How much likelier the board file takes faults of a family, or of a chip, by name.
    notes : tuple of Note
        What was assumed.
    """

    name: str
    source: str
    complete: bool
    cpu: Cpu
    clock_hz: Fraction | None
    chips: tuple[Chip, ...]
    map: AddressMap
    clip: Clip
    decoders: tuple[Decoder, ...] = ()
    buffers: tuple[Buffer, ...] = ()
    state_bits: tuple[StateBit, ...] = ()
    banks: Sequence[AddressMap] | None = None
    holds: tuple[NormalHold, ...] = ()
    clock_from: str | None = None
    reset_from: str | None = None
    irq_from: tuple[str, ...] = ()
    nmi_from: tuple[str, ...] = ()
    priors: Mapping[str, float] = field(default_factory=dict)
    notes: tuple[Note, ...] = ()

    @property
    def address_mask(self) -> int:
        """Address lines that the CPU has pins for, as bits 0 to 15."""
        return variant_named(self.cpu.variant).address_mask

    def shown_lines(self, known: Known) -> Known:
        """Known address lines as people are shown them: those the CPU has no pin for count as 0,
        so that a 28-pin CPU fetches its vector from $1FFC; where nothing is known, nothing is.
        """
        missing = ~self.address_mask & 0xFFFF
        if isinstance(known, int):
            return known | missing if known else 0
        return np.where(known != 0, known | np.uint32(missing), known)

    def has_pin(self, line: str) -> bool:
        """Whether the CPU has a pin for a line. The 6507 is the one 28-pin part whose control pins
        are told: RDY and RES alone (Rockwell R650X/R651X, page 2).
        """
        if line[:1] == "A" and line[1:].isdigit():
            return bool(self.address_mask >> int(line[1:]) & 1)
        return "6507" not in self.cpu.part or line not in ("SYNC", "IRQ", "NMI", "SO")

    def chip(self, ref: str) -> Chip:
        """A chip by reference, upper and lower case alike.

        Raises
        ------
        KeyError
            The board has no such chip.
        """
        for chip in self.chips:
            if chip.ref.casefold() == ref.casefold():
                return chip
        raise KeyError(ref)

    @property
    def maps(self) -> Sequence[AddressMap]:
        """The map of every state, bit i of the index being ``state_bits[i]``; without state bits
        `map` alone. Maps are made when asked for.
        """
        return (self.map,) if self.banks is None else self.banks

    @property
    def reset_state(self) -> int:
        """The state of `map`: its index in `maps`."""
        return sum((bit.reset or 0) << index for index, bit in enumerate(self.state_bits))

    def state_words(self, state: int) -> str:
        """``BANK = 1``: the state bits in words."""
        bits = enumerate(self.state_bits)
        return ", ".join(f"{bit.name} = {state >> index & 1}" for index, bit in bits)

    @property
    def mapped(self) -> tuple[Chip, ...]:
        """Chips of the address map, in the order of its bits."""
        return tuple(self.chip(ref) for ref in self.map.chips)

    def image_bytes(
        self, ref: str, image: int = 0, state: int | None = None
    ) -> npt.NDArray[np.int16]:
        """The byte that an image gives at each address: int16, shape (65536,), -1 for none.

        In the state after reset, or in another one.

        Raises
        ------
        KeyError
            The chip is not in the map.
        IndexError
            It has no such image.
        """
        content = self.chip(ref).images[image].content
        expected = np.full(N_ADDRESSES, -1, dtype=np.int16)
        table = self.map if state is None else self.maps[state]
        here = table.readers(ref)
        expected[here] = content[table.offsets[table.index(ref), here]]
        expected.setflags(write=False)
        return expected
