"""RAM that loses what was not used for long: how long, as the reads show it."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from bustrace.diagnosis.naming import sharing
from bustrace.diagnosis.on_lines import Proposal
from bustrace.faults import RAM_BANK, Fault
from bustrace.findings import Assumption, Evidence

SHORTEST = 100
"""Cycles: whatever is lost sooner is not forgotten, but never was kept."""

MOST_EVENTS = 64
"""Lost bytes that are looked at."""

_TRIED = 2
"""Lengths tried for each chip and kind of rows: the shortest that was lost, and the next, if the
shortest was noise."""


def array_bits(size: int) -> tuple[int, int]:
    """Offset bits of a memory of so many bytes: all, and those that choose a row of its array, by
    common practice the lower half.
    """
    lines = max(size - 1, 1).bit_length()
    return (1 << lines) - 1, (1 << max(lines // 2, 1)) - 1


def forgetting(evidence: Evidence) -> Iterator[Proposal]:
    """Chips and banks of RAM that may forget: where a byte came back changed.

    A dynamic RAM loses a row, which the lower half of its address lines choose (common practice); a
    static one whose supply or cells are weak loses a byte.
    """
    board, replay = evidence.reading.board, evidence.replay
    forgets: dict[str, list[tuple[int, int]]] = {}
    for chip, ref in enumerate(replay.chips):
        if board.chip(ref).role != "ram" or not board.chip(ref).fitted:
            continue
        uses = _Uses(evidence, chip)
        for rows in dict.fromkeys(array_bits(replay.sizes[chip])):
            for after in uses.lost_after(rows):
                forgets.setdefault(ref, []).append((rows, after))
                does = Assumption(forgets=1 << chip, forgets_after=after, forgets_rows=rows)
                yield "retention", Fault("retention", chip=ref), does
    bank = sharing(board, RAM_BANK)
    chips = sum(1 << replay.chips.index(ref) for ref in bank)
    for rows, after in dict.fromkeys(way for ref in bank for way in forgets.get(ref, ())):
        does = Assumption(forgets=chips, forgets_after=after, forgets_rows=rows)
        yield "shared", Fault("shared", chip=RAM_BANK), does


class _Uses:
    """Reads and writes of a RAM, in order."""

    def __init__(self, evidence: Evidence, chip: int) -> None:
        replay = evidence.replay
        mine = self.cycle = replay.answered_by(chip)
        self.offset = replay.offsets(chip, mine)
        self.read = read = replay.read[mine] == 1
        lanes = replay.lanes[chip]
        self.data = np.where(read, replay.data[mine], replay.written[mine]) & lanes
        known = np.where(read, replay.data_known[mine], replay.written_known[mine])
        self.known = known & lanes
        self.changed = self._changed()

    def lost_after(self, rows: int) -> list[int]:
        """Cycles after which rows were lost, the shortest ones."""
        lasted = []
        for before, now in self.changed:
            same = np.flatnonzero((self.offset[before : now + 1] ^ self.offset[now]) & rows == 0)
            pauses = np.diff(self.cycle[before + same])
            lasted.append(int(pauses.max()))
        long = sorted({pause - 1 for pause in lasted if pause > SHORTEST})
        return long[:_TRIED]

    def _changed(self) -> list[tuple[int, int]]:
        """Reads that do not give what the byte held when it was last used: that use, and this."""
        order = np.argsort(self.offset, kind="stable")
        before, now = order[:-1], order[1:]
        same: npt.NDArray[np.bool_] = self.offset[before] == self.offset[now]
        off = (self.data[before] ^ self.data[now]) & self.known[before] & self.known[now]
        hits = np.flatnonzero(same & self.read[now] & (off != 0))
        pairs = sorted(zip(now[hits].tolist(), before[hits].tolist(), strict=True))
        return [(earlier, later) for later, earlier in pairs[:MOST_EVENTS]]
