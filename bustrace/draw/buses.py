"""Address and data: value boxes where there is room, strips of columns where there is not."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from bustrace.board.model import READ
from bustrace.draw.answering import responds_met, short_list
from bustrace.draw.bins import density, mean_by_column, spread_cycles
from bustrace.draw.lanes import Bus, Lane, View
from bustrace.draw.look import MONO_ADVANCE
from bustrace.draw.sheet import PS_PER_US, SMALLEST, card

if TYPE_CHECKING:
    from bustrace.board import Board
    from bustrace.reading import Reading

_ROWS_BITS = 5
_ROWS = 1 << _ROWS_BITS
"""Rows of the address strip: blocks of 2 KB where the CPU has all sixteen address pins."""


def block_bits(board: Board) -> int:
    """Address lines below those that choose a row of the address strip."""
    return board.address_mask.bit_length() - _ROWS_BITS


def hex_text(value: int, known: int, digits: int, prefix: str = "") -> str:
    """Value in hex; a digit with any unknown bit is ``?``; ``-`` when no bit is known."""
    mask = (1 << 4 * digits) - 1
    if known & mask == 0:
        return "-"
    text = "".join(
        f"{value >> 4 * k & 15:X}" if known >> 4 * k & 15 == 15 else "?"
        for k in reversed(range(digits))
    )
    return prefix + text


def address_text(reading: Reading, cycle: int) -> str:
    """Address on the bus in a cycle, as ``$C0?F``."""
    known = reading.board.shown_lines(int(reading.cycles.address_known[cycle]))
    return hex_text(int(reading.cycles.address[cycle]), known, 4, "$")


def draw_bus(view: View, lane: Lane, top: float, bottom: float) -> None:
    """Draw the address or the data lane."""
    if view.detail == "columns":
        (_address_strip if lane.kind == "address" else _data_strip)(view, top, bottom)
    else:
        _draw_cards(view, lane, top, bottom)


def bus_values(view: View, kind: Bus) -> tuple[npt.NDArray[np.uint32], npt.NDArray[np.uint32]]:
    """Value and known bits of a bus in the window's cycles."""
    cycles = view.reading.cycles
    if kind == "address":
        known = view.reading.board.shown_lines(cycles.address_known[view.span])
        return cycles.address[view.span], known
    return (
        cycles.data[view.span].astype(np.uint32),
        cycles.data_known[view.span].astype(np.uint32),
    )


def _draw_cards(view: View, lane: Lane, top: float, bottom: float) -> None:
    sheet, look = view.sheet, view.sheet.look
    address = lane.kind == "address"
    value, known = bus_values(view, "address" if address else "data")
    digits, prefix = (4, "$") if address else (2, "$")
    wide = view.points_per_cycle - 1.5
    size = next(
        (s for s in (7.5, 7.0, 6.5, 6.0) if sheet.fits("0" * (digits + len(prefix)), wide, s, 4.0)),
        6.0,
    )
    upright = not sheet.fits("0" * (digits + len(prefix)), wide, size, 4.0)
    if upright:
        prefix, size = "", min(6.5, max(wide - 1.5, SMALLEST))
        if sheet.fits("0" * digits, wide, 6.0):
            upright, size = False, 6.0
    point = sheet.us_per_point
    written = np.zeros(len(value), dtype=bool) if address else view.pin("RW") == 0
    kinds: dict[str, list[list[tuple[float, float]]]] = {"read": [], "write": [], "unknown": []}
    for at, (begin, end) in enumerate(_edges(view)):
        left, right = begin + 0.75 * point, end - 0.75 * point
        wrote = bool(written[at])
        cut = min(3.0, wide / 4)
        shape = card(left, right, top, bottom, cut * point, cut, left_cut=wrote)
        text = hex_text(int(value[at]), int(known[at]), digits, prefix)
        unknown = text == "-"
        kinds["unknown" if unknown else "write" if wrote else "read"].append(shape)
        if unknown:
            continue
        sheet.text(
            (left + right) / 2,
            (top + bottom) / 2,
            text,
            size=size,
            mono=True,
            color=look.card if wrote else look.ink,
            rotation=90.0 if upright else 0.0,
            va="center" if upright else "center_baseline",
            weight="bold" if wrote else "normal",
        )
    sheet.shapes(kinds["read"], face=look.card, edge=look.ink)
    sheet.shapes(kinds["write"], face=look.write, edge=look.write)
    sheet.shapes(kinds["unknown"], face=look.shade, edge=look.quiet, hatch="////")


