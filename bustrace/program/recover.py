"""From cycles to instructions."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt

from bustrace.capture.model import Note
from bustrace.cpu import die_of, variant_named
from bustrace.cycles.model import OWNER_FOREIGN, Cycles
from bustrace.program.boundaries import sync_boundaries, sync_usable
from bustrace.program.clips_off import ALL_ON, with_clips_off, with_irq_clip_off, without_low_ready
from bustrace.program.departures import with_departure
from bustrace.program.follow import FURTHER, Followed, follow, follow_on
from bustrace.program.model import Program, ReadCorrection
from bustrace.program.rows import (
    alternatives,
    foreign_apart,
    jammed_apart,
    merged,
    reset_and_lost,
    resets_from_low,
    rows_executed,
    stopped_apart,
    waiting_apart,
    with_searched,
)
from bustrace.program.searched import Searched, search_cycles
from bustrace.program.slipped import resting_data
from bustrace.program.thread import Thread
from bustrace.program.unsteady import with_unsteady_line

if TYPE_CHECKING:
    from bustrace.board import Board


def recover_program(cycles: Cycles, board: Board | None = None) -> Program:
    """Find the instructions that the cycles were.

    The program is entered at a reset (or, failing that, a vector fetch, a fetch whose address is
    on the bus, or the start that explains the writes) and followed by executing what was read.
    Where it cannot be followed, SYNC alone gives the rows, or the search for the likeliest ones, or
    they are lost.

    Parameters
    ----------
    cycles : Cycles
    board : Board or None
        Names the CPU; a 6502 otherwise.

    Returns
    -------
    Program
        Total: with no instruction to be found, method ``none`` and a reason.
    """
    part = variant_named(board.cpu.variant if board is not None else "6502")
    variant = die_of(part.name)
    cycles = without_low_ready(cycles)
    by_sync = sync_usable(cycles)
    thread = Thread(cycles, part.address_mask)
    whole = len(cycles) > 0 and bool((np.bitwise_and.reduce(cycles.data_known)) == 0xFF)
    followed = follow(thread, variant) if whole else Followed((), (), None, (), 0)
    if whole:
        thread, followed = with_irq_clip_off(cycles, variant, thread, followed)
    clips_off = ALL_ON
    if whole and board is not None and (followed.lost or followed.began is None):
        thread, followed, clips_off = with_clips_off(cycles, board, thread, followed)
    departure = None
    if whole:
        if not clips_off.lines:
            thread, followed = with_unsteady_line(cycles, variant, thread, followed)
        thread, followed, departure = with_departure(cycles, board, part, variant, thread, followed)
    searched: Searched | str | None = None
    if len(cycles) and not by_sync and not thread.done.all() and not thread.low.all():
        left = np.flatnonzero(~thread.done)
        searched = search_cycles(cycles, part, variant, int(left[0]), int(left[-1]) + 1)
        if isinstance(searched, Searched) and whole:
            followed = follow_on(thread, variant, followed, searched)
            thread, followed = _entered_sooner(cycles, variant, thread, followed, searched)
    rows = rows_executed(thread)
    if not thread.done.all() or not len(cycles):
        rest = sync_boundaries(cycles, part) if by_sync else reset_and_lost(cycles)
        rows = merged(rows, rest, thread.done)
        if isinstance(searched, Searched):
            rows = with_searched(rows, searched, len(cycles))
    rows = resets_from_low(rows, thread.low)
    rows = foreign_apart(rows, cycles.owner == OWNER_FOREIGN)
    rows = stopped_apart(rows, len(cycles), part)
    rows = waiting_apart(rows, cycles, part)
    rows, jam_at = jammed_apart(rows, len(cycles), part)
    method, reason = _method(cycles, followed, thread.low, by_sync, whole)
    if isinstance(searched, Searched) and method == "none":
        method, reason = (
            "search",
            f"{reason}; what the listing shows is the likeliest, not executed",
        )
    elif isinstance(searched, str) and method == "none":
        reason = f"{reason}; {searched}"
    lost_at = (
        followed.lost[-1][0] if followed.lost and followed.lost[-1][1] == len(cycles) else None
    )
    return Program(
        first_cycle=rows.first_cycle,
        length=np.diff(rows.first_cycle, append=len(cycles)).astype(np.int32),
        kind=rows.kind,
        opcode=rows.opcode,
        pc=rows.pc,
        confidence=rows.confidence,
        registers=rows.registers,
        registers_known=rows.known,
        intent=thread.intent(),
        method=method,
        reason=reason,
        lost_at=lost_at,
        jam_at=jam_at,
        alternatives=alternatives(rows, searched),
        searched=rows.searched,
        notes=_notes(followed)
        + clips_off.notes
        + (searched.notes if isinstance(searched, Searched) else ()),
        lines_aside=followed.aside,
        clips_off=clips_off.lines,
        read_corrections=_read_corrections(followed, cycles),
        departure=departure,
    )


def _entered_sooner(
    cycles: Cycles, variant: str, thread: Thread, followed: Followed, searched: Searched
) -> tuple[Thread, Followed]:
    """Follow from where the search is certain, where that is before the program was entered and
    goes further.
    """
    if followed.began is None or followed.began < FURTHER:
        return thread, followed
    trial = Thread(cycles, thread.pins)
    nowhere = Followed((), (), None, (), 0)
    trial_followed = follow_on(trial, variant, nowhere, searched)
    if int(trial.done.sum()) < int(thread.done.sum()) + FURTHER:
        return thread, followed
    return trial, trial_followed


def _method(
    cycles: Cycles,
    followed: Followed,
    low: npt.NDArray[np.bool_],
    by_sync: bool,
    whole: bool,
) -> tuple[Literal["sync", "follow", "search", "none"], str | None]:
    """How the boundaries were found, and why not better."""
    if len(cycles) and low.all():
        return "none", "RES is low in every cycle: no instruction ran"
    reason = followed.lost[-1][2] if followed.lost else None
    bits = resting_data(cycles) if reason is not None else 0
    resting = [f"D{bit}" for bit in range(8) if bits >> bit & 1]
    if reason is not None and resting:
        reason += f"; {' '.join(resting)} never moved: with a clip off, the reads are not true"
    if by_sync:
        if not whole:
            reason = "not all data lines were captured: rows from SYNC, no addresses or registers"
        return "sync", reason
    if followed.began is not None:
        return "follow", reason
    if not len(cycles):
        return "none", cycles.reason or "there are no cycles"
    if not whole:
        return "none", "neither SYNC nor all eight data lines were captured"
    if (cycles.pin("RW") == 2).all() and not cycles.address_known.any():
        return (
            "none",
            "neither SYNC, addresses nor R/W were captured: nothing tells what was obeyed",
        )
    return "none", "no reset in view and no SYNC, and nothing else showed where to begin"


def _notes(followed: Followed) -> tuple[Note, ...]:
    notes = [
        Note(
            "doubt", f"{line} is often not what the CPU meant; the program was followed without it"
        )
        for line in followed.aside
    ]
    columns = ["irq"] * followed.unseen
    columns += [patch.column for repair in followed.repairs for patch in repair.patches]
    said = {
        "irq": "interrupts were taken that the captured lines do not show",
        "nmi": "interrupts were taken that the captured lines do not show",
        "rdy": "waits were taken that the captured lines do not show",
        "res": "RES pulses were seen that the CPU did not take",
        "reads": "reads of which the CPU must have seen one bit otherwise than the clip",
    }
    counted: dict[str, int] = {}
    for column in columns:
        counted[said[column]] = counted.get(said[column], 0) + 1
    notes += [Note("guess", f"{text}: {count}") for text, count in counted.items()]
    lost = [span for span in followed.lost if span[1] > span[0]]
    if len(lost) > 1:
        notes.append(Note("doubt", f"the thread was lost {len(lost)} times"))
    return tuple(notes)


def _read_corrections(followed: Followed, cycles: Cycles) -> tuple[ReadCorrection, ...]:
    return tuple(
        ReadCorrection(cycle, int(cycles.data[cycle]), value)
        for patch in followed.misread
        for cycle, value in zip(patch.cycles, patch.values, strict=True)
    )
