"""Wiring: nets, pins that enable, what makes a select, what stands in the path of a bus."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt


@dataclass(frozen=True, slots=True)
class Net:
    """What a pin is wired to.

    Attributes
    ----------
    kind : {"address", "rw", "phi2", "constant", "output", "state"}
    index : int
        Address bit, level of a constant, or number of a state bit.
    chip : str
        The decoder, for an output.
    name : str
        Name of the decoder's output, or of the state bit.
    inverted : bool
        The pin sees the opposite level.
    """

    kind: Literal["address", "rw", "phi2", "constant", "output", "state"]
    index: int = 0
    chip: str = ""
    name: str = ""
    inverted: bool = False

    def __str__(self) -> str:
        text = {
            "address": f"A{self.index}",
            "rw": "R/W",
            "phi2": "PHI2",
            "constant": "high" if self.index else "low",
            "output": f"{self.chip}.{self.name}",
            "state": self.name,
        }[self.kind]
        return f"!{text}" if self.inverted else text


@dataclass(frozen=True, slots=True)
class EnablePin:
    """One pin of a chip's whole enable.

    Attributes
    ----------
    name : str
        Name of the pin, without the sign for active low; empty where nobody said.
    active : int
        Level that enables.
    nets : tuple of Net
        What drives it. With several, as when two decoder outputs are combined onto one pin, the
        pin is active when any of them is at the active level.
    """

    name: str
    active: int
    nets: tuple[Net, ...]

    @property
    def gates(self) -> Literal["reads", "writes", "both"]:
        """What the pin decides by its name: an output enable lets the chip drive the bus, a write
        enable lets it take a byte, anything else does both (makers' names of memories' pins, from
        memory). On a latch, G without ``/`` is no output enable.
        """
        name = self.name.upper()
        if name in READ_PINS or (name == "G" and self.active == 0):
            return "reads"
        return "writes" if name in WRITE_PINS else "both"


READ_PINS = frozenset({"OE", "OEN", "RD", "RE"})
WRITE_PINS = frozenset({"WE", "WEN", "W", "WR"})
"""Names of output enables and of write enables."""


@dataclass(frozen=True, slots=True, eq=False)
class Output:
    """One output of a decoder, as a table over the nets it looks at.

    Attributes
    ----------
    name : str
        Name of the pin, without the sign for active low.
    active : int
        Level at which it selects.
    inputs : tuple of Net
        At most 16.
    table : bool, shape (2 ** len(inputs),)
        Level of the pin for every combination; ``inputs[0]`` is bit 0 of the index. Read-only.
    chips : tuple of str
        Chips it selects, where the decoder's table names them.
    """

    name: str
    active: int
    inputs: tuple[Net, ...]
    table: npt.NDArray[np.bool_]
    chips: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if self.table.dtype != np.bool_ or self.table.shape != (1 << len(self.inputs),):
            raise TypeError("table must be bool with one level for every combination of inputs")
        self.table.setflags(write=False)


@dataclass(frozen=True, slots=True, eq=False)
class Decoder:
    """A chip that makes selects: a 74x138, a 74x139, or logic by equations or a truth table.

    Attributes
    ----------
    ref : str
    kind : {"74x138", "74x139", "equations", "truth table"}
    outputs : tuple of Output
        Those that are wired or told.
    fitted : bool
    """

    ref: str
    kind: Literal["74x138", "74x139", "equations", "truth table"]
    outputs: tuple[Output, ...]
    fitted: bool = True

    def output(self, name: str) -> Output | None:
        """The output of that name, upper and lower case alike, or None."""
        return next((o for o in self.outputs if o.name.casefold() == name.casefold()), None)


@dataclass(frozen=True, slots=True)
class Buffer:
    """A chip in the path of bus lines.

    Attributes
    ----------
    ref : str
    lines : tuple of str
        Lines that pass through it, such as ``D0``.
    source : str
        The chip on the CPU's side: the CPU, or another buffer.
    to : tuple of str
        The chips behind it.
    enable : tuple of EnablePin
        It passes only while all of them are active.
    direction : Net or None
        High while levels pass towards the CPU; None for a buffer that only passes away from it.
    fitted : bool
    """

    ref: str
    lines: tuple[str, ...]
    source: str
    to: tuple[str, ...]
    enable: tuple[EnablePin, ...] = ()
    direction: Net | None = None
    fitted: bool = True

    @property
    def data_mask(self) -> int:
        """Data lines that pass through it."""
        return sum(1 << int(line[1:]) for line in self.lines if line in DATA_LINES)


DATA_LINES = tuple(f"D{bit}" for bit in range(8))


@dataclass(frozen=True, slots=True)
class StateBit:
    """One bit that changes who answers: of a bank latch, a switch, or the CPU's port.

    Exactly one of `write_ranges`, `set_ranges` with `clear_ranges`, and `port` is given.

    Attributes
    ----------
    name : str
    reset : int or None
        Value after reset; None when reset leaves it alone.
    source : str or None
        The chip that holds it.
    write_ranges : tuple of (first, last)
        A write here sets it to bit `data_bit` of the byte.
    data_bit : int
    set_ranges, clear_ranges : tuple of (first, last)
        An access here makes it 1, or 0, whatever the data.
    accesses : {"any", "read", "write"}
        Which accesses do.
    undecoded : int
        Mask of address lines that the ranges do not look at.
    port : int or None
        Bit of the CPU's own port: direction at $0000 (1 is output), levels at $0001. `reset` is
        the level the pin has as an input.
    """

    name: str
    reset: int | None = None
    source: str | None = None
    write_ranges: tuple[tuple[int, int], ...] = ()
    data_bit: int = 0
    set_ranges: tuple[tuple[int, int], ...] = ()
    clear_ranges: tuple[tuple[int, int], ...] = ()
    accesses: Literal["any", "read", "write"] = "any"
    undecoded: int = 0
    port: int | None = None


@dataclass(frozen=True, slots=True)
class Decoding:
    """When a chip is addressed: all that is given must hold.

    Attributes
    ----------
    read_ranges, write_ranges : tuple of (first, last)
        Addresses, last included; both empty when only the wiring decides.
    undecoded : int
        Mask of address lines that the ranges do not look at.
    enable : tuple of EnablePin
    select_pin : str or None
        The enable pin that the chip's select line is; None for the first.
    writes_stated : bool
        The file says that the chip is written (a ROM is not, otherwise).
    when : tuple of Net
        State bits that must all be 1 (an inverted net: 0).
    bank_lines : tuple of Net
        State bits on the chip's address pins above those the CPU drives, lowest first.
    """

    read_ranges: tuple[tuple[int, int], ...] = ()
    write_ranges: tuple[tuple[int, int], ...] = ()
    undecoded: int = 0
    enable: tuple[EnablePin, ...] = ()
    select_pin: str | None = None
    writes_stated: bool = False
    when: tuple[Net, ...] = ()
    bank_lines: tuple[Net, ...] = ()

    @property
    def by_range(self) -> bool:
        """Whether ranges were given."""
        return bool(self.read_ranges or self.write_ranges)

    @property
    def addressed(self) -> bool:
        """Whether anything at all was given: the chip is in the address map."""
        return self.by_range or bool(self.enable)
