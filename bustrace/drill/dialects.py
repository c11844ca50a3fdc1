"""Captures written as text in the manners of many exporters.

These imitate no program in particular; each shows habits that real exports have: how lines are
named, what stands above the table, how time is written, which rows are left out. The names of
lines are those of `bustrace.drill.sample`.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from fractions import Fraction
from pathlib import Path

import numpy as np
import numpy.typing as npt

from bustrace.capture.model import Capture
from bustrace.units import PS_PER_SECOND, sample_times_ps

_ACTIVE_LOW = re.compile(r"RES|IRQ|NMI|CS_.*")
_BIT = re.compile(r"([AD])(\d+)")
_WORDS = {
    "PHI2": "Phase 2",
    "RW": "Read/Write",
    "SYNC": "Sync",
    "RES": "Reset",
    "IRQ": "Interrupt",
    "NMI": "Non-maskable",
    "RDY": "Ready",
}


def _plain(line: str) -> str:
    return line


def _slashed(line: str) -> str:
    special = {"PHI2": "phi2", "RW": "r/w"}.get(line)
    low = "/" if _ACTIVE_LOW.fullmatch(line) else ""
    return special or low + line.lower()


def _padded(line: str) -> str:
    bit = _BIT.fullmatch(line)
    if bit:
        return f"{bit[1]}{int(bit[2]):02}"
    special = {"PHI2": "P2", "RW": "R_W"}.get(line)
    return special or ("n" if _ACTIVE_LOW.fullmatch(line) else "") + line


def _doubled(line: str) -> str:
    bit = _BIT.fullmatch(line)
    if bit:
        return f"{bit[1]}B{bit[2]}"
    return "R/W" if line == "RW" else ("/" if _ACTIVE_LOW.fullmatch(line) else "") + line


def _indexed(line: str) -> str:
    bit = _BIT.fullmatch(line)
    if bit:
        return f"{'ADDR' if bit[1] == 'A' else 'DATA'}[{bit[2]}]"
    special = {"PHI2": "CLK", "RW": "RnW"}.get(line)
    return special or line + ("_N" if _ACTIVE_LOW.fullmatch(line) else "")


def _worded(line: str) -> str:
    bit = _BIT.fullmatch(line)
    if bit:
        return f"{'Address' if bit[1] == 'A' else 'Data'} {bit[2]}"
    return _WORDS.get(line, line.replace("CS_", "Select "))


NAMING: dict[str, Callable[[str], str]] = {
    "plain": _plain,
    "slashed": _slashed,
    "padded": _padded,
    "doubled": _doubled,
    "indexed": _indexed,
    "worded": _worded,
}
"""Ways to write the names of lines."""


def export(
    capture: Capture, path: str | Path, dialect: str, *, naming: str | None = None
) -> dict[str, str]:
    """Write a simulated capture as somebody's analyser would.

    Parameters
    ----------
    capture : Capture
        In timing mode, every level known, with a rate.
    path : path
    dialect : str
        One of `DIALECTS`.
    naming : str or None
        One of `NAMING`; None takes the dialect's own. ``csv quoted`` names its columns by
        channel number whatever is asked, the dialects with bus columns name their buses.

    Returns
    -------
    dict
        Name in the file of each line of the capture; bits of a bus column are ``NAME[3]``.

    Raises
    ------
    ValueError
        An unknown dialect or naming, a capture with unknown levels or without a rate, or bus
        columns asked of a capture without the whole buses.
    """
    if dialect not in DIALECTS:
        raise ValueError(f"unknown dialect {dialect!r}: one of {', '.join(DIALECTS)}")
    own_naming, write = DIALECTS[dialect]
    if naming is not None and naming not in NAMING:
        raise ValueError(f"unknown naming {naming!r}: one of {', '.join(NAMING)}")
    if capture.known is not None or capture.mode != "timing":
        raise ValueError("only a timing capture with all levels known can be exported")
    called = NAMING[naming or own_naming]
    names = {line: called(line) for line in capture.lines}
    if write is _csv_quoted:
        names = {line: f"CH{place}" for place, line in enumerate(capture.lines)}
    buses = _buses(capture) if write in (_vcd_vectors, _csv_hex, _tsv_binary) else {}
    if buses:
        address, data = ("address", "data") if write is not _csv_hex else ("ADDR", "DATA")
        for bus, name in (("A", address), ("D", data)):
            names |= {f"{bus}{bit}": f"{name}[{bit}]" for bit in range(len(buses[bus]))}
    with open(path, "w", encoding="utf-8", newline="") as file:
        file.writelines(write(capture, names))
    return names


def _rate(capture: Capture) -> Fraction:
    if capture.rate is None:
        raise ValueError("an export needs the sample rate")
    return capture.rate


def _buses(capture: Capture) -> dict[str, list[int]]:
    """Places of the address and the data lines, bit 0 first; a 28-pin CPU has 12 or 13."""
    found = {}
    for bus, width in (("A", 16), ("D", 8)):
        lines = [f"{bus}{bit}" for bit in range(width)]
        there = [line for line in lines if line in capture.lines]
        if there != lines[: max(len(there), width - 4)]:
            raise ValueError(f"bus columns need all of {bus}0 to {bus}{width - 1}")
        found[bus] = [capture.lines.index(line) for line in there]
    return found


def _bus_values(capture: Capture, places: list[int]) -> list[int]:
    value = np.zeros(len(capture), np.uint64)
    for bit, place in enumerate(places):
        value |= (capture.state >> np.uint64(place) & np.uint64(1)) << np.uint64(bit)
    return list(value.tolist())


def _singles(capture: Capture) -> list[int]:
    """Places of the lines that are no bus bits."""
    return [p for p, line in enumerate(capture.lines) if not _BIT.fullmatch(line)]


def _fixed(time_ps: int, unit_ps: int, decimals: int) -> str:
    """A time in a unit, rounded to so many decimals, without a float in between."""
    step = 10**decimals
    scaled = (abs(time_ps) * step + unit_ps // 2) // unit_ps
    sign = "-" if time_ps < 0 and scaled else ""
    if not decimals:
        return f"{sign}{scaled}"
    return f"{sign}{scaled // step}.{scaled % step:0{decimals}}"


def _rows(capture: Capture) -> Iterator[tuple[int, int]]:
    """Time and state of each transition, and of the last sample."""
    yield from zip(capture.time_ps.tolist(), capture.state.tolist(), strict=True)
    last = capture.end_ps - int(PS_PER_SECOND / _rate(capture))
    if last > capture.time_ps[-1]:
        yield last, int(capture.state[-1])


def _every_sample(capture: Capture) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.uint64]]:
    """Times and states of all samples."""
    rate = _rate(capture)
    first = round(capture.start_ps * rate / PS_PER_SECOND)
    count = round(capture.duration_ps * rate / PS_PER_SECOND)
    times = sample_times_ps(first, count, rate)
    place = np.searchsorted(capture.time_ps, times, side="right") - 1
    return times, capture.state[place]


def _bits(state: int, width: int) -> str:
    """Levels, line 0 first."""
    return f"{state:0{width}b}"[::-1]


def _mega(capture: Capture) -> str:
    return f"{float(_rate(capture) / 10**6):g}"


# ---- VCD


def _vcd_head(capture: Capture, timescale: str) -> str:
    return (
        "$date\n  1984-11-05 09:12:40\n$end\n$version bench export 2.3 $end\n"
        f"$comment {len(capture.lines)} lines, {_mega(capture)} MS/s $end\n"
        f"$timescale {timescale} $end\n$scope module bench $end\n"
    )


def _vcd_scalars(capture: Capture, names: dict[str, str]) -> Iterator[str]:
    yield _vcd_head(capture, "1ns")
    ids = [chr(33 + place) for place in range(len(capture.lines))]
    for line, code in zip(capture.lines, ids, strict=True):
        yield f"$var wire 1 {code} {names[line]} $end\n"
    yield "$upscope $end\n$enddefinitions $end\n"
    before: int | None = None
    for time_ps, state in _rows(capture):
        moved = (1 << len(ids)) - 1 if before is None else state ^ before
        text = [f"#{_fixed(time_ps, 1000, 0)}\n"]
        text += [
            f"{state >> place & 1}{code}\n" for place, code in enumerate(ids) if moved >> place & 1
        ]
        yield "".join(text)
        before = state


def _vcd_vectors(capture: Capture, names: dict[str, str]) -> Iterator[str]:
    yield _vcd_head(capture, "100 ps")
    buses, singles = _buses(capture), _singles(capture)
    codes = {place: chr(37 + order) for order, place in enumerate(singles)}
    top = len(buses["A"]) - 1
    yield f"$var wire {top + 1} ! address [{top}:0] $end\n$var wire 8 # data [7:0] $end\n"
    for place in singles:
        yield f"$var wire 1 {codes[place]} {names[capture.lines[place]]} $end\n"
    yield "$upscope $end\n$enddefinitions $end\n$dumpvars\n"
    wide = [(code, _bus_values(capture, buses[bus])) for bus, code in (("A", "!"), ("D", "#"))]
    for code, values in wide:
        yield f"b{values[0]:b} {code}\n"
    state = int(capture.state[0])
    yield "".join(f"{state >> place & 1}{codes[place]}\n" for place in singles) + "$end\n"
    for row, (time_ps, new) in enumerate(_rows(capture)):
        text = [f"#{_fixed(time_ps, 100, 0)}\n"]
        if 0 < row < len(capture):
            text += [f"b{v[row]:b} {code}\n" for code, v in wide if v[row] != v[row - 1]]
        moved = state ^ new
        text += [f"{new >> place & 1}{codes[place]}\n" for place in singles if moved >> place & 1]
        yield "".join(text)
        state = new


# ---- CSV


def _csv_transitions(capture: Capture, names: dict[str, str]) -> Iterator[str]:
    yield ",".join(["time_s", *names.values()]) + "\n"
    for time_ps, state in _rows(capture):
        yield f"{_fixed(time_ps, 10**12, 10)},{','.join(_bits(state, len(names)))}\n"


def _csv_semicolon(capture: Capture, names: dict[str, str]) -> Iterator[str]:
    yield ";".join(["t [us]", *names.values()]) + "\r\n"
    for time_ps, state in _rows(capture):
        time = _fixed(time_ps, 10**6, 4).replace(".", ",")
        yield f"{time};{';'.join(_bits(state, len(names)))}\r\n"


def _csv_quoted(capture: Capture, names: dict[str, str]) -> Iterator[str]:
    cells = ["Time [ns]", *(f"{name} [logic]" for name in names.values())]
    yield ",".join(f'"{cell}"' for cell in cells) + "\r\n"
    for time_ps, state in _rows(capture):
        cells = [_fixed(time_ps, 1000, 2), *_bits(state, len(names))]
        yield ",".join(f'"{cell}"' for cell in cells) + "\r\n"


def _csv_units(capture: Capture, names: dict[str, str]) -> Iterator[str]:
    cells = ["Time [ns]", *(f"{name} [logic]" for name in names.values())]
    yield ",".join(f'"{cell}"' for cell in cells) + "\r\n"
    for time_ps, state in _rows(capture):
        yield f"{_fixed(time_ps, 1000, 2)},{','.join(_bits(state, len(names)))}\r\n"


def _csv_samples(capture: Capture, names: dict[str, str]) -> Iterator[str]:
    _, states = _every_sample(capture)
    yield (
        "; Logic recording\n; Board: tide gauge, no. 4\n"
        f"; Lines: {len(names)}\n; Samples: {len(states)}\n"
        f"; Sample period: {float(10**9 / _rate(capture)):.6f} ns\n; Threshold: 1.4 V\n\n"
    )
    yield ",".join(["Sample", *names.values()]) + "\n"
    for index, state in enumerate(states.tolist()):
        yield f"{index},{','.join(_bits(state, len(names)))}\n"


def _csv_rate_only(capture: Capture, names: dict[str, str]) -> Iterator[str]:
    _, states = _every_sample(capture)
    yield f"# sample rate: {_mega(capture)} MHz\n" + ",".join(names.values()) + "\n"
    for state in states.tolist():
        yield ",".join(_bits(state, len(names))) + "\n"


def _csv_every_sample(capture: Capture, names: dict[str, str]) -> Iterator[str]:
    times, states = _every_sample(capture)
    yield ",".join(["time", *names.values()]) + "\n"
    for time_ps, state in zip(times.tolist(), states.tolist(), strict=True):
        yield f"{_fixed(time_ps, 10**12, 9)},{','.join(_bits(state, len(names)))}\n"


def _csv_hex(capture: Capture, names: dict[str, str]) -> Iterator[str]:
    singles, buses = _singles(capture), _buses(capture)
    head = ["Time (us)", *(names[capture.lines[place]] for place in singles), "ADDR", "DATA"]
    yield ",".join(head) + "\n"
    address, data = (_bus_values(capture, buses[bus]) for bus in ("A", "D"))
    for row, (time_ps, state) in enumerate(_rows(capture)):
        levels = ",".join(str(state >> place & 1) for place in singles)
        at = min(row, len(address) - 1)
        yield f"{_fixed(time_ps, 10**6, 4)},{levels},0x{address[at]:04X},0x{data[at]:02X}\n"


def _tsv_binary(capture: Capture, names: dict[str, str]) -> Iterator[str]:
    singles, buses = _singles(capture), _buses(capture)
    head = ["t_us", "address", "data", *(names[capture.lines[place]] for place in singles)]
    yield "\t".join(head) + "\n"
    address, data = (_bus_values(capture, buses[bus]) for bus in ("A", "D"))
    for row, (time_ps, state) in enumerate(_rows(capture)):
        levels = "\t".join(str(state >> place & 1) for place in singles)
        at = min(row, len(address) - 1)
        yield f"{_fixed(time_ps, 10**6, 4)}\t{address[at]:016b}\t{data[at]:08b}\t{levels}\n"


_Writer = Callable[[Capture, dict[str, str]], Iterator[str]]

DIALECTS: dict[str, tuple[str, _Writer]] = {
    "vcd scalars": ("plain", _vcd_scalars),
    "vcd vectors": ("slashed", _vcd_vectors),
    "csv transitions": ("padded", _csv_transitions),
    "csv semicolon": ("worded", _csv_semicolon),
    "csv quoted": ("plain", _csv_quoted),
    "csv units": ("doubled", _csv_units),
    "csv samples": ("indexed", _csv_samples),
    "csv rate only": ("slashed", _csv_rate_only),
    "csv every sample": ("doubled", _csv_every_sample),
    "csv hex": ("plain", _csv_hex),
    "tsv binary": ("plain", _tsv_binary),
}
"""Dialects: how names are written, and the writer."""
