"""Files of other programs, read by way of sigrok-cli, a general converter that may be installed.

It is run as a program of its own, writes a VCD file into a folder made for it, and that file is
read.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import numpy as np

from bustrace.capture.chunks import DEFAULT_CHUNK_BYTES, open_bytes
from bustrace.capture.csv_times import on_grid
from bustrace.capture.first_bytes import shown
from bustrace.capture.model import Capture, Note
from bustrace.capture.vcd_header import read_header
from bustrace.capture.vcd_reader import read_vcd
from bustrace.errors import CaptureError

CONVERTER = "sigrok-cli"
INSTALL = f"install {CONVERTER} (on Debian: apt install {CONVERTER})"

_PATIENCE_S = 300.0
_POLL_S = 0.05
_LARGEST_VCD = 4 << 30
_LARGEST_MEMORY = 4 << 30
_LONGEST_LIST = 1 << 16
_CHANNEL = re.compile(r"^- (.*): (logic|analog)$", re.MULTILINE)
_PLAIN_NAME = re.compile(r"[\w\[\]/.]+")
_ZIP_ENTRY = b"PK\x03\x04"
_ENTRY_NAME_AT = 30
_SESSION_ENTRIES = (b"version", b"metadata", b"logic-")


def looks_like_session(head: bytes) -> bool:
    """Whether a file starts like a session file of the converter: a zip with known entries.

    Local file headers of zip: PKWARE's APPNOTE, section 4.3.7; the name's length is at byte 26.
    """
    if not head.startswith(_ZIP_ENTRY) or len(head) < _ENTRY_NAME_AT:
        return False
    length = int.from_bytes(head[26:28], "little")
    name = head[_ENTRY_NAME_AT : _ENTRY_NAME_AT + length]
    return name.startswith(_SESSION_ENTRIES)


def converter() -> str | None:
    """Where the converter is installed, or None."""
    return shutil.which(CONVERTER)


def read_external(
    path: str | Path,
    *,
    lines: Sequence[str] | None = None,
    chunk_bytes: int = DEFAULT_CHUNK_BYTES,
    patience_s: float = _PATIENCE_S,
    largest_bytes: int = _LARGEST_VCD,
) -> Capture:
    """Read a file that only the converter knows.

    Times that it rounded are put back on the grid of the sample rate it states. Analog channels
    are not read.

    Parameters
    ----------
    path : path
    lines : sequence of str or None
        Lines to keep, needed where a file has more than 64.
    chunk_bytes : int
        How much is read at a time. The result does not depend on it.
    patience_s : float
        How long the converter may take.
    largest_bytes : int
        How long the converted file may become.

    Raises
    ------
    CaptureError
        The converter is not installed, does not know the file, takes too long or makes too much
        of it.
    """
    with open_bytes(path) as file:  # a missing or forbidden file is told in our own words
        head = file.read(_LONGEST_LIST)
    program = converter()
    if program is None:
        raise CaptureError(
            f"this file can be read only by way of {CONVERTER}, which is not installed",
            path=path,
            advice=f"{INSTALL}, or export the capture as VCD or CSV",
        )
    with tempfile.TemporaryDirectory(prefix="bustrace-") as folder:
        try:
            converted = _convert(program, path, Path(folder), patience_s, largest_bytes)
            capture = read_vcd(converted, lines=lines, chunk_bytes=chunk_bytes)
            with open_bytes(converted) as file:
                tick_ps = read_header(file, converted).tick_ps
        except CaptureError as error:
            raise CaptureError(
                error.what,
                path=path,
                key=error.key,
                # Of a file that it does not know, the converter's own words say little.
                found=error.found if looks_like_session(head) else shown(head),
                expected=error.expected,
                advice=error.advice or "export the capture as VCD or CSV",
            ) from error
    return _on_its_grid(replace(capture, source=str(path)), max(1, int(tick_ps or 1)))


def _convert(
    program: str, path: str | Path, folder: Path, patience_s: float, largest_bytes: int
) -> Path:
    """Have the converter make a VCD file in `folder`."""
    # An absolute path begins with a separator, so it is never taken for an option.
    given = os.path.abspath(path)
    until = time.monotonic() + patience_s
    shown = folder / "shown.txt"
    _run([program, "--input-file", given, "--show"], shown, until, largest_bytes)
    with open_bytes(shown) as file:
        text = file.read(_LONGEST_LIST).decode(errors="replace")
    kinds = dict(_CHANNEL.findall(text))
    logic = [name for name, kind in kinds.items() if kind == "logic"]
    if not logic:
        raise CaptureError(
            f"{CONVERTER} finds no logic lines in the file", found=text[:200] or None
        )
    if len(logic) < len(kinds):
        # Analog values would be printed between the levels, even of channels not asked for; a
        # session of the logic lines alone has none.
        odd = next((name for name in logic if not _PLAIN_NAME.fullmatch(name)), None)
        if odd is not None:
            raise CaptureError(
                f"{CONVERTER} cannot be told to leave the analog channels out",
                found=odd,
                expected="names of letters, digits and _ [ ] / . where there are analog channels",
            )
        session = folder / "logic.sr"
        command = [program, "--input-file", given, "--channels", ",".join(logic)]
        _run([*command, "--output-file", str(session)], session, until, largest_bytes)
        given = str(session)
    converted = folder / "converted.vcd"
    command = [program, "--input-file", given, "--output-format", "vcd"]
    _run([*command, "--output-file", str(converted)], converted, until, largest_bytes)
    return converted


def _run(command: list[str], result: Path, until: float, largest_bytes: int) -> None:
    """Run the converter within bounds; what it prints goes to `result` unless it writes that."""
    folder = result.parent
    with open(folder / "said.txt", "wb") as said, open(folder / "shown.txt", "wb") as printed:
        try:
            process = subprocess.Popen(
                command, cwd=folder, stdin=subprocess.DEVNULL, stdout=printed, stderr=said
            )
        except OSError as problem:
            raise CaptureError(f"{CONVERTER} cannot be run: {problem.strerror}") from problem
    try:
        _limit_memory(process.pid)
        while process.poll() is None and _written(folder) <= largest_bytes:
            if time.monotonic() > until:
                raise CaptureError(f"{CONVERTER} takes too long to convert the file")
            with suppress(subprocess.TimeoutExpired):
                process.wait(_POLL_S)
    finally:
        process.kill()
        process.wait()
    if _written(folder) > largest_bytes:
        raise CaptureError(f"{CONVERTER} makes more than {largest_bytes >> 20} MB of the file")
    if process.returncode != 0 or not result.exists() or not result.stat().st_size:
        with open_bytes(folder / "said.txt") as file:
            words = file.read(_LONGEST_LIST).decode(errors="replace").strip()
        raise CaptureError(
            f"the file is in no format that can be read, and {CONVERTER} cannot convert it",
            found=words.splitlines()[-1] if words else None,
            expected=f"VCD, CSV, or a file that {CONVERTER} knows",
            advice="export the capture as VCD or CSV; or, for a raw sample dump, give --raw-bits, "
            "--rate and --names",
        )


def _written(folder: Path) -> int:
    """Bytes of all files in a folder."""
    return sum(file.stat().st_size for file in folder.iterdir())


def _limit_memory(pid: int) -> None:
    """Bound what the converter may take of the memory, where the system allows that."""
    if sys.platform == "linux":
        import resource

        # A process that has ended already needs no limit.
        with suppress(ProcessLookupError, PermissionError):
            resource.prlimit(pid, resource.RLIMIT_AS, (_LARGEST_MEMORY, _LARGEST_MEMORY))


def _on_its_grid(capture: Capture, tick_ps: int) -> Capture:
    """Put times that were rounded to ticks back on the grid of the samples."""
    notes = [
        Note("fact", f"the file was converted by {CONVERTER} to be read"),
        *(note for note in capture.notes if "no end mark" not in note.text),
    ]
    marks = np.append(capture.time_ps, capture.end_ps)
    grid = None if capture.rate is None else on_grid(marks, capture.rate, tick_ps)
    if grid is None:
        doubt = "the times do not lie on a sample grid and were kept as written"
        return replace(capture, notes=(*notes, Note("doubt", doubt)))
    return replace(capture, time_ps=grid[:-1].copy(), end_ps=int(grid[-1]), notes=tuple(notes))
