"""Writing captures as delimited text that spreadsheets open and `read_csv` gives back exactly."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np

from bustrace.capture.csv_preamble import OWN_MARK
from bustrace.capture.model import Capture
from bustrace.capture.whole_file import whole_file

_ROWS_AT_ONCE = 1 << 14


def write_csv(capture: Capture, path: str | Path) -> None:
    """Write a capture as CSV, whole or not at all.

    A column ``time_ps`` and one column a line, with cells ``0``, ``1`` and ``x``; what a table has
    no columns for (mode, rate, end, gaps, number of rows) stands in comment lines above it.
    `read_csv` gives back the same capture. Cells are quoted as RFC 4180 says.

    Parameters
    ----------
    capture : Capture
    path : path

    Raises
    ------
    ValueError
        A line's name has a line break in it.
    OSError
        The file cannot be written.
    """
    for name in capture.lines:
        if "\n" in name or "\r" in name or "\0" in name:
            raise ValueError(f"a line named {name!r} cannot be written as CSV")
    with whole_file(path) as file:
        file.write(_head(capture).encode())
        file.writelines(_rows(capture))


def _head(capture: Capture) -> str:
    rate = capture.rate
    told = "unknown" if rate is None else f"{rate.numerator}/{rate.denominator} Hz"
    lines = [
        f"# {OWN_MARK}",
        f"# mode: {capture.mode}",
        f"# rate: {told}",
        f"# end_ps: {capture.end_ps}",
        f"# rows: {len(capture)}",
    ]
    lines += [f"# gap_ps: {start} {end}" for start, end in capture.gaps.tolist()]
    lines.append(",".join(["time_ps", *map(quoted, capture.lines)]))
    return "\n".join(lines) + "\n"


def quoted(name: str) -> str:
    """A name as a cell of a header: RFC 4180."""
    plain = name and name == name.strip() and "," not in name and '"' not in name
    return name if plain else '"' + name.replace('"', '""') + '"'


def _rows(capture: Capture) -> Iterator[bytes]:
    """Rows as bytes, many at a time."""
    bits = np.arange(len(capture.lines), dtype=np.uint64)
    one = np.uint64(1)
    known = capture.known
    for first in range(0, len(capture), _ROWS_AT_ONCE):
        some = slice(first, first + _ROWS_AT_ONCE)
        cells = (capture.state[some, None] >> bits & one).astype(np.uint8) + ord("0")
        if known is not None:
            cells[(known[some, None] >> bits & one) == 0] = ord("x")
        text = np.full((len(cells), 2 * len(bits) + 1), ord(","), dtype=np.uint8)
        text[:, 1:-1:2] = cells
        text[:, -1] = ord("\n")
        times = capture.time_ps[some].tolist()
        yield b"".join(
            b"%d%s" % (time, row.tobytes()) for time, row in zip(times, text, strict=True)
        )
