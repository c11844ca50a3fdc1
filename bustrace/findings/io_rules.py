"""Rules about I/O chips that do not do what their makers' sheets say."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bustrace.board.parts import number_in
from bustrace.findings.evidence import Evidence
from bustrace.findings.interrupt_rules import LOOKED_AT, high_before, refusals
from bustrace.findings.io_chips import register_name
from bustrace.findings.memory_rules import (
    byte_words,
    is_systematic,
    sole_driver,
    wrong_bits,
)
from bustrace.findings.model import Finding
from bustrace.program import Kind
from bustrace.units import count_words

FEWEST = 2
"""Wrong reads of one chip that are told, or wrong bits of reads that the CPU acted on: less may be
a stray sample."""


ASKED_LONG, ASKED_OFTEN = 64, 3
"""Cycles in which a chip must pull IRQ, or how often, before it is told that nobody sees it: far
more than a sampling point or a count that is off would leave open."""

TAKEN_UNSEEN = 2
"""Interrupts taken with IRQ high all around them that make it the clip."""

_TELLS = ((r"65C?22", 13), (r"65C?51", 1))
"""Registers of which bit 7 is set while the chip pulls IRQ: IFR of a 6522, status of a 6551 (their
makers' sheets, from memory)."""

_STATUS, _BREAK = 4, np.uint8(0x10)
"""Cycle of an interrupt in which the status is pushed, and the bit in it that BRK sets."""


def io_content(evidence: Evidence) -> Iterator[Finding]:
    """A register gives what its sheet rules out, after what the program wrote."""
    replay = evidence.replay
    off = wrong_bits(evidence)
    for chip in replay.io_sheets:
        known = replay.healthy.expected_known & replay.data_known
        reads = sole_driver(evidence, chip) & (known != 0)
        wrong = reads & (off != 0)
        count = int(wrong.sum())
        acted = int(np.bitwise_count(off[wrong & evidence.acted_on]).sum())
        if max(count, acted) < FEWEST or not is_systematic(evidence, reads, wrong):
            continue
        ref = replay.chips[chip]
        part, size = (fitted := evidence.reading.board.chip(ref)).part, fitted.size
        at = np.flatnonzero(wrong)
        registers = np.unique(replay.offsets(chip, at))
        first = int(at[0])
        sheet = byte_words(
            int(replay.healthy.expected[first]), int(replay.healthy.expected_known[first])
        )
        name = register_name(part, size, int(replay.offsets(chip, at[:1])[0]))
        gave = f"gave ${int(replay.data[first]):02X}, its sheet says {sheet}"
        yield Finding(
            rule="io-content",
            severity="fault",
            chips=(ref,),
            cycles=evidence.show(wrong),
            opportunities=int(reads.sum()),
            count=count,
            measured=f"{count:,} of {count_words(int(reads.sum()), 'read')} that the sheet decides "
            f"differ, at {count_words(len(registers), 'register')}: {name} {gave}",
            expected=f"what the {part}'s sheet says after what was written; - is either",
            text=f"{ref} ({part}) does not do what its sheet says: {name} {gave}, after what the "
            f"program wrote ({count:,} of {count_words(int(reads.sum()), 'such read')} differ).",
        )


@dataclass(frozen=True, slots=True, eq=False)
class _Asking:
    """What came of a chip's requests; columns are bool, shape (n,).

    Attributes
    ----------
    where : cycles in which it surely asks.
    missed : of these, the ones in which the line, or else the CPU, could have shown it and did not.
    missed_times : int
        Requests that were missed.
    by_sheet : bool
        Its sheet tells that it asks, not only what was read of it.
    """

    where: npt.NDArray[np.bool_]
    missed: npt.NDArray[np.bool_]
    missed_times: int
    by_sheet: bool


def interrupt_unheard(evidence: Evidence) -> Iterator[Finding]:
    """A chip must pull IRQ by its sheet, and the line stays high, or the CPU is never told."""
    reading, replay = evidence.reading, evidence.replay
    board = reading.board
    if not board.has_pin("IRQ"):
        return
    level = reading.cycles.pin("IRQ")[: evidence.n]
    captured = bool((level < 2).any())
    hears = _interrupts_taken_at_high(evidence, level)
    if hears >= TAKEN_UNSEEN:
        yield _clip(hears, int((level < 2).sum()))
        return
    for chip in replay.io_sheets:
        ref = replay.chips[chip]
        if ref not in board.irq_from if board.irq_from else ref in board.nmi_from:
            continue
        asking = _asking(evidence, chip, level if captured else None)
        if asking is None:
            continue
        count, times = int(asking.missed.sum()), asking.missed_times
        part = board.chip(ref).part
        first = int(np.flatnonzero(asking.where)[0])
        why = (
            "its timer has run out and the program enabled it"
            if asking.by_sheet
            else "bit 7 of its status says that it does"
        )
        nobody = "IRQ stays high" if captured else "the CPU, interrupts enabled, takes none"
        wired = bool(board.irq_from)
        unsure = "" if wired else " The board file does not say that it is wired to IRQ (irq)."
        yield Finding(
            rule="interrupt-unheard",
            severity="fault" if wired else "oddity",
            lines=("IRQ",),
            chips=(ref,),
            cycles=evidence.show(asking.missed),
            opportunities=int(asking.where.sum()),
            count=count,
            measured=f"{nobody} in {count:,} of {int(asking.where.sum()):,} cycles in which {ref} "
            f"must ask, at {count_words(times, 'request')}",
            expected=f"IRQ low while a flag and its enable bit are set (the {part}'s sheet)",
            text=f"{ref} ({part}) must ask for an interrupt from cycle {first:,} on, for {why}, "
            f"but {nobody} in {count_words(count, 'such cycle')}.{unsure}",
        )


def _interrupts_taken_at_high(evidence: Evidence, level: npt.NDArray[np.uint8]) -> int:
    """Interrupts that the CPU took while IRQ was high; 0 where it was low at any other.

    Only those count that are told from a BRK, by bit 4 of the status that they push (hardware
    manual, A.5.4).
    """
    program, cycles = evidence.reading.program, evidence.reading.cycles
    if program.lost_at is not None:
        return 0  # what is taken for an interrupt may be something else
    first = program.first_cycle[program.kind == Kind.IRQ]
    first = first[(first >= LOOKED_AT) & (first + _STATUS < len(level))]
    pushed = first + _STATUS
    told = cycles.data_known[pushed] & ~cycles.data[pushed] & _BREAK != 0
    first = first[told]
    return len(first) if high_before(level, first).all() else 0


def _clip(taken: int, cycles: int) -> Finding:
    return Finding(
        rule="clip-off",
        severity="oddity",
        lines=("IRQ",),
        opportunities=cycles,
        count=cycles,
        measured=f"IRQ reads high around all {count_words(taken, 'interrupt')} that the CPU takes",
        expected="low until the CPU has taken it",
        text="IRQ reads high, but the CPU takes interrupts: its clip is off.",
    )


def _asking(evidence: Evidence, chip: int, level: npt.NDArray[np.uint8] | None) -> _Asking | None:
    """What came of a chip's requests, where nobody saw any; `level` is IRQ's, where captured."""
    n = evidence.n
    spans = evidence.replay.asking(chip)
    number = np.zeros(n, dtype=np.int64)  # which request, from 1 on
    for at, (first, end) in enumerate(spans, 1):
        number[first:end] = at
    where = number > 0
    if level is not None:
        says = np.flatnonzero(_says_so(evidence, chip) & ~where)
        where[says], number[says] = True, len(spans) + 1 + np.arange(len(says))
        missed = where & evidence.live & (level == 1)
        heard = where & evidence.live & (level == 0)
    else:
        missed, heard = _refused(evidence, where)
    times = len(np.unique(number[missed]))
    if heard.any() or (int(missed.sum()) < ASKED_LONG and times < ASKED_OFTEN):
        return None
    return _Asking(where, missed, times, bool(spans))


def _says_so(evidence: Evidence, chip: int) -> npt.NDArray[np.bool_]:
    """Reads in which a chip tells that it pulls IRQ; none where it tells so each time, as a bus
    that nobody drives does.
    """
    replay = evidence.replay
    part = evidence.reading.board.chip(replay.chips[chip]).part
    register = next((at for numbers, at in _TELLS if number_in(part, numbers)), None)
    told = sole_driver(evidence, chip) & (replay.data_known & 0x80 != 0)
    at = np.flatnonzero(told & (wrong_bits(evidence) == 0))
    at = at[replay.offsets(chip, at) == register] if register is not None else at[:0]
    says = replay.data[at] & 0x80 != 0
    found = np.zeros(evidence.n, dtype=np.bool_)
    if not says.all():
        found[at[says]] = True
    return found


def _refused(
    evidence: Evidence, where: npt.NDArray[np.bool_]
) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    """Cycles in which the CPU runs on against a request, and in which it takes an interrupt."""
    program, n = evidence.reading.program, evidence.n
    missed, heard = np.zeros(n, dtype=np.bool_), np.zeros(n, dtype=np.bool_)
    taken = program.first_cycle[program.kind == Kind.IRQ]
    taken = taken[taken < n]
    heard[taken] = where[taken]
    rows = refusals(program)
    for first, length in zip(program.first_cycle[rows], program.length[rows], strict=True):
        if first < LOOKED_AT or first >= n or not where[first - LOOKED_AT : first].all():
            continue
        missed[first : first + length] = True
    missed &= where
    return missed, heard


RULES = (io_content, interrupt_unheard)
