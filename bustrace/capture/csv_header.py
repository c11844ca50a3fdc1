"""Naming the columns of a delimited table, and telling which one is the time."""

from __future__ import annotations

import csv
import functools
import operator
import re
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise
from typing import Literal

from bustrace.capture import csv_table as t
from bustrace.capture.csv_preamble import Preamble, time_unit
from bustrace.capture.csv_rows import classify, parse_number, split_cells
from bustrace.capture.model import Note

Role = Literal["line", "time", "counter", "text", "blank"]

LEVELS = t.LEVEL | t.LETTER | t.BINARY_DIGITS | t.DIGITS | t.NUMBER
_TIME_NAMES = {"time", "t", "timestamp", "time stamp", "abs time", "rel time", "zeit", "temps"}
_COUNTER_NAME = re.compile(
    r"(sample|cycle|row|index|idx|no|nr|n|count|#)s?[ _.]*(no|nr|num|number|index|#|count|id)?\.?",
    re.IGNORECASE,
)
_DECORATION = re.compile(r"\s*(?:\[([^\[\]]*)\]|\(([^()]*)\))\s*$")
_LINE_UNITS = {
    "logic",
    "digital",
    "bool",
    "boolean",
    "level",
    "bit",
    "bin",
    "hex",
    "dec",
    "v",
    "mv",
}
_SPAN = re.compile(r"(.*?)\s*[\[<(](\d+)\s*(?::|\.\.|-)\s*(\d+)[\])>]")


