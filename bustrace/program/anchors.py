"""Where a program can be entered: a reset, a vector fetch, a fetch whose address is on the bus."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from bustrace.cpu import CpuState
from bustrace.program.model import Kind
from bustrace.program.searched import SURE, Searched
from bustrace.program.thread import Patch, Run, Thread
from bustrace.program.trouble import LINE_WINDOW, NARROW, Strictness, faulty_lines, first_trouble

_VECTOR_AFTER_RELEASE = 7
"""Cycles from the first with RES high to the read of $FFFC, as in the recorded chip traces."""

_BEGINNING = 200
"""Cycles in which a vector fetch is looked for when no address line tells."""

_EVIDENCE = 30.0
"""Bits of evidence that make a start without addresses believable."""

_WRITES = 64
"""So many writes at the right place make it believable too."""

_NEAR = 1 << 12
"""Cycles looked through first."""

_TAKEN = (Kind.IRQ, Kind.NMI, Kind.BRK)
"""What may come between instructions: in a storm of interrupts few are left in a row."""

_SURE_ROWS = 24
"""So many sure rows in a row are certain."""

_FETCHES_TRIED = 64
_PLACES_TRIED = 256


@dataclass(frozen=True, slots=True)
class Anchor:
    """A place to begin.

    Attributes
    ----------
    cycle : int
    state : CpuState
        At the start of that cycle.
    patches : tuple of Patch
        What must be believed with it.
    """

    cycle: int
    state: CpuState
    patches: tuple[Patch, ...] = ()


def next_anchor(
    thread: Thread, variant: str, after: int, aside: int, asked: Strictness, *, at_start: bool
) -> Anchor | None:
    """First reliable place at or after a cycle, or None.

    Parameters
    ----------
    thread : Thread
    variant : str
        CPU part.
    after : int
    aside : int
        Lines set aside: their levels are not used.
    asked : Strictness
    at_start : bool
        Nothing was followed yet: a start may be guessed where no address line was captured.
    """
    low = ~thread.believed.high("res")
    falls = np.flatnonzero(low[after:] & ~np.append(False, low[:-1])[after:])
    reset = Anchor(after + int(falls[0]), CpuState.at_reset(variant)) if len(falls) else None
    until = reset.cycle if reset is not None else len(thread)
    if until - after > _NEAR:
        # Nearly always the first one is near: the rest need not be looked through.
        near = _anchor_between(thread, variant, after, after + _NEAR, aside, asked)
        if near is not None:
            return near
    found = _anchor_between(thread, variant, after, until, aside, asked)
    if (
        found is None
        and at_start
        and reset is None
        and not _enough_lines(thread, after, until, aside)
    ):
        found = _guessed_anchor(thread, variant)
    return reset if found is None else found


def certain_anchors(
    thread: Thread,
    variant: str,
    found: Searched,
    aside: int,
    asked: Strictness,
    after: int,
) -> Iterator[Anchor]:
    """Rows of the search that are certain, as places to begin: many sure ones follow on.

    Parameters
    ----------
    thread : Thread
    variant : str
        CPU part.
    found : Searched
    aside : int
        Lines set aside.
    asked : Strictness
    after : int
        No row before this cycle. With fewer than eight address lines there are none.
    """
    if not _enough_lines(thread, after, len(thread), aside):
        return
    fetches = (found.kind == Kind.INSTRUCTION) & (found.pc >= 0)
    sure = (fetches | np.isin(found.kind, _TAKEN)) & (found.confidence >= SURE)
    # How many rows in a row are sure, from each one on.
    unsure = np.append(np.flatnonzero(~sure), len(sure))
    run = unsure[np.searchsorted(unsure, np.arange(len(sure)))] - np.arange(len(sure))
    certain = (run >= _SURE_ROWS) & (found.first_cycle >= after)
    begins = np.flatnonzero(certain & fetches)
    for row in begins[~certain[begins - 1] | ~fetches[begins - 1] | (begins == 0)].tolist():
        state = CpuState.at_fetch(variant, known=("pc",), pc=int(found.pc[row]))
        for column, name in enumerate("axysp"):
            value, known = int(found.registers[row, column]), int(found.known[row, column])
            state.amend(name, value if name != "p" else _status(thread, value, known), known)
        anchor = Anchor(int(found.first_cycle[row]), state)
        if _agrees(thread, anchor, aside, asked):
            yield anchor


def _status(thread: Thread, value: int, known: int) -> int:
    """Status with which to begin: an interrupt that the bus shows was not masked."""
    return value if known & 0x04 or "irq" not in thread.unwatched else value & ~0x04


def _enough_lines(thread: Thread, after: int, until: int, aside: int) -> bool:
    addresses = int(np.bitwise_or.reduce(thread.captured[after:until], initial=0)) & 0xFFFF
    return (addresses & ~aside).bit_count() >= 8


def _anchor_between(
    thread: Thread, variant: str, after: int, until: int, aside: int, asked: Strictness
) -> Anchor | None:
    """First vector or fetch that can be entered in a stretch without a reset."""
    if not _enough_lines(thread, after, until, aside):
        return None
    found = _vector_anchor(thread, variant, after, until, aside, asked)
    until = until if found is None else found.cycle
    sooner = _fetch_anchor(thread, variant, after, until, aside, asked)
    return found if sooner is None else sooner


def heal_stack(
    thread: Thread, run: Run, after: int, upto: int, aside: int
) -> tuple[int, int, int] | None:
    """First access to page 1 in ``[after, upto)`` whose low address byte the run does not know.

    Lines that never move in the capture tell nothing here: they may not be what they seem.

    Returns
    -------
    cycle, value, known : int, or None
    """
    if int(np.bitwise_and.reduce(run.certain)) & 0xFFFF == 0xFFFF:
        return None
    part = slice(max(after - run.start, 0), upto - run.start)
    certain, meant = run.certain[part], run.meant[part]
    begin = run.start + part.start
    low = certain & 0xFF
    page = (certain & 0xFF00 == 0xFF00) & (meant & 0xFF00 == 0x0100)
    shown = thread.captured[begin:upto] & thread.moving & np.uint32(~aside & 0xFF)
    fresh = np.flatnonzero(page & (shown & ~low != 0))
    if not len(fresh):
        return None
    at = int(fresh[0])
    known = int(shown[at])
    value = (int(thread.seen[begin + at]) & known) | (int(meant[at]) & 0xFF & ~known)
    return begin + at, value, known | int(low[at])


def amended_stack(state: CpuState, value: int, known: int) -> CpuState:
    """The state with this stack pointer, or as it was where the address is not the stack's."""
    amended = state.copy()
    amended.amend("s", value, known)
    shows = amended.address_known & 0xFF == known and amended.address & 0xFF == value
    return amended if shows else state.copy()


