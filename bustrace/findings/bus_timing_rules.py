"""Rules about when address and data come within the cycle; only timing captures show that.

Claimed is only what no maker's sheet allows, beyond a sample, the skew of the clips and the
difference of thresholds (`bustrace.cycles.slack_ps`).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from bustrace.cpu.makers_limits import MakersLimits, makers_limits
from bustrace.cycles import (
    IN_RESET,
    OWNER_CPU,
    SHORT,
    STRETCHED,
    can_fail,
    clock_to_trust,
    sample_ps,
    settling,
    slack_ps,
)
from bustrace.findings._kernels import RAM, ROM
from bustrace.findings.evidence import Evidence
from bustrace.findings.model import Finding
from bustrace.hookup import ADDRESS_PINS, DATA_PINS
from bustrace.units import PS_PER_SECOND, count_words, format_time

MEASURED = 100_000
"""Cycles that are measured: a timing needs no more."""

SHARE = 0.05
"""Share of a line's moves that must be late, or of a chip's reads: stray samples are far rarer."""

ENOUGH = 20
"""Moves that must be late."""

OTHERS = 4
"""Lines of the same bus that must be in time, for others to be slow by themselves."""

Column = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class _Kind:
    """Lines that have one limit.

    Attributes
    ----------
    pins : their names
    name : the sheet's
    meaning : of the limit, in words
    where : bool, shape (n,); cycles in which it holds
    """

    pins: tuple[str, ...]
    name: str
    meaning: str
    where: Column


@dataclass(frozen=True, slots=True, eq=False)
class _Line:
    """One line's moves and which of them come too late: bool, shape (n,); by how much, ps."""

    pin: str
    moves: Column
    late: Column
    past: npt.NDArray[np.int64]

    @property
    def is_late(self) -> bool:
        """Late too often for stray samples."""
        count = int(self.late.sum())
        return count >= ENOUGH and count > SHARE * int(self.moves.sum())

    def only(self, where: Column) -> _Line:
        """The same in some cycles."""
        return _Line(self.pin, self.moves & where, self.late & where, self.past)


def bus_timing(evidence: Evidence) -> Iterator[Finding]:
    """Lines and chips that come later than any sheet allows."""
    reading = evidence.reading
    capture, cycles, period = reading.capture, reading.cycles, reading.cycles.clock.period_ps
    n = min(evidence.n, MEASURED)
    if n < 2 or period is None or clock_to_trust(capture, reading.hookup, cycles) is not None:
        return
    limits = makers_limits(reading.board.cpu.variant, Fraction(PS_PER_SECOND, period))
    if limits is None:
        return
    plain = (cycles.owner[:n] == OWNER_CPU) & (cycles.rise_ps[:n] >= 0)
    plain &= cycles.flags[:n] & (IN_RESET | SHORT | STRETCHED) == 0
    plain[:1] = False
    # After a rest of the clock, the fall that begins a cycle is long past.
    plain[1:] &= np.diff(cycles.time_ps[:n]) < 2 * period
    read = evidence.replay.read[:n]
    kinds = (
        _Kind((*ADDRESS_PINS, "RW"), "tADS", "after phase 2 falls", plain),
        _Kind(DATA_PINS, "tDSU", "before phase 2 falls, in reads", plain & (read == 1)),
        _Kind(DATA_PINS, "tMDS", "after phase 2 rises, in writes", plain & (read == 0)),
    )
    for kind in kinds:
        if kind.name in limits.loosest and can_fail(kind.name, limits, sample_ps(capture)):
            lines = [_measure(evidence, kind, pin, limits) for pin in kind.pins]
            yield from _judge(evidence, kind, [line for line in lines if line], limits)


