"""What makes a boot ugly although nothing is wrong with the board, and what nobody is told of."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from bustrace.board.images import image_from_bytes
from bustrace.board.model import AddressMap, Board, Chip
from bustrace.drill.chip_faults import revised
from bustrace.drill.floating import UNDRIVEN, Undriven

MOST_DRIFT = 0.01
"""Of the clock, either way: an RC oscillator that warms up; the makers' limits still hold."""

_MOST_STATES = 64


@dataclass(frozen=True, slots=True)
class Nuisances:
    """What can be ugly about a healthy board, or slightly wrong in its board file.

    Attributes
    ----------
    undriven : str
        What a data bus that nobody drives shows: `bustrace.drill.floating.UNDRIVEN`.
    io_hold : int or None
        Cycles for which what comes in at ports stays as it is; None: as their kinds like. 1
        is an input that chatters.
    contention : float
        Share of cycles in which two chips overlap for some ns while they change over.
    drift : float
        How far the clock wanders, as a part of its rate.
    left_out : str or None
        A chip of the board that the board file does not know of.
    other_revision : str or None
        A ROM of which the board file has another revision's image.
    """

    undriven: Undriven = "keeps"
    io_hold: int | None = None
    contention: float = 0.0
    drift: float = 0.0
    left_out: str | None = None
    other_revision: str | None = None


def draw_nuisances(rng: np.random.Generator, board: Board) -> Nuisances:
    """Some nuisances that this board can have; any of them may be absent."""
    left_out = [chip.ref for chip in board.mapped if _may_be_forgotten(board, chip)]
    roms = [chip.ref for chip in board.mapped if chip.images]
    return Nuisances(
        UNDRIVEN[int(rng.integers(len(UNDRIVEN)))],
        int(rng.choice([1, 3, 10])) if rng.random() < 0.3 else None,
        float(rng.uniform(0.05, 0.5)) if rng.random() < 0.4 else 0.0,
        float(rng.uniform(0.0005, MOST_DRIFT)) if rng.random() < 0.3 else 0.0,
        str(rng.choice(left_out)) if left_out and rng.random() < 0.1 else None,
        str(rng.choice(roms)) if roms and rng.random() < 0.1 else None,
    )


def as_described(board: Board, nuisances: Nuisances, seed: int) -> Board:
    """The board as its slightly wrong board file has it.

    Raises
    ------
    KeyError
        A chip that the board has not.
    """
    if nuisances.other_revision is not None:
        board = _other_revision(board, nuisances.other_revision, seed)
    if nuisances.left_out is not None:
        board = _left_out(board, nuisances.left_out)
    return board


def _may_be_forgotten(board: Board, chip: Chip) -> bool:
    """A small chip that nothing else in the board file speaks of."""
    named = {*board.irq_from, *board.nmi_from, *(bit.source for bit in board.state_bits)}
    return chip.role == "io" and chip.ref not in named and len(board.maps) <= _MOST_STATES


def _other_revision(board: Board, ref: str, seed: int) -> Board:
    def changed(chip: Chip) -> Chip:
        if chip.ref != ref:
            return chip
        first = chip.images[0]
        content = revised(first.content.tobytes(), np.random.default_rng((seed, 8)))
        return replace(chip, images=(image_from_bytes(content, first.name, first.path),))

    board.chip(ref)
    return replace(board, chips=tuple(changed(chip) for chip in board.chips))


def _left_out(board: Board, ref: str) -> Board:
    maps = [_without(table, board.map.index(ref)) for table in board.maps]
    decoders = tuple(
        replace(
            decoder,
            outputs=tuple(
                replace(out, chips=tuple(chip for chip in out.chips if chip != ref))
                for out in decoder.outputs
            ),
        )
        for decoder in board.decoders
    )
    return replace(
        board,
        chips=tuple(chip for chip in board.chips if chip.ref != ref),
        map=maps[board.reset_state],
        banks=None if board.banks is None else tuple(maps),
        decoders=decoders,
    )


def _without(table: AddressMap, bit: int) -> AddressMap:
    """The map without one chip; what only that chip was at is not described any more."""
    kept: Sequence[int] = [other for other in range(len(table.chips)) if other != bit]

    def packed(bits: np.ndarray) -> np.ndarray:
        moved = np.zeros_like(bits)
        for place, other in enumerate(kept):
            moved |= (bits >> np.uint32(other) & np.uint32(1)) << np.uint32(place)
        return moved

    responds, asserts = packed(table.responds), packed(table.asserts)
    mine = (table.responds | table.asserts) >> np.uint32(bit) & np.uint32(1)
    only = (mine.any(axis=0)) & ~(responds | asserts).any(axis=0)
    return AddressMap(
        chips=tuple(table.chips[other] for other in kept),
        responds=responds,
        asserts=asserts,
        asserts_known=packed(table.asserts_known),
        offsets=table.offsets[kept].copy(),
        inner=table.inner[kept].copy(),
        described=table.described & ~only,
        data_masks=table.data_masks[kept].copy(),
    )
