"""What a healthy board could have shown as well, had chance been otherwise."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from bustrace.campaign.cases import Case
from bustrace.campaign.seen import Seen, seen_on
from bustrace.drill import BusRecord
from bustrace.hookup import DATA_PINS

_READ = 1


def healthy_by_chance(case: Case, record: BusRecord, lines: Sequence[str], seen: Seen) -> bool:
    """Whether a healthy board gives the same capture with other bytes in its RAM at power-on, and
    other levels on the data bus where nobody drives it. What shows no more than that shows no
    fault to anybody.

    Parameters
    ----------
    case : Case
    record : BusRecord
        The run with the faults.
    lines : sequence of str
        Captured lines.
    seen : uint64, shape (cycles,)
        `seen_on` of that run.
    """
    healthy = case.run((), power_on=_read_first(record))
    start = case.conditions.start
    shown = seen_on(healthy, lines, start=start)
    if len(shown) != len(seen):
        return False
    data = sum(1 << place for place, line in enumerate(lines) if line in DATA_PINS)
    free = (healthy.drivers[start:] == 0) & (healthy.rw[start:] == _READ)
    told = np.where(free, ~np.uint64(data), ~np.uint64(0))
    return not bool(((shown ^ seen) & told).any())


def _read_first(record: BusRecord) -> dict[str, dict[int, int]]:
    """Bytes of RAM that were read before they were written, as the clip shows them: by chip and
    offset, decoded as a healthy board does.
    """
    board = record.board
    held: dict[str, dict[int, int]] = {}
    for chip, ref in enumerate(board.map.chips):
        if board.chip(ref).role != "ram":
            continue
        mine = np.zeros(len(record), dtype=np.bool_)
        offsets = np.zeros(len(record), dtype=np.int64)
        for state in np.unique(record.state).tolist():
            table, here = board.maps[state], record.state == state
            asked = table.responds[record.cpu_rw, record.cpu_address]
            mine |= here & (asked >> np.uint32(chip) & 1 == 1)
            offsets[here] = table.inner[chip, record.cpu_address[here]]
        at = np.flatnonzero(mine)
        _, first = np.unique(offsets[at], return_index=True)
        rows = at[first]
        rows = rows[record.cpu_rw[rows] == _READ]
        held[ref] = dict(zip(offsets[rows].tolist(), record.clip_data[rows].tolist(), strict=True))
    return held
