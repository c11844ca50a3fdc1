"""Working out how a delimited text file is written: separators, header, preamble, columns."""

from __future__ import annotations

import csv
import functools
import operator
import re
from collections import Counter
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Literal

from bustrace.capture import csv_table as t
from bustrace.capture.csv_preamble import Preamble, read_preamble, time_unit
from bustrace.capture.csv_rows import classify, parse_number, split_cells
from bustrace.capture.model import Note
from bustrace.errors import CaptureError

Role = Literal["line", "time", "counter", "text", "blank"]

HEAD_BYTES = 1 << 18
_ROWS_LOOKED_AT = 200
_SEPARATORS = {",": ",", ";": ";", "\t": "\t", "|": "|"} | {
    "comma": ",",
    "semicolon": ";",
    "tab": "\t",
    "pipe": "|",
}
_VCD_WORDS = (b"$enddefinitions", b"$timescale", b"$date", b"$version", b"$scope", b"$var")
_LEVELS = t.LEVEL | t.LETTER | t.BINARY_DIGITS | t.DIGITS | t.NUMBER
_MOST_LINES_IN_A_CELL = 50
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
class Dialect:
    """How a table is written.

    Attributes
    ----------
    separator, decimal : str
    semicolon_comments : bool
        Whether a row starting with ``;`` is a comment.
    data_offset, data_line : int
        Byte and line (from 1) at which the first row starts.
    columns : tuple of Column
    time_step : Fraction or None
        Smallest step of the time column's first rows, in its own unit.
    preamble : Preamble
    notes : tuple of Note
    """

    separator: str
    decimal: str
    semicolon_comments: bool
    data_offset: int
    data_line: int
    columns: tuple[Column, ...]
    time_step: Fraction | None
    preamble: Preamble
    notes: tuple[Note, ...]


@dataclass(frozen=True, slots=True)
class _Line:
    offset: int
    number: int
    text: bytes


def looks_like_csv(head: bytes) -> bool:
    """Whether the first bytes of a file are delimited text with at least two columns."""
    if b"\0" in head or any(word in head for word in _VCD_WORDS):
        return False
    lines = [line for line in _lines(head) if line.text.strip() and not _is_comment(line, True)]
    if not lines:
        # All comments: a capture of ours without rows, or a file cut off in its preamble.
        return read_preamble([line.text.decode("latin-1") for line in _lines(head)]).own is not None
    return _best_separator(lines) is not None


def work_out(
    head: bytes, *, whole: bool, path: str | Path, separator: str | None, decimal: str | None
) -> Dialect:
    """Work out the dialect from the first bytes of a file.

    Parameters
    ----------
    head : bytes
        Up to `HEAD_BYTES` of the file.
    whole : bool
        Whether that is all of it.
    path : path
        For messages.
    separator, decimal : str or None
        What the user says it is.

    Raises
    ------
    CaptureError
        Empty, not text, no table in it, or a header that does not fit its rows.
    """
    if head[:2] in (b"\xff\xfe", b"\xfe\xff") or b"\0" in head[:4096]:
        raise CaptureError(
            "the file is not plain text (UTF-16, or binary)",
            path=path,
            expected="UTF-8 or Latin-1 text",
            advice="save it as CSV in UTF-8",
        )
    start = 3 if head.startswith(b"\xef\xbb\xbf") else 0
    lines = _lines(head, start)
    if not whole and not head.endswith(b"\n") and lines:
        lines.pop()  # cut by the size of the head, not in the file
    if not any(line.text.strip() for line in lines):
        raise CaptureError("the file is empty", path=path, advice="export the capture again")
    notes: list[Note] = []
    encoding = "utf-8"
    try:
        b"".join(line.text for line in lines).decode(encoding)
    except UnicodeDecodeError:
        encoding = "latin-1"
        notes.append(Note("guess", "names are not UTF-8 text; they were read as Latin-1"))

    separator = _given_separator(separator, path)
    if decimal is not None and decimal not in (".", ","):
        raise CaptureError(
            "no such decimal mark", path=path, key="--decimal", found=decimal, expected=". or ,"
        )
    body = [line for line in lines if line.text.strip() and not _is_comment(line, True)]
    remarks = [line.text.decode(encoding) for line in lines if _is_comment(line, True)]
    own = read_preamble(remarks).own
    found = separator or ("," if own else _best_separator(body))
    if found is None:
        raise CaptureError(
            "there is no table in the file",
            path=path,
            found=body[0].text.decode(encoding) if body else None,
            expected="two or more columns, separated by comma, semicolon, tab or |",
            advice="name the separator with --separator, or export the capture again",
        )
    semicolons = found != ";"
    body = [line for line in lines if line.text.strip() and not _is_comment(line, semicolons)]
    table = _own_table(body, path) if own else _find_table(body, found, decimal, path, encoding)
    first = table.first
    before = [
        line
        for line in lines
        if first is None or line.number < first.number
        if line not in table.header
    ]
    preamble = read_preamble([line.text.decode(encoding) for line in before])
    if not table.header and first is not None and preamble.own is None:
        table = _commented_header(table, lines, found, encoding)
    mark = decimal or table.decimal
    columns, more, step = _columns(table, found, mark, encoding, preamble)
    return Dialect(
        separator=found,
        decimal=mark,
        semicolon_comments=semicolons,
        data_offset=len(head) if first is None else first.offset,
        data_line=lines[-1].number + 1 if first is None else first.number,
        columns=columns,
        time_step=step,
        preamble=preamble,
        notes=tuple(notes + more),
    )


