"""Rules about when a select comes within its cycle; only timing captures show that."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from bustrace.cpu.makers_limits import MakersLimits, makers_limits
from bustrace.cycles import SKEW_PS
from bustrace.findings.evidence import Evidence
from bustrace.findings.model import Finding
from bustrace.findings.select_rules import expected_selects, is_systematic_select
from bustrace.hookup import Tap
from bustrace.units import PS_PER_SECOND, count_words, format_time

Column = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class _Window:
    """Between the rise and the fall of phase 2, what can be told of a select, ps.

    Attributes
    ----------
    sample : one sample
    setup : the read setup that the maker asks for
    limits : whose figure that is
    opens, closes : int64, shape (n,)
        First and last instant at which a change lies inside the cycle's read window for certain.
    """

    sample: int
    setup: int
    limits: MakersLimits
    opens: npt.NDArray[np.int64]
    closes: npt.NDArray[np.int64]

    @property
    def resolves_late(self) -> bool:
        """Whether a select that comes after the data must be there can be seen at all."""
        return self.setup > 3 * self.sample + SKEW_PS


@dataclass(frozen=True, slots=True, eq=False)
class _Select:
    """A captured select.

    Attributes
    ----------
    ref : the chip
    asked : bool, shape (n,); reads of it
    times : int64, shape (changes,); instants at which it changes, ps
    active : uint8, shape (changes,); whether it is asserted from then on
    """

    ref: str
    asked: Column
    times: npt.NDArray[np.int64]
    active: npt.NDArray[np.uint8]


def select_timing(evidence: Evidence) -> Iterator[Finding]:
    """A select that comes too late for the data, or drops out while the chip is read."""
    reading = evidence.reading
    taps = sorted(
        (tap for tap in reading.hookup.selects if tap.name in evidence.replay.chips),
        key=lambda tap: tap.pin,
    )
    window = _window(evidence)
    if window is None or not taps:
        return
    if not window.resolves_late:
        yield Finding(
            rule="select-timing-unseen",
            severity="note",
            lines=tuple(tap.pin for tap in taps),
            opportunities=1,
            count=1,
            measured=f"one sample every {format_time(window.sample)}",
            expected=f"at least four in the {format_time(window.setup)} before phase 2 falls",
            text="Whether a select comes too late for the data cannot be resolved at this sample "
            "rate.",
        )
    for tap in taps:
        select = _select(evidence, tap)
        if len(select.times) and select.asked.any():
            yield from _late(evidence, window, select)
            yield from _glitching(evidence, window, select)


def _window(evidence: Evidence) -> _Window | None:
    capture, cycles, n = evidence.reading.capture, evidence.reading.cycles, evidence.n
    period = cycles.clock.period_ps
    if capture.mode != "timing" or capture.rate is None or period is None:
        return None
    if not n or (cycles.rise_ps[:n] == -1).all():
        return None
    sample = round(PS_PER_SECOND / capture.rate)
    variant = evidence.reading.board.cpu.variant
    limits = makers_limits(variant, Fraction(PS_PER_SECOND, period))
    nanoseconds = limits["tDSU"] if limits is not None else None
    if limits is None or nanoseconds is None:
        return None
    rise, fall = cycles.rise_ps[:n], cycles.time_ps[:n]
    # The chip may still be finding its address in the first half of phase 2 high.
    opens = np.where(rise != -1, (rise + fall) // 2, fall)
    closes = fall - 2 * sample - SKEW_PS
    return _Window(sample, 1000 * nanoseconds, limits, opens, closes)


def _select(evidence: Evidence, tap: Tap) -> _Select:
    wanted, by_clip, sure = expected_selects(evidence, evidence.replay.chips.index(tap.name))
    capture = evidence.reading.capture
    levels = capture.levels(tap.line)
    moved = np.flatnonzero(np.diff(levels.astype(np.int8), prepend=levels[:1].astype(np.int8)))
    return _Select(
        ref=tap.name,
        asked=sure & wanted & by_clip & (evidence.replay.read == 1),
        times=capture.time_ps[moved],
        active=(levels[moved] ^ np.uint8(tap.inverted)) & np.uint8(1),
    )


def _late(evidence: Evidence, window: _Window, select: _Select) -> Iterator[Finding]:
    if not window.resolves_late:
        return
    ref, asked, times, active = select.ref, select.asked, select.times, select.active
    fall = evidence.reading.cycles.time_ps[: evidence.n]
    last = np.searchsorted(times, window.closes, side="right") - 1
    came = np.where(last >= 0, times[np.maximum(last, 0)], np.iinfo(np.int64).min)
    # The change came up to a sample before it was seen, the fall too: both against the claim.
    limit = fall - window.setup + window.sample + SKEW_PS
    late = asked & (last >= 0) & (active[np.maximum(last, 0)] == 1) & (came > limit)
    if not is_systematic_select(evidence, late, int(asked.sum())):
        return
    count, of = int(late.sum()), int(asked.sum())
    before = format_time(int(np.median(fall[late] - came[late])))
    yield Finding(
        rule="select-late",
        severity="oddity",
        lines=(f"select:{ref}",),
        chips=(ref,),
        cycles=evidence.show(late),
        opportunities=of,
        count=count,
        measured=f"asserted only about {before} before phase 2 falls in {count:,} of {of:,} reads",
        expected=f"data valid {format_time(window.setup)} before ({window.limits.source}, "
        f"{window.limits.grade}, tDSU), so the "
        "select earlier still",
        text=f"{ref} is selected too late in {count:,} of {count_words(of, 'read')}: about "
        f"{before} before phase 2 falls, and no chip answers in no time. A slow decoder, a weak "
        "driver, or a gate that waits for the wrong edge.",
    )


def _glitching(evidence: Evidence, window: _Window, select: _Select) -> Iterator[Finding]:
    ref, asked, times, active = select.ref, select.asked, select.times, select.active
    first = np.searchsorted(times, window.opens, side="left")
    end = np.searchsorted(times, window.closes, side="right")
    # A whole dip: it goes away inside the window and is seen to come back.
    inside = end - first >= 2
    at = np.minimum(np.where(active[np.minimum(first, len(active) - 1)] == 0, first, first + 1),
                    len(active) - 1)  # fmt: skip
    dips = asked & inside & (active[at] == 0) & (at + 1 < end)
    if not is_systematic_select(evidence, dips, int(asked.sum())):
        return
    count, of = int(dips.sum()), int(asked.sum())
    yield Finding(
        rule="select-glitches",
        severity="oddity",
        lines=(f"select:{ref}",),
        chips=(ref,),
        cycles=evidence.show(dips),
        opportunities=of,
        count=count,
        measured=f"it goes away and comes back while phase 2 is high in {count:,} of {of:,} reads",
        expected="asserted without a break in the second half of phase 2 high",
        text=f"The select of {ref} drops out in the middle of {count:,} of "
        f"{count_words(of, 'read')}: a decoder input that is not steady, or one that is late.",
    )


RULES = (select_timing,)