def _measure(evidence: Evidence, kind: _Kind, pin: str, limits: MakersLimits) -> _Line | None:
    capture, cycles = evidence.reading.capture, evidence.reading.cycles
    tap, n = evidence.reading.hookup.tap(pin), len(kind.where)
    if tap is None:
        return None
    end = cycles.time_ps[:n]
    start = np.append(end[0] - 1, end[:-1])
    settled, turned = settling(capture, tap, start, end)
    limit = 1000 * limits.loosest[kind.name]
    if kind.name == "tDSU":
        past = settled - (end - limit)
    elif kind.name == "tMDS":
        past = settled - (cycles.rise_ps[:n] + limit)
    else:
        past = settled - (start + limit)
    moves = turned & kind.where
    return _Line(pin, moves, moves & (past > slack_ps(sample_ps(capture))), past)


def _judge(
    evidence: Evidence, kind: _Kind, lines: list[_Line], limits: MakersLimits
) -> Iterator[Finding]:
    """A chip that is late on most lines, else the lines that are, the others of the bus not."""
    if kind.name == "tDSU":
        drivers = evidence.replay.healthy.drivers[: len(kind.where)]
        for chip, ref in enumerate(evidence.replay.chips):
            mine = drivers == np.uint32(1 << chip)
            # What an input shows may change at any time.
            if evidence.replay.kind[chip] in (ROM, RAM) and _most_are_late(lines, mine):
                yield _slow_chip(evidence, kind, ref, [line.only(mine) for line in lines], limits)
                lines = [line.only(~mine) for line in lines]
    if not _most_are_late(lines):
        yield from (_slow_line(evidence, kind, line, limits) for line in lines if line.is_late)


def _most_are_late(lines: list[_Line], where: Column | None = None) -> bool:
    """Whether too few lines that move are in time for the others to be slow by themselves."""
    mine = lines if where is None else [line.only(where) for line in lines]
    moving = [line for line in mine if int(line.moves.sum()) >= ENOUGH]
    late = sum(line.is_late for line in moving)
    return late > 0 and len(moving) - late < max(OTHERS, late)


def _slow_line(evidence: Evidence, kind: _Kind, line: _Line, limits: MakersLimits) -> Finding:
    count, of = int(line.late.sum()), int(line.moves.sum())
    by = format_time(int(np.median(line.past[line.late])))
    return Finding(
        rule="line-late",
        severity="oddity",
        lines=(line.pin,),
        cycles=evidence.show(_padded(evidence, line.late)),
        opportunities=of,
        count=count,
        measured=f"{by} past the limit in {count:,} of {of:,} moves, the other lines in time",
        expected=_expected(kind, limits),
        text=f"{line.pin} is slow: in {count:,} of {count_words(of, 'move')} it settles about {by} "
        "later than any maker's sheet allows, and the other lines of its bus do not. A weak or "
        "loaded driver, a bad joint, or its clip.",
    )


def _slow_chip(
    evidence: Evidence, kind: _Kind, ref: str, lines: list[_Line], limits: MakersLimits
) -> Finding:
    """A memory whose data come too late on most lines."""
    late = np.logical_or.reduce([line.late for line in lines])
    past = np.max([np.where(line.late, line.past, 0) for line in lines], axis=0)
    count = int(late.sum())
    of = int(np.logical_or.reduce([line.moves for line in lines]).sum())
    by = format_time(int(np.median(past[late])))
    return Finding(
        rule="data-late",
        severity="oddity",
        chips=(ref,),
        cycles=evidence.show(_padded(evidence, late)),
        opportunities=of,
        count=count,
        measured=f"{by} past the limit in {count:,} of {of:,} reads",
        expected=_expected(kind, limits),
        text=f"{ref} answers late: in {count:,} of {count_words(of, 'read')} its data come about "
        f"{by} after the CPU must have them. A slower part than the clock asks for, a late select, "
        "or a low rail.",
    )


def _expected(kind: _Kind, limits: MakersLimits) -> str:
    side = "at least" if kind.name == "tDSU" else "at most"
    return f"{side} {limits.loosest[kind.name]} ns {kind.meaning} ({kind.name}; {limits.source})"


def _padded(evidence: Evidence, column: Column) -> Column:
    return np.append(column, np.zeros(evidence.n - len(column), dtype=np.bool_))


RULES = (bus_timing,)
