"""Planted faults as what each layer of the bus makes of a level.

A net has stages. The CPU's pin and everything wired straight to it is *near*, which is also where
the clip sits; behind it comes *far*, then the decoder and each chip's own pin. Data flows both
ways: a write goes near, far, chip; a read chip, far, near.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from bustrace.board.model import Board, Chip
from bustrace.faults import SELECT, Fault

INPUT_FLOATS = 1
"""Level an open TTL or NMOS input acts as: it sits above the threshold (Fairchild AN-363)."""

ADDRESS = tuple(f"A{bit}" for bit in range(16))
DATA = tuple(f"D{bit}" for bit in range(8))
HELD_LINES = ("IRQ", "NMI", "RDY", "SO")
PROBED_ONLY = ("PHI2", "RES", "IRQ", "NMI", "RDY", "SO")
"""Lines of which only the probe's view can be stuck: their faults proper are held, clock, reset."""

_Table = npt.NDArray[np.uint16]
_Change = tuple[str, tuple[int, ...], int]


@dataclass(slots=True)
class Net:
    """Faults on a group of lines, by stage."""

    width: int
    stages: dict[str, list[_Change]] = field(default_factory=dict)

    def add(self, stage: str, kind: str, bits: Sequence[int], level: int = 0) -> None:
        """Note a fault: ``stuck`` at a level, or ``short`` of several bits."""
        self.stages.setdefault(stage, []).append((kind, tuple(bits), level))

    def table(self, *stages: str) -> _Table:
        """What comes out of the stages for each value that goes in: uint16, shape (2**width,).

        Joined lines take the lowest level of theirs: TTL and NMOS pull down harder than up. A
        level to which a line is tied wins over both.
        """
        value = np.arange(1 << self.width, dtype=np.uint16)
        for stage in stages:
            changes = self.stages.get(stage, ())
            for kind, bits, _ in changes:
                if kind == "short":
                    mask = np.uint16(sum(1 << bit for bit in bits))
                    value = np.where(value & mask == mask, value, value & ~mask)
            for kind, bits, level in changes:
                if kind == "stuck":
                    mask = np.uint16(1 << bits[0])
                    value = value | mask if level else value & ~mask
        return value


@dataclass(frozen=True, slots=True)
class Planted:
    """Faults in the form the run needs. Chip sets are masks over ``board.map.chips``.

    State bits as their outputs show them are ``(bits & state_and) | state_or``; the chips of `deaf`
    no longer change theirs.
    """

    address: Net
    reads: Net
    writes: Net
    rw: Net
    open_data: dict[int, int]
    silent: int
    always: int
    doubled: tuple[tuple[int, int], ...]
    device_of: tuple[int, ...]
    select_on: int
    select_off: int
    line_on: int
    line_off: int
    held: dict[str, int]
    deaf: frozenset[str]
    state_and: int
    state_or: int
    clock: str | None
    reset: str | None
    content: frozenset[int]
    cells: dict[int, dict[int, tuple[int, int]]]
    planes: dict[int, tuple[int, int]]
    clip_levels: dict[str, int]
    clip_shorts: tuple[tuple[str, ...], ...]


def plant(board: Board, faults: Iterable[Fault], rng: np.random.Generator) -> Planted:
    """Work out what the faults do to the bus.

    Raises
    ------
    ValueError
        A fault that is not simulated here, or that names something the board lacks.
    """
    planter = _Planter(board, rng)
    for fault in faults:
        planter.add(fault)
    return planter.finish()


def plants(board: Board, fault: Fault, rng: np.random.Generator) -> bool:
    """Whether a fault can be planted on a board."""
    try:
        _Planter(board, rng).add(fault)
    except ValueError:
        return False
    return True


def select_name(ref: str) -> str:
    """Name of a chip's select line in `BusRecord.clip_levels` and in captures."""
    return f"{SELECT}{ref}"


