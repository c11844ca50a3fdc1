"""The inner loop of the VCD reader.

Indices are unsigned throughout: signed ones add a wrap-around check to each access, and stop eight
byte loads from becoming one.
"""

from __future__ import annotations

import numpy as np

from bustrace.compiled import compiled, compiled_part

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
FIRST_UNKNOWN = 9

# Slots of `carry_bits`.
STATE, KNOWN, LAST_STATE, LAST_KNOWN, FULL = range(5)
# Slots of `carry`: the time of the row being gathered (as in the file, and in ps), flags, counts.
RAW_TIME, TIME_PS, HAS_TIME, ROWS, KEEP_ALL, PARTIAL, LONGER, TIMES, PENDING = range(9)

# Constants with a type: a plain number is signed, and signed with unsigned makes floating point.
_0 = np.uint64(0)
_1 = np.uint64(1)
_2 = np.uint64(2)
_3 = np.uint64(3)
_4 = np.uint64(4)
_5 = np.uint64(5)
_6 = np.uint64(6)
_7 = np.uint64(7)
_8 = np.uint64(8)
_10 = np.uint64(10)
_16 = np.uint64(16)
_19 = np.uint64(19)
_24 = np.uint64(24)
_32 = np.uint64(32)
_40 = np.uint64(40)
_48 = np.uint64(48)
_56 = np.uint64(56)
_63 = np.uint64(63)
_64 = np.uint64(64)
_0XFF = np.uint64(0xFF)
# Eight characters at once: each is 0 or 1 when all bits but the lowest are those of '0'; the
# product then gathers the eight lowest bits in the top byte, the first character highest.
_BUT_LOW_BITS = np.uint64(0xFEFEFEFEFEFEFEFE)
_ZEROS = np.uint64(0x3030303030303030)
_LOW_BITS = np.uint64(0x0101010101010101)
_GATHER = np.uint64(0x8040201008040201)
_NINE_AT_MOST = np.uint64(0x7676767676767676)
_HIGH_BITS = np.uint64(0x8080808080808080)
_EVERY_FOURTH = np.uint64(0x000000FF000000FF)
_MILLION_AND_100 = np.uint64(100 + (1000000 << 32))
_10000_AND_1 = np.uint64(1 + (10000 << 32))
# FNV-1a (Fowler, Noll, Vo), as in `vcd_layout`.
_FNV_START = np.uint64(0xCBF29CE484222325)
_FNV_PRIME = np.uint64(0x100000001B3)


@compiled_part
def _eight_bytes(text, p):
    """``text[p:p + 8]`` as a uint64, the first byte lowest; becomes a single load."""
    return (
        np.uint64(text[p])
        | np.uint64(text[p + _1]) << _8
        | np.uint64(text[p + _2]) << _16
        | np.uint64(text[p + _3]) << _24
        | np.uint64(text[p + _4]) << _32
        | np.uint64(text[p + _5]) << _40
        | np.uint64(text[p + _6]) << _48
        | np.uint64(text[p + _7]) << _56
    )


