"""One way to open a capture, whatever its format."""

from __future__ import annotations

from collections.abc import Callable, Sequence, Set
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

from bustrace.capture.chunks import DEFAULT_CHUNK_BYTES, open_bytes
from bustrace.capture.csv_columns import Base
from bustrace.capture.csv_reader import looks_like_csv, read_csv
from bustrace.capture.external import INSTALL, converter, looks_like_session, read_external
from bustrace.capture.first_bytes import refuse_known, shown
from bustrace.capture.model import Capture, Mode
from bustrace.capture.raw_reader import Order, looks_like_raw, read_raw
from bustrace.capture.vcd_header import looks_like_vcd
from bustrace.capture.vcd_reader import read_vcd
from bustrace.errors import CaptureError

_HEAD_BYTES = 1 << 16


@dataclass(frozen=True, slots=True)
class _Format:
    """One format: its name, how it is recognised, how it is read, which guesses it makes."""

    name: str
    title: str
    recognises: Callable[[bytes], bool]
    read: Callable[..., Capture]
    options: frozenset[str]


_COMMON = frozenset({"lines", "rate", "mode", "time_unit"})
_FORMATS = (
    _Format("vcd", "VCD (value change dump)", looks_like_vcd, read_vcd, _COMMON),
    _Format(
        "csv",
        "CSV (a table of samples or transitions)",
        looks_like_csv,
        read_csv,
        _COMMON | {"separator", "decimal", "threshold", "base"},
    ),
    _Format(
        "raw",
        "a raw sample dump",
        looks_like_raw,
        read_raw,
        frozenset({"raw_bits", "raw_order", "names", "rate", "mode"}),
    ),
    _Format(
        "other",
        "a file of another program",
        looks_like_session,
        read_external,
        frozenset({"lines"}),
    ),
)


def open_capture(
    path: str | Path,
    *,
    format: str | None = None,
    lines: Sequence[str] | None = None,
    rate: Fraction | None = None,
    mode: Mode | None = None,
    time_unit: str | None = None,
    separator: str | None = None,
    decimal: str | None = None,
    threshold: Fraction | float | None = None,
    base: Base | None = None,
    raw_bits: int | None = None,
    raw_order: Order | None = None,
    names: Sequence[str] | None = None,
    chunk_bytes: int = DEFAULT_CHUNK_BYTES,
) -> Capture:
    """Read an exported capture; what the file does not say is guessed, noted, and overridable.

    Parameters
    ----------
    path : path
        A VCD or CSV export, a raw sample dump, or a file that sigrok-cli can convert where that
        is installed.
    format : {"vcd", "csv", "raw", "other"} or None
        None looks at the first bytes; a raw dump is read where `raw_bits` is given.
    lines : sequence of str or None
        Lines or whole buses to keep; None keeps all, up to 64.
    rate : Fraction or None
        Samples a second.
    mode : {"timing", "state"} or None
        Whether rows are transitions, or one a bus cycle.
    time_unit : str or None
        Unit of the times in the file, such as ``ns``.
    separator, decimal : str or None
        Column separator and decimal sign; CSV only.
    threshold : number or None
        Volts from which a column of volts is 1; CSV only.
    base : {"bin", "hex", "dec"} or None
        How numbers without a mark are read; CSV only.
    raw_bits : int or None
        Bits a sample fills in the file, 8 to 64 in steps of 8; raw dumps only, and needed there.
    raw_order : {"little", "big"} or None
        Whether the low or the high byte of a sample comes first; raw dumps only.
    names : sequence of str or None
        A name for each bit, bit 0 first, ``-`` for none; raw dumps only, and needed there.
    chunk_bytes : int
        How much is read at a time; the result does not depend on it.

    Returns
    -------
    Capture
        Its `notes` hold every guess and doubt.

    Raises
    ------
    CaptureError
        The file cannot be read, fits no format or more than one, or an option does not apply.
    """
    options: dict[str, Any] = {
        "lines": lines,
        "rate": rate,
        "mode": mode,
        "time_unit": time_unit,
        "separator": separator,
        "decimal": decimal,
        "threshold": threshold,
        "base": base,
        "raw_bits": raw_bits,
        "raw_order": raw_order,
        "names": names,
    }
    given = {name: value for name, value in options.items() if value is not None}
    if format is None and raw_bits is not None:
        format = "raw"
    chosen = _by_name(format) if format is not None else _recognise(path, given.keys())
    for name in sorted(given.keys() - chosen.options):
        raise CaptureError(
            f"this option does not apply to {chosen.title}",
            path=path,
            key="--" + name.replace("_", "-"),
        )
    return chosen.read(path, **given, chunk_bytes=chunk_bytes)


def _by_name(name: str) -> _Format:
    for known in _FORMATS:
        if known.name == name.casefold():
            return known
    raise CaptureError(
        "no such capture format",
        key="--format",
        found=name,
        expected=", ".join(known.name for known in _FORMATS),
    )


def _recognise(path: str | Path, options: Set[str]) -> _Format:
    with open_bytes(path) as file:
        head = file.read(_HEAD_BYTES)
    if not head.strip():
        raise CaptureError("the file is empty", path=path, advice="export the capture again")
    fitting = [known for known in _FORMATS if known.recognises(head)]
    if len(fitting) == 1:
        return fitting[0]
    if fitting:
        raise CaptureError(
            "the file could be more than one format: "
            + ", ".join(known.title for known in fitting),
            path=path,
            advice="name it: " + " or ".join(f"--format {known.name}" for known in fitting),
        )
    refuse_known(head, path)
    other = _by_name("other")
    installed = converter() is not None
    if installed and options <= other.options:
        return other
    raise CaptureError(
        "the file is in no format that can be read",
        path=path,
        found=shown(head),
        expected=", ".join(known.title for known in _FORMATS[:2]),
        advice="export the capture as VCD or CSV; or, for a raw sample dump, give --raw-bits, "
        "--rate and --names"
        + ("" if installed else f"; or, for a file of another program, {INSTALL}"),
    )
