"""Rules about reset and the vector fetch."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial

import numpy as np
import numpy.typing as npt

from bustrace.board import READ
from bustrace.capture import Capture
from bustrace.cycles import OWNER_CPU, Cycles
from bustrace.findings.evidence import SHOWN, Evidence
from bustrace.findings.model import Finding
from bustrace.findings.usual_bytes import programs_at_power_on
from bustrace.hookup import DATA_PINS, Hookup
from bustrace.reading import Reading
from bustrace.units import format_time

BEFORE_VECTOR = 10
"""Cycles before the reset vector in which RES must have been low once."""

SUSTAINED_CYCLES = 64
"""High for at least this long is a release; shorter is chatter on a slow edge."""

FEWEST_LINES = 10
"""Address lines that tell a start of the CPU from anything else that it does."""

REPEATS = 3
"""Releases, each followed by another reset, that make a reset circuit suspect. A hand on a button,
bounces included, gives fewer sustained ones in a capture of a boot."""

PERIODIC = 0.1
"""Spread of the releases' lengths, as a share, below which two already look like a clockwork."""

SCATTERED, SCATTERED_OVER, SCATTERED_SHARE = 8, 256, 2e-3
"""Falls of RES, cycles between the first and the last, and share of the cycles with it low, that
are neither a slow edge that chatters, nor a button that bounces, nor noise."""

SHORTEST_RESET_CYCLES = 2
"""RES must be low for two clock cycles: Rockwell R650X p 2, Synertek p 3-40, W65C02S 3.11."""

LONG_ENOUGH = 64
"""Cycles below which a data line that rests means nothing."""

LONGEST_START_CYCLES = 9
"""$FFFC is read 6 to 8 cycles after release (makers' sheets); one more for the edge's phase."""


@dataclass(frozen=True, slots=True)
class ResetSpan:
    """A stretch of cycles at one level of RES: cycles `first` to `end` - 1."""

    level: int
    first: int
    end: int

    @property
    def length(self) -> int:
        """Cycles."""
        return self.end - self.first


def reset_spans(reading: Reading) -> list[ResetSpan]:
    """RES over the cycles as spans of one level; unknown levels join the span before them."""
    return _spans(reading.cycles)


def _spans(cycles: Cycles) -> list[ResetSpan]:
    level = cycles.pin("RES").astype(np.int16)
    if not len(level) or (level == 2).all():
        return []
    known = np.flatnonzero(level < 2)
    held = known[np.maximum(np.searchsorted(known, np.arange(len(level)), side="right") - 1, 0)]
    level = level[held]
    edges = np.flatnonzero(np.diff(level)) + 1
    starts = np.concatenate([[0], edges])
    ends = np.concatenate([edges, [len(level)]])
    return [ResetSpan(int(level[a]), int(a), int(b)) for a, b in zip(starts, ends, strict=True)]


def last_release(reading: Reading) -> int | None:
    """First cycle with RES high of the last sustained release, None when there is none."""
    return last_release_cycle(reading.cycles)


def last_release_cycle(cycles: Cycles) -> int | None:
    """`last_release` of cycles that nobody has read yet."""
    spans = _spans(cycles)
    for low, high in reversed(list(itertools.pairwise(spans))):
        # One cycle is no reset, the CPU needs two; one that was low from the start may be longer.
        real = low.level == 0 and (low.length >= SHORTEST_RESET_CYCLES or low.first == 0)
        if real and high.length >= LONGEST_START_CYCLES:
            return high.first
    return None


def release_ps(capture: Capture, hookup: Hookup, cycles: Cycles) -> int | None:
    """When RES rose for its last sustained release, in the capture's time; None without one."""
    release, tap = last_release_cycle(cycles), hookup.tap("RES")
    if release is None or tap is None:
        return None
    end = int(np.searchsorted(capture.time_ps, cycles.time_ps[release], side="right"))
    bit = np.uint64(tap.index)
    level = (capture.state[:end] >> bit) & np.uint64(1)
    held = level == np.uint64(tap.inverted)
    if capture.known is not None:
        held |= (capture.known[:end] >> bit) & np.uint64(1) == 0
    last = np.flatnonzero(held)
    risen = int(last[-1]) + 1 if len(last) else 0
    return int(capture.time_ps[risen]) if 0 < risen < end else int(cycles.time_ps[release])


