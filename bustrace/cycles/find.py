"""From capture to bus cycles."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from bustrace.board.model import Board
from bustrace.capture.model import Capture, Note
from bustrace.cycles import clocking
from bustrace.cycles.edges import NO_MASK, Edges, find_edges, median
from bustrace.cycles.model import (
    CONTROL_BIT,
    IN_RESET,
    SHORT,
    STRETCHED,
    Clock,
    Cycles,
)
from bustrace.cycles.owners import owners
from bustrace.cycles.pins import PinTable, pin_table
from bustrace.cycles.rates import rate_doubts, too_coarse
from bustrace.cycles.sampling import Moves, choose_bins_back, count_moves, quiet_lines
from bustrace.cycles.state_rows import wrong_edge
from bustrace.cycles.unclocked import beat_notes, bins_before, find_beat
from bustrace.hookup.model import Hookup, Tap
from bustrace.hookup.names import meaning_of
from bustrace.units import PS_PER_SECOND, format_time

_REST_PERIODS = 8
_BLOCK = 1 << 18
"""Cycles taken at a time."""


def find_cycles(capture: Capture, hookup: Hookup, board: Board | None = None) -> Cycles:
    """Find the bus cycles of a capture.

    In timing mode a cycle ends at each fall of phase 2 whose rise was seen too; levels are taken
    where the capture itself shows the bus to be quiet. Without a clock line in the hookup, cycles
    are counted out by the moves of the bus. In state mode each row is a cycle.

    Parameters
    ----------
    capture : Capture
    hookup : Hookup
    board : Board or None
        Its clock and ROM images help to tell a wrong clock.

    Returns
    -------
    Cycles
        Without rows and with a reason where nothing can be found; never an exception.
    """
    pins = pin_table(hookup)
    if capture.mode == "state":
        return _from_rows(capture, pins, board)
    tap = _clock_tap(capture, hookup)
    if tap is None:
        return _from_beat(capture, pins, board)
    return _from_clock(capture, pins, tap, board)


def _from_clock(capture: Capture, pins: PinTable, tap: Tap, board: Board | None) -> Cycles:
    sample_ps = _sample_interval(capture)
    expected_hz = board.clock_hz if board is not None else None
    flip = (tap.pin == "PHI1") != tap.inverted
    notes: list[Note] = []
    edges = find_edges(capture, tap.index, flip, sample_ps)
    if len(edges.falls) == 0:
        clock = _describe(capture, edges, tap, flip, 1)
        return _no_cycles(pins, clock, _no_clock_reason(tap, edges, clock))
    division = clocking.Division(1, 0)
    if _is_vague(tap):
        division = clocking.find_division(capture, edges, pins.early_lines, expected_hz)
    fast = edges
    if division.by > 1:
        edges = clocking.divide(edges, division)
        notes.append(
            Note(
                "guess",
                f"{tap.line} is a clock faster than the CPU's: address lines change after every "
                f"{division.by}th fall only, so {division.by} periods were taken for one cycle.",
                f"--line {tap.line}=-",
            )
        )
    period = median(edges.periods()) or sum(edges.usual_width(level) or 0 for level in (0, 1))
    coarse = too_coarse(period, sample_ps)
    if coarse is not None:
        return _no_cycles(pins, _describe(capture, edges, tap, flip, division.by), coarse)
    moves = count_moves(capture, edges, sample_ps)
    if division.by == 1:
        inverted = clocking.is_inverted(moves, pins.early_lines)
        if inverted and tap.why != "given":
            flip = not flip
            edges = fast = find_edges(capture, tap.index, flip, sample_ps)
            moves = count_moves(capture, edges, sample_ps)
        notes += _polarity_notes(tap, flip, inverted)
    back = choose_bins_back(moves, pins.data_lines, pins.early_lines)
    cycles, mended = _take(capture, edges, pins, moves, back, sample_ps, period)
    offset = -round(back * moves.width_ps)
    if back > 1:
        notes.append(
            Note(
                "fact",
                f"Levels were taken {format_time(-offset)} before the clock's fall: lines already "
                "change in the samples after that.",
            )
        )
    if mended:
        notes.append(
            Note(
                "doubt",
                f"In {mended} cycles a line jumped for the one sample before the clock's fall and "
                "back: taken for a disturbance, the level before it was kept.",
            )
        )
    if fast.dropped:
        notes.append(
            Note(
                "doubt",
                f"{fast.dropped} pulses on {tap.line} were too short for a clock and left out: "
                "check the clip and its ground.",
            )
        )
    notes += rate_doubts(period, sample_ps, expected_hz)
    if division.by > 1:
        cycles = _without_rises(cycles)
    return replace(
        cycles,
        clock=_describe(capture, edges, tap, flip, division.by, fast),
        sampling=moves.sampling(offset),
        notes=tuple(notes),
    )


def _from_beat(capture: Capture, pins: PinTable, board: Board | None) -> Cycles:
    """Without a clock line: cycles counted out by what the bus does."""
    sample_ps = _sample_interval(capture)
    beat = find_beat(capture, pins, sample_ps, board.clock_hz if board is not None else None)
    if isinstance(beat, str):
        return _no_cycles(pins, Clock(None, "none"), beat)
    moves = count_moves(capture, beat.edges, sample_ps)
    back = bins_before(capture, beat, pins, moves)
    cycles, _ = _take(capture, beat.edges, pins, moves, back, sample_ps, beat.period_ps)
    clock = Clock(
        None,
        "estimated",
        period_ps=beat.period_ps,
        seen_share=beat.seen,
        longest_unseen=beat.silence,
    )
    return replace(
        _without_rises(cycles),
        # Durations are this estimate's, not the clock's.
        flags=cycles.flags & np.uint8(~(STRETCHED | SHORT) & 0xFF),
        clock=clock,
        notes=beat_notes(beat, len(cycles), round(back * moves.width_ps)),
    )


def _polarity_notes(tap: Tap, flip: bool, inverted: bool | None) -> list[Note]:
    """What is said about the edge that ends a cycle."""
    if inverted and tap.why == "given":
        text = f"Address lines change while {tap.line} is high: it may be the other phase."
        return [Note("doubt", text, f"--line {tap.line}={'PHI2' if flip else 'PHI1'}")]
    if inverted:
        text = (
            f"{tap.line} was taken for {'phase 1' if flip else 'phase 2'}: address lines change "
            f"after it {'rises' if flip else 'falls'}."
        )
        option = f"--line {tap.line}={'PHI2' if flip else 'PHI1'}"
        return [Note("guess" if _is_vague(tap) else "doubt", text, option)]
    if inverted is None and _is_vague(tap):
        text = f"Nothing shows which edge of {tap.line} ends a cycle; the fall was taken."
        return [Note("doubt", text, f"--line {tap.line}=PHI1")]
    return []


def _take(
    capture: Capture,
    edges: Edges,
    pins: PinTable,
    moves: Moves,
    back: int,
    sample_ps: int,
    period: int,
) -> tuple[Cycles, int]:
    """Columns of the cycles, and how many had a disturbance undone."""
    from bustrace.cycles import _kernels

    falls = edges.falls
    n = len(falls)
    known = capture.known
    columns = _empty_columns(n)
    # A duration is short or stretched only by more than a sample.
    slack = sample_ps * 3 // 2
    timing = np.array(
        [
            round(back * moves.width_ps) - moves.half_sample_ps,
            round(moves.width_ps),
            slack if capture.rate is not None else 0,
            min(period * 3 // 4, period - slack),
            max(period * 3 // 2, period + slack),
        ],
        dtype=np.int64,
    )
    mendable = pins.word_lines & quiet_lines(moves, back)
    lines = np.array(
        [pins.bus_lines, mendable, pins.select_lines, pins.low_select_lines], dtype=np.uint64
    )
    mended = 0
    for start in range(0, n, _BLOCK):
        block = slice(start, min(start + _BLOCK, n))
        words = np.empty((4, block.stop - start), dtype=np.uint64)
        mended += int(
            _kernels.take_words(
                capture.time_ps,
                capture.state,
                known if known is not None else NO_MASK,
                edges.time_ps,
                edges.row,
                edges.first,
                falls[block],
                timing,
                lines,
                columns["time_ps"][block],
                columns["rise_ps"][block],
                words,
                columns["flags"][block],
            )
        )
        _fill(columns, block, pins, words, known is None)
    return _assemble(columns, pins), mended


def _from_rows(capture: Capture, pins: PinTable, board: Board | None) -> Cycles:
    """State mode: every row is a cycle."""
    clock = Clock(None, "state rows", period_ps=_row_period(capture))
    n = len(capture)
    if not n:
        return _no_cycles(pins, clock, "the capture has no rows")
    columns = _empty_columns(n)
    columns["time_ps"] = capture.time_ps.copy()
    columns["rise_ps"] -= 1
    known = capture.known if capture.known is not None else capture.all_known
    asserted = (capture.state ^ np.uint64(pins.low_select_lines)) & known
    nothing = np.zeros(n, dtype=np.uint64)
    _fill(columns, slice(0, n), pins, np.stack([asserted, nothing, known, nothing]), False)
    cycles = _assemble(columns, pins)
    evidence = wrong_edge(cycles, board)
    if evidence is not None:
        return _no_cycles(
            pins,
            clock,
            f"the analyser was clocked on the wrong edge: {evidence}. Clock it on the fall of "
            "phase 2 and capture again",
        )
    return replace(cycles, clock=clock)


def _fill(
    columns: dict[str, Any],
    block: slice,
    pins: PinTable,
    words: npt.NDArray[np.uint64],
    all_known: bool,
) -> None:
    """Columns of a block of cycles from its states (see `_kernels.take_words`)."""
    levels = pins.columns(words[0], levels=True)
    other = pins.columns(words[1], levels=True)
    if all_known:
        words = np.full((4, 1), (1 << 64) - 1, dtype=np.uint64)
    known = pins.columns(words[2], levels=False)
    other_known = pins.columns(words[3], levels=False)
    for prefix, values, masks in (("", levels, known), ("other_", other, other_known)):
        for name in ("address", "data"):
            mask = getattr(masks, name)
            np.bitwise_and(getattr(values, name), mask, out=columns[f"{prefix}{name}"][block])
            columns[f"{prefix}{name}_known"][block] = mask
    np.bitwise_and(levels.control, known.control, out=columns["control"][block])
    columns["control_known"][block] = known.control
    np.bitwise_and(levels.selects, known.selects, out=columns["selects"][block])
    columns["selects_known"][block] = known.selects


def _assemble(columns: dict[str, Any], pins: PinTable) -> Cycles:
    """Cycles with owners and reset flags; the clock is still to be set."""
    control, known = columns["control"], columns["control_known"]
    reset_low = (known & ~control) >> np.uint16(CONTROL_BIT["RES"]) & np.uint16(1)
    columns["flags"] |= (reset_low * np.uint16(IN_RESET)).astype(np.uint8)
    columns["owner"] = owners(columns["address"], columns["address_known"], control, known)
    columns |= {"select_names": pins.select_names, "clock": Clock(None, "none")}
    return Cycles(**columns)


def _clock_tap(capture: Capture, hookup: Hookup) -> Tap | None:
    """The clock to follow: phase 2 before phase 0 before phase 1, one that moves before one that
    does not."""
    taps = [tap for pin in ("PHI2", "PHI0", "PHI1") if (tap := hookup.tap(pin))]
    for tap in taps:
        if len(taps) == 1:
            return tap
        level = capture.state & np.uint64(1 << tap.index)
        if np.count_nonzero(level[1:] != level[:-1]) >= 4:
            return tap
    return taps[0] if taps else None


def _is_vague(tap: Tap) -> bool:
    """Whether the name says no more than 'clock'."""
    meaning = meaning_of(tap.line)
    return tap.why == "name" and meaning is not None and meaning.certainty == "vague"


def _sample_interval(capture: Capture) -> int:
    """Sample interval in ps: from the rate, else the shortest step between rows; 0 for none."""
    if capture.rate is not None:
        return round(PS_PER_SECOND / capture.rate)
    if len(capture) < 2:
        return 0
    return int(np.diff(capture.time_ps).min())


def _describe(
    capture: Capture, edges: Edges, tap: Tap, flip: bool, by: int, fast: Edges | None = None
) -> Clock:
    periods = edges.periods()
    period = median(periods)
    raw = fast if fast is not None else edges
    clock = Clock(
        tap.line,
        _role(tap, flip),
        period_ps=period,
        high_ps=edges.usual_width(1) if by == 1 else None,
        low_ps=edges.usual_width(0) if by == 1 else None,
        min_period_ps=int(periods.min()) if len(periods) else None,
        max_period_ps=int(periods.max()) if len(periods) else None,
        rejected=raw.dropped,
        starts_ps=int(raw.time_ps[0]) if len(raw) else None,
        divided_by=by,
    )
    level = _last_level(capture, tap, flip)
    if period is None:
        return replace(clock, rests_at=level)
    last = int(raw.time_ps[-1])
    unseen = sum(int(end) - max(int(start), last) for start, end in capture.gaps if end > last)
    if capture.end_ps - last - unseen > _REST_PERIODS * period:
        return replace(clock, stops_ps=last, rests_at=level)
    return clock


def _role(tap: Tap, flip: bool) -> Literal["phase 2", "phase 1, inverted", "phase 0"]:
    """What the line was taken for; a line given as inverted is seen the right way up."""
    if flip != tap.inverted:
        return "phase 1, inverted"
    return "phase 0" if tap.pin == "PHI0" else "phase 2"


def _last_level(capture: Capture, tap: Tap, flip: bool) -> int | None:
    """Level of phase 2 at the end of the capture, None where unknown."""
    for row in range(len(capture) - 1, -1, -1):
        known = capture.known
        if known is None or int(known[row]) >> tap.index & 1:
            return (int(capture.state[row]) >> tap.index & 1) ^ int(flip)
    return None


def _no_clock_reason(tap: Tap, edges: Edges, clock: Clock) -> str:
    if len(edges):
        return f"the clock {tap.line} moves {len(edges)} times only: not one whole cycle"
    if clock.rests_at is None:
        return f"the level of the clock {tap.line} is unknown throughout"
    return f"the clock {tap.line} never moves"


def _row_period(capture: Capture) -> int | None:
    """Median distance of state rows; None where rows have no times of their own."""
    steps = np.diff(capture.time_ps)
    if not len(steps) or (capture.rate is None and (steps == 10**6).all()):
        return None
    return median(steps)


_COLUMNS = {
    "time_ps": np.int64,
    "rise_ps": np.int64,
    "address": np.uint32,
    "address_known": np.uint32,
    "data": np.uint8,
    "data_known": np.uint8,
    "control": np.uint16,
    "control_known": np.uint16,
    "selects": np.uint32,
    "selects_known": np.uint32,
    "owner": np.uint8,
    "other_address": np.uint32,
    "other_address_known": np.uint32,
    "other_data": np.uint8,
    "other_data_known": np.uint8,
    "flags": np.uint8,
}


def _empty_columns(n: int) -> dict[str, Any]:
    return {name: np.zeros(n, dtype=dtype) for name, dtype in _COLUMNS.items()}


def _without_rises(cycles: Cycles) -> Cycles:
    """Cycles of a divided clock: the rise of phase 2 was not observed."""
    n = len(cycles)
    return replace(
        cycles,
        rise_ps=np.full(n, -1, dtype=np.int64),
        other_address=np.zeros(n, dtype=np.uint32),
        other_address_known=np.zeros(n, dtype=np.uint32),
        other_data=np.zeros(n, dtype=np.uint8),
        other_data_known=np.zeros(n, dtype=np.uint8),
    )


def _no_cycles(pins: PinTable, clock: Clock, reason: str) -> Cycles:
    return replace(_assemble(_empty_columns(0), pins), clock=clock, reason=reason)
