"""The program as an assembler's listing: one line an instruction, loops folded."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import numpy.typing as npt

from bustrace.program import (
    Kind,
    ListingRow,
    Loop,
    find_loops,
    listing_rows,
    main_rows,
    open_interrupts,
)
from bustrace.program.symbols import Symbols
from bustrace.reading import Reading
from bustrace.report.layout import WIDTH, clean
from bustrace.report.listing import hex_known
from bustrace.units import count_words

HEAD = (
    f"{'cycle':>9}   {'pc':4}  {'bytes':8}  {'instruction':16} "
    f"{'A':2} {'X':2} {'Y':2} {'S':2} {'flags':6}  data"
)
_FLAGS = (("N", 7), ("V", 6), ("D", 3), ("I", 2), ("Z", 1), ("C", 0))
"""Flags that the register has: B is made when it is pushed."""
_ROWS_OF_TEXT = 16


def instruction_lines(
    reading: Reading,
    *,
    first_row: int = 0,
    end_row: int | None = None,
    symbols: Symbols | None = None,
    everything: bool = False,
) -> Iterator[str]:
    """Lines of the listing, without line ends; a heading first.

    Parameters
    ----------
    reading : Reading
    first_row, end_row : int
        Rows ``[first_row, end_row)`` of the program; all by default.
    symbols : Symbols or None
        Names that stand for addresses, and as labels.
    everything : bool
        Do not fold loops.

    Yields
    ------
    str
        At most 80 columns. Registers are those before the instruction: ``-`` is not known, ``?``
        in part; of the flags a letter is 1, ``.`` is 0. On the right what it read (R) or wrote (W).
        Each ``>`` is an interrupt that has not returned.
    """
    program = reading.program
    end = len(program) if end_row is None else min(end_row, len(program))
    if not len(program) or first_row >= end:
        return
    yield HEAD
    depth = open_interrupts(program)
    main = main_rows(program)
    main = main[(main >= first_row) & (main < end)]
    loops = () if everything else find_loops(program, main)
    writer = _Writer(reading, symbols, depth, main, end)
    if not len(main):
        yield from writer.rows(first_row, end)
        return
    yield from writer.rows(first_row, int(main[0]))
    yield from writer.span(0, len(main), loops)


class _Writer:
    def __init__(
        self,
        reading: Reading,
        symbols: Symbols | None,
        depth: npt.NDArray[np.int64],
        main: npt.NDArray[np.int64],
        end: int,
    ) -> None:
        self._reading, self._depth, self._main, self._end = reading, depth, main, end
        self._names = symbols.names if symbols is not None else {}

    def span(self, first: int, end: int, loops: Sequence[Loop]) -> Iterator[str]:
        """Instructions ``main[first:end]`` and what interrupts them, loops folded."""
        at = first
        for loop in loops:
            yield from self.rows(self._row(at), self._row(loop.first))
            yield from self.span(loop.first, loop.turn_end, loop.inner)
            yield self._fold(loop)
            at = loop.end
        yield from self.rows(self._row(at), self._row(end))

    def _row(self, place: int) -> int:
        return int(self._main[place]) if place < len(self._main) else self._end

    def _fold(self, loop: Loop) -> str:
        program = self._reading.program
        shown, last = self._row(loop.turn_end), self._row(loop.end)
        kinds = program.kind[shown:last]
        taken = int(np.isin(kinds, (Kind.IRQ, Kind.NMI)).sum())
        until = int(program.first_cycle[last - 1] + program.length[last - 1]) - 1
        many = count_words(loop.turn_end - loop.first, "instruction")
        within = f", {count_words(taken, 'interrupt')} within" if taken else ""
        text = f"{'':9}   ... these {many} {loop.turns:,} times, to cycle {until:,}{within}"
        return text[:WIDTH]

    def rows(self, first: int, end: int) -> Iterator[str]:
        """Program rows ``[first, end)``, a line each, and a label where one is known."""
        reading = self._reading
        rows = listing_rows(
            reading.program, reading.cycles, reading.board, first_row=first, end_row=end,
            symbols=self._names,
        )  # fmt: skip
        for row in rows:
            label = self._names.get(row.pc) if row.pc is not None else None
            if label:
                yield clean(f"{'':12}{label}:")[:WIDTH]
            yield clean(self._line(row))[:WIDTH].rstrip()

    def _line(self, row: ListingRow) -> str:
        mark = ">" * min(int(self._depth[row.row]), 2)
        code = " ".join("??" if byte is None else f"{byte:02X}" for byte in row.code)
        pc = "" if row.pc is None else f"{row.pc:04X}"
        text = row.text
        if row.kind == Kind.INSTRUCTION and row.confidence < 0.5:
            text += " ?"
        left = f"{row.cycle:>9} {mark:2}{pc:4}  "
        if not row.code:
            cycles = f" ({row.length:,} cycles)" if row.length > 1 else ""
            return left + text + cycles
        return f"{left}{code:8}  {text:{_ROWS_OF_TEXT}} {_registers(row)}  {_access(row)}"


def _registers(row: ListingRow) -> str:
    shown = []
    for name, value, known in row.registers:
        if name != "P":
            shown.append(hex_known(value, known, 2))
    (value, known) = next((v, k) for name, v, k in row.registers if name == "P")
    flags = ""
    for letter, bit in _FLAGS:
        flags += "-" if not known >> bit & 1 else letter if value >> bit & 1 else "."
    return " ".join([*shown, flags])


def _access(row: ListingRow) -> str:
    """Address and byte of an operand in memory, in the last cycle of the instruction."""
    if not row.reaches_memory or not row.cycles:
        return ""
    last = row.cycles[-1]
    address = (
        f"{last.intended:04X}"
        if last.intended is not None
        else hex_known(last.address, last.address_known, 4)
    )
    way = {0: "W", 1: "R"}.get(-1 if last.rw is None else last.rw, "-")
    return f"{way} {address} {hex_known(last.data, last.data_known, 2)}"
