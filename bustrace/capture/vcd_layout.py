"""Which bit of a VCD file becomes which line, as tables for the inner loop."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from bustrace.capture.model import Note
from bustrace.capture.vcd_header import Variable
from bustrace.errors import CaptureError, nearest

MOST_LINES = 64
DIRECT_SIZE = 1 << 16


@dataclass(frozen=True, slots=True)
class Layout:
    """Lines kept, and the tables that find them; a *signal* is one id code.

    Attributes
    ----------
    lines : tuple of str
        Bit i of the capture is ``lines[i]``.
    direct, hash_keys, hash_values, low_mask, all_mask, widths, first_target, targets : arrays
        As `bustrace.capture._kernels_vcd.read_changes` takes them.
    notes : tuple of Note
    """

    lines: tuple[str, ...]
    direct: npt.NDArray[np.int32]
    hash_keys: npt.NDArray[np.uint64]
    hash_values: npt.NDArray[np.int32]
    low_mask: npt.NDArray[np.uint64]
    all_mask: npt.NDArray[np.uint64]
    widths: npt.NDArray[np.int64]
    first_target: npt.NDArray[np.int32]
    targets: npt.NDArray[np.int32]
    notes: tuple[Note, ...]


def lay_out(
    variables: Sequence[Variable], wanted: Sequence[str] | None, path: str | Path
) -> Layout:
    """Choose the lines and make the tables.

    Parameters
    ----------
    variables : sequence of Variable
    wanted : sequence of str or None
        Lines or whole buses to keep; None keeps all.
    path : path
        For messages.

    Raises
    ------
    CaptureError
        A wanted line is not there; none or more than 64 are left.
    """
    notes: list[Note] = []
    signals, dropped = _signals(variables)
    if dropped:
        notes.append(
            Note("fact", f"signals without logic levels were skipped: {', '.join(dropped)}")
        )
    names, doubled = _line_names(signals)
    if doubled:
        notes.append(
            Note("doubt", f"several signals have one name and were numbered: {', '.join(doubled)}")
        )
    kept = _choose(signals, names, wanted, path)

    id_codes = list(dict.fromkeys(variable.id_code for variable in variables))
    lines: list[str] = []
    low_mask = np.zeros(len(id_codes), dtype=np.uint64)
    all_mask = np.zeros(len(id_codes), dtype=np.uint64)
    widths = np.zeros(len(id_codes), dtype=np.int64)
    runs: list[list[tuple[int, int, int]]] = [[] for _ in id_codes]
    index_of = {id_code: index for index, id_code in enumerate(id_codes)}
    for variable, bit_names, bit_kept in zip(signals, names, kept, strict=True):
        index = index_of[variable.id_code]
        widths[index] = max(int(widths[index]), variable.width)
        for bit, (name, keep) in enumerate(zip(bit_names, bit_kept, strict=True)):
            if not keep:
                continue
            mask = np.uint64(1 << len(lines))
            all_mask[index] |= mask
            if bit == 0:
                low_mask[index] |= mask
            _extend_runs(runs[index], bit, len(lines))
            lines.append(name)

    direct, hash_keys, hash_values = _id_tables(id_codes)
    return Layout(
        lines=tuple(lines),
        direct=direct,
        hash_keys=hash_keys,
        hash_values=hash_values,
        low_mask=low_mask,
        all_mask=all_mask,
        widths=widths,
        first_target=np.cumsum([0, *map(len, runs)], dtype=np.int32),
        targets=np.array([run for each in runs for run in each], dtype=np.int32).reshape(-1, 3),
        notes=tuple(notes),
    )


def id_key(id_code: bytes) -> int:
    """Key of an id code: its FNV-1a hash (Fowler, Noll and Vo), as the inner loop computes it."""
    key = 0xCBF29CE484222325
    for byte in id_code:
        key = (key ^ byte) * 0x100000001B3 % (1 << 64)
    return key


def _signals(variables: Sequence[Variable]) -> tuple[list[Variable], list[str]]:
    """Variables with levels, each once, and the names of the others."""
    signals: dict[tuple[object, ...], Variable] = {}
    dropped: list[str] = []
    for variable in variables:
        if variable.bits:
            key = (variable.id_code, variable.scope, variable.bits)
            signals.setdefault(key, variable)
        else:
            dropped.append(variable.name)
    return list(signals.values()), dropped


def _line_names(signals: Sequence[Variable]) -> tuple[list[tuple[str, ...]], list[str]]:
    """Names of every bit: bare where unique, else with scopes, else numbered."""
    uses = Counter(bit for variable in signals for bit in variable.bits)
    prefixed = [
        tuple(".".join((*variable.scope, bit)) for bit in variable.bits)
        if any(uses[bit] > 1 for bit in variable.bits)
        else variable.bits
        for variable in signals
    ]
    taken: set[str] = set()
    doubled: list[str] = []
    names = []
    for variable, bits in zip(signals, prefixed, strict=True):
        suffix, number = "", 1
        while any(bit + suffix in taken for bit in bits):
            number += 1
            suffix = f":{number}"
        if suffix:
            doubled.append(variable.name + suffix)
        names.append(tuple(bit + suffix for bit in bits))
        taken.update(names[-1])
    return names, doubled


def _choose(
    signals: Sequence[Variable],
    names: Sequence[tuple[str, ...]],
    wanted: Sequence[str] | None,
    path: str | Path,
) -> list[list[bool]]:
    """Which bits to keep, for each signal."""
    if wanted is None:
        kept = [[True] * len(bits) for bits in names]
    else:
        asked = set(wanted)
        used: set[str] = set()
        kept = []
        for variable, bits in zip(signals, names, strict=True):
            whole = {variable.name, ".".join((*variable.scope, variable.name))} & asked
            kept.append([bool(whole) or bit in asked for bit in bits])
            used |= whole | asked.intersection(bits)
        for name in wanted:
            if name not in used:
                known = [variable.name for variable in signals] + [
                    b for bits in names for b in bits
                ]
                close = nearest(name, known)
                raise CaptureError(
                    "the file has no such line",
                    path=path,
                    key="--lines",
                    found=name,
                    expected=f"{close}?" if close else _summary(signals),
                )
    count = sum(map(sum, kept))
    if count > MOST_LINES:
        raise CaptureError(
            f"{count} lines are more than the {MOST_LINES} a capture holds",
            path=path,
            found=_summary(signals),
            advice="name those to keep, buses as a whole: --lines PHI2,RW,ADDR,DATA",
        )
    if count == 0:
        raise CaptureError("the file declares no line with logic levels", path=path)
    return kept


def _summary(signals: Sequence[Variable]) -> str:
    names = list(dict.fromkeys(variable.name for variable in signals))
    return ", ".join(names[:12]) + (f" and {len(names) - 12} more" if len(names) > 12 else "")


def _extend_runs(runs: list[tuple[int, int, int]], bit: int, line: int) -> None:
    """Add one bit; neighbours that stay neighbours are copied in one go."""
    if runs:
        from_bit, count, shift = runs[-1]
        if from_bit + count == bit and shift + count == line:
            runs[-1] = (from_bit, count + 1, shift)
            return
    runs.append((bit, 1, line))


def _id_tables(
    id_codes: Sequence[bytes],
) -> tuple[npt.NDArray[np.int32], npt.NDArray[np.uint64], npt.NDArray[np.int32]]:
    """Tables from id code to signal."""
    direct = np.full(DIRECT_SIZE, -1, dtype=np.int32)
    size = 16
    while size < 4 * len(id_codes):
        size *= 2
    keys = np.zeros(size, dtype=np.uint64)
    values = np.full(size, -1, dtype=np.int32)
    for signal, id_code in enumerate(id_codes):
        if len(id_code) <= 2:
            direct[int.from_bytes(id_code, "little")] = signal
            continue
        key = id_key(id_code)
        slot = key & (size - 1)
        while keys[slot]:
            slot = (slot + 1) & (size - 1)
        keys[slot] = key
        values[slot] = signal
    return direct, keys, values
