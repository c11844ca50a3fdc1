"""Reading Value Change Dump files: IEEE 1364-2005, clause 18."""

from __future__ import annotations

import os
from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path
from typing import BinaryIO, TypeVar

import numpy as np
import numpy.typing as npt

from bustrace.capture.cache_note import cache_notes
from bustrace.capture.chunks import (
    DEFAULT_CHUNK_BYTES,
    Feed,
    line_number_at,
    open_bytes,
    progress_over,
)
from bustrace.capture.model import Capture, Mode, Note
from bustrace.capture.sample_rate import guess_rate, rate_fits, stated_rate
from bustrace.capture.vcd_header import END_MARK, Header, parse_tick, read_header
from bustrace.capture.vcd_layout import Layout, lay_out
from bustrace.errors import CaptureError
from bustrace.units import format_rate, format_time

_BLOCKS = (b"$dumpvars", b"$dumpall", b"$dumpon", b"$dumpoff")
_TEXTS = (b"$comment", b"$date", b"$version", b"$vcdclose")
_WHITE = b" \t\r\n\v\f"
_FIRST_ROWS = 1 << 16

Item = TypeVar("Item", np.int64, np.uint64)


def read_vcd(
    path: str | Path,
    *,
    lines: Sequence[str] | None = None,
    rate: Fraction | None = None,
    mode: Mode | None = None,
    time_unit: str | None = None,
    chunk_bytes: int = DEFAULT_CHUNK_BYTES,
) -> Capture:
    """Read a VCD file.

    Each bit of a vector becomes a line ``NAME[i]``; names that occur in several scopes get the
    scopes as prefix. Several names of one signal become several lines. Levels before a line's
    first value, and between ``$dumpoff`` and ``$dumpon``, are unknown; the latter is a gap. The
    recording ends at the file's last time.

    Parameters
    ----------
    path : path
    lines : sequence of str or None
        Lines or whole buses to keep, needed where a file has more than 64 lines.
    rate : Fraction or None
        Sample rate in Hz; None takes what a comment states, or what the times give away.
    mode : {"timing", "state"} or None
        ``state`` makes each time of the file a row. None is timing, unless the file was written
        by `bustrace.capture.vcd_writer.write_vcd` and says otherwise.
    time_unit : str or None
        Time unit such as ``ns`` or ``10 us``; overrides the file's ``$timescale``.
    chunk_bytes : int
        How much is read at a time. The result does not depend on it.

    Raises
    ------
    CaptureError
        The file cannot be read or understood, with the line: a value for an id code that was not
        declared, a time that goes back, no times at all.

    Notes
    -----
    VCD has no end mark, so a file that was cut off at the end of a line looks complete. Notes of
    the capture say where the recording was taken to end, and doubt it when the file stops within
    a line, within a block, or after a change without a closing time.
    """
    with open_bytes(path) as file:
        header = read_header(file, path)
        notes = list(header.notes)
        tick_ps = _tick(header, time_unit, notes)
        layout = lay_out(header.variables, lines, path)
        notes += layout.notes
        mark = header.mark
        chosen_mode: Mode = mode or (mark.mode if mark else "timing")
        body = _Body(
            file, path, header, layout, tick_ps, keep_all=chosen_mode == "state", chunk=chunk_bytes
        )
        body.read()
    notes += [*body.notes, *cache_notes()]

    end_ps = body.end_ps
    gaps = body.gaps
    if mark is not None and mark.mode == "state":  # where a closing time would be a row
        end_ps = mark.end_ps if body.complete else end_ps
        gaps = gaps + list(mark.gaps)
    return Capture(
        mode=chosen_mode,
        time_ps=body.time_ps,
        state=body.state,
        known=body.known,
        lines=layout.lines,
        rate=_rate(rate, header, body.time_ps, tick_ps, chosen_mode, notes),
        gaps=np.array(gaps, dtype=np.int64).reshape(-1, 2),
        end_ps=end_ps,
        source=str(path),
        notes=tuple(notes),
    )