def _agrees(thread: Thread, anchor: Anchor, aside: int, asked: Strictness) -> bool:
    """Whether what follows an anchor is what the CPU would do."""
    end = min(len(thread), anchor.cycle + asked.need + asked.window)
    run = thread.run(anchor.cycle, anchor.state, end, anchor.patches)
    off = run.off & np.uint32(~aside & 0x3FFFFFF)
    if run.end - run.start < asked.need and not run.end == len(thread) > run.start + 7:
        return False
    if not off[: asked.need].any() and first_trouble(off, asked) is None:
        return True
    end = min(len(thread), anchor.cycle + 2 * LINE_WINDOW)
    run = thread.run(anchor.cycle, anchor.state, end, anchor.patches)
    at = anchor.cycle + int(np.flatnonzero(run.off & np.uint32(~aside & 0x3FFFFFF))[0])
    lines, rests = faulty_lines(thread, run, at, aside)
    return bool(lines) and rests


def _vector_anchor(
    thread: Thread, variant: str, after: int, until: int, aside: int, asked: Strictness
) -> Anchor | None:
    """A read of $FFFC and $FFFD from which the CPU goes where they say."""
    part = slice(after, until)
    mask = np.uint32(0xFFFF & ~aside)
    seen, known = thread.seen[part], thread.captured[part] & mask
    enough = np.bitwise_count(known) >= 8
    reads = (thread.captured[part] >> 24 & 1 == 0) | (seen >> 24 & 1 == 1)
    whole = thread.captured[part] >> 16 & 0xFF == 0xFF
    first = ((seen ^ 0xFFFC) & known == 0) & enough & reads & whole
    second = ((seen ^ 0xFFFD) & known == 0) & enough & reads & whole
    for at in (np.flatnonzero(first[:-1] & second[1:]) + after)[:_FETCHES_TRIED].tolist():
        if not _is_vector(thread, at, int(mask)):
            continue
        for anchor in _reset_forms(thread, variant, at):
            if anchor.cycle >= after and _agrees(thread, anchor, aside, asked):
                return anchor
    return None


def _is_vector(thread: Thread, vector: int, mask: int) -> bool:
    """Whether a fetch of the vector is no jump that lies at such an address in another page.

    Where not all address lines show, the three reads before it tell: they go down the stack.
    """
    if int(thread.captured[vector]) & mask & thread.pins == thread.pins:
        return True
    before = slice(max(vector - 3, 0), vector)
    known = int(np.bitwise_and.reduce(thread.captured[before]) & thread.moving) & mask & 0xFF
    low = (known ^ (known + 1)) >> 1
    seen = [int(lines) for lines in thread.seen[before]]
    steps = [(later - sooner) & low for sooner, later in pairwise(seen)]
    return steps == [low, low]