def _edges(view: View) -> list[tuple[float, float]]:
    """Start and end of each cycle of the window, in µs."""
    begin, end = view.starts_ps / PS_PER_US, view.ends_ps / PS_PER_US
    return list(zip(begin.tolist(), end.tolist(), strict=True))


def draw_meant(view: View, lane: Lane, top: float, bottom: float) -> None:
    """Mark the bits in which a bus differs from what the CPU meant."""
    kind: Bus = "address" if lane.key.endswith("address") else "data"
    different = view.difference(kind)
    letter, digits = ("A", 4) if kind == "address" else ("D", 2)
    every = int(np.bitwise_or.reduce(different)) if len(different) else 0
    sheet, look = view.sheet, view.sheet.look
    sheet.readout((top + bottom) / 2, f"differs: {_bit_names(letter, every)}", color=look.meant)
    if view.detail == "columns":
        cycle, column = spread_cycles(view.starts_ps, view.ends_ps, sheet.edges_ps)
        share = mean_by_column((different[cycle] != 0).astype(np.uint8), column, sheet.columns)
        edges = sheet.edges_ps / PS_PER_US
        hit = np.flatnonzero(share > 0)
        tall = (bottom - top - 1) * (0.3 + 0.7 * share[hit])
        middle = (edges[hit] + edges[hit + 1]) / 2
        sheet.rule(bottom, color=look.quiet)
        sheet.lines(
            [
                [(x, bottom), (x, bottom - h)]
                for x, h in zip(middle.tolist(), tall.tolist(), strict=True)
            ],
            color=look.meant,
            width=0.6,
        )
        return
    intent = view.reading.program.intent
    meant = (intent.address if kind == "address" else intent.data)[view.span]
    certain = (intent.address_known if kind == "address" else intent.data_known)[view.span]
    wide = view.points_per_cycle
    point = sheet.us_per_point
    pointers = []
    for at in np.flatnonzero(different):
        begin, end = float(view.starts_ps[at]), float(view.ends_ps[at])
        x = (begin + end) / 2 / PS_PER_US
        bits = int(different[at])
        sure = int(certain[at])
        if kind == "address":
            sure = view.reading.board.shown_lines(sure)
        value = hex_text(int(meant[at]), sure, digits, "$")
        names = _bit_names(letter, bits)
        if sheet.fits(value, wide, 6.0):
            sheet.text(x, top + 7.5, value, size=6.0, mono=True, color=look.meant)
            if not sheet.fits(names, wide + 4, SMALLEST):
                names = f"{bits.bit_count()} bits"
            sheet.text(
                x, top + 15, names, size=SMALLEST, mono=True, color=look.meant, weight="bold"
            )
            pointers += _pointers(bits, digits, x, top, 7.0, point)
        else:
            sheet.text(
                x,
                top + 5,
                names if len(names) <= 7 else f"{bits.bit_count()} bits",
                size=SMALLEST,
                mono=True,
                color=look.meant,
                weight="bold",
                rotation=90.0,
                va="top",
            )
            pointers.append([(x, top), (x - 2 * point, top + 3.5), (x + 2 * point, top + 3.5)])
    sheet.shapes(pointers, face=look.meant, z=5.0)


def _pointers(
    bits: int, digits: int, x: float, top: float, size: float, point: float
) -> list[list[tuple[float, float]]]:
    """Small triangles under the hex digits that hold the differing bits, at the bit's place."""
    shapes = []
    advance = MONO_ADVANCE * size * point
    for bit in range(4 * digits):
        if bits >> bit & 1:
            # Centre of the text "$" + digits; each digit's four bits share its width.
            digit, within = divmod(4 * digits - 1 - bit, 4)
            at = x + (digit + 0.5 - (digits - 1) / 2) * advance - advance / 2
            at += (within - 1.5) / 4 * advance + advance / 2
            shapes.append([(at, top), (at - 1.6 * point, top + 3.2), (at + 1.6 * point, top + 3.2)])
    return shapes


def _bit_names(letter: str, bits: int) -> str:
    names = [f"{letter}{bit}" for bit in reversed(range(16)) if bits >> bit & 1]
    return " ".join(names) if len(names) <= 3 else f"{len(names)} bits"


