"""Rules about the clock."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from bustrace.cycles import STRETCHED
from bustrace.findings.evidence import Evidence
from bustrace.findings.model import Finding
from bustrace.hookup import CLOCK_PINS, Tap
from bustrace.reading import Reading
from bustrace.units import format_rate, format_time

NMOS_LONGEST_CYCLE_PS = 40_000_000
"""tCYC max of the slower-tolerant maker, Synertek SY6500 data-book sheet p 3-39; Rockwell
R650X Doc 29000D39 p 13 allows 10 us. A dynamic NMOS CPU forgets its registers beyond it."""

OFF_NOMINAL = 0.03
"""Share by which the clock may differ from the board file's before it is mentioned: crystals are
within 0.1 %, ceramic resonators and RC oscillators within a few per cent (common practice)."""

LONG_REST = 64
"""Cycles without a move of address, R/W or SYNC that are mentioned where the clock was not
captured: no instruction or interrupt sequence keeps them still for so long."""


FEWEST_CHANGES = 4
STRAY_CHANGES = 2e-4
"""Changes, in all and a sample, up to which a line is taken to rest: two for each stray sample. A
bus line of a running CPU changes at least ten times as often."""


def moves(reading: Reading, line: str) -> bool:
    """Whether a capture line moves, more often than stray samples make it."""
    capture = reading.capture
    levels = capture.levels(line)
    told = levels[levels < 2]
    changes = int(np.count_nonzero(told[1:] != told[:-1]))
    samples = 0 if capture.rate is None else capture.duration_ps * capture.rate / 10**12
    return changes > max(FEWEST_CHANGES, STRAY_CHANGES * samples)


def _clock_at_rest(reading: Reading) -> Tap | None:
    """The clock's clip, where its line does not move."""
    tap = next((t for pin in CLOCK_PINS if (t := reading.hookup.tap(pin))), None)
    if tap is None or reading.capture.mode == "state" or not len(reading.capture):
        return None
    return None if moves(reading, tap.line) else tap


def _moving_beside(reading: Reading) -> str:
    """In words, that something moves that only a running CPU moves; empty where nothing does."""
    taps = reading.hookup.taps
    bus = [t for t in taps if t.pin[0] in "AD" and t.pin[1:].isdigit() and moves(reading, t.line)]
    if len(bus) >= 4:
        return f"{len(bus)} bus lines move"
    outputs = [t for t in taps if t.pin in ("RW", "SYNC") and moves(reading, t.line)]
    names = " and ".join(tap.name for tap in outputs)
    return f"{names} {'move' if len(outputs) > 1 else 'moves'}" if outputs else ""


def clock_absent(evidence: Evidence) -> Iterator[Finding]:
    """The clock line never moves: no clock, or, where other lines move, only its clip."""
    reading = evidence.reading
    tap = _clock_at_rest(reading)
    if tap is None:
        return
    moving = _moving_beside(reading)
    levels = reading.capture.levels(tap.line)
    level = int(levels[0]) if levels[0] < 2 else "?"
    span = format_time(reading.capture.duration_ps)
    if moving:
        yield Finding(
            rule="clip-off",
            severity="oddity",
            lines=(tap.pin,),
            opportunities=len(reading.capture),
            count=len(reading.capture),
            measured=f"{tap.line} stays {level} for {span} while {moving}",
            expected="a running CPU's clock moves",
            text=f"{tap.pin} never moves while {moving}: its clip is off, not the clock.",
        )
        return
    yield Finding(
        rule="clock-absent",
        severity="fault",
        lines=(tap.pin,),
        opportunities=len(reading.capture),
        count=len(reading.capture),
        measured=f"{tap.line} stays {level} for the whole {span}",
        expected="a square wave",
        text=f"No clock: {tap.pin} never moves in {span}, and the buses rest too.",
    )


