"""The loops over a capture's rows: clock edges, moves around the fall, levels at the fall.

Each kernel is called from one wrapper of this room. Times are int64 picoseconds, states uint64 bit
fields, rows int64 indices.
"""

from __future__ import annotations

import numpy as np

from bustrace.capture.compiled import compiled

_1 = np.uint64(1)
_0 = np.uint64(0)
_16 = np.uint64(16)
_24 = np.uint64(24)
_BYTE = np.uint64(0xFF)
_ADDRESS = np.uint64(0xFFFF)
_RES = np.uint64(1 << 26)

PLANES = 40
"""Bits of a count in `count_moves`."""


@compiled
def mark_edges(time, state, known, clock_bit, flip, gaps, row, level, first):  # type: ignore[no-untyped-def]
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
    row : int64 (m,), level, first : uint8 (m,)
        Filled with the row, the level after the edge, and 1 where the half before was not seen
        whole. With m = 0 edges are only counted.

    Returns
    -------
    int64
        Number of edges.
    """
    fill = len(row) > 0
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
                if fill:
                    row[count] = i
                    level[count] = np.uint8(now)
                    first[count] = fresh
                count += 1
                fresh = np.uint8(0)
            before = now
    return count


@compiled
def drop_short_pulses(time, row, level, first, least_high, least_low):  # type: ignore[no-untyped-def]
    """Remove both edges of every pulse that is too short, in place.

    Parameters
    ----------
    time : int64 (m,), row : int64 (m,), level, first : uint8 (m,)
        Edges; the kept ones are moved to the front.
    least_high, least_low : int64
        Shortest pulse that is kept, in ps.

    Returns
    -------
    kept, dropped : int64
        Edges kept, pulses dropped.
    """
    kept = 0
    dropped = 0
    alone = False  # the last kept edge of this stretch was dropped: the next one is its first
    for i in range(len(time)):
        if first[i] == 1:
            alone = True
        elif kept > 0 and not alone:
            least = least_high if level[kept - 1] == 1 else least_low
            if time[i] - time[kept - 1] < least:
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
    return kept, dropped


@compiled
def count_moves(time, state, known, rise, fall, half_sample, width, before, planes):  # type: ignore[no-untyped-def]
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
    width : float64
        Width of a bin in ps.
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
        place = np.int64(np.floor((t - fall[cycle] + half_sample) / width)) + before
        if place < 0 or place >= n_bins:
            continue
        plane = 0
        while carry != _0 and plane < PLANES:
            old = planes[place, plane]
            planes[place, plane] = old ^ carry
            carry &= old
            plane += 1


@compiled
def take_levels(  # type: ignore[no-untyped-def]
    time,
    state,
    known,
    edge_time,
    edge_row,
    edge_level,
    edge_first,
    shifts,
    bus_table,
    select_table,
    flips,
    back,
    window,
    pulse,
    watched,
    mendable,
    limits,
    captured,
    out_time,
    out_rise,
    out_address,
    out_data,
    out_control,
    out_known,
    out_other_address,
    out_other_data,
    out_other_known,
    out_selects,
    out_selects_known,
    out_flags,
):
    """Levels at the sampling point of every whole cycle.

    Parameters
    ----------
    time : int64 (n,), state : uint64 (n,)
    known : uint64 (n,), or (0,) when all bits are known
    edge_time, edge_row : int64 (m,), edge_level, edge_first : uint8 (m,)
        Clock edges, rises and falls in turn within a stretch.
    shifts : uint64 (k,)
        Bit offsets of the bytes of `state` that hold captured pins.
    bus_table, select_table : uint64 (k, 256)
        What each value of such a byte adds to the bus word, to the selects.
    flips : uint64 (2,)
        Bits of the bus word and of the selects that are captured inverted.
    back : int64
        The sample is the row that holds this long before the fall.
    window : int64
        A watched line that changed this long before the sampling point is unsettled.
    pulse : int64
        A level that lasted no longer is a disturbance; 0 to believe all.
    watched, mendable : uint64
        Lines that make a cycle unsettled; lines of which such disturbances are undone.
    limits : int64 (2,)
        Duration below which a cycle is short, and from which it is stretched; 0 for none.
    captured : uint64
        Bits of the bus word that were captured: address (bits 0 to 15), data (16 to 23), control
        (24 to 37).
    out_* : (c,)
        Filled; columns of `Cycles`, and bus words for `out_known` and `out_other_known`. The
        known-masks have no rows when all is known, the selects none when none was captured.

    Returns
    -------
    cycles, mended : int64
    """
    partial = len(known) > 0
    n_bytes = len(shifts)
    short, long = limits[0], limits[1]
    bus_flip, select_flip = flips[0], flips[1]
    cycle = 0
    mended = 0
    for e in range(1, len(edge_time)):
        if edge_level[e] != 0 or edge_first[e] == 1:
            continue
        fall = edge_time[e]
        rise = edge_time[e - 1]
        rise_row = edge_row[e - 1]
        limit = fall - back
        r = edge_row[e] - 1
        while r > rise_row and time[r] > limit:
            r -= 1

        word = state[r]
        moved = _0
        q = r
        while q > rise_row and time[q] > limit - window:
            change = state[q] ^ state[q - 1]
            if partial:
                change &= known[q] & known[q - 1]
            moved |= change
            q -= 1
        moved &= watched
        brief = r > rise_row and time[r + 1] - time[r] <= pulse
        if brief and moved & mendable != _0:
            undo = moved & mendable & (state[r] ^ state[r - 1]) & (state[r + 1] ^ state[r])
            if undo != _0:
                word ^= undo
                mended += 1

        bus = _0
        other = _0
        other_word = state[rise_row - 1]
        for k in range(n_bytes):
            bus |= bus_table[k, (word >> shifts[k]) & _BYTE]
            other |= bus_table[k, (other_word >> shifts[k]) & _BYTE]
        bus ^= bus_flip
        other ^= bus_flip
        bus_known = captured
        if partial:
            bus_known = _0
            other_known = _0
            for k in range(n_bytes):
                bus_known |= bus_table[k, (known[r] >> shifts[k]) & _BYTE]
                other_known |= bus_table[k, (known[rise_row - 1] >> shifts[k]) & _BYTE]
            bus &= bus_known
            other &= other_known
            out_known[cycle] = bus_known
            out_other_known[cycle] = other_known

        if len(out_selects) > 0:
            middle = rise + (fall - rise) // 2
            selected = _0
            unsure = _0
            q = edge_row[e] - 1
            while True:
                here = _0
                for k in range(n_bytes):
                    here |= select_table[k, (state[q] >> shifts[k]) & _BYTE]
                here ^= select_flip
                if partial:
                    sure = _0
                    for k in range(n_bytes):
                        sure |= select_table[k, (known[q] >> shifts[k]) & _BYTE]
                    here &= sure
                    unsure |= ~sure
                selected |= here
                if q <= rise_row or time[q] <= middle:
                    break
                q -= 1
            out_selects[cycle] = selected
            if partial:
                out_selects_known[cycle] = selected | ~unsure

        flag = np.uint8(0)
        if moved != _0:
            flag |= np.uint8(1)
        if edge_first[e - 1] == 0 and e >= 2:
            lasted = fall - edge_time[e - 2]
            if long > 0 and lasted >= long:
                flag |= np.uint8(2)
            elif lasted < short:
                flag |= np.uint8(4)
        if bus_known & _RES != _0 and bus & _RES == _0:
            flag |= np.uint8(8)
        out_time[cycle] = fall
        out_rise[cycle] = rise
        out_address[cycle] = np.uint32(bus & _ADDRESS)
        out_data[cycle] = np.uint8((bus >> _16) & _BYTE)
        out_control[cycle] = np.uint16(bus >> _24)
        out_other_address[cycle] = np.uint32(other & _ADDRESS)
        out_other_data[cycle] = np.uint8((other >> _16) & _BYTE)
        out_flags[cycle] = flag
        cycle += 1
    return cycle, mended