def _address_strip(view: View, top: float, bottom: float) -> None:
    """Address against time: darkness is how often a block of 2 KB was on the bus."""
    sheet, look = view.sheet, view.sheet.look
    sheet.strip(address_density(view, sheet.columns), top, bottom)
    _strip_frame(view, top, bottom)
    top_address = view.reading.board.address_mask
    for quarter in (4, 3, 2, 1, 0):
        value = min((top_address + 1) * quarter // 4, top_address)
        y = bottom - (bottom - top) * quarter / 4
        inside = min(max(y, top + 3), bottom - 3)
        sheet.text(
            sheet.left_us - 5 * sheet.us_per_point,
            inside,
            f"${value:04X}",
            size=5.6,
            mono=True,
            ha="right",
            color=look.quiet,
        )
        if quarter in (1, 2, 3):
            sheet.rule(y, width=0.4)
    _name_regions(view, top, bottom)


def address_density(view: View, columns: int) -> npt.NDArray[np.float64]:
    """Darkness of the address strip, the last address at the top: shape (32, columns).

    Cycles are left out where the block is not known.
    """
    value, known = bus_values(view, "address")
    cycle, column = spread_cycles(view.starts_ps, view.ends_ps, view.sheet.edges_ps)
    low = block_bits(view.reading.board)
    block = np.uint32((_ROWS - 1) << low)
    sure = (known & block == block)[cycle]
    row = _ROWS - 1 - ((value[cycle[sure]] & block) >> np.uint32(low)).astype(np.intp)
    dark = density(row, column[sure], _ROWS, columns)
    return np.where(dark > 0, dark, np.nan)


def _name_regions(view: View, top: float, bottom: float) -> None:
    """Write beside the strip which chips the board has at which addresses."""
    board = view.reading.board
    owner = responds_met(view.reading)[READ][: board.address_mask + 1 : 1 << block_bits(board)]
    first = 0
    free = bottom + 4.0
    for end in range(1, _ROWS + 1):
        if end < _ROWS and owner[end] == owner[first]:
            continue
        chips = [ref for bit, ref in enumerate(board.map.chips) if int(owner[first]) >> bit & 1]
        y = bottom - (bottom - top) * (first + end) / 2 / _ROWS
        if chips and free - y > 6.0:
            view.sheet.readout(y, short_list(chips, 2), size=5.6)
            free = y
        first = end


def _data_strip(view: View, top: float, bottom: float) -> None:
    """One row a data line, D7 at the top: darkness is the share of cycles it was high."""
    sheet, look = view.sheet, view.sheet.look
    sheet.strip(data_shares(view, sheet.columns), top, bottom)
    _strip_frame(view, top, bottom)
    pitch = (bottom - top) / 8
    value, known = bus_values(view, "data")
    for bit in range(8):
        y = bottom - (bit + 0.5) * pitch
        sheet.text(
            sheet.left_us - 5 * sheet.us_per_point,
            y,
            f"D{bit}",
            size=5.6,
            mono=True,
            ha="right",
            color=look.quiet,
        )
        if bit:
            sheet.rule(bottom - bit * pitch, width=0.4)
        seen = known >> np.uint32(bit) & 1 == 1
        level = value[seen] >> np.uint32(bit) & 1
        if len(level) == 0:
            sheet.readout(y, "not captured", size=5.6)
        elif level.min() == level.max():
            sheet.readout(y, f"D{bit} always {'high' if level[0] else 'low'}", size=5.6)


def data_shares(view: View, columns: int) -> npt.NDArray[np.float64]:
    """Share of cycles each data line was high, D7 first: shape (8, columns), NaN for none."""
    value, known = bus_values(view, "data")
    cycle, column = spread_cycles(view.starts_ps, view.ends_ps, view.sheet.edges_ps)
    rows = []
    for bit in reversed(range(8)):
        seen = (known[cycle] >> np.uint32(bit)) & 1 == 1
        level = ((value[cycle[seen]] >> np.uint32(bit)) & 1).astype(np.uint8)
        rows.append(mean_by_column(level, column[seen], columns))
    return np.array(rows)


def _strip_frame(view: View, top: float, bottom: float) -> None:
    sheet = view.sheet
    sheet.boxes(
        [(sheet.left_us, sheet.right_us)],
        top,
        bottom,
        face="none",
        edge=sheet.look.quiet,
        width=0.6,
        z=3.0,
    )
