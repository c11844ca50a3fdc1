"""The tables of one set of acting faults: what each layer of the bus makes of an address."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bustrace.board.model import READ, WRITE, AddressMap, Board
from bustrace.drill.nets import group_of_line
from bustrace.drill.planted import Planted

ALL = 0xFFFFFFFF


@dataclass(frozen=True, slots=True)
class Bank:
    """What one value of the state bits makes of addresses.

    Attributes
    ----------
    answering : list of two sequences of int
        By R/W and address: chips whose select pin is active, as masks.
    inner : list of sequences of int
        By chip and address: address within the chip.
    """

    answering: list[Sequence[int]]
    inner: list[Sequence[int]]


class Layout:
    """Tables from the CPU's address, R/W and data to what each layer meets."""

    def __init__(self, board: Board, planted: Planted) -> None:
        self.board = board
        self.planted = planted
        address, rw = planted.address.table, planted.rw
        self.bits = range(len(board.map.chips))
        self.clip = address("near", "clip")
        self.decoder = address("near", "far", "decoder")
        self.at_chip = [address("near", "far", f"chip:{bit}") for bit in self.bits]
        self.rw_clip = rw.table("near", "clip").astype(np.uint8)
        self.rw_decoder = rw.table("near", "far", "decoder").tolist()
        self.rw_chip = [rw.table("near", "far", f"chip:{bit}").tolist() for bit in self.bits]
        self._lay_data()
        present = readable = 0
        for bit, chip in enumerate(board.mapped):
            present |= chip.fitted << bit
            readable |= any(table.readers(chip.ref).any() for table in board.maps) << bit
        self.unsteady = planted.late | sum(1 << bit for bit in planted.weak)
        self.present, self.readable = present, readable & present
        # Joins within one bus are in its tables; those across are settled cycle by cycle.
        self.across = [
            join
            for join in planted.joins
            if len({group_of_line(line)[0] or line for line in join.lines}) > 1
        ]
        self._banks: dict[int, Bank] = {}
        self._roles: dict[tuple[int, int], tuple[list[int], list[int]]] = {}

    def _lay_data(self) -> None:
        reads, writes = self.planted.reads, self.planted.writes
        self.read_far, self.read_near = (reads.table(s).tolist() for s in ("far", "near"))
        self.write_near, self.write_far = (writes.table(s).tolist() for s in ("near", "far"))
        self.into = [writes.table(f"chip:{bit}").tolist() for bit in self.bits]
        self.out_of = [reads.table(f"chip:{bit}").tolist() for bit in self.bits]
        self.masks = [
            int(mask) & ~self.planted.open_data.get(bit, 0)
            for bit, mask in enumerate(self.board.map.data_masks)
        ]
        self.data_clip = reads.table("clip").astype(np.uint8)

    def bank(self, state: int) -> Bank:
        """The tables of one state, made when it first comes up."""
        if state not in self._banks:
            tables = self.board.maps[state]
            # Views, since a short run looks at few of the 65,536 places of each.
            inner: list[Sequence[int]] = [
                memoryview(tables.inner[bit][where]) for bit, where in enumerate(self.at_chip)
            ]
            self._banks[state] = Bank([self._answering(tables, rw) for rw in (WRITE, READ)], inner)
        return self._banks[state]

    def _answering(self, tables: AddressMap, rw: int) -> Sequence[int]:
        """Chips whose select pin is active, for each address of the CPU: masks."""
        planted = self.planted
        selected = tables.responds[self.rw_decoder[rw]][self.decoder]
        selected = (selected | np.uint32(planted.select_on)) & np.uint32(~planted.select_off & ALL)
        return memoryview(selected & np.uint32(self.present))

    def roles(self, cpu_rw: int, answering: int) -> tuple[list[int], list[int]]:
        """Bits of the chips that drive, and of those that take the byte, in such a cycle."""
        key = (cpu_rw, answering)
        if key not in self._roles:
            planted, joins = self.planted, 0
            for first, other in planted.doubled:
                joins |= (answering >> first & 1) << other
            drives = (answering | joins | planted.always) & self.readable & ~planted.silent
            takes = answering & ~planted.unheard
            reads = [bool(self.rw_chip[bit][cpu_rw]) for bit in self.bits]
            self._roles[key] = (
                [bit for bit in self.bits if reads[bit] and drives >> bit & 1],
                [bit for bit in self.bits if not reads[bit] and takes >> bit & 1],
            )
        return self._roles[key]

    def select_lines(
        self,
        address: npt.NDArray[np.uint16],
        rw: npt.NDArray[np.uint8],
        states: npt.NDArray[np.uint16],
    ) -> npt.NDArray[np.uint32]:
        """Chips whose select line is active at the clip, in every cycle."""
        planted = self.planted
        at_decoder = np.array(self.rw_decoder, dtype=np.uint8)[rw]
        active = np.zeros(len(address), np.uint32)
        for state in np.unique(states).tolist():
            rows = states == state
            asserts = self.board.maps[state].asserts
            active[rows] = asserts[at_decoder[rows], self.decoder[address[rows]]]
        for first, other in planted.doubled:
            joins = (active >> np.uint32(first) & 1) * rw
            active = active | joins.astype(np.uint32) << np.uint32(other)
        return (active | np.uint32(planted.line_on)) & np.uint32(~planted.line_off & ALL)

    def chip_addresses(self, address: npt.NDArray[np.uint16]) -> npt.NDArray[np.uint16]:
        """The address at each chip: uint16, shape (n, chips)."""
        if not self.at_chip:
            return np.empty((len(address), 0), np.uint16)
        return np.stack([table[address] for table in self.at_chip], axis=1)
