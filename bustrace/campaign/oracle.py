"""Faults that nobody could tell apart: those whose noiseless captures are identical."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

import numpy as np

from bustrace.campaign.boards import faults_of, loaded
from bustrace.campaign.cases import Case
from bustrace.campaign.seen import differing, seen_on
from bustrace.drill import Planting, variants_of
from bustrace.faults import SELECT, Fault

MOST_CANDIDATES = 40
"""Neighbours that are tried at most: an oracle class is at least as large as what they show."""

_LOOK_AHEAD = 64


class Oracle:
    """The oracle class of each fault of a case, worked out only as far as somebody asks.

    An identical capture is one whose settled levels on the captured lines are the same in every
    cycle, in a run with the same seed and no noise. Candidates are first what the answer names,
    then faults of the same line or chip, the nearest first; `MOST_CANDIDATES` of them bound the
    work, and errors on that side make an answer look worse, never better. A candidate is first
    run to just beyond the cycle in which the truth first shows: few need a whole run.

    Parameters
    ----------
    case : Case
    truth : sequence of Fault
        What counts; with two, each has its class in the presence of the other.
    lines : sequence of str
    healthy : uint64, shape (cycles,)
        `seen_on` of the run without faults.
    """

    def __init__(
        self, case: Case, truth: Sequence[Fault], lines: Sequence[str], healthy: np.ndarray
    ) -> None:
        self.case, self.truth, self.lines = case, tuple(truth), tuple(lines)
        self.start = case.conditions.start
        self.true = seen_on(case.run(truth), lines, start=self.start)
        self.changed = differing(self.true, healthy)
        self._known: dict[tuple[Fault, Fault], bool] = {}

    def alike(self, fault: Fault, named: Fault) -> bool:
        """Whether the capture would be the same with `named` in place of `fault`."""
        if named == fault:
            return True
        key = (fault, named)
        if key not in self._known:
            self._known[key] = any(map(self._same, self._instead(fault, named)))
        return self._known[key]

    def _instead(self, fault: Fault, named: Fault) -> Iterator[tuple[Planting, ...]]:
        """The truth with one fault replaced: by each way of the other, in the same cycles."""
        if named in self.truth:
            return
        when = self.case.planting_of(fault).when
        for variant in variants_of(loaded(self.case.files), named):
            other = Planting(named, variant, when)
            yield tuple(other if one == fault else self.case.planting_of(one) for one in self.truth)

    def size(self, fault: Fault, wanted: int, answer: Iterable[Fault] = ()) -> int:
        """Size of the class of `fault`; stops at `wanted`."""
        found = 1
        tried = dict.fromkeys((*answer, *self._neighbours(fault)))
        tried.pop(fault, None)
        for named in tried:
            if found >= wanted:
                break
            found += self.alike(fault, named)
        return found

    def _neighbours(self, fault: Fault) -> Iterator[Fault]:
        near = neighbours(fault, faults_of(self.case.files))
        yield from near[:MOST_CANDIDATES]

    def _same(self, plantings: tuple[Planting, ...]) -> bool:
        faults = tuple(planting.fault for planting in plantings)
        first = int(self.changed[0]) if len(self.changed) else 0
        ends = [self.start + first + _LOOK_AHEAD, self.case.cycles]
        if any(fault.family in ("clock", "reset") for fault in (*faults, *self.truth)):
            ends = ends[1:]  # where these take hold depends on the run's length
        for end in ends:
            if end > self.case.cycles:
                continue
            try:
                run = self.case.run(plantings, cycles=end)
            except ValueError:  # nothing that can be planted here
                return False
            seen = seen_on(run, self.lines, start=self.start)
            whole = end == self.case.cycles
            true = self.true if whole else self.true[: end - self.start]
            if len(differing(seen, true)):
                return False
        return True


def neighbours(fault: Fault, among: Sequence[Fault]) -> list[Fault]:
    """Faults of the same line or chip, the nearest first.

    First those of the very same lines and bits, then those that share a line, then a chip.
    Memory cells are neighbours only of the same cell.
    """
    lines, chips, bits = set(_nets(fault)), set(fault.chips), _bits(fault)
    ranked = []
    for place, other in enumerate(among):
        if other == fault or (other.family == "cell" and other.chip != fault.chip):
            continue
        nets = set(_nets(other))
        shared_chip = bool(chips & (set(other.chips) | nets)) or bool(lines & set(other.chips))
        if nets == lines and nets:
            rank = 0
        elif bits and bits & _bits(other) and shared_chip:
            rank = 1
        elif shared_chip and not _bits(other) and not bits:
            rank = 2
        elif nets & lines:
            rank = 3
        elif shared_chip:
            rank = 4
        else:
            continue
        ranked.append((rank, place, other))
    return [other for _, _, other in sorted(ranked, key=lambda entry: entry[:2])]


def _nets(fault: Fault) -> tuple[str, ...]:
    """Lines, a select's by its chip."""
    return tuple(line.removeprefix(SELECT) for line in fault.lines)


def _bits(fault: Fault) -> set[str]:
    """Bus lines that a fault is about, a memory's bits as the data lines they come out at."""
    if fault.family in ("plane", "cell"):
        return {"D" + (fault.chip or "").rsplit(".", 1)[1]}
    return {line for line in fault.lines if line[1:].isdigit()}
