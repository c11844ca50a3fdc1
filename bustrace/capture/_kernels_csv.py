"""The compiled row scanner of the CSV reader.

Indices are uint64 throughout: signed ones cost a wrap check and keep eight byte reads from fusing
into one load. Every constant that meets them is uint64 too, because uint64 with int64 is float64.
Shifts and masks are used where a multiplication would overflow, so that the same source also runs
uncompiled without overflow warnings.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from bustrace.capture import csv_table as t
from bustrace.capture.csv_table import Scan, Table
from bustrace.compiled import compiled

_TAB, _LF, _CR, _SPACE, _QUOTE, _HASH, _SLASH, _SEMICOLON = map(np.uint8, b'\t\n\r "#/;')
_0, _1, _2, _3, _4, _5, _6, _7, _8 = map(np.uint64, range(9))
_15, _16, _24, _30, _32, _40, _45 = map(np.uint64, (15, 16, 24, 30, 32, 40, 45))
_48, _56, _64 = map(np.uint64, (48, 56, 64))

# Four cells "0,1,1,0," in one word: cells in the even bytes, separators in the odd ones.
_CELLS = np.uint64(0xFFFE_FFFE_FFFE_FFFE)
_CELL_ZERO = np.uint64(0x0030_0030_0030_0030)
_CELL_BITS = np.uint64(0x0001_0001_0001_0001)
# Eight binary digits in one word.
_DIGITS = np.uint64(0xFEFE_FEFE_FEFE_FEFE)
_DIGIT_ZERO = np.uint64(0x3030_3030_3030_3030)
_DIGIT_BITS = np.uint64(0x0101_0101_0101_0101)
_PAIRS = np.uint64(0x0003_0003_0003_0003)
_FOURS = np.uint64(0x0000_000F_0000_000F)
_EIGHT = np.uint64(0xFF)


@compiled
def _load8(buffer, i):
    return (
        np.uint64(buffer[i])
        | np.uint64(buffer[i + _1]) << _8
        | np.uint64(buffer[i + _2]) << _16
        | np.uint64(buffer[i + _3]) << _24
        | np.uint64(buffer[i + _4]) << _32
        | np.uint64(buffer[i + _5]) << _40
        | np.uint64(buffer[i + _6]) << _48
        | np.uint64(buffer[i + _7]) << _56
    )


@compiled
def _number(buffer, at, decimal):
    """Read a decimal number: (mantissa, power of ten, significant digits, next byte, digits).

    Digits beyond the eighteenth significant one are dropped.
    """
    negative = buffer[at] == 45
    if negative or buffer[at] == 43:
        at += _1
    mantissa = 0
    power = 0
    significant = 0
    digits = 0
    after_mark = 0
    while True:
        c = buffer[at]
        d = np.int64(c) - 48
        if d >= 0 and d <= 9:
            digits += 1
            if significant > 0 or d > 0:
                significant += 1
            if significant <= 18:
                mantissa = mantissa * 10 + d  # type: ignore[assignment]
                power -= after_mark
            else:
                power += 1 - after_mark
        elif c == decimal and after_mark == 0:
            after_mark = 1
        else:
            break
        at += _1
    if digits > 0 and (buffer[at] == 101 or buffer[at] == 69):
        mark = at
        at += _1
        down = buffer[at] == 45
        if down or buffer[at] == 43:
            at += _1
        exponent = 0
        exponent_digits = 0
        while buffer[at] >= 48 and buffer[at] <= 57:
            if exponent < 1000:
                exponent = exponent * 10 + (np.int64(buffer[at]) - 48)  # type: ignore[assignment]
            exponent_digits += 1
            at += _1
        if exponent_digits == 0:
            at = mark
        elif down:
            power -= exponent
        else:
            power += exponent
    if negative:
        mantissa = -mantissa
    return mantissa, power, significant, at, digits


@compiled
def _scaled(mantissa, power, powers):
    """floor(mantissa * 10 ** power) and whether it fits 63 bits."""
    if power >= 0:
        if mantissa == 0:
            return 0, True
        if power > 18:
            return 0, False
        most = 9_000_000_000_000_000_000 // powers[power]
        if mantissa > most or mantissa < -most:
            return 0, False
        return mantissa * powers[power], True
    if power < -18:
        return (-1 if mantissa < 0 else 0), True
    return mantissa // powers[-power], True


@compiled
def _cell(buffer, at, end, separator):
    """Bounds of the cell at `at`: (first, past its last, terminator's place, line feeds inside).

    The terminator is a separator, a line feed (after its carriage return, if any) or `end`. Text
    after a closing quote makes the line feeds -1.
    """
    feeds = 0
    while at < end and (buffer[at] == _SPACE or (buffer[at] == _TAB and separator != _TAB)):
        at += _1
    first = at
    if at < end and buffer[at] == _QUOTE:
        at += _1
        first = at
        while at < end:
            if buffer[at] == _QUOTE:
                if at + _1 < end and buffer[at + _1] == _QUOTE:
                    at += _1
                else:
                    break
            elif buffer[at] == _LF:
                feeds += 1
            at += _1
        last = at
        if at < end:
            at += _1
        while at < end and buffer[at] != separator and buffer[at] != _LF:
            if buffer[at] != _SPACE and buffer[at] != _CR and buffer[at] != _TAB:
                feeds = -1  # text after the closing quote
            at += _1
    else:
        while at < end and buffer[at] != separator and buffer[at] != _LF:
            at += _1
        last = at
        if at < end and buffer[at] == _LF and last > first and buffer[last - _1] == _CR:
            last -= _1
    while first < last and (buffer[first] == _SPACE or buffer[first] == _TAB):
        first += _1
    while last > first and (buffer[last - _1] == _SPACE or buffer[last - _1] == _TAB):
        last -= _1
    return first, last, at, feeds


@compiled
def _digits(buffer, first, last, kind, decimal):
    """Read a cell as digits: (flags, digit count, value, unknown bits, decimal value).

    Value and unknown bits are read in the base of `kind` (HEX or BINARY); the decimal value is -1
    when a digit is no decimal one.
    """
    length = last - first
    if length == _1:
        c = buffer[first]
        if c == 48 or c == 49:
            return t.LEVEL, 1, np.uint64(c) & _1, _0, np.int64(c) - 48
        lower = c | np.uint8(32)
        if lower == 104:
            return t.LETTER, 1, _1, _0, -1
        if lower == 108:
            return t.LETTER, 1, _0, _0, -1
    flags = 0
    at = first
    stop = last
    if length >= _2:
        lower = buffer[at + _1] | np.uint8(32)
        if buffer[at] == 48 and lower == 120:
            at += _2
            flags = t.HEX_MARK
        elif buffer[at] == 36:
            at += _1
            flags = t.HEX_MARK
        elif buffer[last - _1] | np.uint8(32) == 104:
            stop -= _1
            flags = t.HEX_MARK
        elif buffer[at] == 48 and lower == 98 and length > _2:
            marked = True
            p = at + _2
            while p < last:
                low = buffer[p] | np.uint8(32)
                if not (buffer[p] == 48 or buffer[p] == 49 or low == 120 or low == 122):
                    marked = False
                p += _1
            if marked:
                flags = t.BINARY_MARK
                if kind == t.BINARY:
                    at += _2
    if at < stop and buffer[at] == 48 and stop - at > _1:
        flags |= t.LEADING_ZERO
    if flags & t.BINARY_MARK == 0:
        flags |= t.NO_BINARY_MARK
    # A mark counts as two digits, whatever it will be taken for.
    count = 2 if flags & t.BINARY_MARK and kind == t.BINARY else 0
    unknown_count = 0
    value = _0
    unknown = _0
    number = 0
    low_digits = t.BINARY_DIGITS if stop - at > _1 else t.LEVEL
    plain = 0
    shift = _1 if kind == t.BINARY else _4
    ones = _1 if kind == t.BINARY else _15
    if kind == t.BINARY:
        while at + _8 <= stop:
            word = _load8(buffer, at)
            if word & _DIGITS != _DIGIT_ZERO:
                break
            word &= _DIGIT_BITS
            word = (word << _1 | word >> _8) & _PAIRS
            word = (word << _2 | word >> _16) & _FOURS
            word = (word << _4 | word >> _32) & _EIGHT
            value = value << _8 | word
            unknown <<= _8
            plain = low_digits
            number = -1  # not needed: a column of 0 and 1 only is never decimal
            count += 8
            at += _8
    while at < stop:
        c = buffer[at]
        lower = c | np.uint8(32)
        d = _0
        gone = _0
        if c >= 48 and c <= 57:
            d = np.uint64(c) & _15
            plain |= t.DIGITS if c > 49 else low_digits
            if number >= 0:
                number = number * 10 + (np.int64(c) - 48)  # type: ignore[assignment]
                if number > 100_000_000_000_000_000:
                    number = -1
        elif lower >= 97 and lower <= 102:
            d = np.uint64(lower) - np.uint64(87)
            if flags & t.BINARY_MARK == 0:
                flags |= t.HEX_LETTER
            number = -1
        elif lower == 120 or lower == 122 or c == 63 or c == 45:
            gone = ones
            unknown_count += 1
            number = -1
        else:
            flags |= t.TEXT
            break
        value = value << shift | d & ones
        unknown = unknown << shift | gone
        count += 1
        at += _1
    if flags & t.TEXT == 0 and count == unknown_count:
        return t.UNKNOWN, 0, _0, _0, -1
    if flags & t.TEXT or (unknown_count > 0 and buffer[first] == 45):
        _, _, _, after, some = _number(buffer, first, decimal)
        if some > 0 and after == last:
            return t.NUMBER, 0, _0, _0, -1
        return t.TEXT, 0, _0, _0, -1
    flags |= t.DIGITS if plain & t.DIGITS != 0 else plain
    return flags, count, value, unknown, number


@compiled
def _any_cell(
    buffer,
    at,
    end,
    separator,
    decimal,
    kind,
    width,
    scale,
    threshold,
    powers,
    statistics,
    column,
    line,
):
    """Read a cell of any kind: (status, terminator's place, line feeds, time, bits, known)."""
    if kind in (t.TIME, t.ANALOG):
        p = at
        quoted = False
        while buffer[p] == _SPACE or buffer[p] == _QUOTE:
            quoted |= buffer[p] == _QUOTE
            p += _1
        mantissa, power, significant, stop, count = _number(buffer, p, decimal)
        if count > 0:
            value, fits = _scaled(mantissa, power + scale, powers)
            while buffer[stop] == _SPACE or (buffer[stop] == _QUOTE and quoted):
                stop += _1
            if buffer[stop] == _CR and buffer[stop + _1] == _LF:
                stop += _1
            if fits and (buffer[stop] == separator or buffer[stop] == _LF):
                if kind == t.TIME:
                    statistics[column, t.SIGNIFICANT] = max(
                        statistics[column, t.SIGNIFICANT], significant
                    )
                    return t.DONE, stop, 0, value, _0, _0
                return t.DONE, stop, 0, 0, _1 if value >= threshold else _0, _1
        if kind == t.TIME:
            return t.BAD_TIME, at, 0, 0, _0, _0
    first, last, stop, feeds = _cell(buffer, at, end, separator)
    if feeds < 0 and stop < end:
        return t.BAD_CELL, at, 0, 0, _0, _0
    if kind == t.SKIP or stop == end:
        return t.DONE, stop, feeds, 0, _0, _0
    flags, count, bits, unknown, number = _digits(buffer, first, last, kind, decimal)
    if kind == t.ANALOG and flags != t.UNKNOWN:
        return t.BAD_CELL, at, 0, 0, _0, _0
    statistics[column, t.FLAGS] |= flags
    if flags & t.TEXT != 0:
        if kind != t.BIT:
            return t.BAD_CELL, at, 0, 0, _0, _0
        if statistics[column, t.TEXT_LINE] == 0:
            statistics[column, t.TEXT_LINE] = line
        return t.DONE, stop, feeds, 0, _0, _0
    if flags & (t.UNKNOWN | t.NUMBER) != 0:
        return t.DONE, stop, feeds, 0, _0, _0
    statistics[column, t.MOST_DIGITS] = max(statistics[column, t.MOST_DIGITS], count)
    statistics[column, t.FEWEST_DIGITS] = min(statistics[column, t.FEWEST_DIGITS], count)
    statistics[column, t.LARGEST] = max(statistics[column, t.LARGEST], number)
    if kind == t.BIT:
        fits = flags in (t.LEVEL, t.LETTER)
    elif flags == t.LETTER:
        return t.BAD_CELL, at, 0, 0, _0, _0
    elif kind == t.DECIMAL:
        bits = np.uint64(number) if number >= 0 else _0
        fits = number >= 0 and bits >> width == _0
    elif kind == t.HEX:
        fits = count * 4 <= np.int64(width)
    else:
        if flags & t.BINARY_MARK != 0:
            count -= 2
        fits = count <= np.int64(width) and flags & (t.DIGITS | t.HEX_LETTER) == 0
    if not fits:  # the column will be read again, as what it turned out to be
        return t.DONE, stop, feeds, 0, _0, _0
    known = (~_0 if width == _64 else (_1 << width) - _1) & ~unknown
    return t.DONE, stop, feeds, 0, bits & known, known


@compiled
def _scan(
    buffer,
    start,
    end,
    separator,
    decimal,
    semicolon_comments,
    keep_all,
    kinds,
    shifts,
    widths,
    runs,
    scales,
    threshold,
    powers,
    times,
    states,
    knowns,
    statistics,
    carry,
    masks,
    all_lines,
):
    last_column = np.uint64(len(kinds)) - _1
    mark = np.uint64(separator)
    four_cells = _CELL_ZERO | mark << _8 | mark << _24 | mark << _40 | mark << _56
    capacity = len(times)
    kept = carry[t.KEPT]
    rows = carry[t.ROWS]
    lines = carry[t.LINES]
    last_time = carry[t.LAST_TIME]
    ever_known = masks[t.EVER_KNOWN]
    ever_unknown = masks[t.EVER_UNKNOWN]
    largest_number = 0
    status = t.DONE
    at = start
    row = start
    while at < end:
        row = at
        c = buffer[at]
        if c == _LF or (c == _CR and buffer[at + _1] == _LF):
            if c == _CR:
                at += _1
            at += _1
            lines += 1
            continue
        if (
            c == _HASH
            or (c == _SLASH and buffer[at + _1] == _SLASH)
            or (c == _SEMICOLON and semicolon_comments)
        ):
            while at < end and buffer[at] != _LF:
                at += _1
            if at == end:
                status = t.MORE
                break
            continue
        if kept >= capacity:
            status = t.FULL
            break
        state = _0
        known = _0
        time = rows
        feeds = 0
        column = _0
        while True:
            kind = kinds[column]
            shift = shifts[column]
            stop = at + _1
            fast = False
            if runs[column] >= 4:
                word = _load8(buffer, at)
                if word & _CELLS == four_cells:
                    word &= _CELL_BITS
                    word = (word | word >> _15 | word >> _30 | word >> _45) & _15
                    state |= word << shift
                    known |= _15 << shift
                    at += _8
                    column += _4
                    continue
            if (
                kind == t.BIT
                and buffer[at] & np.uint8(0xFE) == 48
                and (buffer[stop] == separator or buffer[stop] == _LF)
            ):
                state |= (np.uint64(buffer[at]) & _1) << shift
                known |= _1 << shift
                fast = True
            elif kind == t.TIME:
                # Digits with at most one mark, and nothing else: all but a few odd cells.
                stop = at
                point = _0
                number = 0
                c = buffer[stop]
                while (c >= 48 and c <= 57) or (c == decimal and point == _0):
                    if c == decimal:
                        point = stop
                    else:
                        number = number * 10 + (np.int64(c) - 48)  # type: ignore[assignment]
                    stop += _1
                    c = buffer[stop]
                power = scales[column]
                if point != _0:
                    power -= np.int64(stop - point) - 1
                fast = (
                    c == separator
                    and stop > at + _1
                    and power >= 0
                    and np.int64(stop - at) + power <= 18
                )
                if fast:
                    time = number * powers[power]
                    largest_number = max(largest_number, number)
            if not fast:
                status, stop, more, value, bits, sure = _any_cell(
                    buffer,
                    at,
                    end,
                    separator,
                    decimal,
                    kind,
                    widths[column],
                    scales[column],
                    threshold,
                    powers,
                    statistics,
                    column,
                    lines + 1,
                )
                if status != t.DONE:
                    break
                if kind == t.TIME:
                    time = value
                feeds += more
                state |= bits << shift
                known |= sure << shift
            if stop >= end:
                status = t.MORE
                break
            at = stop + _1
            if buffer[stop] == separator:
                if column == last_column:
                    status = t.MANY_CELLS
                    break
                column += _1
                continue
            if column != last_column:
                status = t.FEW_CELLS
                column += _1
            break
        if status != t.DONE:
            carry[t.COLUMN] = np.int64(column)
            break
        step = time - last_time
        if rows == 0:
            carry[t.FIRST_TIME] = time
        elif step < 0:
            status = t.BACKWARDS
            break
        elif step > 0:
            if carry[t.FIRST_STEP] == 0:
                carry[t.FIRST_STEP] = step
            carry[t.SHORTEST_STEP] = min(carry[t.SHORTEST_STEP], step)
            carry[t.LONGEST_STEP] = max(carry[t.LONGEST_STEP], step)
        state &= all_lines
        known &= all_lines
        rows += 1
        lines += 1 + feeds
        last_time = time
        ever_known |= known
        ever_unknown |= known ^ all_lines
        if not keep_all and kept > 0:
            if states[kept - 1] == state and knowns[kept - 1] == known:
                continue
            if times[kept - 1] == time:  # two rows at one time: the later one stands
                carry[t.SAME_TIME] += 1
                kept -= 1
                if kept > 0 and states[kept - 1] == state and knowns[kept - 1] == known:
                    continue
        times[kept] = time
        states[kept] = state
        knowns[kept] = known
        kept += 1
    significant = 0
    while largest_number > 0:
        significant += 1
        largest_number //= 10
    for index in range(len(kinds)):
        if kinds[index] == t.TIME:
            statistics[index, t.SIGNIFICANT] = max(statistics[index, t.SIGNIFICANT], significant)
    carry[t.KEPT] = kept
    carry[t.ROWS] = rows
    carry[t.LINES] = lines
    carry[t.LAST_TIME] = last_time
    masks[t.EVER_KNOWN] = ever_known
    masks[t.EVER_UNKNOWN] = ever_unknown
    return status, at if status == t.DONE else row


_POWERS = 10 ** np.arange(19, dtype=np.int64)


def scan_rows(
    buffer: npt.NDArray[np.uint8], start: int, end: int, table: Table, scan: Scan
) -> tuple[int, int]:
    """Read whole rows of ``buffer[start:end]`` into `scan`, which grows when it is full.

    Parameters
    ----------
    buffer : uint8, shape (at least end + 16,)
        `end` is just past a line feed. The bytes after it are looked at, not used.

    Returns
    -------
    status, place : int
        t.DONE, or why the scanner stopped, and the start of the row it stopped at. After an error
        ``carry[t.LINES]`` line feeds lie before that row and ``carry[t.COLUMN]`` is the cell.
    """
    while True:
        status, at = _scan(
            buffer,
            np.uint64(start),
            np.uint64(end),
            np.uint8(table.separator),
            np.uint8(table.decimal),
            table.semicolon_comments,
            table.keep_all,
            table.kinds,
            table.shifts,
            table.widths,
            table.runs,
            table.scales,
            table.threshold,
            _POWERS,
            scan.times,
            scan.states,
            scan.knowns,
            scan.statistics,
            scan.carry,
            scan.masks,
            np.uint64(table.all_lines),
        )
        start = int(at)
        if status != t.FULL:
            return int(status), start
        scan.grow()