def _reset_forms(thread: Thread, variant: str, vector: int) -> Iterator[Anchor]:
    """A reset whose vector is read at a cycle: with its whole sequence, else from the vector on."""
    held = vector - _VECTOR_AFTER_RELEASE - 1
    if held >= 0:
        yield Anchor(held, CpuState.at_reset(variant), (Patch("res", (held,), (0,)),))
    low, high = (int(thread.believed.reads[cycle]) for cycle in (vector, vector + 1))
    state = CpuState.at_fetch(variant, known=("pc",), pc=high << 8 | low)
    state.amend("p", 0x04, 0x04)
    yield Anchor(vector + 2, state)


def _fetch_anchor(
    thread: Thread, variant: str, after: int, until: int, aside: int, asked: Strictness
) -> Anchor | None:
    """An opcode fetch at a captured address, registers unknown, from which all agrees."""
    part = slice(after, until)
    known = thread.captured[part]
    whole = known & 0xFF0000 == 0xFF0000
    if (known >> 25 & 1).any():
        places = np.flatnonzero(whole & (known & thread.seen[part] >> 25 & 1 == 1))[:_FETCHES_TRIED]
    else:
        wide = known & thread.pins == thread.pins
        read = (known >> 24 & 1 == 0) | (thread.seen[part] >> 24 & 1 == 1)
        places = np.flatnonzero(whole & wide & read)[:_PLACES_TRIED]
    for at in (places + after).tolist():
        pc = int(thread.seen[at]) & 0xFFFF
        state = CpuState.at_fetch(variant, known=(), pc=pc, p=_status(thread, 0x24, 0))
        state.amend("pc", pc, int(thread.captured[at]) & 0xFFFF & ~aside)
        anchor = Anchor(at, state)
        if _agrees(thread, anchor, aside, asked):
            return anchor
    return None


def _guessed_anchor(thread: Thread, variant: str) -> Anchor | None:
    """The vector fetch that explains the writes best, without any address.

    It must look like the end of a reset: from elsewhere in a program other starts fall into step
    with it and explain the writes as well, with wrong addresses. A start in the wrong place soon
    writes where the CPU reads. The evidence of a write at the
    right place is 3 bits and one for each data bit; reads tell nothing.
    """
    n = len(thread)
    rw_known = thread.captured >> 24 & 1 == 1
    if n < 32 or not rw_known.all():
        return None
    writes = np.flatnonzero(thread.seen >> 24 & 1 == 0)
    quiet_until = int(writes[0]) if len(writes) else n
    places = [
        at for at in range(min(_BEGINNING, n - 16, quiet_until)) if _follows_reset(thread, at)
    ]
    found = []
    for at in places:
        bits, right, steady = _evidence(thread, variant, at, n)
        if (bits >= _EVIDENCE and steady) or right >= _WRITES:
            found.append((-bits, at))
    if not found:
        return None
    _, vector = min(found)
    forms = list(_reset_forms(thread, variant, vector))
    return next((form for form in forms if _agrees(thread, form, 0, NARROW)), forms[-1])


def _follows_reset(thread: Thread, vector: int) -> bool:
    """Whether the bytes before a vector fetch look like a reset.

    The CPU reads one address until and including the second cycle of the sequence, then three
    from the stack, then the vector.
    """
    if vector < _VECTOR_AFTER_RELEASE:
        return False
    bytes_ = thread.believed.reads[vector - _VECTOR_AFTER_RELEASE : vector]
    return bool((bytes_[:4] == bytes_[0]).all() and bytes_[4] != bytes_[0])


def _evidence(thread: Thread, variant: str, vector: int, length: int) -> tuple[float, int, bool]:
    """Evidence for a vector fetch at a cycle: bits, writes foretold, whether R/W held to the end.

    A data line may be faulty: wrong bits cost, but only R/W ends the comparison.
    """
    *_, anchor = _reset_forms(thread, variant, vector)
    end = min(len(thread), anchor.cycle + length)
    run = thread.run(anchor.cycle, anchor.state, end)
    trouble = first_trouble(run.off & np.uint32(3 << 24), NARROW)
    held = len(run.off) if trouble is None else trouble
    part = slice(anchor.cycle, anchor.cycle + held)
    off = run.off[:held]
    wrote = (run.meant[:held] >> 24 & 1 == 0) & (off >> 24 & 1 == 0)
    told = np.bitwise_count((run.certain[:held] & thread.captured[part] & ~off) >> 16 & 0xFF)
    wrong = np.bitwise_count(off >> 16 & 0xFF)
    bits = 3.0 * int(wrote.sum()) + int(told[wrote].sum()) - 4.0 * int(wrong.sum())
    bits -= 24.0 * int((off >> 24 & 1).sum())
    return bits, int(wrote.sum()), trouble is None and run.end == end