def runs(reading: Reading) -> bool:
    """Whether the CPU visibly executes: it writes, or wanders over many addresses."""
    rw = reading.cycles.pin("RW")
    if (rw == 0).sum() >= 4:
        return True
    known = reading.cycles.address_known == reading.cycles.address_known.max(initial=0)
    return len(np.unique(reading.cycles.address[known])) > 64


def reset_line(evidence: Evidence) -> Iterator[Finding]:
    """RES is held, comes again and again, chatters, or is too short."""
    reading = evidence.reading
    spans = reset_spans(reading)
    if not spans:
        return
    n = len(reading.cycles)
    span_text = format_time(reading.capture.duration_ps)
    lows = [span for span in spans if span.level == 0]
    releases = [s for s in spans if s.level == 1 and s.length >= SUSTAINED_CYCLES]
    if not lows:
        yield from _unseen_reset(evidence)
    falls = _scattered_falls(spans, n)
    if not releases and lows:
        if falls and _starts_again(reading):
            yield _scattered(falls, spans)
            return
        if runs(reading):
            yield Finding(
                rule="clip-off",
                severity="oddity",
                lines=("RES",),
                opportunities=n,
                count=sum(span.length for span in lows),
                measured="RES reads low while the CPU executes",
                expected="a CPU in reset only reads, from one address",
                text="RES reads low although the CPU runs: its clip is off, not the reset.",
            )
            return
        held = lows[-1]
        if held.end == n and held.length >= SHORTEST_RESET_CYCLES:
            yield Finding(
                rule="reset-held",
                severity="fault",
                lines=("RES",),
                cycles=(held.first,),
                opportunities=n,
                count=held.length,
                measured=f"RES is low for {held.length:,} cycles, to the end of the capture",
                expected="RES goes high, usually within 1 s of power-on (common practice)",
                text=f"RES is never released in {span_text}. If the capture may simply be too "
                "short, trigger on the rise of RES and capture again.",
            )
        return
    again = [s for s in releases if s.end < n]
    settled = (
        releases
        and releases[-1].end == n
        and releases[-1].length >= 4 * max((s.length for s in again), default=0)
    )
    lengths = [s.length for s in again]
    periodic = len(again) >= 2 and max(lengths) - min(lengths) <= PERIODIC * max(lengths)
    if (len(again) >= REPEATS or periodic) and not settled:
        yield Finding(
            rule="reset-repeats",
            severity="fault",
            lines=("RES",),
            cycles=tuple(s.end for s in again[:SHOWN]),
            opportunities=len(releases),
            count=len(again),
            measured=f"RES falls again {len(again)} times, {min(lengths):,} to {max(lengths):,} "
            "cycles after its release",
            expected="one release",
            text=f"RES comes again and again: {len(again)} times in {span_text}. A watchdog that "
            "nobody feeds, a reset generator that sees a sagging rail, or a shorted button.",
        )
    elif falls:
        yield _scattered(falls, spans)
    elif again:
        last = spans[-1]
        stays_low = last.level == 0 and last.length >= SUSTAINED_CYCLES
        yield Finding(
            rule="reset-held" if stays_low else "reset-again",
            severity="fault" if stays_low else "note",
            lines=("RES",),
            cycles=tuple(s.end for s in again),
            opportunities=len(releases),
            count=len(again),
            measured=f"RES falls again at cycle {again[0].end:,}"
            + (" and stays low to the end" if stays_low else ""),
            expected="one release",
            text="RES falls again after the CPU had started"
            + (" and stays low." if stays_low else "; only the last start is judged."),
        )
    chatter = [s for s in spans if s.level == 1 and s.length < SUSTAINED_CYCLES and s.end < n]
    if chatter:
        yield Finding(
            rule="reset-chatter",
            severity="note",
            lines=("RES",),
            cycles=tuple(s.first for s in chatter[:SHOWN]),
            opportunities=len(spans),
            count=len(chatter),
            measured=f"{len(chatter)} short rises of RES before it stays high",
            expected="one clean rise; a slow edge chatters",
            text="RES chatters on its way up; the last sustained release counts.",
        )
    first_low = lows[0] if lows else None
    if (
        first_low is not None
        and first_low.first > 0
        and first_low.length < SHORTEST_RESET_CYCLES
        and len(lows) == 1
    ):
        yield Finding(
            rule="reset-short",
            severity="oddity",
            lines=("RES",),
            cycles=(first_low.first,),
            opportunities=1,
            count=1,
            measured=f"RES is low for {first_low.length} cycle",
            expected=f"at least {SHORTEST_RESET_CYCLES} cycles (makers' sheets)",
            text="The reset pulse is shorter than the CPU needs.",
        )


