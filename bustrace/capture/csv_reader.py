"""Reading delimited text: tables of levels, buses or volts, one row a transition, sample or cycle.

There is no standard beyond RFC 4180, which tells how cells are quoted. What else is met in exports
is common practice; every choice made here is a note of the capture.
"""

from __future__ import annotations

import itertools
import os
from collections.abc import Callable, Sequence
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import BinaryIO

import numpy as np
import numpy.typing as npt

from bustrace.capture import csv_rows
from bustrace.capture import csv_table as t
from bustrace.capture.cache_note import cache_notes
from bustrace.capture.chunks import DEFAULT_CHUNK_BYTES, Feed, open_bytes, progress_over
from bustrace.capture.csv_clock import Clock
from bustrace.capture.csv_columns import (
    DEFAULT_THRESHOLD,
    Base,
    Content,
    Plan,
    compact,
    content_of,
    is_text,
    plan_lines,
    survey_table,
    text_error,
)
from bustrace.capture.csv_dialect import HEAD_BYTES, Dialect, looks_like_csv, work_out
from bustrace.capture.csv_header import Column
from bustrace.capture.csv_preamble import Own, unit_power
from bustrace.capture.csv_preamble import time_unit as usual_unit
from bustrace.capture.csv_table import Scan, new_scan
from bustrace.capture.csv_times import simplest_rate
from bustrace.capture.model import Capture, Mode, Note
from bustrace.errors import CaptureError
from bustrace.units import PS_PER_SECOND

__all__ = ["looks_like_csv", "read_csv"]

# Files up to this size are read without compiled code: compiling takes longer.
SMALL_BYTES = 12 << 20
_PASSES = 8
_FIRST_ROWS = 200
_UNIT_ORDER = ("ns", "us", "ms", "ps", "s")

_Scanner = Callable[..., tuple[int, int]]


def read_csv(
    path: str | Path,
    *,
    lines: Sequence[str] | None = None,
    rate: Fraction | None = None,
    mode: Mode | None = None,
    time_unit: str | None = None,
    separator: str | None = None,
    decimal: str | None = None,
    threshold: Fraction | float | None = None,
    base: Base | None = None,
    chunk_bytes: int = DEFAULT_CHUNK_BYTES,
) -> Capture:
    """Read a table of levels.

    Cells are ``0 1 H L``, or unknown (``x z ? -`` or nothing); columns of hex, binary or decimal
    numbers become lines ``NAME[0]`` and up; columns of volts become levels. In timing mode rows
    equal to the one before are dropped, and times that were rounded in the file are put back on
    the exact grid of the sample rate. The recording ends at the last row's time (in state mode
    without times: one row later).

    Parameters
    ----------
    path : path
    lines : sequence of str or None
        Lines or whole buses to keep, needed where a file has more than 64 lines.
    rate : Fraction or None
        Samples a second; None takes what the file states, or what its times give away.
    mode : {"timing", "state"} or None
        ``state`` keeps every row. None is timing where there is a time or a rate, else state.
    time_unit : str or None
        ``s ms us ns ps``: unit of the time column, overriding the header.
    separator : str or None
        ``,`` ``;`` tab or ``|``.
    decimal : {".", ","} or None
    threshold : number or None
        Volts from which a column of volts is 1; 1.4 V unless given.
    base : {"bin", "hex", "dec"} or None
        How numbers without a mark are read.
    chunk_bytes : int
        How much is read at a time. The result does not depend on it.

    Raises
    ------
    CaptureError
        The file cannot be read or understood, with the line: a row with too few or too many
        cells, a time that goes back, a cell that is no level, more than 64 lines, no rows.

    Notes
    -----
    A table has no end mark, so a file that was cut off at the end of a row looks complete, unless
    its preamble tells the number of samples. A file that ends within a line gets a doubt.
    """
    if rate is not None and rate <= 0:
        raise ValueError("rate must be above zero")
    if mode not in (None, "timing", "state"):
        raise ValueError("mode is 'timing' or 'state'")
    if base not in (None, "bin", "hex", "dec"):
        raise ValueError("base is 'bin', 'hex' or 'dec'")
    unit = None
    if time_unit is not None:
        unit = usual_unit(time_unit)
        if unit is None:
            raise CaptureError(
                "no such time unit",
                path=path,
                key="--time-unit",
                found=time_unit,
                expected="s, ms, us, ns or ps",
            )
    with open_bytes(path) as file:
        head = file.read(HEAD_BYTES)
        size = os.fstat(file.fileno()).st_size
        dialect = work_out(
            head, whole=len(head) >= size, path=path, separator=separator, decimal=decimal
        )
        if unit is not None:
            dialect = _with_unit(dialect, unit, path)
        return _Reading(
            file,
            size,
            head,
            dialect,
            path=path,
            lines=lines,
            rate=rate,
            mode=mode,
            threshold=DEFAULT_THRESHOLD if threshold is None else Fraction(threshold),
            base=base,
            chunk_bytes=chunk_bytes,
        ).capture()