@compiled
def read_changes(
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
    direct : int32, shape (65536,)
        Signal of an id code of one or two characters, at ``first | second << 8``; -1 is undeclared.
    hash_keys : uint64, shape (power of two,)
        Open addressing for longer id codes, by `vcd_layout.id_key`; 0 is free.
    hash_values : int32, same shape
        Signal of that key; -1 where free.
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
        Rows, out. `known` is written only where ``carry[PARTIAL]`` is set; before the first row
        that needs it, the loop stops with FIRST_UNKNOWN.

    Returns
    -------
    (int, int)
        Why it stopped, and the first byte not consumed.
    """
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
            p += _1
            continue
        word = p

        if c == 35:  # '#': a time
            p += _1
            negative = text[p] == 45
            if negative:
                p += _1
            digits = p
            value = _0
            load = _eight_bytes(text, p) ^ _ZEROS
            if (load | (load + _NINE_AT_MOST)) & _HIGH_BITS == _0:
                # Eight digits: pairs, then fours, then all.
                load = load * _10 + (load >> _8)
                value = (
                    (load & _EVERY_FOURTH) * _MILLION_AND_100
                    + ((load >> _16) & _EVERY_FOURTH) * _10000_AND_1
                ) >> _32
                p += _8
            c = text[p]
            while np.uint8(c - 48) < 10:
                value = value * _10 + np.uint64(c - 48)
                p += _1
                c = text[p]
            if c > 32 or p == digits:
                p = word
                why = BAD_WORD
                break
            if p - digits > _19 or value > np.uint64(largest):
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
            changed = rows == _0 or keep_all or bits != last_bits or seen != last_seen
            if changed and has_time and (keep_all or new_ps > now_ps):
                if rows == capacity:
                    p = word
                    why = ROWS_FULL
                    break
                if not partial and seen != full:
                    p = word
                    why = FIRST_UNKNOWN
                    break
                time_ps[rows] = now_ps
                state[rows] = bits
                if partial:
                    known[rows] = seen
                last_bits = bits
                last_seen = seen
                rows += _1
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
        length = _1
        if scalar:
            p += _1
        elif lower == 98 or lower == 114 or lower == 115:  # b, r, s
            p += _1
            value_at = p
            while text[p] > 32:
                p += _1
            length = p - value_at
            while p < end and text[p] <= 32:
                p += _1
            if p == end:
                p = word
                why = HALF_A_CHANGE
                break
            if length == _0:
                p = word
                why = BAD_WORD
                break
        else:
            why = BAD_WORD
            break

        index = np.uint64(text[p])
        key = (_FNV_START ^ index) * _FNV_PRIME
        p += _1
        c2 = np.uint64(text[p])
        if c2 > _32:
            index |= c2 << _8
            key = (key ^ c2) * _FNV_PRIME
            p += _1
        if text[p] <= 32:
            signal = direct[index]
        else:
            while text[p] > 32:
                key = (key ^ np.uint64(text[p])) * _FNV_PRIME
                p += _1
            slot = key & hash_mask
            while hash_keys[slot] != key and hash_keys[slot] != _0:
                slot = (slot + _1) & hash_mask
            signal = hash_values[slot]
        if signal < 0:
            p = word
            why = UNDECLARED
            break
        s = np.uint64(signal)
        pending = True

        if scalar:
            # Left extension: 0 and 1 extend with 0, x with x. No branch on the level: the levels of
            # a bus are as good as random, and a branch guessed wrong costs more than a product.
            bits = bits & ~all_mask[s]
            if lower <= 49:
                bits |= low_mask[s] * np.uint64(c & np.uint8(1))
                seen |= all_mask[s]
            else:
                seen &= ~all_mask[s]
            continue

        if lower != 98 or all_mask[s] == _0:
            continue  # a real, a string, or a signal left out

        value_end = value_at + length
        ones = _0
        valid = _0
        q = value_at
        good = True
        while q + _8 <= value_end:
            load = _eight_bytes(text, q)
            if load & _BUT_LOW_BITS != _ZEROS:
                break
            eight = (load & _LOW_BITS) * _GATHER
            ones = ones << _8 | eight >> _56
            valid = valid << _8 | _0XFF
            q += _8
        while q < value_end:
            c = text[q]
            ones <<= _1
            valid <<= _1
            if c == 48 or c == 49:
                ones |= np.uint64(c & np.uint8(1))
                valid |= _1
            else:
                c |= np.uint8(32)
                if c != 120 and c != 122:
                    good = False
            q += _1
        if not good:
            p = word
            why = BAD_VECTOR
            break
        head = text[value_at] | np.uint8(32)
        head_known = head != 120 and head != 122
        if length < _64 and head_known:
            valid |= ~_0 << length
        width = np.uint64(widths[s])
        if length > width and width < _64 and ones >> width != _0:
            longer += 1

        for k in range(first_target[s], first_target[s + _1]):
            from_bit = np.uint64(targets[k, 0])
            count = np.uint64(targets[k, 1])
            shift = np.uint64(targets[k, 2])
            if from_bit + count <= _64:
                mask = ~_0 if count == _64 else (_1 << count) - _1
                part = (ones >> from_bit) & mask
                part_valid = (valid >> from_bit) & mask
                mask <<= shift
                bits = bits & ~mask | part << shift
                seen = seen & ~mask | part_valid << shift
            else:  # _1 bit at a time, from a signal wider than a machine word
                for i in range(count):
                    place = from_bit + np.uint64(i)
                    mask = _1 << (shift + np.uint64(i))
                    bits &= ~mask
                    seen &= ~mask
                    if place < length:
                        c = text[value_end - _1 - place]
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
    carry[LONGER] = longer
    carry[TIMES] = times
    carry[PENDING] = pending
    return why, p
