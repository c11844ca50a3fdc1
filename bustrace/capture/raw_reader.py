"""Reading raw dumps: nothing but samples, one after the other, each a few bytes wide.

Such a file tells nothing of itself, so its width, rate and names must be given.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path
from typing import BinaryIO, Literal

import numpy as np
import numpy.typing as npt

from bustrace.capture.chunks import DEFAULT_CHUNK_BYTES, open_bytes, progress_over
from bustrace.capture.csv_clock import STATE_ROW_PS
from bustrace.capture.csv_columns import compact
from bustrace.capture.model import Capture, Mode, Note
from bustrace.errors import CaptureError
from bustrace.units import PS_PER_SECOND, format_rate, grid_times

Order = Literal["little", "big"]

WIDTHS = tuple(range(8, 65, 8))
LEFT_OUT = "-"
_LONGEST_PS = (1 << 63) - 1


def looks_like_raw(head: bytes) -> bool:
    """Never: any bytes could be samples, so a raw dump must be named as one."""
    return False


def read_raw(
    path: str | Path,
    *,
    raw_bits: int | None = None,
    names: Sequence[str] | None = None,
    rate: Fraction | None = None,
    mode: Mode | None = None,
    raw_order: Order | None = None,
    chunk_bytes: int = DEFAULT_CHUNK_BYTES,
) -> Capture:
    """Read a file of samples without any header.

    In timing mode only the samples that change something are kept. In state mode every sample is
    a row, one a bus cycle. The last sample holds as long as the others, then the recording ends.

    Parameters
    ----------
    path : path
    raw_bits : int
        Bits a sample fills in the file: 8, 16, 24, ... 64.
    names : sequence of str
        One name a bit, bit 0 first; ``-`` leaves a bit out, and so does a list that ends early.
    rate : Fraction or None
        Samples a second; needed in timing mode.
    mode : {"timing", "state"} or None
        None is timing.
    raw_order : {"little", "big"} or None
        Which byte of a sample comes first: the low one or the high one. None is little.
    chunk_bytes : int
        How much is read at a time. The result does not depend on it.

    Raises
    ------
    CaptureError
        The file cannot be read or holds no sample; the width, the names or the rate are missing or
        cannot be.
    """
    if rate is not None and rate <= 0:
        raise ValueError("rate must be above zero")
    if mode not in (None, "timing", "state"):
        raise ValueError("mode is 'timing' or 'state'")
    if raw_order not in (None, "little", "big"):
        raise ValueError("raw_order is 'little' or 'big'")
    timing = mode != "state"
    width, chosen = _layout(path, raw_bits, names, rate if timing else Fraction(1))
    with open_bytes(path) as file:
        size = os.fstat(file.fileno()).st_size
        samples = _Samples(width, list(chosen), raw_order or "little", keep_all=not timing)
        samples.read(file, size, chunk_bytes)
    if not samples.count:
        raise CaptureError(
            "the file is empty" if not samples.rest else "the file holds no whole sample",
            path=path,
            found=f"{samples.rest} bytes" if samples.rest else None,
            expected=f"{width} bytes a sample" if samples.rest else None,
            advice="export the capture again",
        )
    time_ps, end_ps = _times(np.append(samples.rows(), samples.count), rate, path)
    return Capture(
        mode="timing" if timing else "state",
        time_ps=time_ps,
        state=samples.states(),
        known=None,
        lines=tuple(chosen.values()),
        rate=rate,
        gaps=np.empty((0, 2), dtype=np.int64),
        end_ps=end_ps,
        source=str(path),
        notes=_notes(samples, width, chosen, raw_order, timing, rate),
    )


def _layout(
    path: str | Path,
    raw_bits: int | None,
    names: Sequence[str] | None,
    rate: Fraction | None,
) -> tuple[int, dict[int, str]]:
    """Bytes a sample, and the name of each bit that is kept."""
    missing = {
        "--raw-bits": raw_bits is None,
        "--rate": rate is None,
        "--names": names is None,
    }
    if raw_bits is None or rate is None or names is None:
        raise CaptureError(
            "a raw dump tells nothing of itself: give its width, rate and names",
            path=path,
            key=", ".join(option for option, is_missing in missing.items() if is_missing),
            expected="for instance --raw-bits 16 --rate 24MHz --names PHI2,RW,D0,D1,...",
        )
    if raw_bits not in WIDTHS:
        raise CaptureError(
            "samples fill whole bytes, eight at most",
            path=path,
            key="--raw-bits",
            found=str(raw_bits),
            expected=", ".join(map(str, WIDTHS)),
            advice="give the bits that a sample fills in the file, and name fewer lines",
        )
    if len(names) > raw_bits:
        raise CaptureError(
            "there are more names than bits",
            path=path,
            key="--names",
            found=f"{len(names)} names",
            expected=f"{raw_bits} at most",
        )
    chosen = {bit: name for bit, name in enumerate(names) if name != LEFT_OUT}
    twice = [name for name in chosen.values() if list(chosen.values()).count(name) > 1]
    if not chosen or twice or "" in chosen.values():
        raise CaptureError(
            "every bit needs a name of its own",
            path=path,
            key="--names",
            found=", ".join(names),
            expected=f"different names, {LEFT_OUT} for bits to leave out",
        )
    return raw_bits // 8, chosen


class _Samples:
    """Samples read so far, reduced to those that are kept.

    Attributes
    ----------
    count : int
        Samples seen.
    rest : int
        Bytes after the last whole one.
    moved : int
        Bits that changed at least once.
    """

    def __init__(self, width: int, bits: list[int], order: Order, *, keep_all: bool) -> None:
        self._width = width
        self._bits = bits
        self._order = order
        self._keep_all = keep_all
        self._mask = np.uint64(sum(1 << bit for bit in bits))
        self._first: np.uint64 | None = None
        self._last: np.uint64 | None = None
        self._rows: list[npt.NDArray[np.int64]] = []
        self._states: list[npt.NDArray[np.uint64]] = []
        self.count = 0
        self.rest = 0
        self.moved = 0

    def read(self, file: BinaryIO, size: int, chunk_bytes: int) -> None:
        """Read the file to its end."""
        if chunk_bytes < 1:
            raise ValueError("chunk_bytes must be at least 1")
        at_once = max(1, chunk_bytes // self._width) * self._width
        with progress_over(size, "Reading") as advance:
            while block := file.read(at_once):
                self.rest = len(block) % self._width
                whole = len(block) - self.rest
                if whole:
                    self._take(np.frombuffer(block, dtype=np.uint8, count=whole))
                advance(len(block))

    def rows(self) -> npt.NDArray[np.int64]:
        """Numbers of the kept samples."""
        return np.concatenate(self._rows)

    def states(self) -> npt.NDArray[np.uint64]:
        """Levels of the kept samples, bit i for the i-th name."""
        return np.concatenate(self._states)

    def _take(self, block: npt.NDArray[np.uint8]) -> None:
        words = self._words(block.reshape(-1, self._width))
        if self._first is None:
            self._first = words[0]
        self.moved |= int(np.bitwise_or.reduce(words ^ self._first))
        words &= self._mask
        if self._keep_all:
            kept = np.arange(len(words), dtype=np.int64)
        else:
            changed = np.empty(len(words), dtype=bool)
            changed[0] = self._last is None or bool(words[0] != self._last)
            np.not_equal(words[1:], words[:-1], out=changed[1:])
            kept = np.flatnonzero(changed)
        self._last = words[-1]
        self._rows.append(kept + self.count)
        self._states.append(compact(words[kept], self._bits))
        self.count += len(words)

    def _words(self, samples: npt.NDArray[np.uint8]) -> npt.NDArray[np.uint64]:
        """Samples as numbers: uint8, shape (n, width) to uint64, shape (n,)."""
        wide = np.zeros((len(samples), 8), dtype=np.uint8)
        if self._order == "little":
            wide[:, : self._width] = samples
        else:
            wide[:, : self._width] = samples[:, ::-1]
        return wide.view("<u8").ravel().astype(np.uint64, copy=False)


def _times(
    rows: npt.NDArray[np.int64], rate: Fraction | None, path: str | Path
) -> tuple[npt.NDArray[np.int64], int]:
    """Times of all sample numbers but the last, and of the last."""
    last = int(rows[-1])
    longest = last * STATE_ROW_PS if rate is None else last * PS_PER_SECOND / rate
    if longest > _LONGEST_PS:
        raise CaptureError(
            "at this rate the recording lasts over 106 days",
            path=path,
            key="--rate",
            found=None if rate is None else format_rate(rate, "S/s"),
            advice="give the rate at which the samples were taken",
        )
    grid = rows * STATE_ROW_PS if rate is None else grid_times(rows, rate)
    return grid[:-1].copy(), int(grid[-1])


def _notes(
    samples: _Samples,
    width: int,
    chosen: dict[int, str],
    raw_order: Order | None,
    timing: bool,
    rate: Fraction | None,
) -> tuple[Note, ...]:
    """What was read, guessed and doubted."""
    each = "sample" if timing else "bus cycle"
    at = "" if rate is None else f" at {format_rate(rate, 'S/s')}"
    notes = [Note("fact", f"{samples.count} samples of {8 * width} bits{at}, one a {each}")]
    if width > 1 and raw_order is None:
        notes.append(
            Note("guess", "the low byte of each sample was taken to come first", "--raw-order big")
        )
    nameless = [
        str(bit) for bit in range(8 * width) if bit not in chosen and samples.moved >> bit & 1
    ]
    if nameless:
        listed = ", ".join(nameless)
        notes.append(Note("doubt", f"bits without a name change: {listed}; left out", "--names"))
    if samples.rest:
        parts = f"{samples.rest} of {width} bytes"
        notes.append(
            Note(
                "doubt",
                f"the file ends within a sample, {parts} were left out: it was cut off, or the "
                "samples have another width",
                "--raw-bits",
            )
        )
    return tuple(notes)