class _Body:
    """The simulation part of a file, read into columns."""

    def __init__(
        self,
        file: BinaryIO,
        path: str | Path,
        header: Header,
        layout: Layout,
        tick_ps: Fraction,
        *,
        keep_all: bool,
        chunk: int,
    ) -> None:
        from bustrace.capture import _kernels_vcd

        self._kernels = _kernels_vcd
        self._file = file
        self._path = path
        self._mark = header.mark
        self._layout = layout
        self._keep_all = keep_all
        self._size = os.fstat(file.fileno()).st_size
        file.seek(header.body_at)
        self._feed = Feed(file, chunk)
        self._body_at = header.body_at

        shift = header.mark.shift_ps if header.mark else 0
        self._scale = np.array([tick_ps.numerator, tick_ps.denominator, shift], dtype=np.int64)
        self._bits = np.zeros(5, dtype=np.uint64)
        self._bits[self._kernels.FULL] = (1 << len(layout.lines)) - 1
        self._carry = np.zeros(9, dtype=np.int64)
        self._carry[self._kernels.KEEP_ALL] = keep_all
        # While dumping is off, values change nothing: tables without targets.
        self._tables = (
            (layout.low_mask, layout.all_mask, layout.first_target),
            (
                np.zeros_like(layout.low_mask),
                np.zeros_like(layout.all_mask),
                np.zeros_like(layout.first_target),
            ),
        )
        self._off = False
        self._off_since: int | None = None
        self._block: str | None = None
        self._text: str | None = None

        self.time_ps: npt.NDArray[np.int64] = np.empty(_FIRST_ROWS, dtype=np.int64)
        self.state: npt.NDArray[np.uint64] = np.empty(_FIRST_ROWS, dtype=np.uint64)
        self._known: npt.NDArray[np.uint64] = np.empty(_FIRST_ROWS, dtype=np.uint64)
        self.known: npt.NDArray[np.uint64] | None = None
        self.gaps: list[tuple[int, int]] = []
        self.notes: list[Note] = []
        self.complete = False

    @property
    def end_ps(self) -> int:
        """Last time of the file."""
        return int(self._carry[self._kernels.TIME_PS])

    def read(self) -> None:
        """Read everything and check how it ended."""
        feed = self._feed
        # Unsigned numbers wrap on purpose; numpy minds only where the kernel runs as plain Python.
        wrapping = np.errstate(over="ignore")
        with wrapping, progress_over(self._size - self._body_at, "Reading") as advance:
            while count := feed.more():
                stop = _last_white(feed.buffer, feed.stop - count, feed.stop)
                if stop > feed.start:
                    self._take(stop)
                advance(count)
        self._finish()

    def _take(self, stop: int) -> None:
        """Consume the whole words before `stop`."""
        feed, kernels = self._feed, self._kernels
        while feed.start < stop:
            if self._text is not None:
                self._skip_text(stop)
                continue
            low_mask, all_mask, first_target = self._tables[self._off]
            why, place = kernels.read_changes(
                feed.buffer,
                feed.start,
                stop,
                self._layout.direct,
                self._layout.hash_keys,
                self._layout.hash_values,
                low_mask,
                all_mask,
                self._layout.widths,
                first_target,
                self._layout.targets,
                self._scale,
                self._bits,
                self._carry,
                self.time_ps,
                self.state,
                self._known,
            )
            feed.start = int(place)
            if why == kernels.ROWS_FULL:
                self._grow()
            elif why == kernels.FIRST_UNKNOWN:
                self._begin_known()
            elif why == kernels.KEYWORD:
                self._keyword(stop)
            elif why == kernels.HALF_A_CHANGE:
                return
            elif why != kernels.ALL_CONSUMED:
                raise self._error(int(why))

    def _word(self, stop: int) -> bytes:
        """The word at hand."""
        data = self._feed.buffer[self._feed.start : min(stop, self._feed.start + 256)].tobytes()
        words = data.split(maxsplit=1)
        return words[0] if words else b""

    def _keyword(self, stop: int) -> None:
        word = self._word(stop)
        if word == b"$end":
            self._block = None
        elif word in _TEXTS:
            self._text = word.decode()
        elif word in _BLOCKS:
            self._block = word.decode()
            if word == b"$dumpoff" and not self._off:
                self._begin_gap()
            elif word == b"$dumpon" and self._off:
                self._end_gap()
        else:
            raise self._error(self._kernels.BAD_WORD)
        self._feed.start += len(word)

    def _skip_text(self, stop: int) -> None:
        """Consume up to the text's ``$end``, or all there is."""
        data = self._feed.buffer[self._feed.start : stop].tobytes()
        at = data.find(b"$end")
        while at >= 0:
            alone_before = at == 0 or data[at - 1] in _WHITE
            if alone_before and data[at + 4] in _WHITE:
                self._feed.start += at + 4
                self._text = None
                return
            at = data.find(b"$end", at + 1)
        self._feed.start = stop

    def _begin_gap(self) -> None:
        self._off = True
        self._bits[self._kernels.STATE] = 0
        self._bits[self._kernels.KNOWN] = 0
        self._off_since = self.end_ps if self._carry[self._kernels.HAS_TIME] else None

    def _end_gap(self) -> None:
        self._off = False
        if not self._carry[self._kernels.HAS_TIME]:
            return
        rows = self._carry[self._kernels.ROWS]
        start = int(self.time_ps[0]) if rows else self.end_ps
        if self._off_since is not None:
            start = self._off_since
        if start < self.end_ps:
            self.gaps.append((start, self.end_ps))

    def _begin_known(self) -> None:
        """From here on `known` is needed; before, all was known."""
        self._known[: self._carry[self._kernels.ROWS]] = self._bits[self._kernels.FULL]
        self._carry[self._kernels.PARTIAL] = True

    def _grow(self) -> None:
        """Make room for rows, judging from those read so far.

        Memory that is never written costs nothing, so there is room to spare; a resize in place
        would write zeros to all of it.
        """
        rows = int(self._carry[self._kernels.ROWS])
        consumed = max(1, self._feed.offset + self._feed.start - self._body_at)
        expected = int(rows * 1.25 * (self._size - self._body_at) / consumed)
        room = max(expected, rows + rows // 2) + _FIRST_ROWS
        self.time_ps = _moved(self.time_ps, rows, room)
        self.state = _moved(self.state, rows, room)
        self._known = _moved(self._known, rows if self._carry[self._kernels.PARTIAL] else 0, room)

    def _finish(self) -> None:
        kernels, carry = self._kernels, self._carry
        feed = self._feed
        rest = feed.buffer[feed.start : feed.stop].tobytes().strip()
        unended = bool(rest)  # no line break closes the file
        if rest == b"$end":
            self._block = self._text = None
        if rest == b"$end" or self._text is not None:
            rest = b""
        if not carry[kernels.HAS_TIME]:
            raise CaptureError(
                "the file declares signals but holds no samples",
                path=self._path,
                found=rest.decode("latin-1")[:60] or None,
                expected="a time such as #0, then values",
                advice="export the capture again; the file may have been cut off",
            )
        if self._off:
            self._end_gap()
        self._last_row()
        self._doubt_the_end(rest, unended)
        if carry[kernels.LONGER]:
            self.notes.append(
                Note(
                    "doubt",
                    f"{carry[kernels.LONGER]} values have more bits than declared; the upper ones "
                    "were dropped",
                )
            )

    def _last_row(self) -> None:
        """Write the row still being gathered, and trim the columns."""
        kernels, carry = self._kernels, self._carry
        rows = int(carry[kernels.ROWS])
        bits, seen = self._bits[kernels.STATE], self._bits[kernels.KNOWN]
        changed = bits != self._bits[kernels.LAST_STATE] or seen != self._bits[kernels.LAST_KNOWN]
        if rows == 0 or self._keep_all or changed:
            if rows == len(self.time_ps):
                self._grow()
            if not carry[kernels.PARTIAL] and seen != self._bits[kernels.FULL]:
                self._begin_known()
            self.time_ps[rows] = self.end_ps
            self.state[rows] = bits
            self._known[rows] = seen
            rows += 1
        for column in (self.time_ps, self.state, self._known):
            column.resize(rows, refcheck=False)
        self.known = self._known if carry[kernels.PARTIAL] else None

    def _doubt_the_end(self, rest: bytes, unended: bool) -> None:
        """Say where the recording was taken to end, and why that may be wrong."""
        if self._mark is not None:
            self._file.seek(-len(END_MARK), os.SEEK_END)
            self.complete = self._file.read() == END_MARK.encode()
            if not self.complete:
                self.notes.append(
                    Note("doubt", "the file holds less than was written to it: it was cut off")
                )
            return
        end = format_time(self.end_ps)
        if rest:
            word = rest[:40].decode("latin-1")
            doubt = f"the file ends without a line break: '{word}' may be cut off and was left out"
        elif self._text or self._block:
            doubt = f"the file ends within {self._text or self._block}; it was cut off"
        elif self._carry[self._kernels.PENDING]:
            doubt = "the file ends with a change, not with a closing time; it may be cut off"
        elif unended:
            doubt = "the file ends without a line break: more may have followed"
        else:
            self.notes.append(
                Note("fact", f"VCD has no end mark: the recording ends at the last time, {end}")
            )
            return
        self.notes.append(Note("doubt", f"{doubt}; the recording ends at {end}"))

    def _error(self, why: int) -> CaptureError:
        kernels, feed = self._kernels, self._feed
        word = self._word(feed.stop).decode("latin-1")
        what, expected, advice = {
            kernels.BAD_WORD: (
                "this is neither a time nor a value",
                "a time such as #500, a value such as 1! or b1010 !",
                None,
            ),
            kernels.TIME_BACKWARDS: (
                "time goes backwards",
                f"#{self._carry[kernels.RAW_TIME]} or later",
                "two captures may have been joined, or the file is damaged: export it again",
            ),
            kernels.TIME_TOO_LARGE: ("this time is too large", "less than 106 days", None),
            kernels.UNDECLARED: (
                "a value without a declared id code",
                "an id code from a $var right after the level, as in 1!",
                "the file is damaged: export it again",
            ),
            kernels.BAD_VECTOR: ("a digit that is no logic level", "0 1 x z", None),
        }[why]
        return CaptureError(
            what,
            path=self._path,
            line=line_number_at(self._file, feed.offset + feed.start),
            found=word,
            expected=expected,
            advice=advice,
        )


def _moved(column: npt.NDArray[Item], used: int, room: int) -> npt.NDArray[Item]:
    """A longer column with the same first items."""
    longer = np.empty(room, dtype=column.dtype)
    longer[:used] = column[:used]
    return longer


def _last_white(buffer: npt.NDArray[np.uint8], start: int, stop: int) -> int:
    """End of the last white space in ``buffer[start:stop]``, or 0 when there is none."""
    size = 64
    while True:
        begin = max(start, stop - size)
        found = np.flatnonzero(buffer[begin:stop] <= ord(" "))
        if len(found):
            return begin + int(found[-1]) + 1
        if begin == start:
            return 0
        size *= 16


def _tick(header: Header, time_unit: str | None, notes: list[Note]) -> Fraction:
    """Time unit in ps."""
    if time_unit is not None:
        try:
            return parse_tick(time_unit)
        except ValueError:
            raise CaptureError(
                "this is no time unit",
                key="--time-unit",
                found=time_unit,
                expected="for instance ns, or 10 us",
            ) from None
    if header.tick_ps is None:
        notes.append(
            Note("guess", "the file states no $timescale; 1 ns was assumed", "--time-unit ns")
        )
        return Fraction(1000)
    if header.tick_ps < 1:
        notes.append(Note("fact", "times finer than 1 ps were rounded down to whole ps"))
    return header.tick_ps


def _rate(
    asked: Fraction | None,
    header: Header,
    time_ps: npt.NDArray[np.int64],
    tick_ps: Fraction,
    mode: Mode,
    notes: list[Note],
) -> Fraction | None:
    if asked is not None:
        return asked
    if header.mark is not None:
        return header.mark.rate
    tick = max(1, int(tick_ps))
    rate = stated_rate(header.remarks)
    if rate is not None:
        shown = format_rate(rate, "S/s")
        notes.append(Note("fact", f"sample rate {shown}, as a comment says", "--rate"))
        if mode == "timing" and len(time_ps) > 1 and not rate_fits(time_ps, tick, rate):
            notes.append(Note("doubt", f"the times do not lie on a grid of {shown}", "--rate"))
        return rate
    if mode == "timing":
        rate = guess_rate(time_ps, tick)
        if rate is not None:
            notes.append(
                Note(
                    "guess",
                    f"sample rate {format_rate(rate, 'S/s')}, from the grid of the times",
                    "--rate",
                )
            )
    return rate
