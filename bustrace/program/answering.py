"""Who was to answer in a cycle, in the bank that the board had then."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bustrace.board import Board, answers_in
from bustrace.cycles import Cycles
from bustrace.program.bank_state import bank_state
from bustrace.program.model import Intent


@dataclass(frozen=True, slots=True, eq=False)
class Answering:
    """Chips that were to answer, one row an access.

    Attributes
    ----------
    chips, known : uint32, shape (k,)
        Bit i is ``board.map.chips[i]``; known where every state that is possible agrees.
    state : uint16, shape (k,)
        State bits, 0 where not known.
    """

    chips: npt.NDArray[np.uint32]
    known: npt.NDArray[np.uint32]
    state: npt.NDArray[np.uint16]

    def by(self, chip: int) -> npt.NDArray[np.bool_]:
        """Accesses that surely reached a chip."""
        sure: npt.NDArray[np.bool_] = self.chips & self.known & np.uint32(1 << chip) != 0
        return sure

    @property
    def by_nobody(self) -> npt.NDArray[np.bool_]:
        """Accesses that surely reached none."""
        nobody: npt.NDArray[np.bool_] = (self.chips == 0) & (self.known == 0xFFFFFFFF)
        return nobody

    @property
    def open(self) -> npt.NDArray[np.bool_]:
        """Accesses of which a state bit that is not known decides who was to answer."""
        unknown: npt.NDArray[np.bool_] = self.known != 0xFFFFFFFF
        return unknown


def answering(
    cycles: Cycles,
    intent: Intent,
    board: Board,
    cycle: npt.NDArray[np.int64],
    address: npt.NDArray[np.uint32],
    rw: npt.NDArray[np.uint8],
) -> Answering:
    """Who was to answer in each of some accesses.

    Parameters
    ----------
    cycle : int64, shape (k,)
    address : uint32, shape (k,)
    rw : uint8, shape (k,)
        1 read, 0 write.
    """
    state, known = bank_state(cycles, intent, board)
    found = answers_in(board, address, rw, state[cycle], known[cycle])
    return Answering(found.responds, found.responds_known, state[cycle])


def states_met(cycles: Cycles, intent: Intent, board: Board) -> list[int]:
    """States in which the board was in some cycle, as far as they are known whole."""
    state, known = bank_state(cycles, intent, board)
    whole = (1 << len(board.state_bits)) - 1
    met: list[int] = np.unique(state[known & whole == whole]).tolist()
    return met
