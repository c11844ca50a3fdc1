"""Faults that nobody could tell apart: those whose noiseless captures are identical."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from functools import partial

import numpy as np

from bustrace.board import READ
from bustrace.campaign.boards import faults_of, loaded
from bustrace.campaign.by_chance import Held, alike_by_chance, bytes_of
from bustrace.campaign.cases import Case
from bustrace.campaign.seen import Seen, differing
from bustrace.drill import ALWAYS, BusRecord, Planting, PowerOn, every_way
from bustrace.faults import SELECT, Fault

MOST_CANDIDATES = 40
"""Neighbours that are tried at most: an oracle class is at least as large as what they show."""

_LOOK_AHEAD = 64
_AND_THEN = 6
"""Times as long is the next look, until it takes in the whole run."""

_ASKS = "IRQ"


class Oracle:
    """The oracle class of each fault of a case, worked out only as far as somebody asks.

    An identical capture is one whose settled levels on the captured lines are the same in every
    cycle, in a run with the same seed and no noise, whatever RAM held at power-on. Candidates are
    first what the answer names, then faults of the same line or chip, the nearest first;
    `MOST_CANDIDATES` of them bound the work, and errors on that side make an answer look worse,
    never better. Each is tried in every way in which it can show itself, in the truth's cycles and
    in all of them. It is first run to just beyond the cycle in which the truth first shows, then
    further: few need a whole run.

    Parameters
    ----------
    case : Case
    truth : sequence of Fault
        What counts; with two, each has its class in the presence of the other.
    lines : sequence of str
    true, healthy : uint64, shape (cycles,)
        `seen_on` of the run with the truth, and of the run without faults.
    """

    def __init__(
        self, case: Case, truth: Sequence[Fault], lines: Sequence[str], true: Seen, healthy: Seen
    ) -> None:
        self.case, self.truth, self.lines = case, tuple(truth), tuple(lines)
        self.start = case.conditions.start
        self.true = true
        self.changed = differing(true, healthy)
        self._known: dict[tuple[Fault, Fault], bool] = {}

    def alike(self, fault: Fault, named: Fault) -> bool:
        """Whether the capture would be the same with `named` in place of `fault`."""
        if named == fault:
            return True
        key = (fault, named)
        if key not in self._known:
            self._known[key] = any(map(self._same, self._instead(fault, named))) or (
                named.family == "content" and self._as_it_gave(fault, named)
            )
        return self._known[key]

    def _as_it_gave(self, fault: Fault, named: Fault) -> bool:
        """Whether a ROM that holds what was read of it, whatever that is, gives the same capture:
        another content may be any.
        """
        (ref,) = named.chips
        others = tuple(
            self.case.planting_of(one) for one in self.truth if one not in (fault, named)
        )
        held = self._given_by(ref)
        return held is not None and self._same((Planting(named, "rot"), *others), {ref: held})

    def _given_by(self, ref: str) -> dict[int, int] | None:
        """What a ROM must hold for what was read where it alone should have answered, by offset;
        None where that differs from read to read.
        """
        run, board = self.case.run(self.truth), loaded(self.case.files)
        if board.chip(ref).role != "rom" or not board.chip(ref).images:
            return None
        chip = board.map.index(ref)
        byte, mask = bytes_of(self.lines, self.true)
        n = min(len(run), self.start + len(byte))
        shown = run.clip_data[:n].copy()  # before the recording, and on other lines, any will do
        shown[self.start :] &= ~np.uint8(mask)
        shown[self.start :] |= byte[: n - self.start] & np.uint8(mask)
        state, address, read = run.state[:n], run.cpu_address[:n], run.cpu_rw[:n] == READ
        offset = np.full(n, -1)
        for each in np.unique(state).tolist():
            table = board.maps[each]
            mine = (state == each) & read
            mine &= table.responds[READ, address] == np.uint32(1 << chip)
            offset[mine] = table.inner[chip, address[mine]]
        given = np.unique((offset << 8 | shown)[offset >= 0])
        shows = dict(zip((given >> 8).tolist(), (given & 0xFF).tolist(), strict=True))
        image = board.chip(ref).images[0].content.tolist()
        return dict(enumerate(image)) | shows if len(shows) == len(given) else None

    def _instead(self, fault: Fault, named: Fault) -> Iterator[tuple[Planting, ...]]:
        """The truth with one fault replaced by each way of the other, in its cycles or in all."""
        if named in self.truth:
            return
        ways = every_way(loaded(self.case.files), named)
        for when in dict.fromkeys((self.case.planting_of(fault).when, ALWAYS)):
            for other in (Planting(named, way, when) for way in ways):
                yield tuple(
                    other if one == fault else self.case.planting_of(one) for one in self.truth
                )

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

    def _same(self, plantings: tuple[Planting, ...], roms: Held | None = None) -> bool:
        """Whether these give the same capture, with some content of RAM, and these of ROMs."""
        faults = tuple(planting.fault for planting in plantings)
        for end in self._looks(faults):
            whole = end == self.case.cycles
            true = self.true if whole else self.true[: end - self.start]
            run = partial(self._run, plantings, end, roms or {})
            try:
                if not alike_by_chance(run, self.lines, true, self.start):
                    return False
            except ValueError:  # nothing that can be planted here
                return False
        return True

    def _run(self, plantings: Sequence[Planting], end: int, roms: Held, held: PowerOn) -> BusRecord:
        return self.case.run(plantings, cycles=end, power_on={**held, **roms})

    def _looks(self, faults: Sequence[Fault]) -> Iterator[int]:
        """Lengths of the runs that are compared, each longer than the one before."""
        if not any(fault.family in ("clock", "reset") for fault in (*faults, *self.truth)):
            first = int(self.changed[0]) if len(self.changed) else 0
            end = self.start + first + _LOOK_AHEAD
            while end < self.case.cycles:
                yield end
                end *= _AND_THEN
        # Where a clock or a reset takes hold depends on the run's length.
        yield self.case.cycles


def neighbours(fault: Fault, among: Sequence[Fault]) -> list[Fault]:
    """Faults of the same line or chip, the nearest first.

    First those of the very same lines, then those of the same bus lines wherever they come from
    (a memory's output and the line that it drives), then those that share a line, then a chip;
    an I/O chip is also near the interrupt line. Memory cells are neighbours only of the same cell.
    """
    lines, chips, bits = set(_nets(fault)), set(fault.chips), _bits(fault)
    ranked = []
    for place, other in enumerate(among):
        if other == fault or (other.family == "cell" and other.chip != fault.chip):
            continue
        nets, its_bits = set(_nets(other)), _bits(other)
        shared_chip = bool(chips & (set(other.chips) | nets)) or bool(lines & set(other.chips))
        if nets == lines and nets:
            rank = 0
        elif bits and bits == its_bits:
            rank = 1
        elif (shared_chip and not its_bits and not bits) or _about_interrupts(fault, other):
            rank = 2
        elif nets & lines or bits & its_bits:
            rank = 3
        elif shared_chip:
            rank = 4
        else:
            continue
        ranked.append((rank, not shared_chip, place, other))
    return [other for *_, other in sorted(ranked, key=lambda entry: entry[:3])]


def _about_interrupts(one: Fault, other: Fault) -> bool:
    """An I/O chip that asks all the time and an interrupt line that is held look alike."""
    return any(
        first.family == "register" and _ASKS in second.lines
        for first, second in ((one, other), (other, one))
    )


def _nets(fault: Fault) -> tuple[str, ...]:
    """Lines, a select's by its chip."""
    return tuple(line.removeprefix(SELECT) for line in fault.lines)


def _bits(fault: Fault) -> set[str]:
    """Bus lines that a fault is about, a memory's bits as the data lines they come out at."""
    if fault.family in ("plane", "cell"):
        return {"D" + (fault.chip or "").rsplit(".", 1)[1]}
    return {line for line in fault.lines if line[1:].isdigit()}
