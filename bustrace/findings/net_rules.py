"""A rule about nets that are clipped at two places: what the two clips saw of each other."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from bustrace.findings.evidence import Evidence, Rule
from bustrace.findings.model import Finding
from bustrace.hookup import Tap

STRAY_SHARE = 1e-3
LEAST = 4
"""Cycles in which two clips on one net may differ by noise: a share, and a number."""


def two_clips(evidence: Evidence) -> Iterator[Finding]:
    """Two clips on one net agree, or do not."""
    hookup = evidence.reading.hookup
    for other in hookup.second:
        tap = hookup.tap(other.pin)
        if tap is not None:
            yield from _compared(evidence, tap, other)


def _compared(evidence: Evidence, tap: Tap, other: Tap) -> Iterator[Finding]:
    level, known = _levels(evidence, tap)
    level_there, known_there = _levels(evidence, other)
    asked = evidence.owned & known & known_there
    moves, moves_there = (_moves(column[asked]) for column in (level, level_there))
    count = int(asked.sum())
    if not count or not (moves or moves_there):
        return
    off = asked & (level != level_there)
    n_off = int(off.sum())
    pin, here, there = other.pin, tap.place or evidence.reading.board.cpu.ref, other.place
    if n_off <= LEAST + STRAY_SHARE * count:
        yield Finding(
            rule="clips-agree",
            severity="note",
            lines=(pin,),
            opportunities=count,
            count=count - n_off,
            measured=f"equal in {count - n_off:,} of {count:,} cycles",
            expected="one net, one level",
            text=f"{pin} is the same at {here} and at {there}: the net is whole between them.",
        )
        return
    if moves and moves_there:
        cause = f"the net is broken between them, or one clip is on another net than {pin}"
    else:
        still = there if moves else here
        cause = f"it never moves at {still}: that clip is off, or the net is broken between them"
    yield Finding(
        rule="clips-disagree",
        severity="oddity",
        lines=(pin,),
        cycles=evidence.show(off),
        opportunities=count,
        count=n_off,
        measured=f"{pin} differs in {n_off:,} of {count:,} cycles",
        expected="one net, one level",
        text=f"{pin} differs between {here} and {there} in {n_off:,} of {count:,} cycles: {cause}. "
        "Power off and measure from pin to pin.",
    )


def _levels(evidence: Evidence, tap: Tap) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    """Level of a clip's pin where each cycle was sampled, and where it is known: bool, (n,)."""
    capture, cycles = evidence.reading.capture, evidence.reading.cycles
    offset = 0 if cycles.sampling is None else cycles.sampling.offset_ps
    when = cycles.time_ps[: evidence.n] + offset
    row = np.searchsorted(capture.time_ps, when, side="right") - 1
    seen = row >= 0
    bit = np.uint64(tap.index)
    level = (capture.state[row] >> bit) & np.uint64(1) == 1
    if capture.known is not None:
        seen &= (capture.known[row] >> bit) & np.uint64(1) == 1
    return level != tap.inverted, seen


def _moves(level: npt.NDArray[np.bool_]) -> bool:
    return bool(level.any() and not level.all())


RULES: tuple[Rule, ...] = (two_clips,)
