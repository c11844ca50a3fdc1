"""Bus cycles as a table: one row a cycle, as an analyser clocked by phase 2 writes it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import numpy.typing as npt

from bustrace.board.model import Board
from bustrace.capture.csv_writer import quoted
from bustrace.capture.whole_file import whole_file
from bustrace.cycles.model import CONTROL, CONTROL_BIT, Cycles

_ROWS_AT_ONCE = 1 << 14
_REMARK = "# One row a bus cycle, levels as phase 2 fell; $ marks hex, x is unknown.\n"


def write_state_table(cycles: Cycles, path: str | Path, *, board: Board | None = None) -> None:
    """Write cycles as delimited text, whole or not at all.

    The columns are the time (where the cycles have times of their own), the cycle's number, the
    buses, the control pins and the selects (``CS_`` and the chip's reference, at the level of the
    pin). A bus whose captured lines are its lowest ones is one column of hex; otherwise, and where
    a digit is known in part, it has a column a line. What was not captured has no column.

    `bustrace.capture.read_csv` reads it in state mode, and `find_cycles` makes the same cycles of
    that, but for what a state capture cannot show: the clock, the other half-cycle, and levels that
    had not settled.

    Parameters
    ----------
    cycles : Cycles
    path : path
    board : Board or None
        Its selects' active levels; without it selects are written active low, as they are read.

    Raises
    ------
    ValueError
        There are no cycles, or nothing of them was captured.
    OSError
        The file cannot be written.
    """
    if not len(cycles):
        raise ValueError("there are no bus cycles to write")
    columns = {
        **_bus("ADDRESS", cycles.address, cycles.address_known, 16),
        **_bus("DATA", cycles.data, cycles.data_known, 8),
        **{name: _levels(cycles.pin(name)) for name in _captured_pins(cycles)},
        **{f"CS_{ref}": _levels(_pin_of_select(cycles, ref, board)) for ref in _captured(cycles)},
    }
    if not columns:
        raise ValueError("nothing but the clock was captured")
    named = {"Cycle": np.arange(len(cycles), dtype=np.int64).astype(np.bytes_)}
    if cycles.clock.role != "state rows" or cycles.clock.period_ps is not None:
        named = {"Time [ps]": cycles.time_ps.astype(np.bytes_)} | named
    with whole_file(path) as file:
        file.write(_REMARK.encode())
        file.write((",".join(map(quoted, named | columns)) + "\n").encode())
        file.writelines(_rows(list((named | columns).values())))


def _captured_pins(cycles: Cycles) -> list[str]:
    known = int(np.bitwise_or.reduce(cycles.control_known))
    return [name for name in CONTROL if known >> CONTROL_BIT[name] & 1]


def _captured(cycles: Cycles) -> list[str]:
    known = int(np.bitwise_or.reduce(cycles.selects_known))
    return [ref for bit, ref in enumerate(cycles.select_names) if known >> bit & 1]


def _pin_of_select(cycles: Cycles, ref: str, board: Board | None) -> npt.NDArray[np.uint8]:
    """Level of a select's pin, 2 where unknown."""
    asserted = cycles.select(ref)
    chip = None if board is None else next((c for c in board.chips if c.ref == ref), None)
    active = chip.selects[0].active if chip is not None and chip.selects else 0
    if active:
        return asserted
    return np.array([1, 0, 2], dtype=np.uint8)[asserted]


def _levels(levels: npt.NDArray[np.uint8]) -> npt.NDArray[np.bytes_]:
    return np.array([b"0", b"1", b"x"])[levels]


def _bus(
    name: str,
    values: npt.NDArray[np.unsignedinteger],
    known: npt.NDArray[np.unsignedinteger],
    width: int,
) -> dict[str, npt.NDArray[np.bytes_]]:
    """Columns of a bus: one of hex digits, or one a line."""
    captured = int(np.bitwise_or.reduce(known))
    count = captured.bit_length()
    digits = [(known >> 4 * place & 15, captured >> 4 * place & 15) for place in range(width // 4)]
    if count > 1 and captured == (1 << count) - 1:
        halves = [np.any((seen != 0) & (seen != all_)) for seen, all_ in digits]
        if not any(halves):
            return {f"{name}[{count - 1}:0]": _hex(values, known, -(-count // 4))}
    level = {bit: (values >> bit & 1).astype(np.uint8) for bit in range(width)}
    return {
        f"{name}[{bit}]": _levels(np.where(known >> bit & 1, level[bit], np.uint8(2)))
        for bit in range(width)
        if captured >> bit & 1
    }


def _hex(
    values: npt.NDArray[np.unsignedinteger], known: npt.NDArray[np.unsignedinteger], digits: int
) -> npt.NDArray[np.bytes_]:
    """Numbers as ``$FFFC``; digits that are unknown as x."""
    text = np.full((len(values), digits + 1), ord("$"), dtype=np.uint8)
    letters = np.frombuffer(b"0123456789ABCDEF", dtype=np.uint8)
    for place in range(digits):
        digit = letters[values >> 4 * place & 15]
        text[:, digits - place] = np.where(known >> 4 * place & 15, digit, ord("x"))
    return text.view(f"S{digits + 1}").ravel()


def _rows(columns: list[npt.NDArray[np.bytes_]]) -> Iterator[bytes]:
    """Rows as bytes, many at a time."""
    for first in range(0, len(columns[0]), _ROWS_AT_ONCE):
        some = [column[first : first + _ROWS_AT_ONCE].tolist() for column in columns]
        yield b"".join(b",".join(row) + b"\n" for row in zip(*some, strict=True))
