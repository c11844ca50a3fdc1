"""Instructions and bus cycles side by side, one line a cycle."""

from __future__ import annotations

from collections.abc import Iterator

from bustrace.program import Kind, ListingCycle, ListingRow, listing_rows
from bustrace.reading import Reading
from bustrace.report.layout import WIDTH, clean

_HEAD = f"{'cycle':>9}  {'pc':4}  {'bytes':8}  {'instruction':16}  {'bus':4} {'':2}"
_LEFT = 4 + 2 + 8 + 2 + 16
_WORDS = 8 + 2 + 16
_LONG = 12
"""Cycles of one row beyond which its middle is folded."""


def listing_lines(
    reading: Reading,
    *,
    first: int | None = None,
    last: int | None = None,
    everything: bool = False,
) -> Iterator[str]:
    """Lines of the listing, without line ends; a heading first.

    Parameters
    ----------
    reading : Reading
    first, last : int or None
        Cycles to list, both included; the rows that hold them are listed whole.
    everything : bool
        Do not fold long rows (a stopped CPU, a lost thread).

    Yields
    ------
    str
        At most 80 columns. Addresses and bytes are hexadecimal; ``-`` was not captured, ``?``
        only in part.

    Raises
    ------
    ValueError
        `last` lies before `first`.
    """
    if first is not None and last is not None and last < first:
        raise ValueError(f"last ({last}) lies before first ({first})")
    program = reading.program
    n = len(reading.cycles)
    if not len(program) or not n or (first is not None and first >= n):
        return
    begin = program.row_of(max(first or 0, 0))
    end = program.row_of(min(n - 1 if last is None else max(last, 0), n - 1)) + 1
    yield _HEAD + " R/W"
    rows = listing_rows(program, reading.cycles, reading.board, first_row=begin, end_row=end)
    for row in rows:
        yield from _row(row, everything)


def _row(row: ListingRow, everything: bool) -> Iterator[str]:
    code = " ".join("??" if byte is None else f"{byte:02X}" for byte in row.code)
    pc = "" if row.pc is None else f"{row.pc:04X}"
    text = row.text
    if row.kind == Kind.INSTRUCTION and row.confidence < 0.5:
        text += " ?"
    left = f"{pc:4}  {code:8}  {text:16}"
    if not row.code:
        left = f"{pc:4}  {text if len(text) <= _WORDS else 'unknown instruction':{_WORDS}}"
    folding = not everything and len(row.cycles) > _LONG
    for number, cycle in enumerate(row.cycles):
        if folding and number == _LONG // 2:
            yield f"{'...':>9}  {len(row.cycles) - _LONG:,} more cycles of this row (--all)"
        if folding and _LONG // 2 <= number < len(row.cycles) - _LONG // 2:
            continue
        yield _cycle(cycle, left if number == 0 else "")


def _cycle(cycle: ListingCycle, left: str) -> str:
    address = hex_known(cycle.address, cycle.address_known, 4)
    data = hex_known(cycle.data, cycle.data_known, 2)
    way = {0: "W", 1: "R"}.get(-1 if cycle.rw is None else cycle.rw, "-")
    remarks = [*cycle.selects]
    if cycle.differs:
        meant = f" (meant {cycle.intended:04X})" if cycle.intended is not None else ""
        lines = ",".join(cycle.differs)
        remarks.append(f"! {lines}{meant}")
    line = f"{cycle.cycle:>9}  {left:{_LEFT}}  {address} {data} {way} {' '.join(remarks)}"
    return clean(line)[:WIDTH].rstrip()


def hex_known(value: int, known: int, digits: int) -> str:
    """Hexadecimal with ``-`` for digits of which no bit is known, ``?`` for those in part."""
    out = ""
    for place in reversed(range(digits)):
        mask = known >> 4 * place & 0xF
        out += f"{value >> 4 * place & 0xF:X}" if mask == 0xF else "?" if mask else "-"
    return out


def why_nothing(reading: Reading) -> str:
    """Why there is nothing to list."""
    return reading.program.reason or reading.cycles.reason or "no cycle was found"
