"""Search for the instructions that cycles were, where executing them cannot begin or goes astray.

The best path over opcode fetches (`_kernels.search`), in windows that slide over the capture: what
all surviving paths share is settled and leaves the window, so memory does not grow.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt

from bustrace.cpu.variants import packed_table, variant_index
from bustrace.program import _kernels
from bustrace.program.rests import inside_rests
from bustrace.program.shapes import bus_shapes, prior_scores

_BITS = _kernels.BIT_UNITS

_HELD = _kernels.HELD_AT - _kernels.DATA_AT
_RW_BITS = np.array([2, 3, 0], np.uint32) << np.uint32(_kernels.RW_AT - _kernels.DATA_AT)
"""R/W of a packed cycle by its level, from the data on: low, high, not captured."""


@dataclass(frozen=True, slots=True)
class Prices:
    """What deviations cost, in bits of evidence.

    Attributes
    ----------
    wrong : float
        A captured bit that is not what was foretold.
    stray, strays_on : float
        The first cycle that is no program, and each one after it.
    beam : float
        Paths that are so much worse than the best are given up.
    interrupt, nmi, reset : float
        An interrupt; that it is an NMI; a reset.
    skipped, waited : float
        A cycle that the capture lacks; a run of waits that were not captured.
    against : float
        A branch against flags that are believed.
    healed, healed_data : float
        Most that one wrong address or byte costs.
    crosses : float
        Indexing or a branch that crosses a page.
    doubt : float
        Loss of an instruction from which opcodes one bit away are tried.
    either : float
        Each way of a branch or a page crossing that nothing decides.
    gap_doubt : float
        Loss from which waits and cycles that the capture lacks are tried.
    hoped : float
        Most that one instruction is thought to lose: more than the beam beyond it is given up.
    """

    wrong: float = 9.0
    stray: float = 14.0
    strays_on: float = 1.0
    beam: float = 24.0
    interrupt: float = 8.0
    nmi: float = 1.0
    reset: float = 14.0
    skipped: float = 12.0
    waited: float = 9.0
    against: float = 12.0
    healed: float = 45.0
    healed_data: float = 18.0
    crosses: float = 1.0
    doubt: float = 8.0
    gap_doubt: float = 2.0
    either: float = 1.0
    hoped: float = 48.0

    def packed(self) -> npt.NDArray[np.int64]:
        """As the kernel takes them."""
        prices = np.zeros(_kernels.PRICES, np.int64)
        for at, value in (
            (_kernels.WRONG, self.wrong),
            (_kernels.STRAY, self.stray),
            (_kernels.STRAYS_ON, self.strays_on),
            (_kernels.BEAM, self.beam),
            (_kernels.BY_INTERRUPT, self.interrupt),
            (_kernels.AS_NMI, self.nmi),
            (_kernels.AFTER_RESET, self.reset),
            (_kernels.SKIPPED, self.skipped),
            (_kernels.WAITED, self.waited),
            (_kernels.AGAINST, self.against),
            (_kernels.HEALED, self.healed),
            (_kernels.HEALED_DATA, self.healed_data),
            (_kernels.CROSSES, self.crosses),
            (_kernels.DOUBT, self.doubt),
            (_kernels.GAP_DOUBT, self.gap_doubt),
            (_kernels.EITHER, self.either),
            (_kernels.HOPED, self.hoped),
        ):
            prices[at] = round(value * _BITS)
        return prices


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """What was captured of the cycles that the CPU could use, one entry a cycle.

    Attributes
    ----------
    address, address_known : uint32
    data, data_known : uint8
    rw : uint8
        0, 1, or 2 where not captured.
    held : bool
        RES is low.
    """

    address: npt.NDArray[np.uint32]
    address_known: npt.NDArray[np.uint32]
    data: npt.NDArray[np.uint8]
    data_known: npt.NDArray[np.uint8]
    rw: npt.NDArray[np.uint8]
    held: npt.NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.rw)

    def packed(self) -> npt.NDArray[np.int64]:
        """One integer a cycle, as the kernel takes them."""
        known = self.address_known & np.uint32(0xFFFF)
        cycles = (known << np.uint32(_kernels.AMASK_AT) | self.address & known).astype(np.int64)
        rest = self.data_known.astype(np.uint32) << np.uint32(8) | self.data & self.data_known
        rest |= _RW_BITS[self.rw] | self.held * np.uint32(1 << _HELD)
        cycles |= rest.astype(np.int64) << _kernels.DATA_AT
        same = cycles[1:] == cycles[:-1]
        same &= self.rw[1:] != 0
        cycles[1:] |= same * np.int64(1 << _kernels.REPEATS_AT)
        return cycles


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """The best path: rows that tile all cycles.

    Attributes
    ----------
    first_cycle : int64, shape (n,)
    edge : uint8
        Kind of the edge, as in `_kernels`.
    opcode : int16
        -1 where it is not known.
    other : int16
        Opcode that explains the same cycles next best, or -1.
    behind : float32
        How much worse, in bits.
    score : float32
        Evidence for the row, in bits.
    loss : float32
        What the row lacks of the most that its cycles could give, in bits.
    registers, known : uint16, shape (n, 6)
        PC A X Y S P before the row.
    """

    first_cycle: npt.NDArray[np.int64]
    edge: npt.NDArray[np.uint8]
    opcode: npt.NDArray[np.int16]
    other: npt.NDArray[np.int16]
    behind: npt.NDArray[np.float32]
    score: npt.NDArray[np.float32]
    loss: npt.NDArray[np.float32]
    registers: npt.NDArray[np.uint16]
    known: npt.NDArray[np.uint16]

    def __len__(self) -> int:
        return len(self.first_cycle)


WITH_DATA = Prices(beam=20.0)
WITHOUT_DATA = Prices(beam=32.0, hoped=24.0)

_TOLD = 0xFFFF << _kernels.AMASK_AT | 1 << _kernels.RW_KNOWN_AT
"""Bits of a packed cycle that say what of addresses and R/W was captured."""

_SEEDS = 8
"""Cycles in which the first instruction of a capture may begin."""

_LATER = 5
"""Price in bits of each cycle before it."""

_STACK_WORDS = 1 << 18
_FEWEST_STACK_WORDS = 1 << 14
_STACK_WORDS_A_CYCLE = 32
_DEEPEST = 256
"""Bytes that the stack can hold."""

_WINDOW = 1 << 15
_LONGEST_WINDOW = 1 << 19


@dataclass(frozen=True, slots=True, eq=False)
class _Paths:
    """Best paths over a stretch of cycles: what the kernel knows of each node."""

    nodes: npt.NDArray[np.int32]
    scores: npt.NDArray[np.int64]
    links: npt.NDArray[np.int32]

    @classmethod
    def empty(cls, size: int) -> _Paths:
        """Nodes that no path has reached."""
        return cls(
            np.zeros((size + 1, _kernels.NODE_FIELDS), np.int32),
            np.full(size + 1, _kernels.NO_SCORE, np.int64),
            np.full((size + 1, _kernels.LINK_FIELDS), -1, np.int32),
        )

    def moved(self, common: int, size: int) -> _Paths:
        """The nodes from `common` on, with room for as many as `size` says."""
        kept = len(self.scores) - common
        other = _Paths.empty(size)
        other.nodes[:kept] = self.nodes[common:]
        other.scores[:kept] = self.scores[common:]
        other.links[:kept] = self.links[common:]
        other.links[:kept, _kernels.FROM] -= common
        return other


def search(
    seen: Seen,
    variant: str = "6502",
    prices: Prices | None = None,
    *,
    window: int = _WINDOW,
) -> Found:
    """Find the best path through all cycles.

    Parameters
    ----------
    seen : Seen
    variant : str
        CPU part.
    prices : Prices or None
    window : int
        Cycles taken in at a time; it changes nothing.
    """
    return _Search(seen.packed(), variant, prices or Prices(), window).run()


def recover(seen: Seen, variant: str = "6502") -> Found:
    """Search with what suits the lines captured, and not where the bus rests.

    Parameters
    ----------
    seen : Seen
    variant : str
        CPU part.
    """
    prices = WITH_DATA if seen.data_known.any() else WITHOUT_DATA
    cycles = seen.packed()
    rests = inside_rests(cycles)
    if not rests.any():
        return _Search(cycles, variant, prices, _WINDOW).run()
    kept = np.flatnonzero(~rests)
    return _with_rests(_Search(cycles[kept], variant, prices, _WINDOW).run(), kept)


def _with_rests(found: Found, kept: npt.NDArray[np.int64]) -> Found:
    """Rows over all cycles of what was found in the `kept` ones: a rest is a row, or within one."""
    begins = np.flatnonzero(np.diff(kept, prepend=-1) > 1)
    after = np.searchsorted(found.first_cycle, begins)
    between = after < len(found)
    between[between] = found.first_cycle[after[between]] == begins[between]
    begins, after = begins[between], after[between]
    starts = np.where(begins > 0, kept[begins - 1] + 1, 0)

    def joined(column: npt.NDArray[Any], rest: npt.NDArray[Any] | float) -> npt.NDArray[Any]:
        return np.insert(column, after, rest, axis=0)

    return Found(
        first_cycle=joined(kept[found.first_cycle], starts),
        edge=joined(found.edge, _kernels.BY_STAYING),
        opcode=joined(found.opcode, -1),
        other=joined(found.other, -1),
        behind=joined(found.behind, 0),
        score=joined(found.score, 0),
        loss=joined(found.loss, 0),
        # A rest changes nothing.
        registers=joined(found.registers, found.registers[after]),
        known=joined(found.known, found.known[after]),
    )


class _Search:
    """One search: the window, and the rows that are settled."""

    def __init__(
        self,
        cycles: npt.NDArray[np.int64],
        variant: str,
        prices: Prices,
        window: int,
    ) -> None:
        self.cycles = cycles
        bits = np.bitwise_count(cycles & _TOLD) * np.int64(_BITS)
        self.potential = np.zeros(len(cycles) + 1, np.int64)
        np.cumsum(bits, out=self.potential[1:])
        self.memory = _memory(variant, prices, len(cycles))
        self.window = window
        self.rows: list[tuple[npt.NDArray[Any], ...]] = []

    def run(self) -> Found:
        """Slide the window over all cycles."""
        n = len(self.cycles)
        size = min(n, self.window)
        first = at = 0
        paths = self._seeds(size)
        counts = self.memory[_kernels.COUNTS_AT :]
        counts[_kernels.FAR] = -1
        while n:
            last = first + size == n
            stop = size if last else size - _kernels.AHEAD
            counts[_kernels.FAR] -= first
            cycles, potential = self.cycles[first:], self.potential[first:]
            columns = paths.nodes, paths.scores, paths.links
            at = int(
                _kernels.search(
                    cycles[:size], potential[: size + 1], at - first, stop, *columns, self.memory
                )
            )
            counts[_kernels.FAR] += first
            if last and at == stop:
                self._take(first, size, paths)
                break
            _compact(self.memory, paths, at)
            if at == stop:
                common = self._settled(first, at, paths)
                self._take(first, common, paths)
                size = min(n - first - common, size - common + self.window)
                paths = paths.moved(common, size)
                first, at = first + common, at + first
            else:
                at += first
        return self._found()

    def _settled(self, first: int, at: int, paths: _Paths) -> int:
        """Node that all living paths share; of hopelessly long ones, where the best one is."""
        size = len(paths.scores) - 1
        common = int(_kernels.settled(paths.links, paths.scores, 0, at, size + 1))
        if common == 0 and size > _LONGEST_WINDOW:
            alive = np.flatnonzero(paths.scores[at:] > _kernels.NO_SCORE) + at
            best = alive[np.argmax(paths.scores[alive] - self.potential[first + alive])]
            common = int(paths.links[best, _kernels.FROM])
        return common

    def _seeds(self, size: int) -> _Paths:
        paths = _Paths.empty(size)
        paths.nodes[:, _kernels.PM] = 0x30
        paths.nodes[:, _kernels.STACK] = _kernels.STACKS_AT
        first = min(_SEEDS, size)
        # As though the fetch in it agreed with all that was captured.
        paths.nodes[:first, _kernels.FETCHED] = np.diff(self.potential[: first + 1])
        paths.scores[:first] = self.potential[1 : first + 1] - _LATER * _BITS * np.arange(first)
        paths.links[:first, _kernels.FROM] = 0
        paths.links[:first, _kernels.EDGE] = _kernels.BY_NOTHING
        return paths

    def _take(self, first: int, end: int, paths: _Paths) -> None:
        """Keep the rows up to a node."""
        path = np.zeros(end + 2, np.int64)
        number = int(_kernels.traced(paths.links, 0, end, path))
        path = path[:number][::-1]
        starts, ends = path[:-1], path[1:]
        level = paths.scores - paths.nodes[:, _kernels.FETCHED]
        self.rows.append(
            (
                first + starts,
                paths.links[ends],
                paths.nodes[starts, :12],
                level[ends] - level[starts],
                self.potential[first + ends] - self.potential[first + starts],
            )
        )

    def _found(self) -> Found:
        none = np.zeros((0, _kernels.LINK_FIELDS), np.int64), np.zeros((0, 12), np.int64)
        rows = self.rows or [(none[0][:, 0], *none, none[0][:, 0], none[0][:, 0])]
        starts, link, registers, gained, could = (
            column[0] if len(column) == 1 else np.concatenate(column)
            for column in zip(*rows, strict=True)
        )
        return Found(
            first_cycle=starts,
            edge=link[:, _kernels.EDGE].astype(np.uint8),
            opcode=link[:, _kernels.CODE].astype(np.int16),
            other=link[:, _kernels.OTHER].astype(np.int16),
            behind=(link[:, _kernels.BEHIND] / _BITS).astype(np.float32),
            score=(gained / _BITS).astype(np.float32),
            loss=((could - gained) / _BITS).astype(np.float32),
            registers=registers[:, 0::2].astype(np.uint16),
            known=registers[:, 1::2].astype(np.uint16),
        )


def _memory(variant: str, prices: Prices, n: int) -> npt.NDArray[np.int64]:
    """The array that the kernel works on, filled with all that it is told."""
    told = _told(variant, prices)
    words = min(_STACK_WORDS, _FEWEST_STACK_WORDS + n * _STACK_WORDS_A_CYCLE)
    memory = np.empty(_kernels.STACKS_AT + words, np.int64)
    memory[: len(told)] = told
    return memory


@cache
def _told(variant: str, prices: Prices) -> npt.NDArray[np.int64]:
    """The beginning of that array, up to the lowest stack cell."""
    memory = np.zeros(_kernels.STACKS_AT + 2, np.int64)
    for at, column in (
        (_kernels.PRICES_AT, prices.packed()),
        (_kernels.TABLE_AT, packed_table()[variant_index(variant)]),
        (_kernels.PRIORS_AT, prior_scores(variant)),
        (_kernels.SHAPES_AT, bus_shapes(variant).ravel()),
    ):
        memory[at : at + len(column)] = column
    memory[_kernels.COUNTS_AT + _kernels.SHAPES] = len(bus_shapes(variant))
    memory[_kernels.COUNTS_AT + _kernels.TOP] = _kernels.STACKS_AT + 2
    memory[_kernels.STACKS_AT] = _kernels.STACKS_AT
    memory.flags.writeable = False
    return memory


def _compact(memory: npt.NDArray[np.int64], paths: _Paths, at: int) -> None:
    """Keep only the stack cells that living nodes can reach."""
    bottom = _kernels.STACKS_AT
    moved = {bottom: bottom}
    cells: list[tuple[int, int]] = []
    for row in (np.flatnonzero(paths.scores[at:] > _kernels.NO_SCORE) + at).tolist():
        chain: list[int] = []
        cell = int(paths.nodes[row, _kernels.STACK])
        while cell not in moved and len(chain) < _DEEPEST:
            chain.append(cell)
            cell = int(memory[cell])
        below = moved.get(cell, bottom)
        for cell in reversed(chain):
            place = bottom + 2 + 2 * len(cells)
            cells.append((below, int(memory[cell + 1])))
            moved[cell] = below = place
        paths.nodes[row, _kernels.STACK] = below
    top = bottom + 2 + 2 * len(cells)
    memory[bottom + 2 : top] = np.array(cells, np.int64).ravel()
    memory[_kernels.COUNTS_AT + _kernels.TOP] = top
