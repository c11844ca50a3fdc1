"""The value of the board's state bits in each cycle: what the CPU meant decides, else the clip."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from bustrace.board import Board, state_of
from bustrace.cycles.model import CONTROL_BIT, IN_RESET, OWNER_CPU, UNSETTLED, Cycles
from bustrace.program.model import Intent

States = npt.NDArray[np.uint16]


def bank_state(
    cycles: Cycles, intent: Intent, board: Board, n: int | None = None
) -> tuple[States, States]:
    """State bits in the first `n` cycles, or in all.

    Cycles of another bus owner change nothing: what is on the bus then is not the CPU's.

    Returns
    -------
    state, known : uint16, shape (n,)
        Bit i is ``board.state_bits[i]`` as it is during the cycle. Unknown bits are 0.
    """
    n = len(cycles) if n is None else n
    state, known = np.zeros(n, np.uint16), np.zeros(n, np.uint16)
    if not board.state_bits or not n:
        return state, known
    settled = cycles.flags[:n] & UNSETTLED == 0
    clip_known = np.where(settled, cycles.address_known[:n], np.uint32(0))
    meant = intent.address_known[:n]
    address = (intent.address[:n] & meant) | (cycles.address[:n] & clip_known & ~meant)
    rw_bit = np.uint16(CONTROL_BIT["RW"])
    clip_rw = (cycles.control[:n] >> rw_bit & 1).astype(np.uint8)
    clip_rw_known = (cycles.control_known[:n] >> rw_bit & 1 == 1) & settled
    told = intent.rw[:n] < 2
    data_meant = intent.data_known[:n]
    data_seen = np.where(settled, cycles.data_known[:n], np.uint8(0)) & ~data_meant
    # Reset holds whoever has the bus.
    in_reset = cycles.flags[:n] & IN_RESET != 0
    mine = np.flatnonzero((cycles.owner[:n] == OWNER_CPU) | in_reset)
    if not len(mine):
        return state, known
    state[mine], known[mine] = state_of(
        board,
        address[mine],
        np.where(told, intent.rw[:n], clip_rw)[mine],
        ((intent.data[:n] & data_meant) | (cycles.data[:n] & data_seen))[mine],
        address_known=(meant | clip_known)[mine],
        rw_known=(told | clip_rw_known)[mine],
        data_known=(data_meant | data_seen)[mine],
        in_reset=in_reset[mine],
    )
    # The others have what the next cycle of the CPU has; after the last one it is left open.
    after = np.searchsorted(mine, np.arange(n))
    held = after < len(mine)
    source = mine[np.minimum(after, len(mine) - 1)]
    return np.where(held, state[source], np.uint16(0)), np.where(held, known[source], np.uint16(0))
