"""State bits: the map of every state, and which state the board was in.

A bank latch, a switch or a CPU port changes who answers. `Board.map` is the map after reset,
``Board.maps[state]`` that of any state, bit i of the number being ``Board.state_bits[i]``.

From bus cycles to select lines that were to be expected::

    state, known = state_of(board, address, rw, data, in_reset=in_reset)
    answers = answers_in(board, address, rw, state, known)

A bit that is not known makes an answer unknown: `Answers.responds_known` and `asserts_known` hold
only what all states agree on that are possible.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import overload

import numpy as np
import numpy.typing as npt

from bustrace.board.address_map import build_map, covered, states_of_chip
from bustrace.board.model import N_ADDRESSES, READ, WRITE, AddressMap, Board, Chip
from bustrace.board.values import TOP
from bustrace.board.wires import Buffer, Decoder, StateBit

MAX_STATE_BITS = 8
"""State bits of one board: 256 maps."""

MAPS_KEPT = 8
"""Maps kept at a time; each takes some megabytes and milliseconds to make again."""

MAX_MASKS = 64
"""Different sets of known address lines that are looked at exactly; in cycles with rarer ones a
bit counts as perhaps changed."""

Bools = npt.NDArray[np.bool_]


class StateMaps(Sequence[AddressMap]):
    """The map of every state, made when asked for.

    Parameters
    ----------
    first : AddressMap
        Map of the state `first_state`.
    first_state : int
    n_bits : int
        State bits of the board.
    chips, decoders, buffers, complete
        As for `build_map`.
    """

    def __init__(
        self,
        first: AddressMap,
        first_state: int,
        n_bits: int,
        chips: Sequence[Chip],
        decoders: Sequence[Decoder],
        buffers: Sequence[Buffer],
        complete: bool,
    ) -> None:
        self._len = 1 << n_bits
        self._made = (chips, decoders, complete)
        self._buffers = buffers
        masks = [states_of_chip(c, decoders, buffers) for c in chips if c.decoding.addressed]
        self._matters = int(np.bitwise_or.reduce(masks)) if masks else 0
        self._first = (first_state & self._matters, first)
        self._kept: OrderedDict[int, AddressMap] = OrderedDict()

    def __len__(self) -> int:
        return self._len

    @overload
    def __getitem__(self, index: int) -> AddressMap: ...
    @overload
    def __getitem__(self, index: slice) -> tuple[AddressMap, ...]: ...
    def __getitem__(self, index: int | slice) -> AddressMap | tuple[AddressMap, ...]:
        if isinstance(index, slice):
            return tuple(self[i] for i in range(*index.indices(self._len)))
        if not -self._len <= index < self._len:
            raise IndexError(f"the board has {self._len} states")
        return self._map(index % self._len & self._matters)

    def _map(self, state: int) -> AddressMap:
        if state == self._first[0]:
            return self._first[1]
        if state not in self._kept:
            self._kept[state] = self._build(state)
        self._kept.move_to_end(state)
        if len(self._kept) > MAPS_KEPT:
            self._kept.popitem(last=False)
        return self._kept[state]

    def _build(self, state: int) -> AddressMap:
        chips, decoders, complete = self._made
        return build_map(chips, decoders, complete, buffers=self._buffers, state=state)


def state_of(
    board: Board,
    address: npt.NDArray[np.uint32],
    rw: npt.NDArray[np.uint8],
    data: npt.NDArray[np.uint8],
    *,
    address_known: npt.NDArray[np.uint32] | None = None,
    rw_known: Bools | None = None,
    data_known: npt.NDArray[np.uint8] | None = None,
    in_reset: Bools | None = None,
) -> tuple[npt.NDArray[np.uint16], npt.NDArray[np.uint16]]:
    """Replay the state bits over bus cycles.

    A bit is not known before reset or what sets it was seen, and after a cycle that may have set
    it to something that is not known.

    Parameters
    ----------
    board : Board
    address, address_known : uint32, shape (n,)
        Address of each cycle and mask of its lines that are known; all by default. Lines that the
        CPU does not have need not be known.
    rw, rw_known : uint8 and bool, shape (n,)
        1 for a read.
    data, data_known : uint8, shape (n,)
        Byte, and mask of its known bits. For a CPU port give what the CPU meant to write to $0000
        and $0001: the bus does not show it.
    in_reset : bool, shape (n,)
        Reset holds in the cycle. Without it nothing is known until the bits are set.

    Returns
    -------
    state, known : uint16, shape (n,)
        Bit i is ``board.state_bits[i]``, as it is during the cycle: what the cycle itself sets
        shows in the next one. Unknown bits are 0.

    Raises
    ------
    ValueError
        Columns of different lengths.
    """
    n = len(address)
    seen = _Bus(
        address,
        np.full(n, TOP, np.uint32) if address_known is None else address_known,
        rw,
        np.ones(n, np.bool_) if rw_known is None else rw_known,
        data,
        np.full(n, 0xFF, np.uint8) if data_known is None else data_known,
        np.zeros(n, np.bool_) if in_reset is None else in_reset,
    )
    state, known = np.zeros(n, np.uint16), np.zeros(n, np.uint16)
    for index, bit in enumerate(board.state_bits):
        level, sure = _port(seen, bit) if bit.port is not None else _latch(seen, bit)
        state |= (level & sure).astype(np.uint16) << np.uint16(index)
        known |= sure.astype(np.uint16) << np.uint16(index)
    return state, known


@dataclass(frozen=True, slots=True, eq=False)
class _Bus:
    address: npt.NDArray[np.uint32]
    address_known: npt.NDArray[np.uint32]
    rw: npt.NDArray[np.uint8]
    rw_known: Bools
    data: npt.NDArray[np.uint8]
    data_known: npt.NDArray[np.uint8]
    in_reset: Bools

    def __post_init__(self) -> None:
        lengths = {len(getattr(self, name)) for name in self.__slots__}
        if len(lengths) != 1:
            raise ValueError(f"columns of different lengths: {sorted(lengths)}")

    def meets(
        self, ranges: Sequence[tuple[int, int]], undecoded: int, direction: int | None
    ) -> tuple[Bools, Bools]:
        """Cycles that surely, and that perhaps, are accesses in the ranges."""
        surely, perhaps = self._at(covered(ranges, undecoded))
        if direction is not None:
            surely &= self.rw_known & (self.rw == direction)
            perhaps &= ~self.rw_known | (self.rw == direction)
        return surely, perhaps

    def _at(self, inside: Bools) -> tuple[Bools, Bools]:
        n = len(self.address)
        surely, perhaps = np.zeros(n, np.bool_), np.ones(n, np.bool_)
        known = self.address_known & np.uint32(TOP)
        masks, counts = np.unique(known, return_counts=True)
        addresses = np.arange(N_ADDRESSES, dtype=np.uint32)
        for mask in masks[np.argsort(-counts, kind="stable")][:MAX_MASKS]:
            rows = known == mask
            looks = self.address[rows] & mask
            could, could_not = np.zeros(N_ADDRESSES, np.bool_), np.zeros(N_ADDRESSES, np.bool_)
            could[addresses[inside] & mask] = True
            could_not[addresses[~inside] & mask] = True
            surely[rows] = could[looks] & ~could_not[looks]
            perhaps[rows] = could[looks]
        return surely, perhaps

    def bit(self, number: int) -> tuple[Bools, Bools]:
        """One data line: level, and where it is known."""
        shift = np.uint8(number)
        return (self.data >> shift) & 1 == 1, (self.data_known >> shift) & 1 == 1


def _latch(bus: _Bus, bit: StateBit) -> tuple[Bools, Bools]:
    n = len(bus.address)
    if bit.write_ranges:
        surely, perhaps = bus.meets(bit.write_ranges, bit.undecoded, WRITE)
        level, level_known = bus.bit(bit.data_bit)
    else:
        direction = {"any": None, "read": READ, "write": WRITE}[bit.accesses]
        sets, perhaps_sets = bus.meets(bit.set_ranges, bit.undecoded, direction)
        clears, perhaps_clears = bus.meets(bit.clear_ranges, bit.undecoded, direction)
        # The two overlap only when the file says so; then nobody knows which wins.
        surely = sets ^ clears
        perhaps = perhaps_sets | perhaps_clears
        level, level_known = sets, np.ones(n, np.bool_)
    return _held(bus, bit.reset, surely, perhaps, level, level_known)


def _port(bus: _Bus, bit: StateBit) -> tuple[Bools, Bools]:
    """A pin of the CPU's port: what is written while it is an output, else what the board pulls
    it to. Reset makes it an input.
    """
    number = bit.port or 0
    columns = []
    for address, reset in ((0x0000, 0), (0x0001, None)):
        surely, perhaps = bus.meets([(address, address)], 0, WRITE)
        columns.append(_held(bus, reset, surely, perhaps, *bus.bit(number)))
    (output, output_known), (level, level_known) = columns
    pulled, pulled_known = bool(bit.reset), bit.reset is not None
    same = level_known & pulled_known & (level == pulled)
    known = np.where(output, level_known, pulled_known)
    return np.where(output & output_known, level, pulled), np.where(output_known, known, same)


def _held(
    bus: _Bus, reset: int | None, surely: Bools, perhaps: Bools, level: Bools, level_known: Bools
) -> tuple[Bools, Bools]:
    """Level in each cycle of a bit that keeps what was last written to it."""
    n = len(surely)
    event = perhaps.copy()
    value, value_known = level.copy(), surely & level_known
    if reset is not None:
        event |= bus.in_reset
        value[bus.in_reset], value_known[bus.in_reset] = bool(reset), True
    last = np.where(event, np.arange(n), -1)
    last = np.maximum.accumulate(last) if n else last
    before = np.concatenate([[-1], last[:-1]])[:n]
    held, known = value[before], value_known[before] & (before >= 0)
    if reset is not None:
        # Reset holds at once.
        held[bus.in_reset], known[bus.in_reset] = bool(reset), True
    return held, known


@dataclass(frozen=True, slots=True, eq=False)
class Answers:
    """Who was to answer in each cycle; bit i is ``board.map.chips[i]``.

    Attributes
    ----------
    responds, responds_known : uint32, shape (n,)
        Chips that answer, and where that is the same in all states that are possible.
    asserts, asserts_known : uint32, shape (n,)
        Select lines that are active, and where that is sure.
    """

    responds: npt.NDArray[np.uint32]
    responds_known: npt.NDArray[np.uint32]
    asserts: npt.NDArray[np.uint32]
    asserts_known: npt.NDArray[np.uint32]


def answers_in(
    board: Board,
    address: npt.NDArray[np.uint32],
    rw: npt.NDArray[np.uint8],
    state: npt.NDArray[np.uint16],
    known: npt.NDArray[np.uint16],
) -> Answers:
    """Who was to answer, given what is known of the state bits.

    Parameters
    ----------
    board : Board
    address : uint32, shape (n,)
        All lines known.
    rw : uint8, shape (n,)
    state, known : uint16, shape (n,)
        From `state_of`.
    """
    n = len(address)
    shape = (3, n)
    every, some = np.full(shape, 0xFFFFFFFF, np.uint32), np.zeros(shape, np.uint32)
    for number in range(len(board.maps)):
        rows = (np.uint16(number) ^ state) & known == 0
        if rows.any():
            table = board.maps[number]
            place = rw[rows], address[rows]
            found = np.stack([column[place] for column in _columns(table)])
            every[:, rows] &= found
            some[:, rows] |= found
    agreed = ~(every ^ some)
    return Answers(every[0], agreed[0], every[1], every[2] & agreed[1])


def _columns(table: AddressMap) -> tuple[npt.NDArray[np.uint32], ...]:
    return table.responds, table.asserts, table.asserts_known
