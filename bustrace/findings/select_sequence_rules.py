"""A rule about chip selects where no address was captured: SYNC and R/W show when the CPU is at its
stack and when it reads a vector, and these decide which chips are asked.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from bustrace.findings.evidence import Evidence
from bustrace.findings.memory_rules import doubled_by_file
from bustrace.findings.model import Finding
from bustrace.program import Kind
from bustrace.units import numbered_runs

SEQUENCE, CALL = 7, 6
"""Cycles of the sequence that takes a reset, an interrupt or a BRK, and of a JSR (hardware manual,
appendix A)."""

FEWEST = 2
"""Cycles that must tell: a stray sample is one."""

Column = npt.NDArray[np.bool_]
_Addresses = npt.NDArray[np.int32]

_STACK: _Addresses = np.arange(0x0100, 0x0200, dtype=np.int32)
_VECTORS: _Addresses = np.arange(0xFFFA, 0x10000, dtype=np.int32)


def selects_in_sequences(evidence: Evidence) -> Iterator[Finding]:
    """A select is at rest whenever the stack or a vector is its chip's, or asserted whenever it is
    not.
    """
    replay, cycles = evidence.replay, evidence.reading.cycles
    names = [ref for ref in cycles.select_names if ref in replay.chips]
    if not names or (replay.address >= 0).any() or doubled_by_file(evidence) is not None:
        return
    pulled, pushed, vector = _at_stack_and_vectors(evidence)
    contexts = ((pulled, _STACK, 1), (pushed, _STACK, 0), (vector, _VECTORS, 1))
    for ref in names:
        level = cycles.select(ref)[: evidence.n]
        bit = np.uint32(replay.chips.index(ref))
        asked, not_asked = np.zeros((2, evidence.n), np.bool_)
        others = 0
        for where, addresses, read in contexts:
            told = _asserts(evidence, addresses, read)
            if told is None or not told[1] >> bit & 1:
                continue
            asserts = told[0]
            mine = asserts >> bit & 1 == 1
            if mine.all():
                asked |= where
            elif not mine.any():
                not_asked |= where
                if where.any():
                    others |= int(np.bitwise_or.reduce(asserts, axis=None))
        asked &= level < 2
        not_asked &= level < 2
        missing, extra = asked & (level == 0), not_asked & (level == 1)
        if missing.sum() >= FEWEST and missing.sum() == asked.sum() and not (level == 1).any():
            yield _finding(
                evidence, "select-missing", ref, missing,
                f"never asserted, nor in {int(missing.sum()):,} cycles of the stack or a vector",
                "asserted there (address-decode table)",
                f"{ref} is not selected where the CPU is at its stack or reads a vector.",
            )  # fmt: skip
        elif extra.sum() >= FEWEST and extra.sum() == not_asked.sum():
            always = not (level == 0).any()
            along = [other for i, other in enumerate(replay.chips) if others >> i & 1]
            yield _finding(
                evidence, "select-always" if always else "select-doubled", ref, extra,
                f"asserted in {int(extra.sum()):,} of {int(extra.sum()):,} cycles of the stack or "
                "a vector that are not its own" + (", and always" if always else ""),
                "not asserted there (address-decode table)",
                f"{ref} is selected where it should not be, together with {numbered_runs(along)}: "
                "more than one drives the bus.",
                tuple(along),
            )  # fmt: skip


def _at_stack_and_vectors(evidence: Evidence) -> tuple[Column, Column, Column]:
    """Reads of the stack, writes to it, and reads of a vector, where fetches and writes tell."""
    cycles, n = evidence.reading.cycles, evidence.n
    sync, rw = cycles.pin("SYNC")[:n], cycles.pin("RW")[:n]
    waits = (cycles.pin("RDY")[:n] == 0) | ~evidence.owned | (cycles.pin("RES")[:n] == 0)
    stopped = np.concatenate([[0], np.cumsum(waits | (sync > 1))])
    pulled, pushed, vector = np.zeros((3, n), np.bool_)
    starts = np.flatnonzero(sync == 1)
    after_reset = _ends_of_resets(evidence)
    for first, end in zip(starts[:-1].tolist(), starts[1:].tolist(), strict=True):
        if stopped[end] != stopped[first] or end - first not in (SEQUENCE, CALL):
            continue
        levels = rw[first:end].tolist()
        if levels == [1, 1, 1, 0, 0, 1]:  # a JSR pushes where it returns to
            pushed[first + 3 : first + 5] = True
        elif levels == [1, 1, 0, 0, 0, 1, 1]:  # nothing else writes three times
            pushed[first + 2 : first + 5] = True
            vector[first + 5 : end] = True
        elif end - first == SEQUENCE and end in after_reset and 0 not in levels:
            pulled[first + 2 : first + 5] = True
            vector[first + 5 : end] = True
    return pulled, pushed, vector


def _ends_of_resets(evidence: Evidence) -> set[int]:
    """Cycles in which the first opcode after a reset is fetched."""
    program = evidence.reading.program
    resets = program.kind == Kind.RESET
    return set((program.first_cycle + program.length)[resets].tolist())


def _asserts(
    evidence: Evidence, addresses: _Addresses, read: int
) -> tuple[npt.NDArray[np.uint32], np.uint32] | None:
    """Selects that are asserted at each of some addresses in each state of the board, as masks, and
    those of which the board file tells all of that; None where it tells nothing.
    """
    banks = evidence.replay.banks
    rows = banks.rows[:, addresses]
    if (rows < 0).any() or not banks.described[rows].all():
        return None
    sure = np.bitwise_and.reduce(banks.asserts_known[rows, read], axis=None)
    return banks.asserts[rows, read] & sure, sure


def _finding(
    evidence: Evidence,
    rule: str,
    ref: str,
    where: Column,
    measured: str,
    expected: str,
    text: str,
    along: tuple[str, ...] = (),
) -> Finding:
    count = int(where.sum())
    return Finding(
        rule=rule,
        severity="fault",
        lines=(f"select:{ref}",),
        chips=(ref, *along),
        cycles=evidence.show(where),
        opportunities=count,
        count=count,
        measured=measured,
        expected=expected,
        text=text,
    )


RULES = (selects_in_sequences,)
