"""Working out how a delimited text file is written: separators, header, preamble, columns."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

from bustrace.capture import csv_table as t
from bustrace.capture.csv_header import (
    LEVELS,
    Column,
    Line,
    Rows,
    column_flags,
    is_unit_row,
    name_columns,
    names_a_time,
)
from bustrace.capture.csv_preamble import Preamble, read_preamble
from bustrace.capture.csv_rows import classify, parse_number, split_cells
from bustrace.capture.model import Note
from bustrace.errors import CaptureError

HEAD_BYTES = 1 << 18
_ROWS_LOOKED_AT = 200
_SEPARATORS = {",": ",", ";": ";", "\t": "\t", "|": "|"} | {
    "comma": ",",
    "semicolon": ";",
    "tab": "\t",
    "pipe": "|",
}
_VCD_WORDS = (b"$enddefinitions", b"$timescale", b"$date", b"$version", b"$scope", b"$var")
_MOST_LINES_IN_A_CELL = 50


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
    columns, more, step = name_columns(table, found, mark, encoding, preamble)
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


def _lines(head: bytes, start: int = 0) -> list[Line]:
    lines = []
    offset = start
    number = 1
    while offset < len(head):
        stop = _line_end(head, offset)
        text = head[offset:stop]
        lines.append(Line(offset, number, text.rstrip(b"\r")))
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


def _is_comment(line: Line, semicolons: bool) -> bool:
    text = line.text
    return text.startswith((b"#", b"//")) or (semicolons and text.startswith(b";"))


def _best_separator(lines: list[Line]) -> str | None:
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


def _own_table(body: list[Line], path: str | Path) -> Rows:
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
    return Rows((body[0],), body[1] if len(body) > 1 else None, (), width, ".")


def _find_table(
    body: list[Line], separator: str, decimal: str | None, path: str | Path, encoding: str
) -> Rows:
    """Find header and first row; every line that could be a row is one."""
    byte = separator.encode()
    tail = [split_cells(line.text, byte) or [] for line in body[-_ROWS_LOOKED_AT:]]
    widths: Counter[int] = Counter()
    for cells in tail:
        if any(cells) and _is_mostly_samples(cells):
            widths[len(cells)] += sum(map(_is_sample, cells))
    if not widths:
        return _no_rows(body, byte)
    width = max(widths, key=lambda w: (widths[w], w))
    alike = [cells for cells in tail if len(cells) == width and _is_mostly_samples(cells)]
    mark = decimal or _decimal_mark(alike)
    if not any(map(_is_plain_level, alike[0])):
        alike = alike[1:]  # maybe a header whose names read as hex digits
        if not alike:
            return _no_rows(body, byte)
    kinds = [column_flags(column, mark) for column in zip(*alike, strict=True)]
    found = (
        index
        for index, line in enumerate(body)
        if len(cells := _cells(line, byte)) == width and _is_row(cells, kinds)
    )
    first = next(found, None)
    if first is None:
        return _no_rows(body, byte)
    # A line above that holds nothing but samples is a row with too few or too many cells.
    while (
        first > 0
        and len(_cells(body[first - 1], byte)) > 1
        and _is_row(_cells(body[first - 1], byte), kinds[:0])
    ):
        first -= 1
    header: tuple[Line, ...] = ()
    if first > 0 and len(_cells(body[first - 1], byte)) > 1:
        above = _cells(body[first - 1], byte)
        header = (body[first - 1],)
        if is_unit_row(above) and first > 1 and len(_cells(body[first - 2], byte)) == len(above):
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
    return Rows(header, body[first], rows, width, mark)


def _cells(line: Line, separator: bytes) -> list[bytes]:
    return split_cells(line.text, separator) or []


def _no_rows(body: list[Line], separator: bytes) -> Rows:
    """Return the table of a file that has a header at most."""
    if not body:
        return Rows((), None, (), 0, ".")
    widest = max(body, key=lambda line: len(_cells(line, separator)))
    return Rows((widest,), None, (), len(_cells(widest, separator)), ".")


def _is_plain_level(cell: bytes) -> bool:
    return any(
        flags & LEVELS and not flags & t.HEX_LETTER
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


def _is_row(cells: list[bytes], kinds: list[int]) -> bool:
    """Whether cells are samples, given what the columns hold (nothing given: any samples)."""
    if not any(cells):
        return False
    for index, cell in enumerate(cells):
        kind = kinds[index] if index < len(kinds) else None
        if kind == t.TEXT:
            if names_a_time(cell):
                return False  # a header, whose other names are numbers
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


def _commented_header(table: Rows, lines: list[Line], separator: str, encoding: str) -> Rows:
    """Take the last comment above the rows as header when it has a name for each column."""
    assert table.first is not None
    for line in reversed(lines[: table.first.number - 1]):
        if not line.text.strip():
            continue
        text = line.text.lstrip(b"#;/ ")
        cells = split_cells(text, separator.encode())
        if cells is not None and len(cells) == table.width and all(cells):
            return replace(table, header=(Line(line.offset, line.number, text),))
        break
    return table
