"""The inner loop of the VCD reader.

Indices are unsigned throughout: signed ones add a wrap-around check to each access, and stop eight
byte loads from becoming one.
"""

from __future__ import annotations

import numpy as np

from bustrace.capture.compiled import compiled

# Why the loop stopped.
ALL_CONSUMED = 0
KEYWORD = 1
ROWS_FULL = 2
HALF_A_CHANGE = 3
BAD_WORD = 4
TIME_BACKWARDS = 5
TIME_TOO_LARGE = 6
UNDECLARED = 7
BAD_VECTOR = 8

# Slots of `carry_bits`.
STATE, KNOWN, LAST_STATE, LAST_KNOWN, FULL = range(5)
# Slots of `carry`: the time of the row being gathered (as in the file, and in ps), flags, counts.
RAW_TIME, TIME_PS, HAS_TIME, ROWS, KEEP_ALL, PARTIAL, LONGER, TIMES, PENDING = range(9)


@compiled
def read_changes(  # type: ignore[no-untyped-def]
    text,
    start,
    stop,
    direct,
    hash_keys,
    hash_values,
    low_mask,
    all_mask,
    widths,
    first_target,
    targets,
    scale,
    carry_bits,
    carry,
    time_ps,
    state,
    known,
):
    """Read whole words of a VCD body into rows.

    A row is written when the next time begins, so that all changes of one time share it. In timing
    mode (``carry[KEEP_ALL] == 0``) a row equal to the one before is left out, the first excepted.

    Parameters
    ----------
    text : uint8, shape (m,)
        At least eight bytes more than `stop`; ``text[stop - 1]`` is white space, so that each word
        ends inside.
    start, stop : int
        Bytes to read.
    direct : int32, shape (16384,)
        Signal of an id code of one or two characters, at ``first | second << 7``; -1 is undeclared.
    hash_keys : uint64, shape (power of two,)
        Open addressing for longer id codes, by `vcd_layout.pack_id`; 0 is free.
    hash_values : int32, same shape
        Signal of that key.
    low_mask, all_mask : uint64, shape (signals,)
        Bits of the capture that hold the signal's bit 0, and all its bits.
    widths : int64, shape (signals,)
        Number of bits as declared.
    first_target : int32, shape (signals + 1,)
        Where the signal's rows of `targets` begin.
    targets : int32, shape (k, 3)
        Lowest bit within the signal, number of bits, lowest bit within the capture.
    scale : int64, shape (3,)
        ps = raw * scale[0] // scale[1] + scale[2].
    carry_bits : uint64, shape (5,)
        In and out; FULL has every bit of the capture; see the slots above.
    carry : int64, shape (9,)
        In and out.
    time_ps : int64, shape (n,)
        Rows, out.
    state, known : uint64, shape (n,)
        Rows, out. `known` is written only from the first row with an unknown bit on.

    Returns
    -------
    (int, int)
        Why it stopped, and the first byte not consumed.
    """
    one = np.uint64(1)
    zero = np.uint64(0)
    p = np.uint64(start)
    end = np.uint64(stop)
    capacity = np.uint64(len(time_ps))
    hash_mask = np.uint64(len(hash_keys) - 1)

    bits = carry_bits[STATE]
    seen = carry_bits[KNOWN]
    last_bits = carry_bits[LAST_STATE]
    last_seen = carry_bits[LAST_KNOWN]
    raw = carry[RAW_TIME]
    now_ps = carry[TIME_PS]
    has_time = carry[HAS_TIME] != 0
    rows = np.uint64(carry[ROWS])
    keep_all = carry[KEEP_ALL] != 0
    partial = carry[PARTIAL] != 0
    longer = carry[LONGER]
    times = carry[TIMES]
    pending = carry[PENDING] != 0
    full = carry_bits[FULL]
    largest = (np.int64(0x7FFFFFFFFFFFFFFF) - abs(scale[2])) // scale[0]
    why = ALL_CONSUMED

    while p < end:
        c = text[p]
        if c <= 32:
            if c < 9:
                why = BAD_WORD
                break
            p += one
            continue
        word = p

        if c == 35:  # '#': a time
            p += one
            negative = text[p] == 45
            if negative:
                p += one
            digits = p
            value = zero
            c = text[p]
            while np.uint8(c - 48) < 10:
                value = value * np.uint64(10) + np.uint64(c - 48)
                p += one
                c = text[p]
            if c > 32 or p == digits:
                p = word
                why = BAD_WORD
                break
            if p - digits > np.uint64(19) or value > np.uint64(largest):
                p = word
                why = TIME_TOO_LARGE
                break
            new_raw = np.int64(value)
            if negative:
                new_raw = -new_raw
            if has_time and new_raw < raw:
                p = word
                why = TIME_BACKWARDS
                break
            new_ps = new_raw * scale[0]
            if scale[1] != 1:
                new_ps //= scale[1]
            new_ps += scale[2]
            changed = rows == zero or keep_all or bits != last_bits or seen != last_seen
            if changed and has_time and (keep_all or new_ps > now_ps):
                if rows == capacity:
                    p = word
                    why = ROWS_FULL
                    break
                if not partial and seen != full:
                    partial = True
                    for row in range(rows):
                        known[row] = full
                time_ps[rows] = now_ps
                state[rows] = bits
                if partial:
                    known[rows] = seen
                last_bits = bits
                last_seen = seen
                rows += one
            has_time = True
            pending = False
            raw = new_raw
            now_ps = new_ps
            times += 1
            continue

        if c == 36:  # '$'
            why = KEYWORD
            break

        # A value, then its id code. `ones` and `valid` are the low 64 bits of the value.
        lower = c | np.uint8(32)
        scalar = c == 48 or c == 49 or lower == 120 or lower == 122
        value_at = p
        length = one
        if scalar:
            p += one
        elif lower == 98 or lower == 114 or lower == 115:  # b, r, s
            p += one
            value_at = p
            while text[p] > 32:
                p += one
            length = p - value_at
            while p < end and text[p] <= 32:
                p += one
            if p == end:
                p = word
                why = HALF_A_CHANGE
                break
            if length == zero:
                p = word
                why = BAD_WORD
                break
        else:
            why = BAD_WORD
            break

        id_at = p
        first = text[p]
        second = np.uint8(0)
        if first > 32:
            p += one
            second = text[p]
            if second > 32:
                p += one
        if first <= 32:
            p = word
            why = BAD_WORD
            break
        signal = np.int64(-1)
        if second <= 32:
            if first < 127:
                signal = np.int64(direct[np.uint64(first)])
        elif text[p] <= 32:
            if first < 127 and second < 127:
                signal = np.int64(direct[np.uint64(first) | np.uint64(second) << np.uint64(7)])
        else:
            while text[p] > 32:
                p += one
            key = zero
            if p - id_at <= np.uint64(8):
                q = p
                while q > id_at:
                    q -= one
                    key = key << np.uint64(8) | np.uint64(text[q])
            else:
                key = np.uint64(0xCBF29CE484222325)
                q = id_at
                while q < p:
                    key = (key ^ np.uint64(text[q])) * np.uint64(0x100000001B3)
                    q += one
                key |= one << np.uint64(63)
            slot = (key * np.uint64(0x9E3779B97F4A7C15) >> np.uint64(32)) & hash_mask
            while hash_keys[slot] != zero:
                if hash_keys[slot] == key:
                    signal = np.int64(hash_values[slot])
                    break
                slot = (slot + one) & hash_mask
        if signal < 0:
            p = id_at
            why = UNDECLARED
            break
        s = np.uint64(signal)
        pending = True

        if scalar:
            # Left extension: 0 and 1 extend with 0, x with x.
            if c == 49:
                bits = bits & ~all_mask[s] | low_mask[s]
                seen |= all_mask[s]
            elif c == 48:
                bits &= ~all_mask[s]
                seen |= all_mask[s]
            else:
                bits &= ~all_mask[s]
                seen &= ~all_mask[s]
            continue

        if lower != 98 or all_mask[s] == zero:
            continue  # a real, a string, or a signal left out

        value_end = value_at + length
        ones = zero
        valid = zero
        q = value_at
        good = True
        while q + np.uint64(8) <= value_end:
            load = (
                np.uint64(text[q])
                | np.uint64(text[q + np.uint64(1)]) << np.uint64(8)
                | np.uint64(text[q + np.uint64(2)]) << np.uint64(16)
                | np.uint64(text[q + np.uint64(3)]) << np.uint64(24)
                | np.uint64(text[q + np.uint64(4)]) << np.uint64(32)
                | np.uint64(text[q + np.uint64(5)]) << np.uint64(40)
                | np.uint64(text[q + np.uint64(6)]) << np.uint64(48)
                | np.uint64(text[q + np.uint64(7)]) << np.uint64(56)
            )
            if load & np.uint64(0xFEFEFEFEFEFEFEFE) != np.uint64(0x3030303030303030):
                break
            # The product gathers the eight low bits in the top byte, the first character highest.
            eight = (load & np.uint64(0x0101010101010101)) * np.uint64(0x8040201008040201)
            ones = ones << np.uint64(8) | eight >> np.uint64(56)
            valid = valid << np.uint64(8) | np.uint64(0xFF)
            q += np.uint64(8)
        while q < value_end:
            c = text[q]
            ones <<= one
            valid <<= one
            if c == 48 or c == 49:
                ones |= np.uint64(c & np.uint8(1))
                valid |= one
            else:
                c |= np.uint8(32)
                if c != 120 and c != 122:
                    good = False
            q += one
        if not good:
            p = word
            why = BAD_VECTOR
            break
        head = text[value_at] | np.uint8(32)
        head_known = head != 120 and head != 122
        if length < np.uint64(64) and head_known:
            valid |= ~zero << length
        width = np.uint64(widths[s])
        if length > width and width < np.uint64(64) and ones >> width != zero:
            longer += 1

        for k in range(first_target[s], first_target[s + one]):
            from_bit = np.uint64(targets[k, 0])
            count = np.uint64(targets[k, 1])
            shift = np.uint64(targets[k, 2])
            if from_bit + count <= np.uint64(64):
                mask = ~zero if count == np.uint64(64) else (one << count) - one
                part = (ones >> from_bit) & mask
                part_valid = (valid >> from_bit) & mask
                mask <<= shift
                bits = bits & ~mask | part << shift
                seen = seen & ~mask | part_valid << shift
            else:  # one bit at a time, from a signal wider than a machine word
                for i in range(count):
                    place = from_bit + np.uint64(i)
                    mask = one << (shift + np.uint64(i))
                    bits &= ~mask
                    seen &= ~mask
                    if place < length:
                        c = text[value_end - one - place]
                        if c == 48 or c == 49:
                            seen |= mask
                        if c == 49:
                            bits |= mask
                    elif head_known:
                        seen |= mask

    carry_bits[STATE] = bits
    carry_bits[KNOWN] = seen
    carry_bits[LAST_STATE] = last_bits
    carry_bits[LAST_KNOWN] = last_seen
    carry[RAW_TIME] = raw
    carry[TIME_PS] = now_ps
    carry[HAS_TIME] = has_time
    carry[ROWS] = rows
    carry[PARTIAL] = partial
    carry[LONGER] = longer
    carry[TIMES] = times
    carry[PENDING] = pending
    return why, p