def _given_separator(text: str | None, path: str | Path) -> str | None:
    if text is None:
        return None
    try:
        return _SEPARATORS[text.replace("\\t", "\t").casefold()]
    except KeyError:
        raise CaptureError(
            "no such separator",
            path=path,
            key="--separator",
            found=text,
            expected="comma, semicolon, tab or pipe",
        ) from None


def _lines(head: bytes, start: int = 0) -> list[_Line]:
    lines = []
    offset = start
    number = 1
    while offset < len(head):
        stop = _line_end(head, offset)
        text = head[offset:stop]
        lines.append(_Line(offset, number, text.rstrip(b"\r")))
        offset = stop + 1
        number += 1 + text.count(b"\n")
    return lines


def _line_end(head: bytes, offset: int) -> int:
    """End of the line at `offset`, line breaks inside quotes apart.

    A quote that is not closed soon is an inch mark, or a slip.
    """
    first = head.find(b"\n", offset)
    if first < 0:
        return len(head)
    if head[offset:first].count(b'"') % 2 == 0 or head.startswith((b"#", b";", b"//"), offset):
        return first
    stop = first
    for _ in range(_MOST_LINES_IN_A_CELL):
        stop = head.find(b"\n", stop + 1)
        if stop < 0:
            break
        if head[offset:stop].count(b'"') % 2 == 0:
            return stop
    return first


def _is_comment(line: _Line, semicolons: bool) -> bool:
    text = line.text
    return text.startswith((b"#", b"//")) or (semicolons and text.startswith(b";"))


def _best_separator(lines: list[_Line]) -> str | None:
    """Separator that gives the most columns that look like samples."""
    sample = lines[-60:]
    best, best_score = None, (0, 0)
    for separator in ("\t", ";", "|", ","):
        byte = separator.encode()
        rows = [cells for line in sample if (cells := split_cells(line.text, byte)) is not None]
        widths = Counter(len(cells) for cells in rows)
        if not widths:
            continue
        width = max(widths, key=lambda w: (widths[w], w))
        if width < 2:
            continue
        good = 0
        alike = [cells for cells in rows if len(cells) == width]
        for column in zip(*alike, strict=True):
            good += sum(_is_sample(cell) for cell in column) * 2 > len(column)
        score = (good, width)
        if score > best_score:
            best, best_score = separator, score
    return best


def _is_sample(cell: bytes) -> bool:
    return any(not classify(cell, mark) & t.TEXT for mark in b".,")


@dataclass(frozen=True, slots=True)
class _Table:
    """Where the table lies: its header lines, its first row, and some rows."""

    header: tuple[_Line, ...]
    first: _Line | None
    rows: tuple[tuple[bytes, ...], ...]
    width: int
    decimal: str


def _own_table(body: list[_Line], path: str | Path) -> _Table:
    """Header and first row of a file that `write_csv` wrote: nothing to find out."""
    if not body:
        raise CaptureError(
            "the file has no table",
            path=path,
            expected="a header that begins with time_ps",
            advice="the file was cut off: write or copy it again",
        )
    width = len(split_cells(body[0].text, b",") or [])
    if not body[0].text.startswith(b"time_ps") or not width:
        raise CaptureError(
            "the header is damaged",
            path=path,
            line=body[0].number,
            found=body[0].text.decode("latin-1"),
            expected="time_ps, then the names of the lines",
            advice="the file was cut off: write or copy it again",
        )
    return _Table((body[0],), body[1] if len(body) > 1 else None, (), width, ".")