def clock_stops(evidence: Evidence) -> Iterator[Finding]:
    """The clock rests for good before the capture ends."""
    clock, capture = evidence.reading.cycles.clock, evidence.reading.capture
    if clock.stops_ps is None or clock.period_ps is None:
        return
    if _clock_at_rest(evidence.reading) is not None and _moving_beside(evidence.reading):
        return  # some stray samples on a clip that is off
    ran = clock.stops_ps - capture.start_ps
    rest = capture.end_ps - clock.stops_ps
    yield Finding(
        rule="clock-stops",
        severity="fault",
        lines=("PHI2",),
        cycles=(max(len(evidence.reading.cycles) - 1, 0),),
        opportunities=max(1, rest // clock.period_ps),
        count=max(1, rest // clock.period_ps),
        measured=f"last edge {format_time(ran)} into the capture, then {clock.rests_at} for "
        f"{format_time(rest)}",
        expected=f"an edge every {format_time(clock.period_ps // 2)}",
        text=f"The clock stops after {format_time(ran)} ({len(evidence.reading.cycles):,} cycles) "
        f"and rests {'high' if clock.rests_at else 'low'}.",
    )


def bus_rests(evidence: Evidence) -> Iterator[Finding]:
    """Without a clock line: nothing moves from some point on, so perhaps the clock does not."""
    reading, cycles = evidence.reading, evidence.reading.cycles
    clock = cycles.clock
    if clock.role != "estimated" or clock.period_ps is None:
        return
    last = int(cycles.time_ps[-1])
    silent = (reading.capture.end_ps - last) // clock.period_ps
    if silent < LONG_REST:
        return
    rest = format_time(reading.capture.end_ps - last)
    yield Finding(
        rule="bus-rests",
        severity="oddity",
        lines=("PHI2",),
        cycles=(len(cycles) - 1,),
        opportunities=silent,
        count=silent,
        measured=f"address, R/W and SYNC rest for the last {rest}, some {silent:,} cycles",
        expected="a running CPU changes them in nearly every cycle",
        text=f"Nothing moves in the last {rest}: the clock has stopped, or the CPU waits or has "
        "jammed. Without the clock among the clips this cannot be told: clip phase 2.",
    )


def clock_limits(evidence: Evidence) -> Iterator[Finding]:
    """The clock is slower than the part allows, off the board's nominal rate, or uneven."""
    reading, clock = evidence.reading, evidence.reading.cycles.clock
    if clock.period_ps is None or clock.role == "state rows":
        return
    if _clock_at_rest(reading) is not None:
        return  # a few stray samples are no clock
    n = len(reading.cycles)
    if clock.period_ps > NMOS_LONGEST_CYCLE_PS:
        yield Finding(
            rule="clock-limits",
            severity="fault",
            lines=("PHI2",),
            opportunities=n,
            count=n,
            measured=f"a cycle takes {format_time(clock.period_ps)}",
            expected=f"at most {format_time(NMOS_LONGEST_CYCLE_PS)} (makers' sheets, tCYC max)",
            text="The clock is too slow for an NMOS CPU: it forgets its registers.",
        )
    nominal = reading.board.clock_hz
    measured = 1e12 / (reading.cycles.mean_period_ps or 1)
    if nominal is not None and abs(measured / float(nominal) - 1) > OFF_NOMINAL:
        yield Finding(
            rule="clock-nominal",
            severity="oddity",
            lines=("PHI2",),
            opportunities=n,
            count=n,
            measured=f"{measured / 1e6:.4g} MHz",
            expected=f"{format_rate(nominal)} (board file)",
            text=f"The clock runs at {measured / 1e6:.4g} MHz, the board file says "
            f"{format_rate(nominal)}: a wrong crystal, a wrong divider, or a wrong board file.",
        )
    flags = reading.cycles.flags
    stretched = int(np.count_nonzero(flags & STRETCHED))
    if stretched and stretched < n:
        yield Finding(
            rule="clock-uneven",
            severity="note" if stretched > n // 100 else "oddity",
            lines=("PHI2",),
            cycles=tuple(int(c) for c in np.flatnonzero(flags & STRETCHED)[:32]),
            opportunities=n,
            count=stretched,
            measured=f"{stretched:,} of {n:,} cycles are 1.5 times the usual length or longer",
            expected="cycles of one length, unless the board stretches its clock",
            text=f"{stretched:,} cycles are stretched.",
        )


RULES = (clock_absent, clock_stops, bus_rests, clock_limits)