@dataclass(frozen=True, slots=True)
class Column:
    """One column of the table.

    Attributes
    ----------
    name : str
        Name without quotes, unit and bus range.
    role : {"line", "time", "counter", "text", "blank"}
        ``blank`` has no name and no content.
    unit : str or None
        Unit in the header, in lower case.
    span : (int, int) or None
        First and last index in a header such as ``A[15:8]``.
    """

    name: str
    role: Role
    unit: str | None = None
    span: tuple[int, int] | None = None


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the file: where it starts, its number, its bytes without line end."""

    offset: int
    number: int
    text: bytes


@dataclass(frozen=True, slots=True)
class Rows:
    """Where the table lies: its header lines, its first row, and some rows."""

    header: tuple[Line, ...]
    first: Line | None
    rows: tuple[tuple[bytes, ...], ...]
    width: int
    decimal: str


def is_unit_row(cells: list[bytes]) -> bool:
    """Whether a line below the names holds nothing but units."""
    texts = [cell.decode("latin-1").strip("[]() ").lower() for cell in cells]
    return any(texts) and all(
        not text or text in _LINE_UNITS or time_unit(text) is not None for text in texts
    )


def column_flags(cells: tuple[bytes, ...], mark: str) -> int:
    """What the cells of a column look like; TEXT only for words, and nothing that is a level."""
    flags = [classify(cell, ord(mark)) for cell in cells]
    texts = sum(1 for flag in flags if flag & t.TEXT)
    every = functools.reduce(operator.or_, flags, 0)
    # Mnemonics such as ADC read as hex digits.
    if texts * 2 > len(flags) or (texts and not every & LEVELS):
        return t.TEXT
    return every & ~t.TEXT


def names_a_time(cell: bytes) -> bool:
    """Whether a cell is the name of a time column or of a counter."""
    name = _DECORATION.sub("", cell.decode("latin-1")).lower()
    return name in _TIME_NAMES or _COUNTER_NAME.fullmatch(name) is not None


def name_columns(
    table: Rows, separator: str, mark: str, encoding: str, preamble: Preamble
) -> tuple[tuple[Column, ...], list[Note], Fraction | None]:
    """Name the columns and tell which one is the time."""
    names = [""] * table.width
    units: list[str] = [""] * table.width
    cells_of: list[tuple[bytes, ...]] = [()] * table.width
    if table.rows:
        cells_of = list(zip(*table.rows, strict=True))
    if table.header:
        header = split_cells(table.header[0].text, separator.encode()) or []
        names = [cell.decode(encoding) for cell in header[: table.width]]
        names += [""] * (table.width - len(names))
        if len(table.header) == 2:
            row = split_cells(table.header[1].text, separator.encode()) or []
            units = [cell.decode(encoding).strip("[]() ").lower() for cell in row]
            units = (units + [""] * table.width)[: table.width]
    if preamble.own is not None:
        exact = next(csv.reader([table.header[0].text.decode(encoding)], strict=True))
        lines = [Column(name, "line") for name in exact[1:]]
        return (Column(exact[0], "time", "ps"), *lines), [], None
    columns = [
        _column(name, unit, cells, mark)
        for name, unit, cells in zip(names, units, cells_of, strict=True)
    ]
    notes: list[Note] = []
    if not table.header:
        columns = _unnamed(columns, cells_of, mark)
        notes.append(
            Note("guess", "the file has no header: columns are named CH0, CH1, ... in their order")
        )
    columns = _one_time(columns)
    step = None
    for column, cells in zip(columns, cells_of, strict=True):
        if column.role == "time":
            step = _smallest_step(cells, mark)
    return tuple(columns), notes, step


def _column(header: str, unit: str, cells: tuple[bytes, ...], mark: str) -> Column:
    """One column from its header cell and its first cells."""
    name = " ".join(header.split())
    decoration = _DECORATION.search(name)
    if decoration is not None:
        inside = (decoration[1] or decoration[2] or "").strip().lower()
        if inside in _LINE_UNITS or time_unit(inside) is not None:
            unit = unit or inside
            name = name[: decoration.start()]
    name = name.rstrip(":,/ ")
    plain = name.lower()
    if plain in _TIME_NAMES and (
        len(plain) > 1 or time_unit(unit) is not None or _rises(cells, mark)
    ):
        return Column(name, "time", time_unit(unit))
    tail = re.fullmatch(r"(.*?)[ _/.](\w+|µs|μs)", plain)
    if tail and tail[1] in _TIME_NAMES and time_unit(tail[2]) is not None:
        return Column(name, "time", time_unit(tail[2]))
    if time_unit(plain) is not None and len(plain) > 1 and _rises(cells, mark):
        return Column(name, "time", time_unit(plain))
    if name and _COUNTER_NAME.fullmatch(plain) and _counts(cells):
        return Column(name, "counter")
    span = _SPAN.fullmatch(name)
    if span is not None:
        return Column(span[1], "line", unit or None, (int(span[2]), int(span[3])))
    if not name and not any(cells):
        return Column("", "blank")
    if cells and column_flags(cells, mark) & t.TEXT:
        return Column(name, "text")
    return Column(name, "line", unit or None)


def _one_time(columns: list[Column]) -> list[Column]:
    """Keep the first time column; counters beside it, and further times, are no lines."""
    seen = False
    kept = []
    for column in columns:
        if column.role == "time":
            kept.append(replace(column, role="text") if seen else column)
            seen = True
        else:
            kept.append(column)
    return kept


def _unnamed(columns: list[Column], cells_of: list[tuple[bytes, ...]], mark: str) -> list[Column]:
    """Name the columns of a table without header."""
    named = []
    count = 0
    for index, (column, cells) in enumerate(zip(columns, cells_of, strict=True)):
        if column.role == "line" and index == 0 and _rises(cells, mark):
            whole = all(cell.isdigit() for cell in cells)
            steps = {int(b) - int(a) for a, b in pairwise(cells)} if whole else ()
            named.append(Column("", "counter" if steps == {1} else "time"))
        elif column.role == "line":
            named.append(replace(column, name=f"CH{count}"))
            count += 1
        else:
            named.append(column)
    return named


def _numbers(cells: tuple[bytes, ...], mark: str) -> list[Fraction] | None:
    values = []
    for cell in cells:
        number = parse_number(cell, ord(mark))
        if number is None or abs(number[1]) > 60:
            return None
        values.append(number[0] * Fraction(10) ** number[1])
    return values


def _rises(cells: tuple[bytes, ...], mark: str) -> bool:
    """Whether the cells are numbers that never fall, and do not look like levels."""
    values = _numbers(cells, mark)
    if not values or any(b < a for a, b in pairwise(values)):
        return False
    return len(set(values)) > 2 or any(not cell.isdigit() for cell in cells)


def _counts(cells: tuple[bytes, ...]) -> bool:
    """Whether the cells are whole numbers that always rise."""
    if not all(cell.isdigit() for cell in cells):
        return False
    values = [int(cell) for cell in cells]
    return all(b > a for a, b in pairwise(values))


def _smallest_step(cells: tuple[bytes, ...], mark: str) -> Fraction | None:
    values = _numbers(cells, mark) or []
    steps = [b - a for a, b in pairwise(values) if b > a]
    return min(steps, default=None)
