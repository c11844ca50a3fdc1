"""The smallest explanation of a CPU that did something else than its reads say."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from bustrace.cpu import CpuState, variant_named
from bustrace.program.thread import Patch, Run, Thread
from bustrace.program.trouble import WIDE, Strictness, first_trouble

_ALL_BUT_RW, _ALL = np.uint32(0x2FFFFFF), np.uint32(0x3FFFFFF)

_ROWS_BACK = 5
"""Sequences before the disagreement in which its cause is looked for."""

_LONGEST_WAIT = 64

_LOOK_AHEAD = 2
"""Cycles before the end of a run in which a branch on an unknown flag cannot be decided."""

_ADDRESS_READS = 8
"""Last reads among which are the two bytes of the address to which the CPU goes next."""

_FIRST_REACHES, _FIRSTS_TRIED = 3, 4
"""Cycles that the first of two misread bytes must make agree, and how many first ones are tried:
those that reach furthest."""

_UNSTEADY_ROWS, _UNSTEADY_READS, _MOST_UNSTEADY = 12, 16, 3
"""Sequences before the disagreement whose last reads the CPU may have taken otherwise on a line
that is known to be unsteady, so many of them, and most that it took so at once."""

_SHOWN_RIGHT, _LOOKED_BACK = 4, 4096
"""Times that a line must have shown the level that it should have now, and cycles before in which
they are looked for, so that it is not the line that is wrong.
"""

_MOST_ODD = 6
"""Bytes of the program that were others before and are tried as they were, the earliest ones."""


@dataclass(frozen=True, slots=True)
class Repair:
    """An explanation that restores agreement.

    Attributes
    ----------
    patches : tuple of Patch
        What is to be believed instead.
    restart : int
        Sequence start from which to execute again.
    state : CpuState
        There.
    """

    patches: tuple[Patch, ...]
    restart: int
    state: CpuState


def explain(
    thread: Thread, at: int, floor: int, aside: int, asked: Strictness, budget: list[int]
) -> Repair | None:
    """Look for a change to what is believed that restores agreement.

    Where a line is known to be unsteady, that line in some of the last reads comes first; then a
    byte of the program, maybe far back, that was another before. Then, in this order: a RES pulse
    the CPU did not take, an interrupt whose line was not captured (or was, a cycle away), waits
    that were not captured, one bit of one read, both bytes of an address, a stray sample and one
    bit of a read, one bit each of two reads.

    Parameters
    ----------
    thread : Thread
        Executed at least to `at`.
    at : int
        First disagreement.
    floor : int
        First cycle that may be explained otherwise.
    aside : int
        Lines set aside.
    asked : Strictness
    budget : list of one int
        Trials left, counted down.

    Returns
    -------
    Repair or None
    """
    if thread.unsteady:
        repair = _by_unsteady_lines(thread, at, floor, aside, asked, budget)
        if repair is not None:
            return repair
    end = min(len(thread), at + asked.need + asked.window)
    if end - at < 16:
        return None
    keep = np.uint32(~aside & 0x3FFFFFF)
    repair = _by_an_odd_byte(thread, at, floor, end, keep, asked, budget)
    if repair is not None:
        return repair
    starts, state = _before(thread, at, floor, _ROWS_BACK)
    if state is None:
        return None
    restart = starts[0]
    before = thread.run(restart, state, at)
    then = thread.run(restart, state, at + 1)
    meant_there = int(then.meant[-1] & then.certain[-1]) & 0xFFFF if then.end > at else -1
    noisy = int(np.count_nonzero(before.off & keep))
    part = variant_named(state.variant)
    waiting = bool(len(before.row_opcode)) and before.row_opcode[-1] in part.opcodes_of("WAI")
    # Where the next cause follows soon, the explanation that reaches furthest.
    furthest, second_best = at - restart + asked.need // 2, None
    halfway: list[tuple[int, tuple[Patch, ...]]] = []  # one bit of one read, and what that reaches
    known_good = at - restart + asked.need
    for patches in _candidates(thread, starts, before, at, meant_there, waiting):
        if budget[0] <= 0:
            return None
        budget[0] -= 1
        run = thread.run(restart, state, end, patches)
        if not _told(thread, run, at, asked):
            continue
        reach = _reach(run, keep, noisy)
        if reach >= known_good and _goes_on(run, keep, asked, min(end, restart + known_good)):
            return Repair(patches, restart, state)
        if patches[0].column == "reads":
            halfway.append((reach, patches))
        elif reach > furthest:
            furthest, second_best = reach, Repair(patches, restart, state)
    if second_best is not None:
        return second_best
    # What disagrees may also be a stray sample, soon before a misread byte.
    stray = thread.run(restart, state, end)
    firsts = [(_reach(stray, keep, noisy + 1), ()), *_furthest(halfway, at - restart)]
    return _misread_then(thread, restart, state, firsts, keep, asked, budget)


def _before(thread: Thread, at: int, floor: int, back: int) -> tuple[list[int], CpuState | None]:
    """First cycles of the last sequences before a cycle, and the state at the first of them."""
    starts = [start for start in thread.rows.before(at, back) if start >= floor]
    while starts:
        state = thread.state_at(starts[0])
        if state is not None:
            return starts, state
        starts = starts[1:]
    return [], None


def _by_unsteady_lines(
    thread: Thread, at: int, floor: int, aside: int, asked: Strictness, budget: list[int]
) -> Repair | None:
    """The fewest of the last reads that the CPU took otherwise on a line known to be unsteady.

    The next time that it does may follow soon: what reaches furthest is taken.
    """
    starts, state = _before(thread, at, floor, _UNSTEADY_ROWS)
    if state is None:
        return None
    restart = starts[0]
    end = min(len(thread), at + asked.need + asked.window)
    keep = np.uint32(~aside & 0x3FFFFFF)
    before, then = thread.run(restart, state, at), thread.run(restart, state, end)
    noisy = int(np.count_nonzero(before.off & keep))
    ways = []
    for cycle in _reads_used(thread, before)[:_UNSTEADY_READS]:
        patch = Patch("reads", (cycle,), (int(thread.believed.reads[cycle]) ^ thread.unsteady,))
        if not _same(thread.run(restart, state, end, (patch,)), then):
            ways.append(patch)
    furthest, found = at - restart + _FIRST_REACHES - 1, None
    for size in range(1, _MOST_UNSTEADY + 1):
        for patches in combinations(ways, size):
            if budget[0] <= 0:
                return found
            budget[0] -= 1
            run = thread.run(restart, state, end, patches)
            reach = _reach(run, keep, noisy)
            if reach > furthest and _told(thread, run, at, asked):
                furthest, found = reach, Repair(patches, restart, state)
        if furthest >= at - restart + asked.need:
            break
    return found


def _by_an_odd_byte(
    thread: Thread,
    at: int,
    floor: int,
    end: int,
    keep: np.uint32,
    asked: Strictness,
    budget: list[int],
) -> Repair | None:
    """A byte of the program that the CPU took as it was each time before. Where few address lines
    are captured, the other way may look alike for long, up to an interrupt that tells.
    """
    upto = min(end, at + asked.need)
    for cycle, usual in _odd_bytes(thread, at, floor):
        starts, state = _before(thread, cycle, floor, 1)
        if state is None:
            continue
        odd = Patch("reads", (cycle,), (usual,))
        run = thread.run(starts[0], state, at, (odd,))
        if first_trouble(run.off & keep, asked) is not None:
            continue
        begins: list[int] = run.row_cycle[-_ROWS_BACK:].tolist()
        for more in ((), *_interrupts(thread, begins, at)):
            if budget[0] <= 0:
                return None
            budget[0] -= 1
            run = thread.run(starts[0], state, end, (odd, *more))
            if _told(thread, run, at, asked) and _goes_on(run, keep, asked, upto):
                return Repair((odd, *more), starts[0], state)
    return None


def _odd_bytes(thread: Thread, at: int, floor: int) -> list[tuple[int, int]]:
    """Cycles, and the byte that was read at the same address at first, of the first reads of the
    program in which it was another.
    """
    since = max(at - _LOOKED_BACK, floor)
    row, pc = thread.rows.since(since)
    at_steps = []
    for step in range(3):
        cycle = row + step
        inside = cycle < at
        cycle, place = cycle[inside], pc[inside] + step & thread.pins
        at_steps.append(cycle[thread.meant[cycle] & thread.pins == place])
    cycles = np.unique(np.concatenate(at_steps))
    cycles = cycles[thread.certain[cycles] & thread.pins == thread.pins]
    cycles = cycles[thread.believed.reads_known[cycles] == 0xFF]
    _, first, place = np.unique(
        thread.meant[cycles] & thread.pins, return_index=True, return_inverse=True
    )
    byte = thread.believed.reads[cycles]
    usual = byte[first][place]
    odd = np.flatnonzero(byte != usual)[:_MOST_ODD]
    return list(zip(cycles[odd].tolist(), usual[odd].tolist(), strict=True))


def _same(run: Run, other: Run) -> bool:
    """Whether the CPU does the same, inside, too."""
    return all(
        np.array_equal(getattr(run, name), getattr(other, name))
        for name in ("meant", "row_cycle", "row_registers", "row_known")
    )


def _reads_used(thread: Thread, run: Run) -> list[int]:
    """Cycles of a run in which the CPU read a byte, the latest first."""
    window = slice(run.start, run.start + len(run.meant))
    used = (run.meant >> 24 & 1 == 1) & thread.believed.high("rdy", window)
    found: list[int] = (np.flatnonzero(used)[::-1] + run.start).tolist()
    return found


def _reach(run: Run, keep: np.uint32, noisy: int) -> int:
    """Cycles up to the first that disagrees, but for so many before what is to be explained."""
    bad = np.flatnonzero(run.off & keep)
    return int(bad[noisy]) if len(bad) > noisy else len(run.off)


def _goes_on(run: Run, keep: np.uint32, asked: Strictness, upto: int) -> bool:
    """Whether a run comes to a cycle without trouble."""
    reached = first_trouble(run.off & keep, asked)
    return run.end >= upto - _LOOK_AHEAD and (reached is None or run.start + reached >= upto)


def _furthest(
    halfway: list[tuple[int, tuple[Patch, ...]]], disagreed: int
) -> list[tuple[int, tuple[Patch, ...]]]:
    """Those that make agree most cycles from the one that disagreed on."""
    some = [each for each in halfway if each[0] >= disagreed + _FIRST_REACHES]
    return sorted(some, key=lambda each: -each[0])[:_FIRSTS_TRIED]


def _misread_then(
    thread: Thread,
    restart: int,
    state: CpuState,
    firsts: list[tuple[int, tuple[Patch, ...]]],
    keep: np.uint32,
    asked: Strictness,
    budget: list[int],
) -> Repair | None:
    """Two causes, one soon after the other: what makes agree what disagreed, and a read of which
    one bit was taken otherwise, for what comes then.

    `firsts` are the first ones, and how many cycles each reaches.
    """
    for reach, first in firsts:
        then = restart + reach
        end = min(len(thread), then + asked.need + asked.window)
        upto = min(end, then + asked.need)
        run = thread.run(restart, state, then, first)
        strays = np.flatnonzero(run.off & keep)
        if end - then < 16 or not (first or len(strays)):
            continue
        after = first[0].cycles[0] if first else restart + int(strays[-1])
        for cycle in (read for read in _reads_used(thread, run) if read > after):
            byte = int(thread.believed.reads[cycle])
            for bit in range(8):
                if budget[0] <= 0:
                    return None
                budget[0] -= 1
                both = (*first, Patch("reads", (cycle,), (byte ^ 1 << bit,)))
                run = thread.run(restart, state, end, both)
                if not _told(thread, run, then, asked):
                    continue
                left = np.flatnonzero(run.off & keep)
                if not np.array_equal(left[left < upto - restart], strays):
                    continue
                if _goes_on(run, keep, asked, upto):
                    return Repair(both, restart, state)
    return None


def _told(thread: Thread, run: Run, at: int, asked: Strictness) -> bool:
    """Whether most cycles after the disagreement are compared at all."""
    part = slice(at - run.start, at - run.start + asked.need)
    compared = run.certain[part] & thread.captured[run.start : run.end][part]
    telling = compared & (_ALL_BUT_RW if asked.need == WIDE.need else _ALL)
    return int(np.count_nonzero(telling)) * 4 >= len(telling) * 3


def _candidates(
    thread: Thread,
    starts: list[int],
    before: Run,
    at: int,
    meant_there: int,
    waiting: bool,
) -> Iterator[tuple[Patch, ...]]:
    yield from _ignored_reset(thread, starts[0], at)
    yield from _interrupts(thread, starts, at)
    if waiting:
        # The next fetch is at the same address: what followed the wait shows some cycles later.
        for back in range(2, 7):
            if at - back >= starts[0]:
                yield (Patch("irq", (at - back,), (0,)),)
    yield from _waits(thread, starts[0], at)
    reads = _reads_used(thread, before)
    for cycle in reads:
        byte = int(thread.believed.reads[cycle])
        for bit in range(8):
            yield (Patch("reads", (cycle,), (byte ^ 1 << bit,)),)
    yield from _other_address(thread, at, meant_there, reads[:_ADDRESS_READS])


def _other_address(
    thread: Thread, at: int, meant: int, reads: list[int]
) -> Iterator[tuple[Patch, ...]]:
    """The two bytes of an address, where the CPU goes to another: it took both from a bus on which
    several lines were neither high nor low, or not yet settled. The bus shows what it took.

    Not where lines are off that have not shown the level that they should have: then it is they.
    """
    seen, lines = int(thread.seen[at]), int(thread.captured[at]) & 0xFFFF
    off = (seen ^ meant) & lines
    if meant < 0 or not off or not _shown_right(thread, at, meant, off):
        return
    wanted = (meant ^ off) & 0xFF, (meant ^ off) >> 8
    for high, low in combinations(reads, 2):  # the latest first
        read = int(thread.believed.reads[low]), int(thread.believed.reads[high])
        if read == (meant & 0xFF, meant >> 8):
            told = [
                (cycle, byte)
                for cycle, byte, was in zip((low, high), wanted, read, strict=True)
                if byte != was
            ]
            cycles, values = zip(*told, strict=True)
            yield (Patch("reads", cycles, values),)


def _shown_right(thread: Thread, at: int, meant: int, lines: int) -> bool:
    """Whether each of these lines has shown the level that is meant now, where it was meant."""
    before = slice(max(at - _LOOKED_BACK, 0), at)
    right = ~(thread.seen[before] ^ thread.meant[before])
    right &= thread.captured[before] & thread.certain[before]
    right &= ~(thread.meant[before] ^ np.uint32(meant))
    return all(
        int((right >> np.uint32(line) & np.uint32(1)).sum()) >= _SHOWN_RIGHT
        for line in range(16)
        if lines >> line & 1
    )


def _ignored_reset(thread: Thread, first: int, at: int) -> Iterator[tuple[Patch, ...]]:
    low = np.flatnonzero(~thread.believed.high("res", slice(first, at))) + first
    if 0 < len(low) <= 2:
        yield (Patch("res", tuple(low.tolist()), (1,) * len(low)),)


def _interrupts(thread: Thread, starts: list[int], at: int) -> Iterator[tuple[Patch, ...]]:
    """An interrupt taken at one of the last sequences, or one that was not.

    The line is latched at the end of the cycle before the one that ends an instruction; branches
    look earlier.
    """
    window = slice(max(starts[0] - 4, 0), at)
    high = {name: thread.believed.high(name, window) for name in ("irq", "nmi")}
    for begin in reversed(starts):
        if begin < 4 or not _looks_interrupted(thread, begin):
            continue
        for back in (2, 3, 4):
            cycle = begin - back
            for name in ("irq", "nmi"):
                if high[name][cycle - window.start]:
                    yield (Patch(name, (cycle,), (0,)),)
    for name in ("nmi", "irq"):
        low = tuple((np.flatnonzero(~high[name]) + window.start).tolist())
        if low:
            yield (Patch(name, low, (1,) * len(low)),)
            yield (Patch(name, low[:1], (1,)),)
            after = low[-1] + 1
            if after < at and name == "irq":
                yield (Patch(name, (after,), (0,)),)


def _looks_interrupted(thread: Thread, begin: int) -> bool:
    """Whether the bus could show an interrupt from `begin`: address repeated, three writes."""
    end = begin + 7
    if end > len(thread):
        return False
    seen, known = thread.seen[begin:end], thread.captured[begin:end]
    both = int(known[0] & known[1]) & 0xFFFF
    if (int(seen[0]) ^ int(seen[1])) & both:
        return False
    levels = [
        (int(s) >> 24 & 1) if int(k) >> 24 & 1 else None for s, k in zip(seen, known, strict=True)
    ]
    wanted = (1, 1, 0, 0, 0, 1, 1)
    return all(level is None or level == want for level, want in zip(levels, wanted, strict=True))


def _waits(thread: Thread, first: int, at: int) -> Iterator[tuple[Patch, ...]]:
    """Identical reads one after another that were one read and waits."""
    seen, known = thread.seen, thread.captured
    last = min(at, len(thread) - 2)
    for cycle in range(last, max(first - 1, -1), -1):
        if known[cycle] >> 24 & 1 and not seen[cycle] >> 24 & 1:
            continue
        length = 0
        while (
            length < _LONGEST_WAIT
            and cycle + length + 1 < len(thread)
            and not (seen[cycle] ^ seen[cycle + length + 1])
            & known[cycle]
            & known[cycle + length + 1]
        ):
            length += 1
            held = tuple(range(cycle, cycle + length))
            yield (Patch("rdy", held, (0,) * length),)
