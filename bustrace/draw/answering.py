"""Chips of addresses and accesses, as the pictures name them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from bustrace.program import Answering, answering, states_met
from bustrace.units import numbered_runs

if TYPE_CHECKING:
    from bustrace.reading import Reading


def answering_in(
    reading: Reading,
    cycle: npt.NDArray[np.int64],
    address: npt.NDArray[np.uint32],
    rw: npt.NDArray[np.uint8],
) -> Answering:
    """Who was to answer in each of some accesses of a reading."""
    program = reading.program
    return answering(reading.cycles, program.intent, reading.board, cycle, address, rw)


def banks_met(reading: Reading) -> list[int]:
    """States in which the board of a reading was."""
    return states_met(reading.cycles, reading.program.intent, reading.board)


def responds_met(reading: Reading) -> npt.NDArray[np.uint32]:
    """Chips that answer at each address in any state that was met: uint32, shape (2, 65536)."""
    board = reading.board
    found = np.zeros_like(board.map.responds)
    for state in banks_met(reading) or [board.reset_state]:
        found |= board.maps[state].responds
    return found


def short_list(refs: Sequence[str], most: int) -> str:
    """Chips side by side: ``U5+U20-U27``; what is over `most` is counted."""
    runs = numbered_runs(refs).split(", ")
    more = len(runs) - most
    return "+".join(runs[:most]) + (f" +{more} more" if more > 0 else "")
