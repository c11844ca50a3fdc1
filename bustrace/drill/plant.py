"""Planted faults as what each layer of the bus, and each chip's inside, makes of them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

import numpy as np

from bustrace.board.model import Board
from bustrace.drill import chip_faults, line_faults
from bustrace.drill.nets import ADDRESS, DATA
from bustrace.drill.planted import Chances, Planted, Plot
from bustrace.drill.planting import Planting, settled
from bustrace.faults import Fault

_HANDLERS: Mapping[str, Callable[[Plot], None]] = line_faults.HANDLERS | chip_faults.HANDLERS


def plant(board: Board, plantings: Iterable[Planting], chances: Chances) -> Planted:
    """Work out what faults do to the bus, all of them acting.

    Parameters
    ----------
    board : Board
    plantings : iterable of Planting
        Settled: every variant named.
    chances : Chances

    Raises
    ------
    ValueError
        A fault that is not simulated here, or that names something the board lacks.
    """
    planted = Planted(device_of=list(range(len(board.map.chips))))
    for planting in plantings:
        _HANDLERS[planting.fault.family](Plot(board, planted, planting, chances))
    _note_constants(planted)
    return planted


def plants(board: Board, fault: Fault) -> bool:
    """Whether a fault can be planted on a board."""
    try:
        (planting,) = settled(board, [Planting(fault)], np.random.default_rng(0))
        planted = Planted(device_of=list(range(len(board.map.chips))))
        _HANDLERS[fault.family](Plot(board, planted, planting, Chances(0)))
    except ValueError:
        return False
    return True


def _note_constants(planted: Planted) -> None:
    """Bus lines that never move at the clip."""
    seen = planted.address.table("near", "clip")
    both = [net.table("near", "clip") for net in (planted.reads, planted.writes)]
    groups = ((ADDRESS, seen), (DATA, np.concatenate(both)))
    for names, table in groups:
        for bit, line in enumerate(names):
            levels = table >> np.uint16(bit) & np.uint16(1)
            if levels.min() == levels.max():
                planted.clip_levels[line] = int(levels[0])
    rw = planted.rw.table("near", "clip")
    if rw.min() == rw.max():
        planted.clip_levels["RW"] = int(rw[0])
