"""Which faults can be planted on a board: every family at every place, asked of the planting."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import combinations, permutations

from bustrace.board.model import Board
from bustrace.drill.groups import shared_groups
from bustrace.drill.line_faults import HELD_LINES, PROBED_ONLY
from bustrace.drill.model import address_lines, control_lines, select_name
from bustrace.drill.nets import DATA
from bustrace.drill.plant import plants
from bustrace.faults import (
    CHIP_FAMILIES,
    FAMILIES,
    LEVELLED,
    LINE_FAMILIES,
    PLACED,
    PLACES,
    STATE_FAMILIES,
    Fault,
)

_STACK_TOP = range(0x1F0, 0x200)
"""Cells where a 6502 keeps its first return addresses, if the chip begins at $0000."""


def plantable(board: Board) -> tuple[Fault, ...]:
    """Every fault that `bustrace.drill.simulate` takes on a board, in a fixed order.

    Families, lines, places, chips and words are tried in all combinations that the vocabulary
    knows, and those kept that planting does not refuse; a family that planting learns appears
    here by itself. Left out are levels stuck at the clip alone (they are ``clip:``), pins that a
    chip has not got (address lines beyond its size, data lines that it does not drive), and
    memory cells but for some: the first sixteen, one for each address line, the top of the stack,
    the last.

    Returns
    -------
    tuple of Fault
    """
    tried = dict.fromkeys(_thinkable(board))
    return tuple(fault for fault in tried if plants(board, fault))


def _thinkable(board: Board) -> Iterator[Fault]:
    for family in FAMILIES:
        if family in LINE_FAMILIES:
            yield from _of_lines(board, family)
        elif family in STATE_FAMILIES:
            yield from (Fault(family, chip=word) for word in STATE_FAMILIES[family])
        elif family == "shared":
            yield from (Fault(family, chip=word) for word in shared_groups(board))
        else:
            yield from _of_chips(board, family)


def _of_lines(board: Board, family: str) -> Iterator[Fault]:
    lines = _lines(board)
    groups: Iterable[tuple[str, ...]] = combinations(lines, LINE_FAMILIES[family])
    levels = (0, 1) if family in LEVELLED else (None,)
    for names in groups:
        for place in _places(board, names) if family in PLACED else (None,):
            for level in levels:
                yield Fault(family, names, level=level, place=place)


def _of_chips(board: Board, family: str) -> Iterator[Fault]:
    refs = (*board.map.chips, *_others(board), board.cpu.ref)
    if CHIP_FAMILIES[family] > 1:
        for pair in permutations(board.map.chips, CHIP_FAMILIES[family]):
            yield Fault(family, chip="+".join(pair))
    elif family == "plane":
        for ref, mask in zip(board.map.chips, board.map.data_masks.tolist(), strict=True):
            yield from (Fault(family, chip=f"{ref}.{bit}") for bit in range(8) if mask >> bit & 1)
    elif family == "cell":
        for ref, mask in zip(board.map.chips, board.map.data_masks.tolist(), strict=True):
            bits = [bit for bit in range(8) if mask >> bit & 1]
            for name in (f"{ref}.{at:04X}.{bit}" for at in _cells(board, ref) for bit in bits):
                yield from (Fault(family, chip=name, level=level) for level in (0, 1))
    else:
        yield from (Fault(family, chip=ref) for ref in refs)


def _lines(board: Board) -> tuple[str, ...]:
    """Names of lines: buses, control, selects, bank bits."""
    selects = [select_name(ref) for ref in board.map.chips]
    bits = [bit.name for bit in board.state_bits]
    direction = ["DIR"] if any(buffer.direction is not None for buffer in board.buffers) else []
    control = (*control_lines(board), *HELD_LINES, *PROBED_ONLY)
    pins = [line for line in control if board.has_pin(line)]
    names = (*address_lines(board), *DATA, "RW", *pins, *selects, *bits, *direction)
    return tuple(dict.fromkeys(names))


def _places(board: Board, lines: tuple[str, ...]) -> Iterator[str]:
    """Places, and the chips that have pins for these lines."""
    yield from (place for place in PLACES if place != "clip")
    for ref, mask in zip(board.map.chips, board.map.data_masks.tolist(), strict=True):
        size = board.chip(ref).size or 0
        if all(_has_pin(line, size, mask) for line in lines):
            yield ref
    yield from _others(board)


def _has_pin(line: str, size: int, data_mask: int) -> bool:
    if line[1:].isdigit() and line[0] == "A":
        return 1 << int(line[1:]) < size
    return not (line in DATA and not data_mask >> int(line[1:]) & 1)


def _others(board: Board) -> tuple[str, ...]:
    """Chips outside the address map, the CPU and decoders aside: ``cpu``, ``decoder`` name those.

    A bank bit's latch is one of them.
    """
    named = {board.cpu.ref, *board.map.chips, *(decoder.ref for decoder in board.decoders)}
    return tuple(chip.ref for chip in board.chips if chip.ref not in named)


def _cells(board: Board, ref: str) -> list[int]:
    size = board.chip(ref).size or 0
    lines = [1 << bit for bit in range(4, 16)]
    return sorted({at for at in (*range(16), *lines, *_STACK_TOP, size - 1) if 0 <= at < size})
