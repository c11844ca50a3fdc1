"""The row scanner of the CSV reader for small files: plain Python, so nothing is compiled first.

Does what `bustrace.capture._kernels_csv.scan_rows` does. Rows of a capture repeat, so what a row
says apart from its time is remembered.
"""

from __future__ import annotations

import functools
import re

import numpy as np
import numpy.typing as npt

from bustrace.capture import csv_table as t
from bustrace.capture.csv_table import Scan, Table

_REMEMBERED = 100_000
_BLANK = b" \t"
_HEX_DIGITS = b"0123456789abcdefABCDEF"
_UNKNOWN_DIGITS = b"xXzZ?-"
_NUMBER = {
    mark: re.compile(rb"([+-]?)(\d*)(?:\%c(\d*))?(?:[eE]([+-]?\d+))?" % mark) for mark in b".,"
}


class _Stop(Exception):
    """A row that cannot be read: why, and the cell."""

    def __init__(self, status: int, column: int) -> None:
        self.status = status
        self.column = column


def parse_number(cell: bytes, decimal: int) -> tuple[int, int, int] | None:
    """Read a decimal number: (mantissa, power of ten, significant digits), None when it is none."""
    match = _NUMBER[decimal].fullmatch(cell)
    if match is None:
        return None
    digits = match[2] + (match[3] or b"")
    if not digits:
        return None
    mantissa = int(digits)
    power = int(match[4] or 0) - len(match[3] or b"")
    return (-mantissa if match[1] == b"-" else mantissa), power, len(digits.lstrip(b"0"))


def scale_number(mantissa: int, power: int) -> int | None:
    """floor(mantissa * 10 ** power), or None when it does not fit 63 bits."""
    if power >= 0:
        value = mantissa * 10 ** min(power, 19)
        return value if abs(value) <= 9 * 10**18 else None
    value = mantissa // 10 ** min(-power, 400)
    return value if abs(value) <= 9 * 10**18 else None


@functools.lru_cache(maxsize=4096)
def classify(cell: bytes, decimal: int) -> int:
    """What a cell looks like: the flags of `csv_table`."""
    return _digits(cell, t.HEX, decimal)[0]


def measure(cell: bytes, kind: int, decimal: int) -> tuple[int, int]:
    """Flags and number of digits of a cell in a column of some kind."""
    flags, digits, _, _, _ = _digits(cell, kind, decimal)
    return flags, digits


def split_cells(row: bytes, separator: bytes, *, strict: bool = False) -> list[bytes] | None:
    """Cells of a row without quotes and surrounding blanks; None when a quote stays open.

    A blank that is the separator is no blank. `strict` stops at text after a closing quote.
    """
    if b'"' not in row:
        return [cell.strip(_BLANK) for cell in row.split(separator)]
    cells: list[bytes] = []
    at = 0
    while True:
        while row[at : at + 1] in (b" ", b"\t") and row[at : at + 1] != separator:
            at += 1
        if row[at : at + 1] == b'"':
            end = row.find(b'"', at + 1)
            while end >= 0 and row[end + 1 : end + 2] == b'"':
                end = row.find(b'"', end + 2)
            if end < 0:
                return None
            stop = row.find(separator, end)
            stop = len(row) if stop < 0 else stop
            after = row[end + 1 : stop].strip(_BLANK + b"\r")
            if after and strict:
                raise _Stop(t.BAD_CELL, len(cells))
            cell = row[at + 1 : stop].rstrip() if after else row[at + 1 : end]
            cells.append(cell.replace(b'""', b'"').strip(_BLANK))
        else:
            stop = row.find(separator, at)
            stop = len(row) if stop < 0 else stop
            cells.append(row[at:stop].strip(_BLANK))
        if stop == len(row):
            return cells
        at = stop + 1