def _starts_again(reading: Reading) -> bool:
    """Whether the CPU reads its reset vector again and again, as no program does."""
    cycles = reading.cycles
    captured = reading.hookup.address_mask & reading.board.address_mask
    if captured.bit_count() < FEWEST_LINES:
        return False
    there = (cycles.address & np.uint32(captured)) == np.uint32(0xFFFC & captured)
    there &= (cycles.address_known & np.uint32(captured)) == np.uint32(captured)
    return int(there.sum()) >= REPEATS


def _scattered(falls: list[int], spans: list[ResetSpan]) -> Finding:
    return Finding(
        rule="reset-scattered",
        severity="fault",
        lines=("RES",),
        cycles=tuple(falls[:SHOWN]),
        opportunities=len(spans),
        count=len(falls),
        measured=f"RES falls {len(falls):,} times, from cycle {falls[0]:,} to {falls[-1]:,}",
        expected="one rise, which may chatter for some cycles",
        text=f"RES goes low again and again, {len(falls):,} times: the CPU starts anew each "
        "time. Something pulls it, or a joint comes and goes.",
    )


def _scattered_falls(spans: list[ResetSpan], n: int) -> list[int]:
    """Cycles in which RES falls, where it does all over the capture and for more than stray
    samples; none elsewhere.
    """
    falls = [span.end for span in spans if span.level == 1 and span.end < n]
    low = sum(span.length for span in spans if span.level == 0)
    if len(falls) < SCATTERED or falls[-1] - falls[0] < SCATTERED_OVER:
        return []
    return falls if low > SCATTERED_SHARE * n + len(falls) else []


def _unseen_reset(evidence: Evidence) -> Iterator[Finding]:
    """The CPU comes out of reset on the bus, while the line has been high for long.

    Three reads down the stack, then the vector, then a fetch from where it points are seen in no
    other sequence; the vector is read in the eighth cycle with RES high (recorded chip traces).
    """
    cycles = evidence.reading.cycles
    pins = evidence.reading.board.address_mask
    captured = int(np.bitwise_and.reduce(cycles.address_known, initial=pins)) & pins
    if captured.bit_count() < FEWEST_LINES:
        return
    address = (cycles.address & np.uint32(captured)).astype(np.int64)
    low, high = 0xFFFC & captured, 0xFFFD & captured
    at = np.flatnonzero((address[:-2] == low) & (address[1:-1] == high))
    for vector in at[at >= BEFORE_VECTOR].tolist():
        window = slice(vector - 3, vector + 2)
        if not (cycles.pin("RW")[window] == 1).all():
            continue
        leads_to = int(cycles.data[vector]) | int(cycles.data[vector + 1]) << 8
        whole = (cycles.data_known[vector : vector + 2] == 0xFF).all()
        lines_told = captured if whole else 0
        if captured != pins and (not whole or leads_to in (0x0000, 0xFFFF)):
            continue  # with lines missing, only a vector that is one tells it from what runs wild
        goes_there = (int(address[vector + 2]) ^ leads_to) & lines_told == 0
        if _down_the_stack(address[vector - 3 : vector], captured) and goes_there:
            yield Finding(
                rule="clip-off",
                severity="oddity",
                lines=("RES",),
                cycles=(vector,),
                opportunities=vector,
                count=vector,
                measured=f"RES is high in all {vector:,} cycles before the CPU reads its reset "
                "vector",
                expected="low until the eighth cycle before that",
                text="RES never reads low although the CPU comes out of reset in the capture: its "
                "clip is off, not the line.",
            )
            return


def _down_the_stack(address: npt.NDArray[np.int64], captured: int) -> bool:
    """Whether three addresses may be three reads down the stack, as far as their lines tell."""
    top = np.arange(0x100)[:, None]
    ways = (0x100 | (top - np.arange(3)) & 0xFF) & captured
    return bool((ways == address).all(axis=1).any())


