"""Which lines the columns of a table hold, decided from what all their cells look like."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Literal

import numpy as np
import numpy.typing as npt

from bustrace.capture import csv_table as t
from bustrace.capture.csv_dialect import Dialect
from bustrace.capture.csv_header import Column
from bustrace.capture.csv_table import Table
from bustrace.capture.model import Note
from bustrace.errors import CaptureError, nearest

Base = Literal["bin", "hex", "dec"]

MOST_LINES = 64
# Common practice for TTL and NMOS boards: halfway between 0.8 V and 2.0 V.
DEFAULT_THRESHOLD = Fraction(14, 10)
_MICROVOLTS = {"v": 6, "mv": 3}


@dataclass(frozen=True, slots=True)
class Content:
    """What one column holds: a kind of `csv_table`, its bits, and the doubt about it."""

    kind: int
    width: int
    note: Note | None = None


@dataclass(frozen=True, slots=True)
class Plan:
    """How a table's columns become lines.

    Attributes
    ----------
    table : Table
        For the scanner.
    contents : tuple of Content
        One a column.
    bits : tuple of int
        Bit of the scanner's state for each line.
    lines : tuple of str
    notes : tuple of Note
    """

    table: Table
    contents: tuple[Content, ...]
    bits: tuple[int, ...]
    lines: tuple[str, ...]
    notes: tuple[Note, ...]


def content_of(column: Column, statistics: npt.NDArray[np.int64], base: Base | None) -> Content:
    """Decide what a column holds.

    Parameters
    ----------
    column : Column
    statistics : int64, shape (t.STATISTICS,)
        What its cells looked like.
    base : {"bin", "hex", "dec"} or None
        How the user says unmarked digits are to be read.
    """
    if column.role == "time":
        return Content(t.TIME, 0)
    if column.role == "counter":
        return Content(t.TIME, 0)
    if column.role in ("text", "blank"):
        return Content(t.SKIP, 0)
    flags = int(statistics[t.FLAGS])
    if flags & t.BINARY_MARK and flags & t.NO_BINARY_MARK:
        flags |= t.HEX_LETTER  # the mark is no mark, but two of the digits
    digits = max(1, int(statistics[t.MOST_DIGITS]))
    fixed = statistics[t.FEWEST_DIGITS] == statistics[t.MOST_DIGITS]
    if column.unit in _MICROVOLTS or flags & t.NUMBER:
        return Content(t.ANALOG, 1)
    span = 0 if column.span is None else abs(column.span[0] - column.span[1]) + 1
    wide = flags & (t.BINARY_DIGITS | t.DIGITS | t.HEX_LETTER | t.HEX_MARK | t.BINARY_MARK)
    if not wide and span <= 1:
        return Content(t.BIT, 1)
    if flags & t.HEX_MARK or base == "hex":
        return Content(t.HEX, max(4 * digits, span))
    binary = Content(t.BINARY, max(digits, span))
    if flags & t.BINARY_MARK and not flags & t.NO_BINARY_MARK:
        return Content(t.BINARY, max(digits - 2, span))
    if base == "bin" and not flags & (t.DIGITS | t.HEX_LETTER):
        return binary
    decimal_width = max(int(statistics[t.LARGEST]).bit_length(), span, 1)
    if base == "dec" and not flags & t.HEX_LETTER:
        return Content(t.DECIMAL, decimal_width)
    if flags & t.HEX_LETTER:
        return Content(t.HEX, max(4 * digits, span))

    def guess(what: str, option: str) -> Note:
        return Note("guess", f"column '{column.name}' is read as {what}", f"--base {option}")

    if flags & t.DIGITS:
        if flags & t.LEADING_ZERO:
            note = guess("hex: its numbers start with zeros", "dec")
            return Content(t.HEX, max(4 * digits, span), note)
        note = guess(f"decimal, {decimal_width} lines for the largest number seen", "hex")
        return Content(t.DECIMAL, decimal_width, note)
    if (digits <= 4 or not fixed) and wide:
        return replace(binary, note=guess("binary: it has no digit but 0 and 1", "hex"))
    return binary


def plan_lines(
    dialect: Dialect,
    contents: Sequence[Content],
    *,
    chosen: Sequence[str] | None,
    keep_all: bool,
    time_power: int,
    threshold: Fraction,
    path: str | Path,
) -> Plan:
    """Lay the columns out as lines, and as work for the scanner.

    Raises
    ------
    CaptureError
        More than 64 lines, none, or a chosen one that does not exist.
    """
    notes = [content.note for content in contents if content.note is not None]
    names, renamed = _names(dialect.columns, contents)
    notes += renamed
    kept = _choose(names, chosen, dialect, path)
    widths = [c.width if k else 0 for c, k in zip(contents, kept, strict=True)]
    if sum(widths) > MOST_LINES:
        raise CaptureError(
            f"the file has {sum(widths)} lines, a capture holds at most {MOST_LINES}",
            path=path,
            key="--lines",
            advice="name the lines to keep with --lines",
        )
    lines: list[str] = []
    bits: list[int] = []
    at = 0
    shifts = []
    for width, column_names, wanted in zip(widths, names, kept, strict=True):
        shifts.append(at if width else 0)
        for bit, name in enumerate(column_names[:width]):
            if wanted & 1 << bit:
                lines.append(name)
                bits.append(at + bit)
        at += width
    if not lines:
        raise CaptureError(
            "the table has no column with levels",
            path=path,
            line=dialect.data_line,
            expected="at least one column of 0 and 1, of hex, binary or decimal numbers, or volts",
        )
    kinds = [
        content.kind if content.kind == t.TIME or width else t.SKIP
        for content, width in zip(contents, widths, strict=True)
    ]
    times = [index for index, kind in enumerate(kinds) if kind == t.TIME]
    times.sort(key=lambda index: dialect.columns[index].role != "time")
    kinds = [t.SKIP if kind == t.TIME and i != times[0] else kind for i, kind in enumerate(kinds)]
    scales = [
        time_power if kind == t.TIME else _MICROVOLTS.get(column.unit or "v", 6)
        for kind, column in zip(kinds, dialect.columns, strict=True)
    ]
    table = Table(
        separator=ord(dialect.separator),
        decimal=ord(dialect.decimal),
        semicolon_comments=dialect.semicolon_comments,
        keep_all=keep_all,
        kinds=np.array(kinds, dtype=np.int64),
        shifts=np.array(shifts, dtype=np.uint64),
        widths=np.array(widths, dtype=np.uint64),
        runs=_runs(kinds),
        scales=np.array(scales, dtype=np.int64),
        threshold=int(threshold * 10**6),
        all_lines=sum(1 << bit for bit in bits),
        time_column=times[0] if times else -1,
    )
    return Plan(table, tuple(contents), tuple(bits), tuple(lines), tuple(notes))


def survey_table(dialect: Dialect) -> Table:
    """Read every column as single levels, only to see what its cells look like."""
    kinds = [t.BIT if column.role == "line" else t.SKIP for column in dialect.columns]
    nothing = np.zeros(len(kinds), dtype=np.int64)
    return Table(
        separator=ord(dialect.separator),
        decimal=ord(dialect.decimal),
        semicolon_comments=dialect.semicolon_comments,
        keep_all=True,
        kinds=np.array(kinds, dtype=np.int64),
        shifts=nothing.astype(np.uint64),
        widths=nothing.astype(np.uint64),
        runs=nothing,
        scales=nothing,
        threshold=0,
        all_lines=0,
        time_column=-1,
    )


def compact(state: npt.NDArray[np.uint64], bits: Sequence[int]) -> npt.NDArray[np.uint64]:
    """Move the bits of chosen lines together, so that line i is bit i.

    Parameters
    ----------
    state : uint64, shape (n,)
        The other bits are 0.
    bits : sequence of int
        Where line i is now; rising.
    """
    if list(bits) == list(range(len(bits))):
        return state
    packed = np.zeros_like(state)
    start = 0
    while start < len(bits):
        stop = start + 1
        while stop < len(bits) and bits[stop] - bits[start] == stop - start:
            stop += 1
        mask = np.uint64((1 << (stop - start)) - 1)
        packed |= (state >> np.uint64(bits[start]) & mask) << np.uint64(start)
        start = stop
    return packed


def _names(
    columns: Sequence[Column], contents: Sequence[Content]
) -> tuple[list[list[str]], list[Note]]:
    """Names of each column's lines, least significant bit first, all different."""
    notes: list[Note] = []
    skipped = [
        column.name
        for column, content in zip(columns, contents, strict=True)
        if content.kind == t.SKIP and column.role != "blank"
    ]
    if skipped:
        names = ", ".join(f"'{name}'" for name in skipped)
        notes.append(Note("fact", f"columns without levels were left out: {names}"))
    used: set[str] = set()
    again: list[str] = []
    result: list[list[str]] = []
    for index, (column, content) in enumerate(zip(columns, contents, strict=True)):
        if content.kind in (t.SKIP, t.TIME):
            result.append([])
            continue
        base = column.name or f"column {index + 1}"
        count = 1
        stem = base
        while (mine := _line_names(stem, column, content)) and not used.isdisjoint(mine):
            count += 1
            stem = f"{base}_{count}"
        if count > 1:
            again.append(stem)
        used.update(mine)
        result.append(mine)
    if again:
        names = ", ".join(f"'{name}'" for name in again)
        notes.append(Note("guess", f"names that occur twice were numbered: {names}"))
    return result, notes


