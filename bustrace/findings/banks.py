"""Who answers in every state of the board, folded small, and what changes the state.

A map of one state has some megabytes. Here the answers at an address are a row, and rows that are
alike are kept once: each state then costs one row number an address.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bustrace.board import READ, WRITE, AddressMap, Board, StateBit
from bustrace.board.address_map import covered, states_of_chip
from bustrace.board.model import N_ADDRESSES

DIFFERS = -1
"""In `Banks.same`: the states do not agree on the address."""


@dataclass(frozen=True, slots=True, eq=False)
class Banks:
    """The maps of a board, one for each value of the state bits that its decoding looks at.

    Attributes
    ----------
    states : int32, shape (maps,)
        State of each map; bits that do not matter are 0. The first is the one after reset.
    map_of : int16, shape (states of the board,)
        Map of every state.
    matters : int
        Mask of the state bits that change the map.
    rows : int32, shape (maps, 65536)
        Row of the tables below at each address.
    responds, asserts, asserts_known : uint32, shape (rows, 2)
        As in `AddressMap`, for writes and reads.
    described : bool, shape (rows,)
    inner : int32, shape (chips, 65536)
        Address inside the chip with its bank lines as in the first map.
    page : int64, shape (maps, chips)
        What the bank lines of each map add to that.
    same : int32, shape (65536,)
        The row at each address where all maps agree, else `DIFFERS`.
    changes : int32, shape (3, 2, 65536)
        State bits that a write or read at an address sets to a data bit, to 0, to 1.
    data_bits : int32, shape (state bits,)
        Which data bit each takes.
    ports : int
        Mask of the state bits that are the CPU's own port.
    resets : int
        Mask of those that reset sets.
    """

    states: npt.NDArray[np.int32]
    map_of: npt.NDArray[np.int16]
    matters: int
    rows: npt.NDArray[np.int32]
    responds: npt.NDArray[np.uint32]
    asserts: npt.NDArray[np.uint32]
    asserts_known: npt.NDArray[np.uint32]
    described: npt.NDArray[np.bool_]
    inner: npt.NDArray[np.int32]
    page: npt.NDArray[np.int64]
    same: npt.NDArray[np.int32]
    changes: npt.NDArray[np.int32]
    data_bits: npt.NDArray[np.int32]
    ports: int
    resets: int


def fold_banks(board: Board) -> Banks:
    """Fold the maps of a board; one map in memory at a time."""
    matters = 0
    for chip in board.mapped:
        matters |= states_of_chip(chip, board.decoders, board.buffers)
    n_states = len(board.maps)
    reset = board.reset_state & matters
    states = [reset, *(s for s in range(n_states) if s & ~matters == 0 and s != reset)]
    numbers: dict[bytes, int] = {}
    rows = np.empty((len(states), N_ADDRESSES), dtype=np.int32)
    page = np.zeros((len(states), len(board.map.chips)), dtype=np.int64)
    for index, state in enumerate(states):
        table = board.maps[state]
        rows[index] = _numbered(table, numbers)
        page[index] = table.inner[:, 0].astype(np.int64) - board.maps[reset].inner[:, 0]
    folded = np.frombuffer(b"".join(numbers), dtype=np.uint32).reshape(-1, 7)
    map_of = np.zeros(n_states, dtype=np.int16)
    for index, state in enumerate(states):
        map_of[(np.arange(n_states) & matters) == state] = index
    changes, data_bits = _changes(board.state_bits)
    return Banks(
        states=np.array(states, dtype=np.int32),
        map_of=map_of,
        matters=matters,
        rows=rows,
        responds=folded[:, 0:2].copy(),
        asserts=folded[:, 2:4].copy(),
        asserts_known=folded[:, 4:6].copy(),
        described=folded[:, 6] != 0,
        inner=board.map.inner,
        page=page,
        same=_agreed(rows, page, folded),
        changes=changes,
        data_bits=data_bits,
        ports=sum(1 << i for i, bit in enumerate(board.state_bits) if bit.port is not None),
        resets=sum(1 << i for i, bit in enumerate(board.state_bits) if bit.reset is not None),
    )


def _numbered(table: AddressMap, numbers: dict[bytes, int]) -> npt.NDArray[np.int32]:
    """Row number at each address; new rows are added to `numbers`."""
    columns = np.stack(
        [*table.responds, *table.asserts, *table.asserts_known, table.described.astype(np.uint32)],
        axis=1,
    )
    starts = np.flatnonzero(np.any(columns[1:] != columns[:-1], axis=1)) + 1
    starts = np.concatenate([[0], starts])
    run = [numbers.setdefault(columns[at].tobytes(), len(numbers)) for at in starts]
    lengths = np.diff(np.append(starts, N_ADDRESSES))
    return np.repeat(np.array(run, dtype=np.int32), lengths)


def _agreed(
    rows: npt.NDArray[np.int32], page: npt.NDArray[np.int64], folded: npt.NDArray[np.uint32]
) -> npt.NDArray[np.int32]:
    turning = np.uint32(sum(1 << int(c) for c in np.flatnonzero((page != page[0]).any(axis=0))))
    same = (rows == rows[0]).all(axis=0)
    same &= (folded[rows[0], 0] | folded[rows[0], 1]) & turning == 0
    return np.where(same, rows[0], np.int32(DIFFERS)).astype(np.int32)


def _changes(
    bits: tuple[StateBit, ...],
) -> tuple[npt.NDArray[np.int32], npt.NDArray[np.int32]]:
    changes = np.zeros((3, 2, N_ADDRESSES), dtype=np.int32)
    for index, bit in enumerate(bits):
        mask = np.int32(1 << index)
        by_data = covered(bit.write_ranges, bit.undecoded)
        changes[0, WRITE, by_data] |= mask
        for row, ranges in ((1, bit.clear_ranges), (2, bit.set_ranges)):
            here = covered(ranges, bit.undecoded)
            for rw in (WRITE, READ):
                if bit.accesses in ("any", "read" if rw == READ else "write"):
                    changes[row, rw, here] |= mask
    return changes, np.array([bit.data_bit for bit in bits], dtype=np.int32)
