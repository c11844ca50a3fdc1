"""What a run could have shown as well, had RAM held other bytes at power-on."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import numpy.typing as npt

from bustrace.board import READ
from bustrace.campaign.cases import Case
from bustrace.campaign.seen import Seen, differing, seen_on
from bustrace.drill import BusRecord, PowerOn
from bustrace.hookup import DATA_PINS

Held = dict[str, dict[int, int]]
"""Bytes at power-on, by chip and offset."""

_ROUNDS = 3
"""Runs that are tried: bytes that were read first change what the program does, and so what else
is read.
"""


def healthy_by_chance(case: Case, lines: Sequence[str], seen: Seen) -> bool:
    """Whether a healthy board gives a capture with other bytes in its RAM at power-on, another one
    in the register of an I/O chip at which the CPU stands in reset, and other levels on the data
    bus where nobody drives it. What shows no more than that shows no fault to anybody.

    Parameters
    ----------
    case : Case
    lines : sequence of str
        Captured lines.
    seen : uint64, shape (cycles,)
        `seen_on` of the run with the faults.
    """
    start = case.conditions.start
    data = sum(1 << place for place, line in enumerate(lines) if line in DATA_PINS)

    def differs(run: BusRecord, shown: Seen) -> bool:
        if len(shown) != len(seen):
            return True
        free = (run.drivers[start:] == 0) & (run.rw[start:] == READ)
        free |= _one_register_in_reset(run, bytes_of(lines, seen)[0], start)
        told = np.where(free, ~np.uint64(data), ~np.uint64(0))
        return bool(((shown ^ seen) & told).any())

    return _any_content(lambda held: case.run((), power_on=held), lines, seen, start, differs)


def _one_register_in_reset(
    run: BusRecord, shown: npt.NDArray[np.uint8], start: int
) -> npt.NDArray[np.bool_]:
    """Cycles in which the CPU stands in reset at an I/O chip's register, if that gives one byte in
    all of them: nobody knows a port's pins, nor what a register holds at power-on. Shape (cycles
    from `start`,).
    """
    address, drivers = run.cpu_address[start:], run.drivers[start:]
    io = sum(1 << bit for bit, ref in enumerate(run.chips) if run.board.chip(ref).role == "io")
    stands: npt.NDArray[np.bool_] = np.cumsum(address != address[0]) == 0
    stands &= (run.res[start] == 0) & (drivers != 0) & (drivers & ~np.uint32(io) == 0)
    one_byte = len(np.unique(shown[: len(stands)][stands])) == 1
    return stands & one_byte


def alike_by_chance(
    run_with: Callable[[PowerOn], BusRecord],
    lines: Sequence[str],
    seen: Seen,
    start: int,
) -> bool:
    """Whether a run gives a capture with some content of its RAM at power-on.

    Parameters
    ----------
    run_with : function of bytes at power-on to BusRecord
    lines, seen, start
        As for `seen_on`.
    """

    def differs(_: BusRecord, shown: Seen) -> bool:
        return bool(len(differing(shown, seen)))

    return _any_content(run_with, lines, seen, start, differs)


def _any_content(
    run_with: Callable[[PowerOn], BusRecord],
    lines: Sequence[str],
    seen: Seen,
    start: int,
    differs: Callable[[BusRecord, Seen], bool],
) -> bool:
    """Whether some content of RAM leaves no difference: it is taken from the capture itself, byte
    by byte where RAM is read before it was written.
    """
    held: Held = {}
    for _ in range(_ROUNDS):
        run = run_with(held)
        if not differs(run, seen_on(run, lines, start=start)):
            return True
        shown = _read_first(run, *bytes_of(lines, seen), start)
        if all(cells.items() <= held.get(ref, {}).items() for ref, cells in shown.items()):
            return False
        for ref, cells in shown.items():
            held.setdefault(ref, {}).update(cells)
    return False


def bytes_of(lines: Sequence[str], seen: Seen) -> tuple[npt.NDArray[np.uint8], int]:
    """The data bus as the capture has it, and the mask of its captured lines."""
    byte, mask = np.zeros(len(seen), dtype=np.uint8), 0
    for bit, pin in enumerate(DATA_PINS):
        if pin in lines:
            level = seen >> np.uint64(lines.index(pin)) & np.uint64(1)
            byte |= (level << np.uint64(bit)).astype(np.uint8)
            mask |= 1 << bit
    return byte, mask


def _read_first(run: BusRecord, byte: npt.NDArray[np.uint8], mask: int, start: int) -> Held:
    """Bytes of RAM that a run reads before it writes them, as a capture of it would have them."""
    board, held = run.board, Held()
    both = min(len(run), start + len(byte))
    reads = run.cpu_rw[:both] == READ
    for chip, ref in enumerate(board.map.chips):
        if board.chip(ref).role != "ram":
            continue
        given = reads & run.drives(ref)[:both]
        at = np.flatnonzero(given | ~reads & run.selected(ref)[:both])
        where = np.zeros(len(at), dtype=np.int64)
        for state in np.unique(run.state[at]).tolist():
            here = run.state[at] == state
            where[here] = board.maps[state].inner[chip, run.chip_address[at[here], chip]]
        _, first = np.unique(where, return_index=True)
        rows = at[first]
        known = given[rows] & (rows >= start)
        rows, cells = rows[known], where[first][known]
        lanes = mask & int(board.map.data_masks[chip])
        shown = (run.clip_data[rows] & ~np.uint8(lanes)) | (byte[rows - start] & np.uint8(lanes))
        if len(rows):
            held[ref] = dict(zip(cells.tolist(), shown.tolist(), strict=True))
    return held
