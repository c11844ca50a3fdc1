"""Followed without the clips that are off: a data line that rests, contradicts the ROM or is upside
down, an RDY or an IRQ that is always low.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from bustrace.board import Board
from bustrace.capture.model import Note
from bustrace.cpu import die_of
from bustrace.cycles.model import CONTROL_BIT, Cycles
from bustrace.program.boundaries import does_not_wait
from bustrace.program.follow import FURTHER, Followed, follow
from bustrace.program.slipped import (
    as_in_the_images,
    beginning,
    contradicted_data,
    exchanged,
    resting_data,
    turned_over,
    without_clips,
)
from bustrace.program.thread import Thread

_RDY = np.uint16(1 << CONTROL_BIT["RDY"])

_PASSES = 8
"""Times a capture with a data clip off is followed again, each time further."""

_FIRST_CYCLES, _FOLLOWED = 1024, 0.75
"""Cycles over which a data line is tried upside down, or two exchanged, and the share of them that
must be followed so, and is not otherwise."""

_PER_INSTRUCTION = 8
"""Cycles of an instruction, more than any program needs on average: a CPU that stands in one read
follows from anything."""


@dataclass(frozen=True, slots=True)
class ClipsOff:
    """Data lines that were not followed as they show, and what there is to say of them."""

    lines: tuple[str, ...] = ()
    notes: tuple[Note, ...] = ()


ALL_ON = ClipsOff()


def with_clips_off(
    cycles: Cycles, board: Board, thread: Thread, followed: Followed
) -> tuple[Thread, Followed, ClipsOff]:
    """Follow without the data lines that never move, or that the ROM image contradicts, where that
    goes further.

    What the program wrote fills reads of RAM, so each pass can go further than the one before.
    """
    for bits in (resting_data(cycles), contradicted_data(cycles, board)):
        if bits:
            found = _without(cycles, board, bits, thread, followed)
            if found[2].lines:
                return found
    return _taken_otherwise(cycles, board, thread, followed)


def _taken_otherwise(
    cycles: Cycles, board: Board, thread: Thread, followed: Followed
) -> tuple[Thread, Followed, ClipsOff]:
    """Follow with one data line upside down, or with two neighbours exchanged, where the first
    cycles go on much further so: the adapter or the channel of its clip inverts, or each of two
    clips sits on the other's pin. Not where a ROM's image has more of the bytes as they show.
    """
    variant, reach = die_of(board.cpu.variant), min(len(cycles), _FIRST_CYCLES)
    if int(thread.done[:reach].sum()) >= _FOLLOWED * reach:
        return thread, followed, ALL_ON
    begin = beginning(cycles, reach)
    ways = [*((bit,) for bit in range(8)), *pairwise(range(8))]
    went, shown = [], as_in_the_images(begin, board)
    for lines in ways:
        taken = _otherwise(begin, lines)
        if as_in_the_images(taken, board) < shown:
            went.append(0)
            continue
        trial = Thread(taken, thread.pins)
        follow(trial, variant)
        runs = len(trial.rows) * _PER_INSTRUCTION > reach
        went.append(int(trial.done.sum()) if runs else 0)
    best = int(np.argmax(went))
    if went[best] < _FOLLOWED * reach:
        return thread, followed, ALL_ON
    lines = ways[best]
    trial = Thread(_otherwise(cycles, lines), thread.pins)
    how = "shows the other level at the clip than the program ran on: it is taken upside down"
    if len(lines) == 2:
        how = "shows the level of D{other}, and that one its: their clips are exchanged"
    notes = tuple(Note("doubt", f"D{line} {how.format(other=sum(lines) - line)}") for line in lines)
    return trial, follow(trial, variant), ClipsOff(tuple(f"D{line}" for line in lines), notes)


def _otherwise(cycles: Cycles, lines: tuple[int, ...]) -> Cycles:
    """The cycles with one data line turned over, or with two exchanged."""
    return turned_over(cycles, *lines) if len(lines) == 1 else exchanged(cycles, *lines)


def _without(
    cycles: Cycles, board: Board, bits: int, thread: Thread, followed: Followed
) -> tuple[Thread, Followed, ClipsOff]:
    """Follow without some data lines, where that goes further."""
    best, went, instructions = None, int(thread.done.sum()), len(thread.rows)
    written, written_known, intent = None, None, thread.intent()
    for _ in range(_PASSES):
        taken = without_clips(cycles, board, bits, written, written_known, intent)
        trial = Thread(taken, thread.pins)
        trial_followed = follow(trial, die_of(board.cpu.variant))
        done = int(trial.done.sum())
        more = len(trial.rows) - instructions
        if done < went + FURTHER or more * _PER_INSTRUCTION < FURTHER:
            break
        best, went, instructions = (trial, trial_followed), done, instructions + more
        if not trial_followed.lost:
            break
        intent = trial.intent()
        written, written_known = intent.data, intent.data_known
    if best is None:
        return thread, followed, ALL_ON
    how = (
        "does not show at the clip what the program ran on: its level in reads is taken from the "
        "ROM image and from what was written"
    )
    return *best, _off(bits, how)


def _off(bits: int, how: str) -> ClipsOff:
    lines = tuple(f"D{bit}" for bit in range(8) if bits >> bit & 1)
    return ClipsOff(lines, tuple(Note("doubt", f"{line} {how}") for line in lines))


def without_low_ready(cycles: Cycles) -> Cycles:
    """The cycles without an RDY that is always low, where the CPU goes on against it: its clip is
    off. Taken for true it would have the CPU wait in its first read for ever.
    """
    level = cycles.pin("RDY")
    if (level == 1).any() or not does_not_wait(cycles):
        return cycles
    return replace(cycles, control_known=cycles.control_known & ~_RDY)


def with_irq_clip_off(
    cycles: Cycles, variant: str, thread: Thread, followed: Followed
) -> tuple[Thread, Followed]:
    """Follow without an IRQ that is always low, where the CPU's path is then plainer.

    A CPU that runs on with interrupts enabled does not see that level: the clip is off. To make
    the enabling instruction a misread byte would explain it, too, but only by an accident.
    """
    repaired = any(p.column in ("reads", "irq") for r in followed.repairs for p in r.patches)
    if not (repaired or followed.lost):
        return thread, followed
    level = cycles.pin("IRQ")
    if (level == 1).any() or not (level == 0).any():
        return thread, followed
    unknown = np.uint16(~(1 << CONTROL_BIT["IRQ"]) & 0xFFFF)
    trial = Thread(replace(cycles, control_known=cycles.control_known & unknown), thread.pins)
    trial_followed = follow(trial, variant)
    misread = [len(f.misread) for f in (trial_followed, followed)]
    further = int(trial.done.sum()) - int(thread.done.sum())
    if further >= FURTHER or (further >= 0 and misread[0] < misread[1]):
        return trial, trial_followed
    return thread, followed