def reset_before_clock(evidence: Evidence) -> Iterator[Finding]:
    """RES was released before the clock ran."""
    reading = evidence.reading
    tap, clock = reading.hookup.tap("RES"), reading.cycles.clock
    spans = reset_spans(reading)
    if tap is None or clock.starts_ps is None or clock.period_ps is None or not spans:
        return
    if any(span.level == 0 for span in spans):
        return
    capture = reading.capture
    levels = capture.levels(tap.line)
    high = 0 if tap.inverted else 1
    rises = np.flatnonzero((levels[1:] == high) & (levels[:-1] == 1 - high)) + 1
    early = [int(capture.time_ps[i]) for i in rises if capture.time_ps[i] < clock.starts_ps]
    if early:
        yield Finding(
            rule="reset-early",
            severity="oddity",
            lines=("RES",),
            opportunities=1,
            count=1,
            measured=f"RES rises {format_time(clock.starts_ps - early[-1])} before the first edge "
            "of the clock",
            expected="RES low for at least two cycles of a running clock (makers' sheets)",
            text="RES is released before the clock runs: the CPU may start anywhere.",
        )


def own_cycles(evidence: Evidence, release: int) -> list[int]:
    """The first cycles from a release on in which the bus is the CPU's: those of the start."""
    owner = evidence.reading.cycles.owner[release : evidence.n]
    own = np.flatnonzero(owner == OWNER_CPU)[: LONGEST_START_CYCLES + 3] + release
    return [int(cycle) for cycle in own]


def vector_read(evidence: Evidence, release: int) -> tuple[int, int, int | None] | None:
    """Cycles of $FFFC and $FFFD after a release, and the CPU's next one where it is in view."""
    own, address = own_cycles(evidence, release), evidence.replay.address
    for place, (low, high) in enumerate(itertools.pairwise(own[: LONGEST_START_CYCLES + 2])):
        if address[low] == 0xFFFC and address[high] == 0xFFFD:
            return low, high, own[place + 2] if place + 2 < len(own) else None
    return None


