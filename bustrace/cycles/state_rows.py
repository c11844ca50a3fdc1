"""State mode: one row a cycle, and whether the analyser was clocked on the right edge."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from bustrace.board.model import Board
from bustrace.cycles.model import CONTROL_BIT, Cycles

_ENOUGH = 8


def wrong_edge(cycles: Cycles, board: Board | None) -> str | None:
    """Evidence that rows were taken on the wrong edge of the clock, or None.

    On the fall of phase 2 a row holds an address and the byte that belongs to it. On the rise
    the address is the same, but the bus still holds the byte of the cycle before: each byte
    stands one row late. Then

    - ROM reads match the image of the address one row up, not their own;
    - the address that an operand makes appears before the operand does;
    - the byte of nearly every write repeats the row above.

    Parameters
    ----------
    cycles : Cycles
        All rows. Nothing is told without whole addresses and data.
    board : Board or None
        ROM images.
    """
    if len(cycles) < 4 * _ENOUGH:
        return None
    if not ((cycles.address_known == 0xFFFF).all() and (cycles.data_known == 0xFF).all()):
        return None
    address, data = cycles.address.astype(np.int64), cycles.data.astype(np.int64)
    rw = np.uint16(1 << CONTROL_BIT["RW"])
    read = (cycles.control & rw) != 0 if (cycles.control_known & rw).all() else None
    return (
        _by_image(address, data, read, board)
        or _by_operand(address, data)
        or _by_writes(data, read)
    )


def _by_image(
    address: npt.NDArray[np.int64],
    data: npt.NDArray[np.int64],
    read: npt.NDArray[np.bool_] | None,
    board: Board | None,
) -> str | None:
    """Bytes that fit the ROM image one row up."""
    if board is None:
        return None
    expected = np.full(0x10000, -1, dtype=np.int64)
    for chip in board.mapped:
        if chip.role == "rom" and chip.images:
            image = board.image_bytes(chip.ref).astype(np.int64)
            expected = np.where(image >= 0, image, expected)
    wanted = expected[address]
    if read is not None:
        wanted = np.where(read, wanted, -1)
    # Rows whose byte would be the same either way say nothing.
    here, above = wanted[1:], wanted[:-1]
    telling = (here >= 0) & (above >= 0) & (here != above)
    n = int(np.count_nonzero(telling))
    own = int(np.count_nonzero(telling & (data[1:] == here)))
    late = int(np.count_nonzero(telling & (data[1:] == above)))
    if n >= 2 * _ENOUGH and late >= 0.8 * n and own <= 0.2 * n:
        return f"{late} of {n} ROM reads show the byte of the address one row up, {own} their own"
    return None


def _by_operand(address: npt.NDArray[np.int64], data: npt.NDArray[np.int64]) -> str | None:
    """Addresses that appear before the operand they come from."""
    a, d = address, data
    run = (a[2:-1] == a[1:-2] + 1) & (a[3:] != a[2:-1] + 1) & (a[3:] != a[2:-1])
    target = a[3:]
    own = run & (target == d[1:-2] + 256 * d[2:-1])
    late = run & (target == d[2:-1] + 256 * d[3:])
    telling = own != late
    n_own, n_late = (int(np.count_nonzero(x & telling)) for x in (own, late))
    targets = len(np.unique(target[late & telling]))
    if n_late >= _ENOUGH and n_late > 8 * n_own and targets >= 3:
        return (
            f"{n_late} addresses appear a row before the operand they come from, {n_own} after it"
        )
    return None


def _by_writes(data: npt.NDArray[np.int64], read: npt.NDArray[np.bool_] | None) -> str | None:
    """Writes that only repeat the byte of the row above."""
    if read is None:
        return None
    writes = np.flatnonzero(~read[1:]) + 1
    if len(writes) < 4 * _ENOUGH or len(np.unique(data[writes])) < _ENOUGH:
        return None
    repeats = int(np.count_nonzero(data[writes] == data[writes - 1]))
    if repeats >= 0.97 * len(writes):
        return f"{repeats} of {len(writes)} writes show the byte of the row above"
    return None