class _Planter:
    def __init__(self, board: Board, rng: np.random.Generator) -> None:
        self.board = board
        self.rng = rng
        self.address, self.rw = Net(16), Net(1)
        self.reads, self.writes = Net(8), Net(8)
        self.open_data: dict[int, int] = {}
        self.silent = self.always = 0
        self.select_on = self.select_off = self.line_on = self.line_off = 0
        self.doubled: list[tuple[int, int]] = []
        self.device_of = list(range(len(board.map.chips)))
        self.held: dict[str, int] = {}
        self.deaf: set[str] = set()
        self.state_and, self.state_or = 0xFFFF, 0
        self.clock: str | None = None
        self.reset: str | None = None
        self.content: set[int] = set()
        self.cells: dict[int, dict[int, tuple[int, int]]] = {}
        self.planes: dict[int, tuple[int, int]] = {}
        self.clip_levels: dict[str, int] = {}
        self.clip_shorts: list[tuple[str, ...]] = []

    def add(self, fault: Fault) -> None:
        handlers: dict[str, Callable[[Fault], None]] = {
            "stuck": self._stuck,
            "open": self._open,
            "short": self._short,
            "clip": self._clip,
            "held": self._held,
            "silent": self._silent,
            "always": self._always,
            "doubled": self._doubled,
            "swapped": self._swapped,
            "content": self._content,
            "cell": self._cell,
            "plane": self._plane,
            "register": self._register,
            "shared": self._shared,
            "clock": self._clock,
            "reset": self._reset,
        }
        if fault.family not in handlers:
            known = ", ".join(handlers)
            raise ValueError(f"{fault}: {fault.family} is not simulated here, only {known}")
        handlers[fault.family](fault)

    def finish(self) -> Planted:
        seen = self.address.table("near", "clip")
        for bit, line in enumerate(ADDRESS):
            self._note_constant(line, seen >> bit & 1)
        for bit, line in enumerate(DATA):
            both = [net.table("near", "clip") >> bit & 1 for net in (self.reads, self.writes)]
            self._note_constant(line, np.concatenate(both))
        self._note_constant("RW", self.rw.table("near", "clip"))
        return Planted(
            address=self.address,
            reads=self.reads,
            writes=self.writes,
            rw=self.rw,
            open_data=self.open_data,
            silent=self.silent,
            always=self.always,
            doubled=tuple(self.doubled),
            device_of=tuple(self.device_of),
            select_on=self.select_on,
            select_off=self.select_off,
            line_on=self.line_on,
            line_off=self.line_off,
            held=self.held,
            deaf=frozenset(self.deaf),
            state_and=self.state_and,
            state_or=self.state_or,
            clock=self.clock,
            reset=self.reset,
            content=frozenset(self.content),
            cells=self.cells,
            planes=self.planes,
            clip_levels=self.clip_levels,
            clip_shorts=tuple(self.clip_shorts),
        )

    def _note_constant(self, line: str, levels: npt.NDArray[np.integer[Any]]) -> None:
        if levels.min() == levels.max():
            self.clip_levels[line] = int(levels[0])

    # ---- what a fault names

    def _bit(self, ref: str, fault: Fault) -> int:
        """Bit of a chip in the address map."""
        for bit, name in enumerate(self.board.map.chips):
            if name.casefold() == ref.casefold():
                return bit
        raise ValueError(f"{fault}: {ref} is not in the address map of {self.board.name!r}")

    def _chip(self, bit: int) -> Chip:
        return self.board.chip(self.board.map.chips[bit])

    def _memory(self, fault: Fault, ref: str, *roles: str) -> int:
        bit = self._bit(ref, fault)
        if self._chip(bit).role not in roles:
            raise ValueError(f"{fault}: {ref} is not a {' or '.join(roles)} chip")
        return bit

    def _selected_by(self, line: str) -> int | None:
        """Bit of the chip whose select line has that name."""
        for bit, chip in enumerate(self.board.mapped):
            names = [select_name(chip.ref)]
            for select in chip.selects:
                names += [select.name, *select.aliases]
            if line.casefold() in (name.casefold() for name in names):
                return bit
        return None

    def _place(self, fault: Fault) -> str:
        """A named place, or ``chip:BIT`` for a chip's own pin."""
        place = fault.place or ""
        if place in ("clip", "cpu", "bus", "behind", "decoder", "read", "write"):
            return place
        if place.casefold() == self.board.cpu.ref.casefold():
            return "cpu"
        if place.casefold() in (decoder.ref.casefold() for decoder in self.board.decoders):
            return "decoder"
        return f"chip:{self._bit(place, fault)}"

    def _reject_place(self, fault: Fault) -> ValueError:
        return ValueError(f"{fault}: {fault.lines[0]} has no place {fault.place!r} in this bus")

    # ---- lines

    def _stages(self, fault: Fault, group: str, place: str) -> list[tuple[Net, str]]:
        """Nets and stages that a place touches."""
        one_way = self.address if group == "address" else self.rw
        if group != "data":
            stage = {
                "cpu": "near",
                "bus": "near",
                "clip": "clip",
                "behind": "far",
                "decoder": "decoder",
            }.get(place, place if place.startswith("chip:") else None)
            if stage is None:
                raise self._reject_place(fault)
            return [(one_way, stage)]
        read, write = self.reads, self.writes
        found = {
            "cpu": [(read, "near"), (write, "near")],
            "bus": [(read, "far"), (read, "near"), (write, "near"), (write, "far")],
            "clip": [(read, "clip"), (write, "clip")],
            "behind": [(read, "far"), (write, "far")],
            "read": [(read, "near")],
            "write": [(write, "far")],
        }.get(place, [(read, place), (write, place)] if place.startswith("chip:") else None)
        if found is None:
            raise self._reject_place(fault)
        return found

    def _stuck(self, fault: Fault) -> None:
        for index, state in enumerate(self.board.state_bits):
            if state.name.casefold() == fault.lines[0].casefold():
                self._stuck_state(fault, index)
                return
        line, place, level = fault.lines[0], self._place(fault), fault.level or 0
        group, bit = _group(line)
        if group is not None:
            for net, stage in self._stages(fault, group, place):
                net.add(stage, "stuck", [bit], level)
        elif line == "SYNC" and place in ("cpu", "bus", "clip"):
            self.clip_levels[line] = level
        elif line in PROBED_ONLY:
            if place != "clip":
                raise ValueError(
                    f"{fault}: {line} is stuck only @clip here; else held:, clock: or reset:"
                )
            self.clip_levels[line] = level
        else:
            self._stuck_select(fault, line, place, level)

    def _stuck_state(self, fault: Fault, index: int) -> None:
        if fault.place not in (self.board.state_bits[index].source or "decoder", "decoder"):
            raise self._reject_place(fault)
        self.state_and &= ~(1 << index)
        self.state_or |= (fault.level or 0) << index

    def _stuck_select(self, fault: Fault, line: str, place: str, level: int) -> None:
        chip = self._selected_by(line)
        if chip is None:
            raise ValueError(f"{fault}: the board has no line {line}")
        if place == "clip":
            self.clip_levels[select_name(self.board.map.chips[chip])] = level
            return
        if place not in ("bus", "behind", "decoder", f"chip:{chip}"):
            raise self._reject_place(fault)
        on = level == select_active(self._chip(chip))
        if on:
            self.select_on |= 1 << chip
        else:
            self.select_off |= 1 << chip
        if place in ("bus", "decoder"):
            self.clip_levels[select_name(self.board.map.chips[chip])] = level
            if on:
                self.line_on |= 1 << chip
            else:
                self.line_off |= 1 << chip

    def _open(self, fault: Fault) -> None:
        line, place = fault.lines[0], self._place(fault)
        if place in ("clip", "bus"):
            raise ValueError(
                f"{fault}: an open has a far side: behind, decoder, read, write or a chip"
                " (a lost probe is clip:)"
            )
        group, bit = _group(line)
        if group == "data":
            if place.startswith("chip:"):
                chip = int(place[5:])
                self.open_data[chip] = self.open_data.get(chip, 0) | 1 << bit
                self.writes.add(place, "stuck", [bit], INPUT_FLOATS)
                return
            sides = {"read": ["read"], "write": ["write"]}.get(place, ["read", "write"])
            if "read" in sides:
                self.reads.add("near", "stuck", [bit], INPUT_FLOATS)
            if "write" in sides:
                self.writes.add("far", "stuck", [bit], INPUT_FLOATS)
        elif group is not None:
            # The clip sits on the CPU's pin and still sees what the CPU drives there.
            behind = "behind" if place == "cpu" else place
            for net, stage in self._stages(fault, group, behind):
                net.add(stage, "stuck", [bit], INPUT_FLOATS)
        else:
            chip_bit = self._selected_by(line)
            if chip_bit is None or place != f"chip:{chip_bit}":
                raise ValueError(f"{fault}: an open of {line} at that place is not simulated")
            if select_active(self._chip(chip_bit)) == INPUT_FLOATS:
                self.select_on |= 1 << chip_bit
            else:
                self.select_off |= 1 << chip_bit

    def _short(self, fault: Fault) -> None:
        place = self._place(fault)
        groups = {_group(line)[0] for line in fault.lines}
        if len(groups) > 1 or None in groups or "rw" in groups:
            raise ValueError(
                f"{fault}: only shorts within the address lines or within D0 to D7 are simulated"
            )
        if place == "clip":
            raise ValueError(f"{fault}: a clip that joins two pins joins them for all: place bus")
        group = groups.pop() or ""
        bits = [_group(line)[1] for line in fault.lines]
        for net, stage in self._stages(fault, group, place):
            net.add(stage, "short", bits)
        if place in ("cpu", "bus"):
            self.clip_shorts.append(fault.lines)

    def _clip(self, fault: Fault) -> None:
        line = fault.lines[0]
        chip = self._selected_by(line)
        name = line if chip is None else select_name(self.board.map.chips[chip])
        if chip is None and _group(line)[0] is None and line not in ("SYNC", *PROBED_ONLY):
            raise ValueError(f"{fault}: the board has no line {line}")
        level = int(self.rng.integers(2))
        group, bit = _group(line)
        if group is not None:
            for net, stage in self._stages(fault, group, "clip"):
                net.add(stage, "stuck", [bit], level)
        self.clip_levels[name] = level

    def _held(self, fault: Fault) -> None:
        line = fault.lines[0]
        if line not in HELD_LINES:
            raise ValueError(f"{fault}: held lines are {', '.join(HELD_LINES)} here")
        self.held[line] = fault.level or 0

    # ---- chips

    def _silent(self, fault: Fault) -> None:
        self.silent |= 1 << self._bit(fault.chips[0], fault)

    def _always(self, fault: Fault) -> None:
        self.always |= 1 << self._bit(fault.chips[0], fault)

    def _doubled(self, fault: Fault) -> None:
        answers, joins = (self._bit(ref, fault) for ref in fault.chips)
        self.doubled.append((answers, joins))

    def _swapped(self, fault: Fault) -> None:
        one, other = (self._memory(fault, ref, "rom", "ram") for ref in fault.chips)
        self.device_of[one], self.device_of[other] = self.device_of[other], self.device_of[one]

    def _content(self, fault: Fault) -> None:
        self.content.add(self._memory(fault, fault.chips[0], "rom"))

    def _cell(self, fault: Fault) -> None:
        ref, offset_text, bit_text = (fault.chip or "").rsplit(".", 2)
        chip = self._memory(fault, ref, "rom", "ram")
        offset, mask = int(offset_text, 16), 1 << int(bit_text)
        if offset >= (self._chip(chip).size or 0):
            raise ValueError(f"{fault}: {ref} has no byte ${offset:04X}")
        cells = self.cells.setdefault(chip, {})
        low, high = cells.get(offset, (0xFF, 0x00))
        cells[offset] = (low & ~mask, high | mask) if fault.level else (low & ~mask, high & ~mask)

    def _plane(self, fault: Fault) -> None:
        ref, bit_text = (fault.chip or "").rsplit(".", 1)
        chip = self._memory(fault, ref, "rom", "ram")
        mask, (low, high) = 1 << int(bit_text), self.planes.get(chip, (0xFF, 0x00))
        # The fault's id names no level: an output that died sits at one of the two.
        self.planes[chip] = (low & ~mask, high | mask * int(self.rng.integers(2)))

    def _register(self, fault: Fault) -> None:
        held = {state.source for state in self.board.state_bits}
        ref = next((ref for ref in held if ref and ref.casefold() == fault.chips[0].casefold()), "")
        if not ref:
            raise ValueError(f"{fault}: only a latch that holds state bits is simulated")
        self.deaf.add(ref)

    def _shared(self, fault: Fault) -> None:
        rams = [bit for bit, chip in enumerate(self.board.mapped) if chip.role == "ram"]
        if fault.chip != "ram-bank" or not rams:
            raise ValueError(f"{fault}: only shared:ram-bank is simulated, on a board with RAM")
        for bit in rams:
            self.silent |= 1 << bit

    # ---- clock and reset

    def _clock(self, fault: Fault) -> None:
        self.clock = fault.chip

    def _reset(self, fault: Fault) -> None:
        self.reset = fault.chip


def select_active(chip: Chip) -> int:
    """Level at which a chip's select line selects it; low where the board does not say."""
    return chip.selects[0].active if chip.selects else 0


def _group(line: str) -> tuple[str | None, int]:
    if line in ADDRESS:
        return "address", ADDRESS.index(line)
    if line in DATA:
        return "data", DATA.index(line)
    if line == "RW":
        return "rw", 0
    return None, 0