def _with_unit(dialect: Dialect, unit: str, path: str | Path) -> Dialect:
    """Take the user's word for the unit of the time column; a counter becomes one."""
    for role in ("time", "counter"):
        for index, column in enumerate(dialect.columns):
            if column.role == role:
                mended = replace(column, role="time", unit=unit)
                columns = (*dialect.columns[:index], mended, *dialect.columns[index + 1 :])
                return replace(dialect, columns=columns)
    raise CaptureError("the file has no time column", path=path, key="--time-unit", found=unit)


class _Reading:
    """One file being read: passes over its rows, then times, rate and notes."""

    def __init__(
        self,
        file: BinaryIO,
        size: int,
        head: bytes,
        dialect: Dialect,
        *,
        path: str | Path,
        lines: Sequence[str] | None,
        rate: Fraction | None,
        mode: Mode | None,
        threshold: Fraction,
        base: Base | None,
        chunk_bytes: int,
    ) -> None:
        self._file = file
        self._size = size
        self._head = head
        self._dialect = dialect
        self._columns: tuple[Column, ...] = dialect.columns
        self._path = path
        self._chosen = lines
        self._asked_rate = rate
        self._threshold = threshold
        self._base = base
        self._chunk_bytes = chunk_bytes
        self._own: Own | None = dialect.preamble.own
        self._notes: list[Note] = list(dialect.notes)
        self._end_notes: list[Note] = []
        roles = [column.role for column in dialect.columns]
        self._has_time = "time" in roles
        self._has_counter = "counter" in roles
        self._stated_rate = self._preamble_rate()
        self._mode = self._choose_mode(mode)
        self._power = self._time_power()

    # -- what is known before the rows are read

    def _preamble_rate(self) -> Fraction | None:
        """Rate the lines above the table state, exact."""
        preamble = self._dialect.preamble
        if self._own is not None:
            return self._own.rate
        if preamble.rate is None or preamble.slowest is None or preamble.fastest is None:
            return None
        return simplest_rate(preamble.slowest, preamble.fastest) or preamble.rate

    def _choose_mode(self, asked: Mode | None) -> Mode:
        rate = self._asked_rate or self._stated_rate
        if asked == "timing" and not self._has_time and rate is None:
            raise CaptureError(
                "the file has no time column and tells no sample rate",
                path=self._path,
                key="--mode",
                found="timing",
                advice="give the rate, for instance --rate 24MHz, or read it with --mode state",
            )
        if asked is not None:
            return asked
        if self._own is not None:
            return self._own.mode
        cycles = any(
            column.role == "counter" and column.name.lower().startswith("cycle")
            for column in self._columns
        )
        if cycles and (self._has_time or rate is None):
            why = "one row a bus cycle (state mode): the rows are numbered as cycles"
        elif self._has_time:
            why = "samples in time (timing mode): there is a time column"
        elif rate is not None:
            why = "samples in time (timing mode): the sample rate is stated"
        else:
            why = "one row a bus cycle (state mode): there is neither a time nor a sample rate"
        mode: Mode = "state" if "(state" in why else "timing"
        option = "--mode state" if mode == "timing" else "--mode timing"
        self._notes.append(Note("guess", f"rows are taken as {why}", option))
        return mode

    def _time_power(self) -> int:
        """Power of ten from the time column's unit to ps; 0 for a counter."""
        if self._own is not None or not self._has_time:
            return 0
        column = next(column for column in self._columns if column.role == "time")
        if column.unit is not None:
            return unit_power(column.unit)
        if self._dialect.preamble.unit is not None:
            return unit_power(self._dialect.preamble.unit)
        step = self._dialect.time_step
        unit = "s"
        if step is not None and step > Fraction(1, 1000):
            # In seconds that were under 1,000 samples a second: no capture of a bus.
            for unit in _UNIT_ORDER:
                seen = PS_PER_SECOND / (step * Fraction(10) ** unit_power(unit))
                if 10**6 <= seen <= 10**9:
                    break
            else:
                unit = "ns"
        self._notes.append(
            Note("guess", f"the time column has no unit; {unit} was taken", f"--time-unit {unit}")
        )
        return unit_power(unit)

    # -- reading the rows

    def capture(self) -> Capture:
        """Read everything."""
        if self._dialect.data_offset >= self._size:
            if self._own is None or self._own.rows:
                raise self._no_rows()
            if not self._head.endswith(b"\n"):
                self._end_notes.append(_CUT)
            empty = new_scan(len(self._columns), 0)
            return self._joined(self._plan(self._contents(empty.statistics)), empty, 0)
        survey = new_scan(len(self._columns), 1024)
        csv_rows.scan_rows(*self._first_rows(), survey_table(self._dialect), survey)
        statistics = survey.statistics
        contents = self._contents(statistics)
        for _ in range(_PASSES):
            plan = self._plan(contents)
            scan = self._pass(plan, statistics)
            self._words_are_text(plan, scan)
            seen = self._contents(statistics)
            if [(c.kind, c.width) for c in seen] == [(c.kind, c.width) for c in contents]:
                return self._joined(self._plan(seen), scan, int(scan.carry[t.ROWS]))
            contents = seen
        raise CaptureError("the columns cannot be told apart", path=self._path)

    def _first_rows(self) -> tuple[npt.NDArray[np.uint8], int, int]:
        start = self._dialect.data_offset
        end = start
        for _ in range(_FIRST_ROWS):
            stop = self._head.find(b"\n", end)
            if stop < 0:
                break
            end = stop + 1
        return np.frombuffer(self._head, dtype=np.uint8), start, end

    def _contents(self, statistics: npt.NDArray[np.int64]) -> list[Content]:
        return [
            content_of(column, seen, self._base)
            if self._own is None
            else Content(*_OWN_CONTENT[column.role])
            for column, seen in zip(self._columns, statistics, strict=True)
        ]

    def _plan(self, contents: Sequence[Content]) -> Plan:
        return plan_lines(
            replace(self._dialect, columns=self._columns),
            contents,
            chosen=self._chosen,
            keep_all=self._mode == "state" or self._own is not None,
            time_power=self._power,
            threshold=self._threshold,
            path=self._path,
        )

    def _pass(self, plan: Plan, statistics: npt.NDArray[np.int64]) -> Scan:
        """Read all rows."""
        scan_rows: _Scanner = csv_rows.scan_rows
        if self._size > SMALL_BYTES:
            from bustrace.capture import _kernels_csv

            scan_rows = _kernels_csv.scan_rows
            self._end_notes = list(cache_notes())
        else:
            self._end_notes = []
        scan = new_scan(len(self._columns), self._expected_rows())
        scan.statistics = statistics
        self._file.seek(self._dialect.data_offset)
        feed = Feed(self._file, self._chunk_bytes)
        with progress_over(self._size, "Reading") as advance:
            while count := feed.more():
                advance(count)
                fresh = max(feed.start, feed.stop - count)
                last = _last_line_feed(feed.buffer, fresh, feed.stop)
                if last < 0:
                    continue
                self._take(scan_rows, feed, last + 1, plan, scan)
        rest = feed.buffer[feed.start : feed.stop].tobytes()
        if rest.strip():
            self._last_row(scan_rows, feed, rest, plan, scan)
        if not scan.carry[t.ROWS] and self._own is None:
            raise self._no_rows()
        return scan

    def _take(self, scan_rows: _Scanner, feed: Feed, end: int, plan: Plan, scan: Scan) -> None:
        status, place = scan_rows(feed.buffer, feed.start, end, plan.table, scan)
        feed.start = place
        if status not in (t.DONE, t.MORE):
            stop = feed.buffer[place:end].tobytes().find(b"\n")
            row = feed.buffer[place : place + max(stop, 0)].tobytes()
            raise self._row_error(status, row, scan)

    def _last_row(
        self, scan_rows: _Scanner, feed: Feed, rest: bytes, plan: Plan, scan: Scan
    ) -> None:
        """Read a last line without line end when it is whole beyond doubt, else leave it out."""
        cells = csv_rows.split_cells(rest.rstrip(b"\r"), self._dialect.separator.encode())
        if cells is None and b"\n" in rest:
            raise CaptureError(
                "a quote is opened and not closed",
                path=self._path,
                line=self._line(scan),
                found=rest.partition(b"\n")[0].decode("latin-1"),
                advice='close it, or write a quote inside a cell as ""',
            )
        shown = rest.decode("latin-1").strip()
        shown = shown if len(shown) <= 40 else shown[:37] + "..."
        if cells is None or not self._whole(cells, plan, scan):
            self._end_notes.append(
                Note("doubt", f"the file was cut off: its last line, '{shown}', was left out")
            )
            return
        feed.buffer[feed.stop] = ord("\n")
        self._take(scan_rows, feed, feed.stop + 1, plan, scan)
        self._end_notes.append(
            Note("doubt", "the last line has no line end: the file may have been cut off after it")
        )

    def _whole(self, cells: list[bytes], plan: Plan, scan: Scan) -> bool:
        """Whether a last line without line end surely has all its characters."""
        if len(cells) != len(self._columns):
            return False
        kind = int(plan.table.kinds[-1])
        last = cells[-1]
        if self._columns[-1].role == "blank":
            return not last
        if kind == t.BIT:
            return len(last) == 1
        statistics = scan.statistics[-1]
        if kind in (t.HEX, t.BINARY) and statistics[t.FEWEST_DIGITS] == statistics[t.MOST_DIGITS]:
            flags, count = csv_rows.measure(last, kind, plan.table.decimal)
            return bool(
                count == statistics[t.MOST_DIGITS] and not flags & ~int(statistics[t.FLAGS])
            )
        return False

    def _expected_rows(self) -> int:
        """Rows the file has room for, judging from its first ones."""
        sample = self._head[self._dialect.data_offset :]
        feeds = max(1, sample.count(b"\n"))
        left = self._size - self._dialect.data_offset
        return int(left * feeds / max(1, len(sample)) * 1.05) + 1024

    def _words_are_text(self, plan: Plan, scan: Scan) -> None:
        """Turn columns that held words and never a level into skipped ones."""
        for index, (column, seen) in enumerate(zip(self._columns, scan.statistics, strict=True)):
            if plan.table.kinds[index] == t.SKIP or not seen[t.FLAGS] & t.TEXT:
                continue
            shift = int(plan.table.shifts[index])
            known = bool(int(scan.masks[t.EVER_KNOWN]) >> shift & 1)
            if not is_text(seen, known):
                line = self._dialect.data_line + int(seen[t.TEXT_LINE]) - 1
                raise text_error(column, line, self._path, self._cell_at(line, index))
            text = replace(column, role="text")
            self._columns = (*self._columns[:index], text, *self._columns[index + 1 :])

    # -- errors

    def _cell_at(self, line: int, column: int) -> str:
        """A cell's text, read again; only a message needs it."""
        with open_bytes(self._path) as file:
            row = next(itertools.islice(file, line - 1, None), b"").rstrip(b"\r\n")
        cells = csv_rows.split_cells(row, self._dialect.separator.encode()) or []
        return cells[column].decode("latin-1") if column < len(cells) else ""

    def _line(self, scan: Scan) -> int:
        return self._dialect.data_line + int(scan.carry[t.LINES])

    def _no_rows(self) -> CaptureError:
        return CaptureError(
            "the table has no whole row",
            path=self._path,
            line=self._dialect.data_line,
            advice="export the capture again; the file may have been cut off",
        )

    def _row_error(self, status: int, row: bytes, scan: Scan) -> CaptureError:
        column = int(scan.carry[t.COLUMN])
        cells = csv_rows.split_cells(row.rstrip(b"\r"), self._dialect.separator.encode()) or []
        cell = cells[column].decode("latin-1") if column < len(cells) else ""
        whole = row.decode("latin-1").rstrip("\r")
        name = self._columns[min(column, len(self._columns) - 1)].name
        width = len(self._columns)
        line = self._line(scan)
        if status in (t.FEW_CELLS, t.MANY_CELLS):
            return CaptureError(
                f"this row has {len(cells)} cells, the table has {width} columns",
                path=self._path,
                line=line,
                found=whole,
                expected=f"{width} cells",
                advice="the file is damaged: export it again",
            )
        if status == t.BACKWARDS:
            return CaptureError(
                "time goes backwards",
                path=self._path,
                line=line,
                found=whole,
                expected="a time not before the row above",
                advice="two captures may have been joined, or the file is damaged: export it again",
            )
        if status == t.BAD_TIME:
            return CaptureError(
                f"column '{name}' holds no time",
                path=self._path,
                line=line,
                column=column + 1,
                found=cell,
                expected="a number below 106 days, with the decimal mark of the other rows",
                advice="name the decimal mark with --decimal",
            )
        assert status == t.BAD_CELL
        if not cells or '"' in cell:
            return CaptureError(
                "text follows a closing quote",
                path=self._path,
                line=line,
                column=column + 1,
                found=whole,
                advice='close each quote, and write a quote inside a cell as ""',
            )
        error = text_error(self._columns[column], line, self._path, cell)
        if int(scan.carry[t.COLUMN]) < width and self._columns[column].unit in ("v", "mv"):
            error.expected = "a voltage"
        return error

    # -- joining

    def _joined(self, plan: Plan, scan: Scan, rows: int) -> Capture:
        """Make the capture from what the passes gathered."""
        kept = int(scan.carry[t.KEPT])
        for column in (scan.times, scan.states, scan.knowns):
            column.resize(kept, refcheck=False)
        notes = self._notes
        notes += plan.notes
        if any(content.kind == t.ANALOG for content in plan.contents):
            volts = f"{float(self._threshold):g}"
            notes.append(
                Note(
                    "guess",
                    f"columns of volts are 1 from {volts} V on, else 0",
                    f"--threshold {volts}",
                )
            )
        if scan.carry[t.SAME_TIME]:
            notes.append(
                Note(
                    "doubt",
                    f"{scan.carry[t.SAME_TIME]} rows have the time of the row above but other "
                    "levels; the later row was kept",
                )
            )
        clock = Clock(
            scan,
            rows,
            mode=self._mode,
            has_time=self._has_time,
            asked=self._asked_rate,
            stated=self._stated_rate,
            promised=self._dialect.preamble.samples,
        )
        if self._own is not None:
            time_ps, end_ps, rate = scan.times, int(scan.carry[t.LAST_TIME]), self._own.rate
        else:
            time_ps, end_ps, rate = clock.times()
            notes += clock.notes
        gaps: Sequence[tuple[int, int]] = ()
        if self._own is not None:
            gaps = self._own.gaps
            if rows == self._own.rows:
                end_ps = self._own.end_ps
                self._end_notes = [note for note in self._end_notes if note is _CUT]
            else:
                self._end_notes.append(_CUT)
        notes += self._end_notes
        known = compact(scan.knowns, plan.bits) if scan.masks[t.EVER_UNKNOWN] else None
        return Capture(
            mode=self._mode,
            time_ps=time_ps,
            state=compact(scan.states, plan.bits),
            known=known,
            lines=plan.lines,
            rate=rate,
            gaps=np.array(gaps, dtype=np.int64).reshape(-1, 2),
            end_ps=end_ps,
            source=str(self._path),
            notes=tuple(notes),
        )


_CUT = Note("doubt", "the file holds less than was written to it: it was cut off")
_OWN_CONTENT: dict[str, tuple[int, int]] = {"time": (t.TIME, 0), "line": (t.BIT, 1)}


def _last_line_feed(buffer: npt.NDArray[np.uint8], start: int, stop: int) -> int:
    """Place of the last line feed in ``buffer[start:stop]``, or -1."""
    size = 256
    while True:
        begin = max(start, stop - size)
        found = np.flatnonzero(buffer[begin:stop] == ord("\n"))
        if len(found):
            return begin + int(found[-1])
        if begin == start:
            return -1
        size *= 8
