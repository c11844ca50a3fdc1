"""Where each captured select line falls."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bustrace.board.model import N_ADDRESSES
from bustrace.cycles import Cycles
from bustrace.hookup import Tap
from bustrace.identify.blocks import aligned_blocks
from bustrace.identify.model import SelectSeen
from bustrace.identify.touched import Accesses, per_address

SEEN_TWICE = 2
"""Cycles at an address that a stray sample does not reach."""

Marks = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class SelectTrace:
    """A select line over the accesses.

    Attributes
    ----------
    seen : SelectSeen
    selected : bool, shape (n,)
        Accesses in which it was asserted, strays left out.
    """

    seen: SelectSeen
    selected: Marks


def trace_select(tap: Tap, cycles: Cycles, ref: str, accesses: Accesses) -> SelectTrace:
    """Follow one select line.

    Parameters
    ----------
    tap : Tap
    cycles : Cycles
    ref : str
        The select's name in `Cycles.select_names`.
    accesses : Accesses
    """
    level = cycles.select(ref)[accesses.cycle]
    bit = np.uint32(1 << cycles.select_names.index(ref))
    others = (cycles.selects & cycles.selects_known & ~bit)[accesses.cycle] != 0
    on, off = level == 1, level == 0
    stray = _strays(accesses, on, others)
    on &= ~stray
    mixed, elsewhere = 0, np.zeros(N_ADDRESSES, dtype=np.bool_)
    sides: list[tuple[Marks, Marks]] = []
    for side in (accesses.read, ~accesses.read):
        hits = per_address(accesses.address[on & side])
        misses = per_address(accesses.address[off & side])
        foreign = per_address(accesses.address[off & side & others]) > 0
        sides.append((hits > misses, (misses >= hits) & ((misses >= SEEN_TWICE) | foreign)))
        mixed += int(((hits > 0) & (misses > 0)).sum())
        elsewhere |= (misses > 0) & (hits == 0)
    (in_reads, out_reads), (in_writes, out_writes) = sides
    either, neither = in_reads | in_writes, out_reads | out_writes
    if not (either & neither).any():
        # No address tells reads from writes, so both serve to bound both.
        out_reads = out_writes = neither
    reads_in, writes_in = on & accesses.read, on & ~accesses.read
    hit = np.flatnonzero(per_address(accesses.address[on]) > 0)
    seen = SelectSeen(
        line=tap.line,
        active_low=tap.inverted,
        reads=int(reads_in.sum()),
        writes=int(writes_in.sum()),
        addresses=len(hit),
        lowest=int(hit[0]) if len(hit) else None,
        highest=int(hit[-1]) if len(hit) else None,
        elsewhere=int((off & elsewhere[accesses.address]).sum()),
        mixed=mixed,
        strays=int(stray.sum()),
        read_ranges=aligned_blocks(in_reads, out_reads),
        write_ranges=aligned_blocks(in_writes, out_writes),
        both_ranges=None if (either & neither).any() else aligned_blocks(either, neither),
    )
    return SelectTrace(seen, on)


def _strays(accesses: Accesses, on: Marks, others: Marks) -> Marks:
    """Assertions beside another select's, at addresses where there are one or two such and no
    other: a stray sample looks like that.
    """
    times, doubled = per_address(accesses.address[on]), per_address(accesses.address[on & others])
    odd = (times > 0) & (times <= SEEN_TWICE) & (times == doubled)
    # A line that is never asserted alone has no better addresses to be judged by.
    if not (on & ~others).any():
        return np.zeros(len(accesses), dtype=np.bool_)
    stray: Marks = on & odd[accesses.address]
    return stray
