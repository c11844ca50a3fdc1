"""Feeding a capture file to a reader block by block, and telling how far it is."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

import numpy as np
import numpy.typing as npt

from bustrace.errors import CaptureError

DEFAULT_CHUNK_BYTES = 4 << 20
# Kernels load eight bytes at once, so they may look this far past the last byte.
PADDING = 8
_LONGEST_PIECE = 64 << 20
_PATIENCE_S = 1.0


@contextmanager
def open_bytes(path: str | Path) -> Iterator[BinaryIO]:
    """Open a file for reading bytes; a file that cannot be opened or read is a `CaptureError`."""
    try:
        with open(path, "rb") as file:
            if not file.seekable():
                raise _no_file(path)
            yield file
    except FileNotFoundError as problem:
        if str(path) == "-":
            raise _no_file(path) from problem
        raise CaptureError("the file cannot be read: no such file or directory", path=path) from (
            problem
        )
    except OSError as problem:
        raise CaptureError(
            f"the file cannot be read: {(problem.strerror or str(problem)).lower()}", path=path
        ) from problem


def _no_file(path: str | Path) -> CaptureError:
    return CaptureError(
        "a capture is read more than once, which a pipe does not allow",
        path=path,
        advice="save it to a file, and give that",
    )


class Feed:
    """A window that slides over a file: what was not consumed is kept, then more is read.

    Memory is one chunk plus the longest piece a reader leaves unconsumed.

    Attributes
    ----------
    buffer : uint8 array
        ``buffer[start:stop]`` are the bytes at hand; at least `PADDING` more may be looked at.
    start, stop : int
        Bounds of the bytes at hand. A reader moves `start` over what it has consumed.
    offset : int
        Place in the file of ``buffer[0]``.
    """

    def __init__(self, file: BinaryIO, chunk_bytes: int = DEFAULT_CHUNK_BYTES) -> None:
        if chunk_bytes < 1:
            raise ValueError("chunk_bytes must be at least 1")
        self._file = file
        self._chunk_bytes = chunk_bytes
        self.buffer: npt.NDArray[np.uint8] = np.zeros(chunk_bytes + PADDING, dtype=np.uint8)
        self.start = 0
        self.stop = 0
        self.offset = file.tell()

    def more(self) -> int:
        """Read up to one chunk behind the unconsumed bytes.

        Returns
        -------
        int
            Number of bytes read; 0 at the end of the file.

        Raises
        ------
        CaptureError
            A single piece (a token, a line) is longer than any capture file has.
        """
        kept = self.stop - self.start
        if kept > _LONGEST_PIECE:
            raise CaptureError("a single line or word is over 64 MB long: this is no capture file")
        needed = kept + self._chunk_bytes + PADDING
        if needed > len(self.buffer):
            # Twice the need: a long piece arriving in small chunks is then copied few times.
            grown = np.zeros(2 * needed, dtype=np.uint8)
            grown[:kept] = self.buffer[self.start : self.stop]
            self.buffer = grown
            self.offset += self.start
            self.start, self.stop = 0, kept
        elif self.stop + self._chunk_bytes + PADDING > len(self.buffer):
            self.buffer[:kept] = self.buffer[self.start : self.stop].copy()
            self.offset += self.start
            self.start, self.stop = 0, kept
        window = self.buffer[self.stop : self.stop + self._chunk_bytes].data
        count = self._file.readinto(window)  # type: ignore[attr-defined]
        self.stop += count
        return int(count)


def line_number_at(file: BinaryIO, offset: int) -> int:
    """Line number, from 1, of the byte at `offset`; counted only when a message needs it."""
    file.seek(0)
    line = 1
    while offset > 0:
        block = file.read(min(offset, DEFAULT_CHUNK_BYTES))
        if not block:
            break
        line += block.count(b"\n")
        offset -= len(block)
    return line


@contextmanager
def progress_over(total_bytes: int, label: str) -> Iterator[Callable[[int], None]]:
    """Progress bar on stderr, for a terminal only, and only when the work exceeds a second.

    Yields
    ------
    callable
        ``advance(count)``: tells that so many more bytes are done.
    """
    if not sys.stderr.isatty():
        yield _no_advance
        return

    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    bar = Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.percentage:3.0f} %"),
        TimeRemainingColumn(),
        console=Console(stderr=True),
        transient=True,
    )
    task = bar.add_task(label, total=total_bytes)
    begun = time.monotonic()
    shown = False

    def advance(count: int) -> None:
        nonlocal shown
        bar.advance(task, count)
        if not shown and time.monotonic() - begun > _PATIENCE_S:
            bar.start()
            shown = True

    try:
        yield advance
    finally:
        if shown:
            bar.stop()


def _no_advance(count: int) -> None:
    """Nobody is looking."""
