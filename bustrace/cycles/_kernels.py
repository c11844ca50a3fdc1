"""The loops over a capture's rows: clock edges, moves around the fall, levels at the fall.

Each kernel is called from one wrapper of this room. Times are int64 picoseconds, states uint64 bit
fields, rows int64 indices.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from bustrace.compiled import compiled

I64 = npt.NDArray[np.int64]
U64 = npt.NDArray[np.uint64]
U32 = npt.NDArray[np.uint32]
U16 = npt.NDArray[np.uint16]
U8 = npt.NDArray[np.uint8]

_1 = np.uint64(1)
_0 = np.uint64(0)
_16 = np.uint64(16)
_24 = np.uint64(24)
_BYTE = np.uint64(0xFF)
_ADDRESS = np.uint64(0xFFFF)
_38 = np.uint64(38)
_CONTROL = np.uint64(0x3FFF)

PLANES = 40
"""Bits of a count in `count_moves`."""


@compiled
def mark_edges(
    time: I64,
    state: U64,
    known: U64,
    clock_bit: np.uint64,
    flip: np.uint64,
    gaps: I64,
    row: I64,
    level: U8,
    first: U8,
) -> int:
    """Rows at which the clock changes.

    Parameters
    ----------
    time : int64 (n,)
    state : uint64 (n,)
    known : uint64 (n,), or (0,) when all bits are known
    clock_bit : uint64
    flip : uint64
        1 to take the opposite level.
    gaps : int64 (k, 2)
    row : int64 (n,), level, first : uint8 (n,)
        Filled from the front with the row, the level after the edge, and 1 where the half before
        was not seen whole.

    Returns
    -------
    int64
        Number of edges.
    """
    partial = len(known) > 0
    n_gaps = gaps.shape[0]
    gap = 0
    before = np.uint64(2)
    fresh = np.uint8(1)
    count = 0
    for i in range(len(time)):
        if gap < n_gaps and time[i] >= gaps[gap, 1]:
            while gap < n_gaps and time[i] >= gaps[gap, 1]:
                gap += 1
            before = np.uint64(2)
            fresh = np.uint8(1)
        if partial and (known[i] >> clock_bit) & _1 == _0:
            continue
        now = ((state[i] >> clock_bit) & _1) ^ flip
        if now != before:
            if before != np.uint64(2):
                row[count] = i
                level[count] = np.uint8(now)
                first[count] = fresh
                count += 1
                fresh = np.uint8(0)
            before = now
    return count


@compiled
def drop_short_pulses(
    time: I64,
    row: I64,
    level: U8,
    first: U8,
    least_high: int,
    least_low: int,
    falls: I64,
) -> tuple[int, int, int]:
    """Remove both edges of every pulse that is too short, in place.

    Where two short pulses follow each other, one sample is wrong, and either may be: the first edge
    stands. Before a fall, address and data are there for longer than they are held after it.

    Parameters
    ----------
    time : int64 (m,), row : int64 (m,), level, first : uint8 (m,)
        Edges; the kept ones are moved to the front.
    least_high, least_low : int64
        Shortest pulse that is kept, in ps.
    falls : int64 (m,)
        Filled from the front with the indices of the kept falls whose rise was seen.

    Returns
    -------
    kept, dropped, cycles : int64
        Edges kept, pulses dropped, falls filled in.
    """
    kept = 0
    dropped = 0
    alone = False  # the last kept edge of this stretch was dropped: the next one is its first
    skipped = False  # this edge went with the one before
    for i in range(len(time)):
        if skipped:
            skipped = False
            continue
        if first[i] == 1:
            alone = True
        elif kept > 0 and not alone:
            least = least_high if level[kept - 1] == 1 else least_low
            if time[i] - time[kept - 1] < least:
                least_after = least_high if level[i] == 1 else least_low
                if i + 1 < len(time) and first[i + 1] == 0 and time[i + 1] - time[i] < least_after:
                    dropped += 1
                    skipped = True
                    continue
                alone = first[kept - 1] == 1
                kept -= 1
                dropped += 1
                continue
        time[kept] = time[i]
        row[kept] = row[i]
        level[kept] = level[i]
        first[kept] = 1 if alone else 0
        alone = False
        kept += 1
    cycles = 0
    for i in range(kept):
        if level[i] == 0 and first[i] == 0:
            falls[cycles] = i
            cycles += 1
    return kept, dropped, cycles


@compiled
def count_moves(
    time: I64,
    state: U64,
    known: U64,
    rise: I64,
    fall: I64,
    half_sample: int,
    per_ps: float,
    before: int,
    planes: U64,
) -> None:
    """Count in which bin around the nearest fall each line changes.

    A row belongs to a fall from the rise before it to the next cycle's rise. Counts are kept as
    bit planes, so that a row costs the same however many lines change.

    Parameters
    ----------
    time : int64 (n,), state : uint64 (n,)
    known : uint64 (n,), or (0,) when all bits are known
    rise, fall : int64 (c,)
        Times of the edges of each cycle.
    half_sample : int64
        Added to a row's time, so that bins are centred on samples.
    per_ps : float64
        Bins per ps.
    before : int64
        Bins before the fall.
    planes : uint64 (b, PLANES)
        Added to: bit l of plane p is bit p of line l's count.
    """
    n_cycles = len(fall)
    n_bins = planes.shape[0]
    partial = len(known) > 0
    cycle = -1
    for i in range(1, len(time)):
        t = time[i]
        while cycle + 1 < n_cycles and t >= rise[cycle + 1]:
            cycle += 1
        if cycle < 0:
            continue
        carry = state[i] ^ state[i - 1]
        if partial:
            carry &= known[i] & known[i - 1]
        if carry == _0:
            continue
        bins = (t - fall[cycle] + half_sample) * per_ps + before
        if bins < 0.0 or bins >= n_bins:
            continue
        place = np.int64(bins)
        # Few carries get past the first planes: these go without a branch.
        for plane in range(4):
            old = planes[place, plane]
            planes[place, plane] = old ^ carry
            carry &= old
        plane = 4
        while carry != _0 and plane < PLANES:
            old = planes[place, plane]
            planes[place, plane] = old ^ carry
            carry &= old
            plane += 1


@compiled
def take_words(
    time: I64,
    state: U64,
    known: U64,
    edge_time: I64,
    edge_row: I64,
    edge_first: U8,
    falls: I64,
    timing: I64,
    lines: U64,
    out_time: I64,
    out_rise: I64,
    out_words: U64,
    out_flags: U8,
) -> int:
    """States at the sampling point of every cycle, in capture bits.

    Parameters
    ----------
    time : int64 (n,), state : uint64 (n,)
    known : uint64 (n,), or (0,) when all bits are known
    edge_time, edge_row : int64 (m,), edge_first : uint8 (m,)
        Clock edges.
    falls : int64 (c,)
        Indices of the edges that end the cycles; each has its rise just before it.
    timing : int64 (5,)
        How long before the fall the sample is taken; how long before the sample a watched line
        makes the cycle unsettled; longest disturbance; durations below which a cycle is short
        and from which it is stretched.
    lines : uint64 (4,)
        Watched lines; lines of which disturbances are undone; selects; selects that are active
        low.
    out_time, out_rise : int64 (c,), out_flags : uint8 (c,)
    out_words : uint64 (4, c)
        The sample, with the selects as 1 where asserted in the second half of phase 2 high; the
        last state of phase 2 low; and the known-masks of both, left alone where all is known.

    Returns
    -------
    int64
        Cycles with a disturbance undone.
    """
    partial = len(known) > 0
    back, window, pulse, short, long = timing[0], timing[1], timing[2], timing[3], timing[4]
    watched, mendable, selects, active_low = lines[0], lines[1], lines[2], lines[3]
    mended = 0
    for c in range(len(falls)):
        e = falls[c]
        fall = edge_time[e]
        rise = edge_time[e - 1]
        rise_row = edge_row[e - 1]
        r = edge_row[e] - 1
        limit = fall - back
        middle = rise + (fall - rise) // 2
        asserted = _0
        unsure = _0
        sample = np.int64(-1)
        moved = _0
        while True:
            here = time[r]
            if here <= limit or r == rise_row:
                if sample < 0:
                    sample = r
                if here > limit - window and r > rise_row:
                    change = state[r] ^ state[r - 1]
                    if partial:
                        change &= known[r] & known[r - 1]
                    moved |= change
            if time[r + 1] > middle:
                selected = state[r] ^ active_low
                if partial:
                    selected &= known[r]
                    unsure |= ~known[r]
                asserted |= selected
            if r == rise_row or (sample >= 0 and here <= middle and here <= limit - window):
                break
            r -= 1
        word = state[sample]
        undo = _0
        if moved & mendable != _0 and time[sample + 1] - time[sample] <= pulse:
            undo = moved & mendable & (state[sample] ^ state[sample - 1])
            undo &= state[sample + 1] ^ state[sample]
            word ^= undo
            if undo != _0:
                mended += 1
        out_words[0, c] = (word & ~selects) | (asserted & selects)
        out_words[1, c] = state[rise_row - 1]
        if partial:
            sure = asserted | ~unsure
            out_words[2, c] = (known[sample] & ~selects) | (sure & selects)
            out_words[3, c] = known[rise_row - 1]
        flag = np.uint8(0)
        if (moved & watched) | undo != _0:
            flag = np.uint8(1)
        if e >= 2 and edge_first[e - 1] == 0:
            lasted = fall - edge_time[e - 2]
            if lasted >= long:
                flag |= np.uint8(2)
            elif lasted < short:
                flag |= np.uint8(4)
        out_time[c] = fall
        out_rise[c] = rise
        out_flags[c] = flag
    return mended


@compiled
def spread_pins(
    words: U64,
    shifts: U64,
    table: U64,
    flips: np.uint64,
    address: U32,
    data: U8,
    control: U16,
    selects: U32,
) -> None:
    """Columns of pins out of states in capture bits.

    Parameters
    ----------
    words : uint64 (c,)
    shifts : uint64 (k,)
        Bit offsets of the bytes of a state that hold captured pins.
    table : uint64 (k, 256)
        What each value of such a byte adds to the pin word: address (bits 0 to 15), data (16 to
        23), control (24 to 37), selects (38 on).
    flips : uint64
        Bits of the pin word to invert.
    address : uint32 (c,), data : uint8 (c,), control : uint16 (c,), selects : uint32 (c,)
        Filled.
    """
    for i in range(len(words)):
        pins = flips
        for k in range(len(shifts)):
            pins ^= table[k, (words[i] >> shifts[k]) & _BYTE]
        address[i] = np.uint32(pins & _ADDRESS)
        data[i] = np.uint8((pins >> _16) & _BYTE)
        control[i] = np.uint16((pins >> _24) & _CONTROL)
        selects[i] = np.uint32(pins >> _38)


@compiled
def follow_moves(
    time: I64, period: float, most_silent: int, end: I64, kind: U8
) -> tuple[int, int, int]:
    """Ends of cycles out of the times at which lines moved that move once a cycle at most.

    Each move is held against the cycle whose end it should mark. One that comes at another time is
    left out, unless four in a row agree with one another: then the clock has jumped. Cycles in
    which nothing moved are put evenly between their neighbours.

    Parameters
    ----------
    time : int64 (m,)
        At least one move, increasing, without a gap of the recording between them.
    period : float64
        Usual cycle, ps.
    most_silent : int64
        Cycles without a move that are still counted; of a longer rest only the last one is.
    end : int64 (c,), kind : uint8 (c,)
        Filled from the front: ends of cycles in ps; 0 nothing moved there, 1 a move was seen,
        2 the first move, which ends a cycle of which nothing else was seen, 3 a move was seen
        after a rest.

    Returns
    -------
    count, fitting, strays : int64
        Ends filled in; moves that fit, and that do not.
    """
    last = np.float64(time[0])
    pace = period
    end[0] = time[0]
    kind[0] = 2
    count = 1
    fitting = 0
    strays = 0
    astray = 0
    stray = 0.0
    for i in range(1, len(time)):
        now = np.float64(time[i])
        steps = np.int64(np.floor((now - last) / pace + 0.5))
        if steps <= 0:
            continue
        miss = now - (last + steps * pace)
        jumped = False
        if steps > most_silent:
            jumped = True
        elif abs(miss) > 0.3 * pace:
            strays += 1
            apart = np.floor((now - stray) / pace + 0.5)
            if astray > 0 and apart <= 0.0:
                continue
            if astray > 0 and abs(now - stray - apart * pace) < 0.15 * pace:
                astray += 1
            else:
                astray = 1
            stray = now
            if astray < 4:
                continue
            jumped = True
        room = len(end) - count - 1
        if steps > most_silent and room > 0:
            last = now
            end[count] = time[i]
            kind[count] = 3
            count += 1
            astray = 0
            continue
        if steps > room:
            break
        target = now if jumped else last + steps * pace + 0.25 * miss
        for step in range(1, steps + 1):
            end[count] = np.int64(np.round(last + (target - last) * step / steps))
            kind[count] = 1 if step == steps else 0
            count += 1
        if not jumped:
            fitting += 1
            pace += 0.02 * miss / steps
            pace = min(max(pace, 0.98 * period), 1.02 * period)
        last = target
        astray = 0
    return count, fitting, strays