def scan_rows(
    buffer: npt.NDArray[np.uint8], start: int, end: int, table: Table, scan: Scan
) -> tuple[int, int]:
    """Read whole rows of ``buffer[start:end]`` into `scan`.

    Parameters
    ----------
    buffer : uint8
        `end` is just past a line feed.

    Returns
    -------
    status, place : int
        t.DONE, or why the scanner stopped, and the start of the row it stopped at.
    """
    rows = _Rows(table, scan)
    status, at = t.DONE, start
    block = buffer[start:end].tobytes()
    place = 0
    while place < len(block):
        stop = block.find(b"\n", place)
        row = block[place:stop]
        try:
            feeds = rows.take(row)
            while feeds is None:
                stop = block.find(b"\n", stop + 1)
                if stop < 0:
                    raise _Stop(t.MORE, 0)
                row = block[place:stop]
                feeds = rows.take(row)
        except _Stop as reason:
            status = reason.status
            scan.carry[t.COLUMN] = reason.column
            break
        rows.lines += feeds
        place = stop + 1
    rows.store()
    return status, at + place


class _Rows:
    """Rows of one block, and what was remembered of the ones before."""

    def __init__(self, table: Table, scan: Scan) -> None:
        carry = scan.carry
        self._table = table
        self._scan = scan
        self._separator = bytes([table.separator])
        self._kinds = table.kinds.tolist()
        self._shifts = table.shifts.tolist()
        self._widths = table.widths.tolist()
        self._scales = table.scales.tolist()
        self._first = carry[t.ROWS] == 0
        self.lines = int(carry[t.LINES])
        self._rows = int(carry[t.ROWS])
        self._last_time = int(carry[t.LAST_TIME])
        # The last kept row may be replaced by a later one of the same time.
        self._from = max(0, int(carry[t.KEPT]) - 2)
        kept = slice(self._from, int(carry[t.KEPT]))
        self._times: list[int] = scan.times[kept].tolist()
        self._states: list[int] = scan.states[kept].tolist()
        self._knowns: list[int] = scan.knowns[kept].tolist()
        self._remembered: dict[bytes, tuple[int, int]] = {}
        self._cells: list[dict[bytes, tuple[int, int]]] = [{} for _ in self._kinds]
        # A table of nothing but single lines, after its time column if any: one word a row.
        lines = len(self._kinds) - (table.time_column == 0)
        levels = self._kinds[len(self._kinds) - lines :]
        single = table.time_column <= 0 and all(kind == t.BIT for kind in levels)
        self._single = lines if single and self._shifts[-lines:] == list(range(lines)) else 0
        self._between = self._separator * (lines - 1)

    def take(self, row: bytes) -> int | None:
        """Read one row; number of line feeds it took, None when a quote is open at its end."""
        if row.endswith(b"\r"):
            row = row[:-1]
        if not row:
            return 1
        table = self._table
        if row.startswith((b"#", b"//")) or (row[0] == 59 and table.semicolon_comments):
            return 1
        column = table.time_column
        cell = b""
        body = row
        if column == 0:
            if row[0] == 34:
                cell, _, body = row[1:].partition(b'"' + self._separator)
            else:
                cell, _, body = row.partition(self._separator)
            seen = self._remembered.get(body)
            if seen is not None and cell.strip(_BLANK):
                self._keep(self._time(cell.strip(_BLANK)), *seen)
                return 1
        elif column < 0:
            seen = self._remembered.get(body)
            if seen is not None:
                self._keep(self._rows, *seen)
                return 1
        if self._single and (column < 0 or cell):
            digits = self._single_digits(body)
            if digits:
                word = int(digits[::-1], 2) & table.all_lines
                time = self._rows if column < 0 else self._time(cell.strip(_BLANK))
                self._keep(time, word, table.all_lines)
                return 1
        cells = split_cells(row, self._separator, strict=True)
        if cells is None:
            return None
        levels = self._levels(cells)
        time = self._rows if column < 0 else self._time(cells[column])
        feeds = row.count(b"\n")
        if feeds == 0 and (column < 0 or (column == 0 and cells[0] == cell.strip(_BLANK))):
            if len(self._remembered) > _REMEMBERED:
                self._remembered.clear()
            self._remembered[body] = levels
        self._keep(time, *levels)
        return 1 + feeds

    def _single_digits(self, body: bytes) -> bytes:
        """Digits of a row of single 0 and 1, bare or quoted; nothing when it holds other cells."""
        count = self._single
        digits = body[::2]
        if len(body) == 2 * count - 1 and body[1::2] == self._between:
            return b"" if digits.strip(b"01") else digits
        if len(body) == 4 * count - 1 and body[3::4] == self._between:
            digits = body[1::4]
            if digits.strip(b"01") or body[::4] + body[2::4] != b'"' * (2 * count):
                return b""
            return digits
        return b""

    def _time(self, cell: bytes) -> int:
        table = self._table
        column = table.time_column
        number = parse_number(cell, table.decimal)
        time = None
        if number is not None:
            mantissa, power, significant = number
            time = scale_number(mantissa, power + self._scales[column])
            if significant > self._scan.statistics[column, t.SIGNIFICANT]:
                self._scan.statistics[column, t.SIGNIFICANT] = significant
        if time is None:
            raise _Stop(t.BAD_TIME, column)
        return time

    def _keep(self, time: int, state: int, known: int) -> None:
        table, carry, masks = self._table, self._scan.carry, self._scan.masks
        step = time - self._last_time
        if self._rows == 0:
            carry[t.FIRST_TIME] = time
        elif step < 0:
            raise _Stop(t.BACKWARDS, max(0, table.time_column))
        elif step > 0:
            if carry[t.FIRST_STEP] == 0:
                carry[t.FIRST_STEP] = step
            if step < carry[t.SHORTEST_STEP]:
                carry[t.SHORTEST_STEP] = step
            if step > carry[t.LONGEST_STEP]:
                carry[t.LONGEST_STEP] = step
        self._rows += 1
        self._last_time = time
        states, knowns, times = self._states, self._knowns, self._times
        if not table.keep_all and times:
            if states[-1] == state and knowns[-1] == known:
                return
            if times[-1] == time:
                carry[t.SAME_TIME] += 1
                times.pop()
                states.pop()
                knowns.pop()
                if times and states[-1] == state and knowns[-1] == known:
                    return
        masks[t.EVER_KNOWN] |= np.uint64(known)
        masks[t.EVER_UNKNOWN] |= np.uint64(known ^ table.all_lines)
        times.append(time)
        states.append(state)
        knowns.append(known)

    def _levels(self, cells: list[bytes]) -> tuple[int, int]:
        """State and known-mask of one row's cells."""
        kinds = self._kinds
        state = known = 0
        for column, (cell, kind) in enumerate(zip(cells, kinds, strict=False)):
            if kind in (t.SKIP, t.TIME):
                continue
            known_cells = self._cells[column]
            levels = known_cells.get(cell)
            if levels is None:
                levels = known_cells[cell] = self._cell(column, cell, kind)
                if len(known_cells) > _REMEMBERED:
                    known_cells.clear()
            bits, sure = levels
            state |= bits << self._shifts[column]
            known |= sure << self._shifts[column]
        if len(cells) > len(kinds):
            raise _Stop(t.MANY_CELLS, len(kinds) - 1)
        if len(cells) < len(kinds):
            raise _Stop(t.FEW_CELLS, len(cells))
        return state & self._table.all_lines, known & self._table.all_lines

    def _cell(self, column: int, cell: bytes, kind: int) -> tuple[int, int]:
        table = self._table
        statistics = self._scan.statistics[column]
        width = self._widths[column]
        if kind == t.ANALOG:
            number = parse_number(cell, table.decimal)
            if number is not None:
                value = scale_number(number[0], number[1] + self._scales[column])
                if value is not None:
                    return int(value >= table.threshold), 1
        flags, count, bits, unknown, plain = _digits(cell, kind, table.decimal)
        if kind == t.ANALOG and flags != t.UNKNOWN:
            raise _Stop(t.BAD_CELL, column)
        statistics[t.FLAGS] |= flags
        if flags & t.TEXT:
            if kind != t.BIT:
                raise _Stop(t.BAD_CELL, column)
            if statistics[t.TEXT_LINE] == 0:
                statistics[t.TEXT_LINE] = self.lines + 1
            return 0, 0
        if flags & (t.UNKNOWN | t.NUMBER):
            return 0, 0
        statistics[t.MOST_DIGITS] = max(statistics[t.MOST_DIGITS], count)
        statistics[t.FEWEST_DIGITS] = min(statistics[t.FEWEST_DIGITS], count)
        statistics[t.LARGEST] = max(statistics[t.LARGEST], plain)
        if kind == t.BIT:
            fits = flags in (t.LEVEL, t.LETTER)
        elif flags == t.LETTER:
            raise _Stop(t.BAD_CELL, column)
        elif kind == t.DECIMAL:
            bits = max(plain, 0)
            fits = plain >= 0 and bits >> width == 0
        elif kind == t.HEX:
            fits = count * 4 <= width
        else:
            marked = 2 if flags & t.BINARY_MARK else 0
            fits = count - marked <= width and not flags & (t.DIGITS | t.HEX_LETTER)
        if not fits:
            return 0, 0
        known = (1 << width) - 1 & ~unknown
        return bits & known, known

    def store(self) -> None:
        """Write everything back for the next block."""
        scan = self._scan
        kept = self._from + len(self._times)
        while len(scan.times) < kept:
            scan.grow()
        scan.times[self._from : kept] = self._times
        scan.states[self._from : kept] = self._states
        scan.knowns[self._from : kept] = self._knowns
        scan.carry[t.KEPT] = kept
        scan.carry[t.ROWS] = self._rows
        scan.carry[t.LINES] = self.lines
        scan.carry[t.LAST_TIME] = self._last_time