def vector_fetch(evidence: Evidence) -> Iterator[Finding]:
    """After release $FFFC and $FFFD are read, give the image's bytes, and the CPU goes there."""
    reading, replay = evidence.reading, evidence.replay
    release = last_release(reading)
    if release is None or (replay.address < 0).all():
        return
    own = own_cycles(evidence, release)
    window = own[: LONGEST_START_CYCLES + 1]
    address = replay.address
    read = vector_read(evidence, release)
    if read is None:
        if (address[list(window)] < 0).any() or len(window) < LONGEST_START_CYCLES:
            return
        if (reading.cycles.pin("RDY")[list(window)] == 0).any():
            return
        seen = ", ".join(f"${int(address[i]):04X}" for i in window)
        yield Finding(
            rule="vector-absent",
            severity="fault",
            lines=(),
            cycles=tuple(window),
            opportunities=1,
            count=1,
            measured=f"addresses after release: {seen}",
            expected="$FFFC, then $FFFD, 6 to 8 cycles after RES rises (makers' sheets)",
            text="The reset vector is never fetched, although RES is released and the clock runs.",
        )
        return
    at, after, then = read
    data, known = replay.data, replay.data_known
    if known[at] != 0xFF or known[after] != 0xFF:
        return
    vector = int(data[at]) | int(data[after]) << 8
    went = int(address[then]) if then is not None else -1
    # A 28-pin CPU has no pins for some lines of where it goes.
    clip, pins = reading.cycles, reading.board.address_mask
    clipped = then is not None and clip.address_known[then] & pins == pins
    if then is not None and clipped:
        # What the clip saw decides here; the program would only repeat the vector.
        went = int(clip.address[then])
    missed = (went ^ vector) & pins if went >= 0 else 0
    if then is not None and missed:
        line, rests = _one_data_line(evidence, missed)
        if line is not None:
            does = "never moves" if rests else "shows the other level"
            yield Finding(
                rule="clip-off",
                severity="oddity",
                lines=(line,),
                cycles=(at, after, then),
                opportunities=1,
                count=1,
                measured=f"{line} {does}, and the CPU goes from the vector ${vector:04X} to "
                f"${went:04X}",
                expected=f"${vector:04X}",
                text=f"{line} {does}, for where the vector reads ${vector:04X} the CPU goes to "
                f"${went:04X}: the clip of {line} is off, and what is read of the program is not "
                "what the CPU reads.",
            )
            return
    expected, sure = replay.healthy.expected, replay.healthy.expected_known
    misread = partial(
        Finding,
        severity="fault",
        chips=_chips(evidence, at),
        cycles=(at, after),
        opportunities=2,
        count=2,
        measured=f"${vector:04X}",
    )
    if sure[at] == 0xFF and sure[after] == 0xFF:
        wanted = int(expected[at]) | int(expected[after]) << 8
        if vector != wanted:
            undriven = vector in (0xFFFF, 0x0000) or (
                at > 0 and data[at] == data[after] == data[at - 1]
            )
            yield misread(
                rule="vector-undriven" if undriven else "vector-content",
                expected=f"${wanted:04X} (image)",
                text=f"The reset vector reads ${vector:04X}, the image says ${wanted:04X}"
                + _undriven_reason(vector, undriven),
            )
    elif vector in (0xFFFF, 0x0000) or (
        at > 0 and known[at - 1] == 0xFF and data[at] == data[after] == data[at - 1]
    ):
        # Even without an image: no program starts at $FFFF or $0000, and two equal bytes that
        # repeat the one before them come by chance once in 65,536.
        yield misread(
            rule="vector-undriven",
            expected="an address inside the ROM",
            text=f"The reset vector reads ${vector:04X}: as a bus that nobody drives"
            + (", or an empty EPROM." if vector == 0xFFFF else "."),
        )
    elif _nowhere(evidence, vector):
        yield misread(
            rule="vector-nowhere",
            expected="an address inside the ROM",
            text=f"The reset vector reads ${vector:04X}, where the board has no ROM: no program is "
            "there at power-on.",
        )
    if then is not None and clipped:
        stuck = evidence.address_off[then]
        if missed and stuck == missed and _steady(evidence, int(stuck)):
            return
    if then is not None and missed:
        yield Finding(
            rule="vector-not-taken",
            severity="fault",
            cycles=(at, after, then),
            opportunities=1,
            count=1,
            measured=f"the next fetch is at ${went:04X}",
            expected=f"${vector:04X}",
            text=f"The vector reads ${vector:04X}, but the CPU goes to ${went:04X}: it saw "
            "another byte than the clip, or it is an address line.",
        )


def _one_data_line(evidence: Evidence, differ: int) -> tuple[str | None, bool]:
    """The data line that makes all the difference between two addresses, and whether it never
    moves; None where it is not one line, or one that moves and makes it in one byte alone, which
    an address line does as well.
    """
    bits = (differ | differ >> 8) & 0xFF
    level = evidence.replay.data & np.uint8(bits)
    known = evidence.replay.data_known & np.uint8(bits) != 0
    rests = known.sum() >= LONG_ENOUGH and len(np.unique(level[known])) == 1
    if bits & (bits - 1) or not (rests or differ == bits * 0x101):
        return None, False
    return DATA_PINS[bits.bit_length() - 1], rests


def _nowhere(evidence: Evidence, vector: int) -> bool:
    """Whether nothing answers at an address, in any bank, that may hold a program at power-on."""
    board = evidence.reading.board
    programs = programs_at_power_on(board)
    answers = [int(each.responds[READ, vector]) & programs for each in board.maps]
    return board.complete and not any(answers)


def _undriven_reason(vector: int, undriven: bool) -> str:
    if not undriven:
        return "."
    if vector == 0x0000:
        return ": every line low, as with a chip that holds the bus down."
    return ": nobody seems to drive the bus."


def _steady(evidence: Evidence, bits: int) -> bool:
    """Whether address bits differ from what the CPU meant again and again: a line, not the CPU."""
    return int(np.count_nonzero(evidence.address_off & np.uint16(bits))) >= 4


def _chips(evidence: Evidence, cycle: int) -> tuple[str, ...]:
    drivers = int(evidence.replay.healthy.drivers[cycle])
    return tuple(ref for bit, ref in enumerate(evidence.replay.chips) if drivers >> bit & 1)


RULES = (reset_line, reset_before_clock, vector_fetch)
