"""Execute with the captured reads, compare, explain or set aside what disagrees, re-anchor."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import islice

import numpy as np

from bustrace.cpu import CpuState
from bustrace.program.anchors import (
    Anchor,
    amended_stack,
    certain_anchors,
    heal_stack,
    next_anchor,
)
from bustrace.program.deduce import Deducer
from bustrace.program.disagreements import LINES
from bustrace.program.repairs import Repair, explain
from bustrace.program.searched import Searched
from bustrace.program.thread import Patch, Run, Thread
from bustrace.program.trouble import (
    LINE_WINDOW,
    Strictness,
    faulty_lines,
    first_trouble,
    strictness,
    wrong_at_vector,
)
from bustrace.program.unseen import searched_interrupts, unseen_interrupts

_SHORTEST, _LONGEST = 1 << 11, 1 << 15
"""Cycles executed between two comparisons: few after trouble, many while all agrees."""

_REPAIRS = 1000
_TRIALS = 20_000
_ANCHORS = 200
"""Bounds of the work on a capture that cannot be followed."""

FURTHER = 24
"""Cycles that going another way must win: without a resting line, or from another beginning."""

_STOPPED = {
    "undecided": "the way on hangs on a flag or register that is not known",
    "unknown opcode": "an opcode was not wholly captured",
}

_SHORT, _IN_A_ROW = 64, 12
"""So many stretches shorter than that, one after another, are no program."""


@dataclass(frozen=True, slots=True)
class Followed:
    """How the following went.

    Attributes
    ----------
    aside : tuple of str
        Lines that disagree with an otherwise followed program.
    lost : tuple of (first cycle, end, reason)
        Stretches that could not be followed, after the first anchor.
    began : int or None
        First cycle followed.
    repairs : tuple of Repair
    unseen : int
        Interrupts that the bus shows, but not the pin.
    """

    aside: tuple[str, ...]
    lost: tuple[tuple[int, int, str], ...]
    began: int | None
    repairs: tuple[Repair, ...]
    unseen: int

    @property
    def misread(self) -> tuple[Patch, ...]:
        """Bytes that the CPU must have read otherwise than the clips, in order of discovery."""
        return tuple(p for r in self.repairs for p in r.patches if p.column == "reads")

    @property
    def aside_mask(self) -> int:
        """`aside` as bits over `LINES`."""
        return sum(1 << LINES.index(line) for line in self.aside)


class _Lost(Exception):
    """The thread is lost at a cycle."""

    def __init__(self, cycle: int, reason: str) -> None:
        self.cycle, self.reason = cycle, reason
        super().__init__(reason)


class _Follower:
    def __init__(self, thread: Thread, variant: str, *, learns: bool = True) -> None:
        self.thread = thread
        self.variant = variant
        self.learns = learns
        self.asked: Strictness = strictness(thread)
        self.aside = 0
        self.budget = [_TRIALS]
        self.repairs: list[Repair] = []
        self.lost: list[tuple[int, int, str]] = []
        self.releases = np.flatnonzero(thread.low[:-1] & ~thread.low[1:]) + 1
        self.began: int | None = None
        self.deducer = Deducer(thread, variant)

    def follow_all(self) -> None:
        """Enter the program wherever it can be entered, until its end or too many losses."""
        n = len(self.thread)
        after, short = 0, 0
        for _ in range(_ANCHORS):
            anchor = next_anchor(
                self.thread,
                self.variant,
                after,
                self.aside,
                self.asked,
                at_start=self.began is None,
            )
            if anchor is None:
                break
            if self.began is None:
                self.began = anchor.cycle
            elif self.lost:
                first, _, reason = self.lost.pop()
                if anchor.cycle > first:
                    self.lost.append((first, anchor.cycle, reason))
            try:
                self._follow(anchor)
            except _Lost as loss:
                self.lost.append((loss.cycle, n, loss.reason))
                after = max(loss.cycle, anchor.cycle + 1)
                short = short + 1 if loss.cycle - anchor.cycle < _SHORT else 0
            else:
                return
            if short > _IN_A_ROW:
                break
        self._give_up(short)

    def follow_searched(self, found: Searched) -> None:
        """Enter the program at certain rows of a search, one after the other."""
        after = self.lost[-1][0] if self.lost else 0
        places = certain_anchors(self.thread, self.variant, found, self.aside, self.asked, after)
        for anchor in islice(places, _ANCHORS):
            if anchor.cycle < after:
                continue
            if self.lost:
                first, _, reason = self.lost.pop()
                self.lost.append((first, anchor.cycle, reason))
            self.began = anchor.cycle if self.began is None else self.began
            try:
                self._follow(anchor)
            except _Lost as loss:
                self.lost.append((loss.cycle, len(self.thread), loss.reason))
                after = max(loss.cycle, anchor.cycle + 1)
            else:
                return

    def outcome(self, unseen: int) -> Followed:
        """How it went."""
        aside = tuple(line for bit, line in enumerate(LINES) if self.aside >> bit & 1)
        return Followed(aside, tuple(self.lost), self.began, tuple(self.repairs), unseen)

    def _give_up(self, short: int) -> None:
        """Stay lost from the first of the last short stretches: they were no program."""
        # A stretch that began where the last one was lost has taken its place.
        short = min(short, len(self.lost))
        if short < 2:
            return
        first, _, reason = self.lost[-short]
        del self.lost[-short:]
        self.lost.append((first, len(self.thread), f"{reason}; and again wherever entered"))
        self.thread.forget(first)
        self.repairs = [repair for repair in self.repairs if repair.restart < first]

    def _follow(self, anchor: Anchor) -> None:
        """Follow from an anchor to the end of the capture.

        Raises
        ------
        _Lost
        """
        thread, n = self.thread, len(self.thread)
        thread.patch(anchor.patches)
        position, state = anchor.cycle, anchor.state
        # Out of a reset the program loads what it needs, but not for what a CPU that errs makes of
        # it; in its midst much was loaded before.
        midst = state.register("pc")[1] != 0
        deduces = midst or (self.learns and thread.departure is not None)
        if midst:
            state = self.deducer.completed(position, state, self.aside, first=True)
        tolerated = healed_to = deduced_to = position
        chunk = _SHORTEST
        while position < n:
            end = min(position + chunk, n)
            following = int(np.searchsorted(self.releases, position, side="right"))
            if following < len(self.releases) and self.releases[following] < end:
                # The stack pointer is learnt anew after a reset: do not run far without it.
                end, chunk = int(self.releases[following]), _SHORTEST
            run = thread.run(position, state, end)
            at, run = self._trouble(run, state, tolerated)
            upto = run.end if at is None else at
            healed = heal_stack(thread, run, healed_to, upto, self.aside)
            if healed is not None:
                cycle, value, known = healed
                healed_to = cycle + 1
                run = thread.run(position, state, cycle)
                if run.end == cycle:  # else a decision on the way needs a look beyond it
                    thread.commit(run, state, cycle)
                    position, state = cycle, amended_stack(run.state, value, known)
                continue
            fresh = self.deducer.next_row(run, deduced_to) if deduces else None
            if fresh is not None and fresh < upto:
                deduced_to = fresh
                run = thread.run(position, state, fresh)
                if run.end == fresh:
                    thread.commit(run, state, fresh)
                    position = fresh
                    state = self.deducer.completed(position, run.state, self.aside)
                continue
            if at is None:
                thread.commit(run, state, run.end)
                position, state = run.end, run.state
                chunk = min(chunk * 2, _LONGEST)
                if run.stopped is not None and (position == run.start or position < end - 3):
                    raise self._lost_at(position, anchor, run, _STOPPED[run.stopped])
                continue
            thread.commit(run, state, at)
            chunk = _SHORTEST
            repair = None
            if len(self.repairs) < _REPAIRS:
                repair = explain(thread, at, anchor.cycle, self.aside, self.asked, self.budget)
            if repair is not None:
                self.repairs.append(repair)
                thread.patch(repair.patches)
                position = tolerated = healed_to = repair.restart
                state = repair.state
                thread.forget(position)
                continue
            lived_with = self._lived_with(run, at)
            if lived_with is None:
                raise self._lost_at(at, anchor, run, self._difference(run, at))
            tolerated = lived_with
            thread.forget(position)

    def _lost_at(self, cycle: int, anchor: Anchor, run: Run, reason: str) -> _Lost:
        """Forget the sequence in which the thread was lost."""
        begun = self.thread.rows.before(cycle, 1)
        first = max(begun[0], anchor.cycle) if begun else anchor.cycle
        if cycle in run.row_cycle:
            first = cycle
        self.thread.forget(first)
        return _Lost(first, f"cycle {cycle}: {reason}")

    def _trouble(self, run: Run, state: CpuState, tolerated: int) -> tuple[int | None, Run]:
        """First cycle of the run that noise and resting lines do not explain.

        The run comes back longer where more had to be seen to tell.
        """
        thread, n = self.thread, len(self.thread)
        if run.agrees:
            return None, run
        self.aside |= wrong_at_vector(thread, run)
        while True:
            keep = np.uint32(~self.aside & 0x3FFFFFF)
            index = first_trouble(run.off & keep, self.asked, max(tolerated - run.start, 0))
            if index is None:
                return None, run
            at = run.start + index
            if run.end < min(n, at + LINE_WINDOW) and run.stopped is None:
                run = thread.run(run.start, state, min(n, at + 2 * LINE_WINDOW))
            lines, rests = faulty_lines(thread, run, at, self.aside, self.asked.noise)
            if not lines or not rests or lines & int(thread.moving):
                # A line that moves elsewhere may be right: one misread byte can send the CPU to
                # another page for a while. That is tried first.
                return at, run
            self.aside |= lines

    def _lived_with(self, run: Run, at: int) -> int | None:
        """Cycle from which to look again, when a disagreement does not mean that the CPU left."""
        lines, _ = faulty_lines(self.thread, run, at, self.aside)
        if lines:
            self.aside |= lines
            return at
        off = run.off[at - run.start : at - run.start + self.asked.window]
        bad = int(np.count_nonzero(off & np.uint32(~self.aside & 0x3FFFFFF)))
        if bad <= self.asked.lived_with and len(off) == self.asked.window:
            return at + self.asked.window
        return None

    def _difference(self, run: Run, at: int) -> str:
        off = int(run.off[at - run.start]) & ~self.aside
        lines = " ".join(line for bit, line in enumerate(LINES) if off >> bit & 1)
        return f"the bus is not what the program read would do ({lines})"


def follow(thread: Thread, variant: str, *, learns: bool = True) -> Followed:
    """Execute a capture from wherever it can be entered, and go on as far as it can be followed.

    Parameters
    ----------
    thread : Thread
        Filled in: `Thread.meant`, `Thread.rows`, `Thread.believed`.
    variant : str
        CPU part.
    learns : bool
        What a CPU that errs does right out of a reset may tell what nobody loaded.

    Returns
    -------
    Followed
    """
    unseen = unseen_interrupts(thread)
    thread.patch(unseen)
    follower = _Follower(thread, variant, learns=learns)
    follower.follow_all()
    return follower.outcome(len(unseen))


def follow_on(thread: Thread, variant: str, followed: Followed, found: Searched) -> Followed:
    """Follow again what is lost until the end, from where a search of it is certain.

    Parameters
    ----------
    thread : Thread
        As `follow` left it; filled in.
    variant : str
        CPU part.
    followed : Followed
        What `follow` returned.
    found : Searched
    """
    n = len(thread)
    if followed.began is not None and (not followed.lost or followed.lost[-1][1] < n):
        return followed
    unseen = unseen_interrupts(thread)
    after = followed.lost[-1][0] if followed.lost else 0
    told = (*unseen, *searched_interrupts(thread, found))
    thread.patch(tuple(patch for patch in told if patch.cycles[0] >= after))
    follower = _Follower(thread, variant)
    follower.aside = followed.aside_mask
    follower.repairs, follower.lost = list(followed.repairs), list(followed.lost)
    follower.began = followed.began
    follower.follow_searched(found)
    return follower.outcome(len(unseen))
