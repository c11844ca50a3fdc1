"""A CPU that breaks its sheet always in one way: an opcode taken for another, or a dead flag."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from bustrace.cpu import CpuState, SequenceKind, Variant
from bustrace.cycles.model import Cycles
from bustrace.program.follow import Followed, follow
from bustrace.program.model import Departure
from bustrace.program.slipped import resting_data
from bustrace.program.thread import BRANCH_FLAGS, Run, Thread, branches_on
from bustrace.program.trouble import first_trouble, strictness
from bustrace.program.unseen import unseen_interrupts

if TYPE_CHECKING:
    from bustrace.board import Board

_ROWS_BACK = 8
"""Instructions before the first disagreement among which its cause is looked for."""

_LOOK_AHEAD = 2_048
"""Cycles after it that a way of breaking the sheet must explain, where there are so many."""

_P = 4
"""Column of the status register."""

_EACH_LOST, _EACH_OFF = 32, 16
"""What a loss of the thread counts beside its cycles; what a byte that was read otherwise, or a
cycle with lines that the CPU did not mean, counts: in cycles that are not followed."""

_LEAST_GAIN = 32
"""A sound CPU is given up only where that leaves so much less, and at most half."""

_MOST_TRIED = 6
"""Ways that are followed to the end."""


def with_departure(
    cycles: Cycles,
    board: Board | None,
    part: Variant,
    variant: str,
    thread: Thread,
    followed: Followed,
) -> tuple[Thread, Followed, Departure | None]:
    """Follow again with a CPU that breaks its sheet in one way, where that goes further, or as far
    with fewer bytes that it must have seen otherwise than the clips.

    Parameters
    ----------
    cycles : Cycles
    board : Board or None
        Its ROM images tell an opcode taken for another from one that the clip saw wrong.
    part : Variant
    variant : str
        The die's.
    thread, followed
        What a sound CPU gives.

    Returns
    -------
    thread, followed
        The better ones.
    departure : Departure or None
        What had to be assumed.
    """
    at = _first_trouble(thread, followed)
    if at is None or resting_data(cycles):
        return thread, followed, None
    rows = thread.rows.before(at, _ROWS_BACK)
    state = thread.state_at(rows[0]) if rows else None
    aside = followed.aside_mask
    best, found = _left_over(thread, followed, aside), None
    if state is None or best < _LEAST_GAIN:
        return thread, followed, None
    best = min(best // 2, best - _LEAST_GAIN)
    trial = Thread(cycles, part.address_mask)
    trial.patch(unseen_interrupts(trial))
    result = thread, followed
    for departure in _promising(trial, followed, rows[0], state, at, part):
        trial = Thread(cycles, part.address_mask)
        trial.departure = departure
        again = follow(trial, variant)
        left = _left_over(trial, again, aside)
        shown = _shown(trial, departure)
        # What shows once alone must mend a loss: one misread byte is a plainer explanation.
        enough = len(shown) > 1 or (shown and followed.lost and not again.lost)
        if enough and left <= best and not _misread(trial, departure, shown, board):
            best, found, result = left - 1, replace(departure, cycles=shown), (trial, again)
    return *result, found


def _misread(
    thread: Thread, departure: Departure, shown: tuple[int, ...], board: Board | None
) -> bool:
    """Whether the ROM holds the opcode that was obeyed: then it is the clip that errs."""
    if departure.flag or board is None:
        return False
    address = (thread.meant[list(shown)] & 0xFFFF).astype(np.int64)
    for ref in board.map.chips:
        chip = board.chip(ref)
        if chip.role == "rom" and chip.images:
            held = board.image_bytes(ref)[address]
            if 2 * int((held == departure.taken_for).sum()) > len(shown):
                return True
    return False


def _off(off: npt.NDArray[np.uint32], aside: int) -> npt.NDArray[np.bool_]:
    """Where lines are not as the CPU meant them, but for those set aside."""
    wrong: npt.NDArray[np.bool_] = off & np.uint32(~aside & 0x3FFFFFF) != 0
    return wrong


def _left_over(thread: Thread, followed: Followed, aside: int) -> int:
    """What the following leaves unexplained, in cycles."""
    # A CPU of which less is known is contradicted less.
    vague = int(np.count_nonzero(thread.captured & ~thread.certain & thread.compared_lines()))
    odd = len(followed.misread) + int(_off(thread.off(), aside).sum()) + vague
    return int((~thread.done).sum()) + _EACH_LOST * len(followed.lost) + _EACH_OFF * odd


def _first_trouble(thread: Thread, followed: Followed) -> int | None:
    """First cycle that a sound CPU does not explain, or only with a byte read otherwise."""
    cycles = [patch.cycles[0] for patch in followed.misread]
    cycles += [lost[0] for lost in followed.lost]
    cycles += np.flatnonzero(_off(thread.off(), followed.aside_mask))[:1].tolist()
    return min(cycles, default=None)


def _promising(
    trial: Thread, followed: Followed, start: int, state: CpuState, at: int, part: Variant
) -> list[Departure]:
    """The few that go furthest beyond the first trouble, or as far with fewer lines off."""
    asked = strictness(trial)
    end = min(len(trial), at + _LOOK_AHEAD)
    sound = trial.run(start, state, end)

    def reach(run: Run) -> tuple[int, int]:
        off = _off(run.off, followed.aside_mask).astype(np.uint32)
        bad = first_trouble(off, asked)
        upto = len(off) if bad is None else bad
        return upto, -int(off[:upto].sum())

    far, clean = reach(sound)
    found: list[tuple[tuple[int, int], Departure]] = []
    for departure in _ways(sound, at, part):
        trial.departure = departure
        went = reach(trial.run(start, state, end))
        if went[0] > far + asked.window or (went[0] >= far and went[1] > clean):
            found.append((went, departure))
    found.sort(key=lambda entry: entry[0], reverse=True)
    return [departure for _, departure in found[:_MOST_TRIED]]


def _ways(run: Run, at: int, part: Variant) -> Iterator[Departure]:
    """Each flag dead; the opcodes of a run up to a cycle taken for those that differ in a bit."""
    for flag in BRANCH_FLAGS:
        for level in (0, flag):
            yield Departure(flag=flag, level=level)
    known = {op.opcode for op in part.opcodes()}
    for opcode in dict.fromkeys(run.row_opcode[run.row_cycle <= at][::-1].tolist()):
        for bit in range(8):
            if opcode ^ 1 << bit in known:
                yield Departure(opcode=opcode, taken_for=opcode ^ 1 << bit)


def _wrong(
    departure: Departure,
    opcode: npt.NDArray[np.uint8],
    kind: npt.NDArray[np.uint8],
    registers: npt.NDArray[np.uint8],
    known: npt.NDArray[np.uint8],
) -> npt.NDArray[np.bool_]:
    """Rows in which a sound CPU would have done something else."""
    if departure.flag:
        hit = branches_on(opcode, departure.flag)
        hit &= known[:, _P] & departure.flag != 0
        hit &= registers[:, _P] & departure.flag != departure.level
    else:
        hit = opcode == departure.opcode
    wrong: npt.NDArray[np.bool_] = hit & (kind == SequenceKind.INSTRUCTION)
    return wrong


def _shown(thread: Thread, departure: Departure) -> tuple[int, ...]:
    """Cycles in which it showed."""
    rows = thread.rows
    if not rows.cycle:
        return ()
    columns = (rows.opcode, rows.kind, rows.registers, rows.known)
    hit = _wrong(departure, *(np.concatenate(column) for column in columns))
    return tuple(np.concatenate(rows.cycle)[hit].tolist())
