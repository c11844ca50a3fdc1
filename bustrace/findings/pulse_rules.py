"""Rules about inputs of the CPU that go low now and then, for no reason that the board has."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from bustrace.cpu import variant_named
from bustrace.cycles import stretches
from bustrace.findings._kernels import IO, OTHER
from bustrace.findings.evidence import SHOWN, Evidence
from bustrace.findings.joined_rules import STRAY_SHARE, unheard
from bustrace.findings.model import Finding
from bustrace.program import does_not_wait
from bustrace.units import count_words

FEWEST = 4
"""Pulses that are no accident."""

AS_DESIGNED = 0.5
"""Share of the waits that come at one distance from the one before: a display that takes the bus
keeps time."""

MARGIN = 2
"""Cycles before a line falls, or after it rises, in which an access may have made it so."""

Cycles = npt.NDArray[np.int64]


def waits(evidence: Evidence) -> Iterator[Finding]:
    """RDY low again and again, at no steady pace, on a board whose file declares no such hold."""
    reading, n = evidence.reading, evidence.n
    part = variant_named(reading.board.cpu.variant)
    # A part with WAI pulls RDY low itself (W65C02S sheet).
    if evidence.low_holds("RDY") or not reading.board.source or part.opcodes_of("WAI"):
        return
    starts, ends = _pulses(evidence, "RDY")
    count = int((ends - starts).sum())
    if len(starts) < FEWEST or count <= STRAY_SHARE * n or does_not_wait(evidence.reading.cycles):
        return
    distances = np.unique(np.diff(starts), return_counts=True)[1]
    if distances.max() > AS_DESIGNED * distances.sum():
        return
    yield Finding(
        rule="waits-undeclared",
        severity="oddity",
        lines=("RDY",),
        cycles=tuple(starts[:SHOWN].tolist()),
        opportunities=n,
        count=count,
        measured=f"RDY low in {count_words(count, 'cycle')}, in "
        f"{count_words(len(starts), 'stretch', 'stretches')} of at most "
        f"{int((ends - starts).max()):,}",
        expected="the board file declares nobody who makes the CPU wait ([[holds]])",
        text=f"RDY makes the CPU wait {len(starts):,} times, at no steady pace, though the board "
        "file declares nobody who does. If that is the board's way, declare it there as a hold.",
    )


def requests_withdrawn(evidence: Evidence) -> Iterator[Finding]:
    """IRQ rises although nobody asked the chips that pull it low: each of them holds it until it is
    read or written (makers' sheets of 6522, 6532 and 6551).
    """
    replay, sources = evidence.replay, evidence.reading.board.irq_from
    if not sources or not set(sources) <= set(replay.chips) or unheard(evidence, "IRQ"):
        return
    starts, ends = _pulses(evidence, "IRQ")
    known = replay.address >= 0
    row = replay.rows(np.maximum(replay.address, 0))
    ports = replay.of_kind(IO, OTHER)
    accessed = replay.banks.responds[row, replay.read & 1] & np.uint32(ports) != 0
    may_be = np.concatenate([[0], np.cumsum(accessed | ~known)])
    first, last = np.maximum(starts - MARGIN, 0), np.minimum(ends + MARGIN, evidence.n)
    alone = may_be[last] == may_be[first]
    count = int(alone.sum())
    if count < FEWEST or int((ends - starts)[alone].sum()) <= STRAY_SHARE * evidence.n:
        return
    yield Finding(
        rule="irq-withdrawn",
        severity="fault",
        lines=("IRQ",),
        chips=sources,
        cycles=tuple(starts[alone][:SHOWN].tolist()),
        opportunities=len(starts),
        count=count,
        measured=f"IRQ rises {count_words(count, 'time')} of {len(starts):,} with no access to an "
        "I/O chip while it is low",
        expected="what asks holds IRQ low until it is served",
        text=f"IRQ goes low and high again by itself, {count_words(count, 'time')}: no chip that "
        "may ask does so. Something else pulls it, or a joint comes and goes.",
    )


def _pulses(evidence: Evidence, pin: str) -> tuple[Cycles, Cycles]:
    """First cycles and ends of the stretches in which a line is low, those that the capture shows
    whole.
    """
    low = evidence.reading.cycles.pin(pin)[: evidence.n] == 0
    starts, ends = stretches(low)
    whole = (ends < evidence.n) & evidence.live[np.minimum(starts, evidence.n - 1)]
    return starts[whole], ends[whole]


RULES = (waits, requests_withdrawn)