def _line_names(stem: str, column: Column, content: Content) -> list[str]:
    if content.kind in (t.BIT, t.ANALOG):
        if column.span is not None and column.span[0] == column.span[1]:
            return [f"{stem}[{column.span[0]}]"]
        return [stem]
    first, down = 0, 1
    width = content.width
    if column.span is not None:
        high, low = column.span
        span = abs(high - low) + 1
        # Hex digits hold four lines each: up to three above the named ones do not exist.
        if span <= width < span + 4:
            first, down, width = low, (1 if high >= low else -1), span
    return [f"{stem}[{first + down * bit}]" for bit in range(width)]


def _choose(
    names: list[list[str]], chosen: Sequence[str] | None, dialect: Dialect, path: str | Path
) -> list[int]:
    """Lines to keep, as a bit mask for each column."""
    if chosen is None:
        return [(1 << len(mine)) - 1 for mine in names]
    masks = [0] * len(names)
    known: dict[str, tuple[int, int]] = {}
    for index, mine in enumerate(names):
        for bit, name in enumerate(mine):
            known[name] = (index, 1 << bit)
        if len(mine) > 1:
            known.setdefault(mine[0].rpartition("[")[0], (index, (1 << len(mine)) - 1))
    for name in chosen:
        if name not in known:
            close = nearest(name, known)
            raise CaptureError(
                "the file has no such line",
                path=path,
                key="--lines",
                found=name,
                expected=", ".join(list(known)[:40]),
                advice=f"did you mean '{close}'?" if close else None,
            )
        index, mask = known[name]
        masks[index] |= mask
    return masks


def _runs(kinds: list[int]) -> npt.NDArray[np.int64]:
    """Number of BIT columns from each column on, the table's last one aside."""
    runs = np.zeros(len(kinds), dtype=np.int64)
    for index in range(len(kinds) - 2, -1, -1):
        if kinds[index] == t.BIT:
            runs[index] = runs[index + 1] + 1
    return runs


def text_error(column: Column, line: int, path: str | Path, found: str) -> CaptureError:
    """Return the error for a word in a column of levels."""
    return CaptureError(
        f"column '{column.name}' holds a cell that is no level",
        path=path,
        line=line,
        found=found or None,
        expected="0, 1, H, L, x, z, ?, -, nothing, or a number where the column is a bus",
        advice="mend the row, or leave the column out with --lines",
    )


def is_text(statistics: npt.NDArray[np.int64], ever_known: bool) -> bool:
    """Whether a column held words and never a level."""
    flags = int(statistics[t.FLAGS])
    return bool(flags & t.TEXT) and not ever_known and not flags & (t.DIGITS | t.BINARY_DIGITS)