def _digits(cell: bytes, kind: int, decimal: int) -> tuple[int, int, int, int, int]:
    """Read a cell as digits: (flags, digit count, value, unknown bits, decimal value or -1)."""
    if cell in (b"0", b"1"):
        return t.LEVEL, 1, int(cell), 0, int(cell)
    if cell in (b"h", b"H", b"l", b"L"):
        return t.LETTER, 1, int(cell in b"hH"), 0, -1
    flags = 0
    digits = cell
    if cell[:2] in (b"0x", b"0X"):
        flags, digits = t.HEX_MARK, cell[2:]
    elif len(cell) > 1 and cell[:1] == b"$":
        flags, digits = t.HEX_MARK, cell[1:]
    elif len(cell) > 1 and cell[-1:] in (b"h", b"H"):
        flags, digits = t.HEX_MARK, cell[:-1]
    elif len(cell) > 2 and cell[:2] in (b"0b", b"0B") and not cell[2:].strip(b"01xXzZ"):
        flags = t.BINARY_MARK
        if kind == t.BINARY:
            digits = cell[2:]
    gone = sum(map(digits.count, (b"x", b"X", b"z", b"Z", b"?", b"-")))
    if digits.strip(_HEX_DIGITS + _UNKNOWN_DIGITS):
        is_text = True
    else:
        is_text = gone > 0 and gone < len(digits) and cell[:1] == b"-"
        if gone == len(digits):
            return t.UNKNOWN, 0, 0, 0, -1
    if is_text or any(c not in _HEX_DIGITS + _UNKNOWN_DIGITS for c in digits):
        return (t.NUMBER if parse_number(cell, decimal) else t.TEXT), 0, 0, 0, -1
    if len(digits) > 1 and digits[:1] == b"0":
        flags |= t.LEADING_ZERO
    if not flags & t.BINARY_MARK:
        flags |= t.NO_BINARY_MARK
    known_digits = bytes(c for c in digits if c not in _UNKNOWN_DIGITS)
    if not flags & t.BINARY_MARK and any(c in b"abcdefABCDEF" for c in known_digits):
        flags |= t.HEX_LETTER
    if any(c in b"23456789" for c in known_digits):
        flags |= t.DIGITS
    elif any(c in b"01" for c in known_digits):
        flags |= t.BINARY_DIGITS if len(digits) > 1 else t.LEVEL
    base = 1 if kind == t.BINARY else 4
    value = unknown = 0
    for c in digits:
        value <<= base
        unknown <<= base
        if c in _UNKNOWN_DIGITS:
            unknown |= (1 << base) - 1
        else:
            value |= int(chr(c), 16) & (1 << base) - 1
    short = gone == 0 and digits.isdigit() and len(digits) <= 18
    plain = int(digits) if short and int(digits) <= 10**17 else -1
    # A mark counts as two digits, whatever it will be taken for.
    count = len(cell) if flags & t.BINARY_MARK else len(digits)
    return flags, count, value, unknown, plain
