"""Rules about BE, AEC and BA: who may drive the bus."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from bustrace.cycles import stretches
from bustrace.findings.control_rules import MIN_CYCLES
from bustrace.findings.evidence import SHOWN, Evidence
from bustrace.findings.model import Finding
from bustrace.findings.reset_rules import last_release, runs
from bustrace.units import PS_PER_SECOND, count_words

OWNER_PINS = ("BE", "AEC", "BA")
"""Low: the CPU is off the bus, or, with BA, soon will be (W65C02S sheet, BE; 6510 sheets, AEC)."""

MID_CYCLE = 2
"""Cycles cut in two from which it is no stray sample."""

_WHAT = {
    "BE": "keeps the CPU off the bus",
    "AEC": "keeps the CPU off the bus",
    "BA": "says that the bus is not the CPU's",
}


def bus_owner(evidence: Evidence) -> Iterator[Finding]:
    """A line that takes the bus from the CPU: for ever, in mid-cycle, or with nobody to take it."""
    for pin in OWNER_PINS:
        level = evidence.reading.cycles.pin(pin)
        low = level == 0
        if int((level < 2).sum()) < MIN_CYCLES or not low.any():
            continue
        allowed = evidence.low_holds(pin)
        if None in allowed:
            continue
        starts, ends = stretches(low)
        last = int(ends[-1] - starts[-1])
        if ends[-1] == len(level) and last >= max(MIN_CYCLES, len(level) // 4):
            yield _held(evidence, pin, int(starts[-1]), last)
            continue
        cut = _cut_in_two(evidence, pin)
        if len(cut) >= MID_CYCLE:
            yield _cut(evidence, pin, cut)
        if evidence.reading.board.source and not allowed:
            yield _undeclared(evidence, pin, starts, ends)


def _held(evidence: Evidence, pin: str, first: int, length: int) -> Finding:
    n = len(evidence.reading.cycles)
    if _cpu_drives(evidence, first):
        return Finding(
            rule="clip-off",
            severity="oddity",
            lines=(pin,),
            cycles=(first,),
            opportunities=n,
            count=length,
            measured=f"{pin} reads low for {count_words(length, 'cycle')} while the CPU runs",
            expected="a CPU that is off the bus drives nothing",
            text=f"{pin} reads low, but the CPU drives the bus: its clip is off.",
        )
    return Finding(
        rule="bus-held",
        severity="fault",
        lines=(pin,),
        cycles=(first,),
        opportunities=n,
        count=length,
        measured=f"low for {count_words(length, 'cycle')}, to the end of the capture",
        expected="high in the CPU's cycles",
        text=f"{pin} is low from cycle {first:,} to the end: it {_WHAT[pin]} and never gives it "
        "back.",
    )


def _cpu_drives(evidence: Evidence, first: int) -> bool:
    """Whether the bus shows a running CPU from a cycle on: its vector fetch, or a known program."""
    cycles = evidence.reading.cycles
    release = last_release(evidence.reading)
    if release is not None and release >= first:
        address = cycles.address[release : release + 10]
        known = cycles.address_known[release : release + 10] == 0xFFFF
        pair = known[:-1] & known[1:] & (address[:-1] == 0xFFFC) & (address[1:] == 0xFFFD)
        return bool(pair.any()) and runs(evidence.reading)
    followed = evidence.reading.program.intent.rw[first:] < 2
    return bool(len(followed) and followed.mean() > 0.5)


def _cut_in_two(evidence: Evidence, pin: str) -> npt.NDArray[np.int64]:
    """Cycles in which the line falls while phase 2 is high, well inside the CPU's half."""
    reading = evidence.reading
    capture, cycles, tap = reading.capture, reading.cycles, reading.hookup.tap(pin)
    if capture.mode != "timing" or capture.rate is None or tap is None:
        return np.zeros(0, dtype=np.int64)
    sample = float(PS_PER_SECOND / capture.rate)
    rise, fall = cycles.rise_ps, cycles.time_ps
    wide = (rise != -1) & (fall - rise > 6 * sample)
    levels = capture.levels(tap.line)
    early = np.searchsorted(capture.time_ps, rise + round(2 * sample), side="right") - 1
    late = np.searchsorted(capture.time_ps, fall - round(2 * sample), side="right") - 1
    inside = wide & (early >= 0) & (late >= 0)
    high, low = (0, 1) if tap.inverted else (1, 0)
    inside &= (levels[np.maximum(early, 0)] == high) & (levels[np.maximum(late, 0)] == low)
    cut: npt.NDArray[np.int64] = np.flatnonzero(inside)
    return cut


def _cut(evidence: Evidence, pin: str, cut: npt.NDArray[np.int64]) -> Finding:
    return Finding(
        rule="bus-cut-in-cycle",
        severity="oddity",
        lines=(pin,),
        cycles=tuple(int(cycle) for cycle in cut[:SHOWN]),
        opportunities=len(evidence.reading.cycles),
        count=len(cut),
        measured=f"{pin} falls while phase 2 is high in {count_words(len(cut), 'cycle')}",
        expected="the bus changes hands between the CPU's half-cycles",
        text=f"{pin} falls in the middle of {count_words(len(cut), 'cycle')} of the CPU's: what it "
        "reads or writes there may be lost.",
    )


def _undeclared(
    evidence: Evidence, pin: str, starts: npt.NDArray[np.int64], ends: npt.NDArray[np.int64]
) -> Finding:
    count, spans = int((ends - starts).sum()), len(starts)
    return Finding(
        rule="bus-taken",
        severity="oddity",
        lines=(pin,),
        cycles=tuple(int(cycle) for cycle in starts[:SHOWN]),
        opportunities=len(evidence.reading.cycles),
        count=count,
        measured=f"{pin} low in {count_words(count, 'cycle')}, in "
        f"{count_words(spans, 'stretch', 'stretches')} of at most {int((ends - starts).max()):,}",
        expected="the board file declares nobody who takes the bus ([[holds]])",
        text=f"{pin} takes the bus from the CPU in {count_words(count, 'cycle')}, though the board "
        "file declares nobody who does. If that is the board's way, declare it there as a hold.",
    )


RULES = (bus_owner,)