def _find_table(
    body: list[_Line], separator: str, decimal: str | None, path: str | Path, encoding: str
) -> _Table:
    """Find header and first row; every line that could be a row is one."""
    byte = separator.encode()
    tail = [split_cells(line.text, byte) or [] for line in body[-_ROWS_LOOKED_AT:]]
    widths: Counter[int] = Counter()
    for cells in tail:
        if any(cells) and _is_mostly_samples(cells):
            widths[len(cells)] += sum(map(_is_sample, cells))
    if not widths:  # a header, or a preamble, and no rows
        if not body:
            return _Table((), None, (), 0, decimal or ".")
        widest = max(body, key=lambda line: len(_cells(line, byte)))
        return _Table((widest,), None, (), len(_cells(widest, byte)), decimal or ".")
    width = max(widths, key=lambda w: (widths[w], w))
    alike = [cells for cells in tail if len(cells) == width and _is_mostly_samples(cells)]
    mark = decimal or _decimal_mark(alike)
    if len(alike) > 1 and not any(map(_is_plain_level, alike[0])):
        alike = alike[1:]  # maybe a header whose names read as hex digits
    kinds = [_column_flags(column, mark) for column in zip(*alike, strict=True)]
    first = next(
        index
        for index, line in enumerate(body)
        if len(cells := _cells(line, byte)) == width and _is_row(cells, kinds)
    )
    # A line above that holds nothing but samples is a row with too few or too many cells.
    while (
        first > 0
        and len(_cells(body[first - 1], byte)) > 1
        and _is_row(_cells(body[first - 1], byte), kinds[:0])
    ):
        first -= 1
    header: tuple[_Line, ...] = ()
    if first > 0 and len(_cells(body[first - 1], byte)) > 1:
        above = _cells(body[first - 1], byte)
        header = (body[first - 1],)
        if _is_unit_row(above) and first > 1 and len(_cells(body[first - 2], byte)) == len(above):
            header = (body[first - 2], body[first - 1])
        names = split_cells(header[0].text, byte) or []
        trailing = len(names) == width - 1 and all(cells[-1] == b"" for cells in alike)
        if len(names) == width + 1 and names[-1] == b"":
            trailing = True
        if len(names) != width and not trailing:
            if len(names) * 2 < width:
                header = ()  # a line of the preamble
            else:
                raise CaptureError(
                    f"the header has {len(names)} cells, the rows below have {width}",
                    path=path,
                    line=header[0].number,
                    found=header[0].text.decode(encoding),
                    expected="one name for each column",
                    advice="mend the header, or name the separator with --separator",
                )
    following = [_cells(line, byte) for line in body[first : first + _ROWS_LOOKED_AT]]
    rows = tuple(tuple(cells) for cells in following if len(cells) == width)
    return _Table(header, body[first], rows, width, mark)


def _cells(line: _Line, separator: bytes) -> list[bytes]:
    return split_cells(line.text, separator) or []


def _is_plain_level(cell: bytes) -> bool:
    return any(
        flags & _LEVELS and not flags & t.HEX_LETTER
        for flags in (classify(cell, mark) for mark in b".,")
    )


def _is_mostly_samples(cells: list[bytes]) -> bool:
    """Whether a line may be a row: some columns may hold remarks."""
    return sum(map(_is_sample, cells)) * 3 > len(cells)


def _decimal_mark(rows: list[list[bytes]]) -> str:
    commas = sum(cell.count(b",") for cells in rows for cell in cells if _is_number(cell, ","))
    points = sum(cell.count(b".") for cells in rows for cell in cells if _is_number(cell, "."))
    return "," if commas > points else "."


def _is_number(cell: bytes, mark: str) -> bool:
    return parse_number(cell, ord(mark)) is not None


def _column_flags(cells: tuple[bytes, ...], mark: str) -> int:
    """What the cells of a column look like; TEXT only for words, and nothing that is a level."""
    flags = [classify(cell, ord(mark)) for cell in cells]
    texts = sum(1 for flag in flags if flag & t.TEXT)
    every = functools.reduce(operator.or_, flags, 0)
    # Mnemonics such as ADC read as hex digits.
    if texts * 2 > len(flags) or (texts and not every & _LEVELS):
        return t.TEXT
    return every & ~t.TEXT


def _is_row(cells: list[bytes], kinds: list[int]) -> bool:
    """Whether cells are samples, given what the columns hold (nothing given: any samples)."""
    if not any(cells):
        return False
    for index, cell in enumerate(cells):
        kind = kinds[index] if index < len(kinds) else None
        if kind == t.TEXT:
            continue
        flags = min((classify(cell, mark) for mark in b".,"), key=lambda flag: flag & t.TEXT)
        if flags & t.TEXT:
            return False
        # Names such as A0 or D7 read as hex digits.
        a_name = flags & t.HEX_LETTER and not flags & t.HEX_MARK
        if a_name and (
            kind is None or kind & ~(t.LEVEL | t.LETTER | t.UNKNOWN) == 0 or kind & t.NUMBER
        ):
            return False
    return True


def _is_unit_row(cells: list[bytes]) -> bool:
    texts = [cell.decode("latin-1").strip("[]() ").lower() for cell in cells]
    return any(texts) and all(
        not text or text in _LINE_UNITS or time_unit(text) is not None for text in texts
    )


def _commented_header(table: _Table, lines: list[_Line], separator: str, encoding: str) -> _Table:
    """Take the last comment above the rows as header when it has a name for each column."""
    assert table.first is not None
    for line in reversed(lines[: table.first.number - 1]):
        if not line.text.strip():
            continue
        text = line.text.lstrip(b"#;/ ")
        cells = split_cells(text, separator.encode())
        if cells is not None and len(cells) == table.width and all(cells):
            return replace(table, header=(_Line(line.offset, line.number, text),))
        break
    return table


def _columns(
    table: _Table, separator: str, mark: str, encoding: str, preamble: Preamble
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
    if cells and _column_flags(cells, mark) & t.TEXT:
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
