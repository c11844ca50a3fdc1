"""What is planted, in the form that a run needs, and what planting leaves to chance."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from bustrace.board.model import Board, Chip
from bustrace.drill.chips import Forgetting, Inside, Rows
from bustrace.drill.model import Join, select_name
from bustrace.drill.nets import Net
from bustrace.drill.planting import Planting
from bustrace.faults import Fault

BIT_ROT = 0.01
"""Share of a ROM's 0 bits that ``content`` faults turn to 1, as an EPROM that loses charge."""


@dataclass(frozen=True, slots=True, eq=False)
class Chances:
    """What planting leaves to chance, each thing from a stream of its own.

    So a fault leaves everything else as it was without it, and planted with others or alone it is
    the same.

    Attributes
    ----------
    seed : int
    rotten : mapping of chip reference to bytes
        What ROMs hold whose bits rot.
    """

    seed: int
    rotten: Mapping[str, bytes] = field(default_factory=dict)

    def stream(self, *names: str) -> np.random.Generator:
        """The stream of that name."""
        return np.random.default_rng([self.seed, 4, *"/".join(names).encode()])


def rotten_roms(
    board: Board, plantings: Sequence[Planting], rng: np.random.Generator
) -> dict[str, bytes]:
    """What ROMs hold whose bits rot, by reference."""
    wanted = {
        planting.fault.chips[0].casefold()
        for planting in plantings
        if planting.fault.family == "content" and planting.variant == "rot"
    }
    found = {}
    for chip in board.mapped:
        if chip.ref.casefold() in wanted and chip.images:
            content = chip.images[0].content.copy()
            rotten = rng.random((len(content), 8)) < BIT_ROT
            found[chip.ref] = (content | np.packbits(rotten, axis=1)[:, 0]).tobytes()
    return found


@dataclass(slots=True)
class InsideFaults:
    """What is planted inside one chip; `Inside` while it is being put together."""

    cells: dict[int, tuple[int, int]] = field(default_factory=dict)
    rows: list[Rows] = field(default_factory=list)
    plane: tuple[int, int] = (0xFF, 0x00)
    content: bytes | None = None
    forgetting: Forgetting | None = None
    ailment: str = ""

    def done(self) -> Inside:
        """For the chip."""
        return Inside(
            self.cells, tuple(self.rows), self.plane, self.content, self.forgetting, self.ailment
        )


@dataclass(slots=True)
class Planted:
    """Faults in the form the run needs. Chip sets are masks over ``board.map.chips``.

    Attributes
    ----------
    device_of : list of int
        By chip: whose inside answers in its place.
    address, reads, writes, rw : Net
    open_data, weak : dict of int to int
        By chip: data lines that do not reach it, data lines that it drives too weakly.
    silent, always, late, unheard : int
        Chips that never drive, always drive, drive too late, never get the bytes that are written.
    doubled : list of (int, int)
        Where the first answers, the other drives too.
    select_on, select_off, line_on, line_off : int
        Selects as the chips meet them, and as the clip does.
    held : dict of str to int
        Control lines held at a level.
    deaf : set of str
        Latches that no longer change their state bits.
    state_and, state_or : int
        State bits as their outputs show them are ``(bits & state_and) | state_or``.
    inside : dict of int to InsideFaults
    fights : str
        What two drivers that disagree make of a line: the ``low`` level, the ``high``, the
        ``stronger`` driver's, or a ``marginal`` one.
    joins : list of Join
        Lines that touch at the CPU.
    cpu : str
        ``opcode`` or ``flag`` where the CPU breaks its sheet, else empty.
    clock, reset : str or None
    clip_levels : dict of str to int
        Lines that never move at the clip.
    """

    device_of: list[int]
    address: Net = field(default_factory=lambda: Net(16))
    reads: Net = field(default_factory=lambda: Net(8))
    writes: Net = field(default_factory=lambda: Net(8))
    rw: Net = field(default_factory=lambda: Net(1))
    open_data: dict[int, int] = field(default_factory=dict)
    weak: dict[int, int] = field(default_factory=dict)
    silent: int = 0
    always: int = 0
    late: int = 0
    unheard: int = 0
    doubled: list[tuple[int, int]] = field(default_factory=list)
    select_on: int = 0
    select_off: int = 0
    line_on: int = 0
    line_off: int = 0
    held: dict[str, int] = field(default_factory=dict)
    deaf: set[str] = field(default_factory=set)
    state_and: int = 0xFFFF
    state_or: int = 0
    inside: dict[int, InsideFaults] = field(default_factory=dict)
    fights: str = "low"
    joins: list[Join] = field(default_factory=list)
    cpu: str = ""
    clock: str | None = None
    reset: str | None = None
    clip_levels: dict[str, int] = field(default_factory=dict)

    def inside_of(self, chip: int) -> InsideFaults:
        """What is planted inside a chip."""
        return self.inside.setdefault(chip, InsideFaults())


@dataclass(frozen=True, slots=True, eq=False)
class Plot:
    """One fault about to be planted, and what it may refer to."""

    board: Board
    planted: Planted
    planting: Planting
    chances: Chances

    @property
    def fault(self) -> Fault:
        """The fault."""
        return self.planting.fault

    @property
    def variant(self) -> str:
        """In which way it shows itself."""
        return self.planting.variant or ""

    def stream(self) -> np.random.Generator:
        """Chances of this fault's own."""
        return self.chances.stream(str(self.fault))

    def refuse(self, why: str) -> ValueError:
        """The fault cannot be planted."""
        return ValueError(f"{self.fault}: {why}")

    def bit(self, ref: str) -> int:
        """Bit of a chip in the address map."""
        for bit, name in enumerate(self.board.map.chips):
            if name.casefold() == ref.casefold():
                return bit
        raise self.refuse(f"{ref} is not in the address map of {self.board.name!r}")

    def chip(self, bit: int) -> Chip:
        """The chip of a bit."""
        return self.board.chip(self.board.map.chips[bit])

    def memory(self, ref: str, *roles: str) -> int:
        """Bit of a chip that has one of these roles."""
        bit = self.bit(ref)
        if self.chip(bit).role not in roles:
            raise self.refuse(f"{ref} is not a {' or '.join(roles)} chip")
        return bit

    def selected_by(self, line: str) -> int | None:
        """Bit of the chip whose select line has that name."""
        for bit, chip in enumerate(self.board.mapped):
            names = [select_name(chip.ref)]
            for select in chip.selects:
                names += [select.name, *select.aliases]
            if line.casefold() in (name.casefold() for name in names):
                return bit
        return None

    def place(self) -> str:
        """A named place, or ``chip:BIT`` for a chip's own pin."""
        place = self.fault.place or ""
        if place in ("clip", "cpu", "bus", "behind", "decoder", "read", "write"):
            return place
        if place.casefold() == self.board.cpu.ref.casefold():
            return "cpu"
        if place.casefold() in (decoder.ref.casefold() for decoder in self.board.decoders):
            return "decoder"
        return f"chip:{self.bit(place)}"
