"""Compiled heart of the executor: one cycle of the CPU on (value, mask of known bits) pairs.

Every value is carried as the CPU would have it if the initial registers were right; beside it goes
a mask of the bits that do not depend on anything unknown. With full masks this is the exact
simulator.

The numbers below are spelled out here, not imported: a compiled kernel is kept on disk until *this*
file changes, so a constant from another file would be served stale. A test holds them equal to the
vocabularies of `microcycles` and `mnemonics`.
"""
# Chains of `==` compile in a fraction of the time of `in` with a tuple.
# ruff: noqa: SIM109

from __future__ import annotations

import numpy as np

from bustrace.compiled import compiled, compiled_part

# Fields of the state, int64 shape (STATE_FIELDS,). A mask follows its value.
(PC, PCM, A, AM, X, XM, Y, YM, S, SM, P, PM) = range(12)
(AL, ALM, AH, AHM, POINTER, POINTERM, LATCH, LATCHM, CARRY, CARRYM) = range(12, 22)
(ENTRY, OPERATION, OPCODE, RUNNING, VECTOR) = range(22, 27)
(PENDING, NMI_SEEN, NMI_LEVEL, IRQ_LINE, SO_LEVEL, RES_LEVEL) = range(27, 33)
(ADDRESS, ADDRESSM, OUT, OUTM, READ, CONTROLM, WAITED) = range(33, 40)
(DDR, DDRM, PORT, PORTM, DRIVES) = range(40, 45)
STATE_FIELDS = 45

# RUNNING: what the current sequence is.
INSTRUCTION, INTERRUPT, RESET = range(3)

# Layout of one row of the packed table, int32.
ADDRESS_MASK_AT, FEATURES_AT, OPCODES_AT, MEANINGS_AT, MODES_AT = 0, 1, 16, 272, 400
FETCH, HELD = MODES_AT, MODES_AT + 8

# Bits of the word of features.
HAS_CMOS, HAS_PORT = 1, 2

# Pin levels packed in one byte; bits of CONTROLM.
RES_PIN, IRQ_PIN, NMI_PIN, RDY_PIN, SO_PIN = 1, 2, 4, 8, 16
ALL_HIGH = 31
RW_BIT, SYNC_BIT = 1, 2

# The bus in one uint32: A0 to A15, D0 to D7, R/W, SYNC, and whether a port of the CPU is accessed.
OUT_AT, CONTROL_AT, INSIDE_AT = 16, 24, 26
RW_LEVEL, SYNC_LEVEL = 1 << 24, 1 << 25
NO_DATA = 0xFF00FFFF

(
    AT_PC, AT_AD, AT_AD_NEXT, AT_PTR, AT_PTR_NEXT, AT_SP, AT_VEC, AT_VEC_NEXT, AT_FFFE, AT_FFFF,
    AT_LAST, AT_AD_LAST, AT_AD_1, AT_ANY,
) = range(14)  # fmt: skip
(ACC_READ, ACC_STORE, ACC_LATCH, ACC_PCH, ACC_PCL, ACC_P) = range(6)
(
    DO_NOTHING, DO_OPCODE, DO_OPERATE, DO_ACCUMULATE, DO_OPERATE_CARRY, DO_LOW, DO_LOW_X, DO_LOW_Y,
    DO_HIGH, DO_HIGH_X, DO_HIGH_Y, DO_CARRY, DO_CARRY_AND, DO_POINTER, DO_POINTER_X, DO_LATCH,
    DO_MODIFY, DO_TARGET, DO_TARGET_CARRY, DO_JUMP, DO_FLAGS, DO_VECTOR, DO_LATCH_CARRY,
) = range(23)  # fmt: skip
(COUNT_NONE, COUNT_PC, COUNT_S_UP, COUNT_S_DOWN) = range(4)
(
    END_NO, END_YES, END_SAME, END_UNTAKEN, END_STAY, END_BINARY, END_SAME_BINARY, END_SKIP_SAME,
    END_WOKEN,
) = range(9)  # fmt: skip
(POLL_AT_END, POLL_ALWAYS, POLL_NEVER) = range(3)

# Mnemonics with a rule of their own.
ADC, ANC, ARR, BIT, BRK, PLP, SBC, SBX = 0, 2, 4, 9, 13, 47, 55, 56
BBR, BBS, RMB, SMB, TRB, TSB = 76, 77, 84, 85, 88, 89

FLAG_N, FLAG_V, FLAG_D, FLAG_I, FLAG_Z, FLAG_C = 0x80, 0x40, 0x08, 0x04, 0x02, 0x01

# What XAA and LXA or into A; it differs from die to die and with temperature (common practice).
MAGIC = 0xEE

# Fields of a packed meaning, beside the flags it changes in their places in P.
AND_NONE, AND_A, AND_X, AND_S = range(4)
SHIFT_NONE, SHIFT_LEFT, SHIFT_RIGHT, STEP_UP, STEP_DOWN = range(5)
WITH_NOTHING, WITH_OR, WITH_XOR, WITH_AND, WITH_MAGIC, WITH_ADD, WITH_SUBTRACT = range(7)
FORCE_NONE, FORCE_ONE, FORCE_ZERO = range(3)
FROM_P, FROM_AX, FROM_ZERO, TO_A, TO_S, BRANCH_SET = 5, 6, 7, 1 << 24, 1 << 27, 2 << 28

# Why a replay stopped; kinds of rows in the table of sequences.
RAN_OUT, DISAGREES, UNDECIDED, UNKNOWN_OPCODE = range(4)
KIND_INSTRUCTION, KIND_RESET, KIND_IRQ, KIND_NMI, KIND_BRK, KIND_BRK_NMI = range(6)

LANE_REST = 24
"""Cycles before the fast lane is tried again where it got nowhere."""


@compiled_part
def _add(a, am, b, bm, c, cm):
    """Sum of two bytes and a carry: 9-bit sum, mask of its known bits, 1 if the carry is known.

    r0 is the sum with unknown bits 0, r1 with unknown bits 1; a bit whose operands are known is
    known where the two agree, since carries are monotone.
    """
    r0 = (a & am) + (b & bm) + (c & cm)
    r1 = (a | (am ^ 0xFF)) + (b | (bm ^ 0xFF)) + (c | (cm ^ 1))
    return a + b + c, am & bm & ~(r0 ^ r1) & 0xFF, 1 - ((r0 ^ r1) >> 8)


@compiled_part
def _and_mask(a, am, b, bm):
    """Known bits of `a & b`: both known, or either known to be 0."""
    return (am & bm) | (am & ~a) | (bm & ~b)


@compiled_part
def _mean(st, table, v, m):
    """Meaning of every mnemonic that computes, given the byte and mask it takes in.

    Returns the byte and mask that a read-modify-write puts back.

    NMOS decimal mode (common practice; the makers' sheets call N, V and Z invalid there): ADC takes
    Z from the binary sum, N and V from the sum before its upper digit is corrected; SBC takes all
    flags from the binary difference. CMOS parts take N and Z from the result (W65C02S sheet, table
    7-1).
    """
    op = st[OPERATION]
    meaning = np.int64(table[MEANINGS_AT + op])
    a, am = st[A], st[AM]
    c, cm = st[P] & FLAG_C, st[PM] & FLAG_C
    overflow, overflowm = (st[P] & FLAG_V) >> 6, (st[PM] & FLAG_V) >> 6

    source = meaning >> 17 & 7
    first = meaning >> 8 & 3
    shift = meaning >> 10 & 7
    combine = meaning >> 14 & 7
    against = meaning >> 20 & 3
    force = meaning >> 22 & 3
    if source:
        v, m = st[2 * source], st[2 * source + 1]
    if first == AND_A:
        v, m = v & a, _and_mask(v, m, a, am)
    elif first == AND_X:
        v, m = v & st[X], _and_mask(v, m, st[X], st[XM])
    elif first == AND_S:
        v, m = v & st[S], _and_mask(v, m, st[S], st[SM])
    anded = v

    carry_in, carry_inm = 0, 1
    if meaning >> 13 & 1:
        carry_in, carry_inm = c, cm
    if shift == SHIFT_LEFT:
        c, cm = v >> 7, m >> 7
        v, m = (v << 1 & 0xFF) | carry_in, (m << 1 & 0xFF) | carry_inm
    elif shift == SHIFT_RIGHT:
        c, cm = v & 1, m & 1
        v, m = v >> 1 | carry_in << 7, m >> 1 | carry_inm << 7
    elif shift != SHIFT_NONE:
        total, m, _ = _add(v, m, 1 if shift == STEP_UP else 0xFF, 0xFF, 0, 1)
        v = total & 0xFF
    put_back, put_backm = v, m

    if combine == WITH_OR:
        v, m = a | v, (am & m) | (am & a) | (m & v)
    elif combine == WITH_XOR:
        v, m = a ^ v, am & m
    elif combine == WITH_AND:
        v, m = a & v, _and_mask(a, am, v, m)
    elif combine == WITH_MAGIC:
        # MAGIC cannot be relied on: a bit is known only where A has a 1 or the rest gives 0.
        v, m = (a | MAGIC) & v, (am & a & m) | (m & ~v)

    # N follows (n, nm), Z (z, zm), the result (v, m).
    n, nm, z, zm = v, m, v, m
    in_decimal = st[P] & FLAG_D
    decimal_known = st[PM] & FLAG_D
    if combine == WITH_ADD or combine == WITH_SUBTRACT:
        if against:
            a, am = st[2 * against], st[2 * against + 1]
            if op == SBX:
                a, am = a & st[X], _and_mask(a, am, st[X], st[XM])
            c, cm = 1, 1
            in_decimal, decimal_known = 0, FLAG_D
        w = v ^ 0xFF if combine == WITH_SUBTRACT else v
        total, known, carry_known = _add(a, am, w, m, c, cm)
        r = total & 0xFF
        if not against:
            overflow = (a ^ r) & (w ^ r) & 0x80
            overflowm = am & m & known & 0x80
        n, nm, z, zm = r, known, r, known
        carry_in, c = c, total >> 8
        if in_decimal or not decimal_known:
            exact = 0xFF if am & m == 0xFF and cm and decimal_known else 0
            known = carry_known = overflowm = nm = zm = exact
            if in_decimal and combine == WITH_ADD:
                low = (a & 15) + (v & 15) + carry_in
                if low > 9:
                    low = ((low + 6) & 15) + 16
                r = (a & 0xF0) + (v & 0xF0) + low
                n = r
                overflow = (a ^ r) & (v ^ r) & 0x80
                if r > 0x9F:
                    r += 0x60
                c = r >> 8
            elif in_decimal:
                low = (a & 15) - (v & 15) + carry_in - 1
                if low < 0:
                    low = ((low - 6) & 15) - 16
                r = (a & 0xF0) - (v & 0xF0) + low
                if r < 0:
                    r -= 0x60
            r &= 0xFF
            if table[FEATURES_AT] & HAS_CMOS:
                n, z = r, r
        v, m, cm = r, known, carry_known
    elif op == ARR:
        c, cm = v >> 6 & 1, m >> 6 & 1
        overflow, overflowm = (v >> 6 ^ v >> 5) & 1, m >> 6 & m >> 5 & 1
        if in_decimal or not decimal_known:
            m = 0xFF if m == 0xFF and decimal_known else 0
            cm = overflowm = nm = zm = m
        if in_decimal:
            overflow = (anded ^ v) & 0x40
            c = 1 if (anded & 0xF0) + (anded & 0x10) > 0x50 else 0
            if (anded & 15) + (anded & 1) > 5:
                v = (v & 0xF0) | ((v + 6) & 15)
            v = (v + 0x60 * c) & 0xFF
    elif op == ANC:
        c, cm = v >> 7, m >> 7
    elif op == BIT:
        z, zm = a & v, _and_mask(a, am, v, m)
        overflow, overflowm = v & 0x40, m & 0x40
    elif op == TSB or op == TRB:
        z, zm = a & v, _and_mask(a, am, v, m)
        if op == TSB:
            put_back, put_backm = a | v, (am & m) | (am & a) | (m & v)
        else:
            put_back, put_backm = v & ~a, (am & m) | (am & a) | (m & ~v)
    elif op == RMB or op == SMB:
        bit = 1 << (st[OPCODE] >> 4 & 7)
        put_back, put_backm = v | bit if op == SMB else v & ~bit, m | bit

    changed = meaning & 0xCF
    flags = (n & FLAG_N) | (FLAG_I | FLAG_D if force == FORCE_ONE else 0)
    known = (nm & FLAG_N) | FLAG_I | FLAG_D
    if force != FORCE_NONE:
        c = overflow = 1 if force == FORCE_ONE else 0
        cm = overflowm = 1
    flags |= (FLAG_V if overflow else 0) | (FLAG_C if c else 0) | (0 if z else FLAG_Z)
    known |= (FLAG_V if overflowm else 0) | (FLAG_C if cm else 0)
    known |= FLAG_Z if zm == 0xFF or z & zm else 0
    if op == PLP:
        flags, known = v, m
    st[P] = (st[P] & ~changed) | (flags & changed)
    st[PM] = (st[PM] & ~changed) | (known & changed)

    for register in range(4):  # A, X, Y, S
        if meaning & TO_A << register:
            st[A + 2 * register], st[AM + 2 * register] = v, m
    return put_back, put_backm


@compiled_part
def _stored(st, table):
    """Byte and mask that a storing mnemonic puts on the data pins."""
    source = table[MEANINGS_AT + st[OPERATION]] >> 17 & 7
    if source == FROM_AX:
        return st[A] & st[X], _and_mask(st[A], st[AM], st[X], st[XM])
    if source == FROM_ZERO:
        return 0, 0xFF
    always = 0x30 if source == FROM_P else 0
    return st[2 * source] | always, st[2 * source + 1] | always


@compiled_part
def _branches_on(st, table):
    """What a branch looks at: value and known bits of it, bits that count, whether 1 takes it."""
    op = st[OPERATION]
    if op == BBR or op == BBS:
        return st[POINTER], st[POINTERM], 1 << (st[OPCODE] >> 4 & 7), op == BBS
    meaning = np.int64(table[MEANINGS_AT + op])
    return st[P], st[PM], meaning & 0xCF, meaning & BRANCH_SET != 0


@compiled_part
def _way_on(st, table, end):
    """Entries to go on by at the end of this cycle: 0 is this cycle again, -1 the next opcode."""
    if end == END_NO:
        return 1
    if end == END_YES:
        return -1
    if end == END_SAME:
        return 1 if st[CARRY] else -1
    if end == END_UNTAKEN:
        value, _, bits, taken_when_set = _branches_on(st, table)
        return 1 if (value & bits != 0) == taken_when_set else -1
    if end == END_BINARY:
        return 1 if st[P] & FLAG_D else -1
    if end == END_WOKEN:
        return -1 if st[NMI_SEEN] or st[IRQ_LINE] else 0
    if end == END_STAY:
        return 0
    if st[CARRY]:
        return 1
    return 2 if end == END_SKIP_SAME or st[P] & FLAG_D else -1


@compiled_part
def _act(st, table, entry, data, datam):
    """Do what a microcycle says with the byte on the data pins, then count."""
    action = entry >> 7 & 31
    count = entry >> 12 & 3
    if action == DO_OPCODE:
        code = data
        if st[RUNNING] == RESET or st[PENDING]:
            code = 0
            if st[RUNNING] != RESET:
                st[RUNNING] = INTERRUPT
        st[PENDING] = 0
        st[VECTOR] = 0
        st[OPCODE] = code
        word = table[OPCODES_AT + code]
        st[OPERATION] = word >> 8
        st[ENTRY] = MODES_AT + 8 * (word & 0xFF)
    elif (
        action == DO_OPERATE
        or action == DO_ACCUMULATE
        or action == DO_MODIFY
        or (action == DO_OPERATE_CARRY and not st[CARRY])
    ):
        # Called in one place: each one is compiled anew.
        of = A if action == DO_ACCUMULATE else LATCH
        v, m = data, datam
        if action == DO_ACCUMULATE or action == DO_MODIFY:
            v, m = st[of], st[of + 1]
        v, m = _mean(st, table, v, m)
        if action == DO_ACCUMULATE or action == DO_MODIFY:
            st[of], st[of + 1] = v, m
    elif action == DO_LOW:
        st[AL], st[ALM], st[AH], st[AHM] = data, datam, 0, 0xFF
    elif action == DO_HIGH or action == DO_HIGH_X or action == DO_HIGH_Y:
        st[AH], st[AHM] = data, datam
    elif action == DO_LATCH or action == DO_LATCH_CARRY:
        st[LATCH], st[LATCHM] = data, datam
    elif action == DO_POINTER:
        st[POINTER], st[POINTERM] = data, datam
    elif action == DO_JUMP:
        st[PC], st[PCM] = data << 8 | st[LATCH], datam << 8 | st[LATCHM]
    elif action == DO_TARGET:
        low = (st[PC] & 0xFF) + st[LATCH] - ((st[LATCH] & 0x80) << 1)
        st[CARRY], st[CARRYM] = low >> 8, 1
        st[PC] = (st[PC] & 0xFF00) | (low & 0xFF)
    elif action == DO_TARGET_CARRY:
        st[PC] = (st[PC] + (st[CARRY] << 8)) & 0xFFFF
    if (
        action == DO_CARRY
        or action == DO_OPERATE_CARRY
        or action == DO_CARRY_AND
        or action == DO_LATCH_CARRY
    ):
        high, highm, _ = _add(st[AH], st[AHM], 1, 0xFF, 0, 1)
        high &= 0xFF
        if action == DO_CARRY_AND:
            v, m = _stored(st, table)
            if table[MEANINGS_AT + st[OPERATION]] & TO_S:
                st[S], st[SM] = v, m
            m = _and_mask(v, m, high, highm)
            high, highm = v & high, m
            st[LATCH], st[LATCHM] = high, m
        if st[CARRY]:
            st[AH], st[AHM] = high, highm
        if not st[CARRYM]:
            st[AHM] = 0
    elif action == DO_FLAGS:
        st[P], st[PM] = (data | 0x20) & 0xEF, datam | 0x30
    elif action == DO_VECTOR:
        cmos = table[FEATURES_AT] & HAS_CMOS
        st[VECTOR] = 0xFFFE
        if st[RUNNING] == RESET:
            st[VECTOR] = 0xFFFC
        elif st[NMI_SEEN] and not (cmos and st[RUNNING] == INSTRUCTION):
            st[VECTOR] = 0xFFFA
        st[P] |= FLAG_I
        st[PM] |= FLAG_I
        if cmos:
            st[P] &= ~FLAG_D
            st[PM] |= FLAG_D

    # Index registers are added to one byte of the address; the carry is kept apart.
    indexed = -1
    if action == DO_HIGH_X or action == DO_HIGH_Y or action == DO_LOW_X or action == DO_LOW_Y:
        indexed = AL
    elif action == DO_POINTER_X:
        indexed = POINTER
    by = Y if action == DO_HIGH_Y or action == DO_LOW_Y else X
    step, stepm = st[by], st[by + 1]
    if indexed < 0 and (count == COUNT_S_UP or count == COUNT_S_DOWN):
        indexed = S
        step, stepm = 1 if count == COUNT_S_UP else 0xFF, 0xFF
    if indexed >= 0:
        total, known, carry_known = _add(st[indexed], st[indexed + 1], step, stepm, 0, 1)
        st[indexed], st[indexed + 1] = total & 0xFF, known
        if indexed != S:
            st[CARRY], st[CARRYM] = total >> 8, carry_known

    if count == COUNT_PC and st[RUNNING] == INSTRUCTION:
        # As in `_add`: the increment with unknown bits 0 and with unknown bits 1.
        differ = ((st[PC] & st[PCM]) + 1) ^ ((st[PC] | (st[PCM] ^ 0xFFFF)) + 1)
        st[PCM] &= ~differ
        st[PC] = (st[PC] + 1) & 0xFFFF


@compiled_part
def _waits(st, table, pins):
    """Whether RDY stops this cycle: reads, and in CMOS parts writes too."""
    return not pins & RDY_PIN and (st[READ] or table[FEATURES_AT] & HAS_CMOS)


@compiled_part
def _at_port(st, data, datam):
    """Access to the port: takes what is written, gives what is read.

    A line of the port that is an output reads as what it was given, another one as `data`.
    """
    which = DDR if st[ADDRESS] == 0 else PORT
    if not st[ADDRESSM] & 1:
        if not st[READ]:
            st[DDRM], st[PORTM] = 0, 0
        return data, 0
    if not st[READ]:
        st[which], st[which + 1] = st[OUT], st[OUTM]
        return data, datam
    if which == DDR:
        return st[DDR], st[DDRM]
    output = st[DDR]
    known = st[DDRM] & ((output & st[PORTM]) | (~output & datam))
    return (st[PORT] & output) | (data & ~output), known & 0xFF


@compiled_part
def _interrupted(st, table, pins, k, seen, captured):
    """Where IRQ is low and the flag that masks it unknown, take an interrupt in cycle `k` if the
    address stays: the second cycle of every instruction is at the byte behind, that of an interrupt
    at the same (hardware manual, appendix A).
    """
    asks = (st[IRQ_LINE] or st[PENDING]) and not st[NMI_SEEN]
    if not asks or not captured[k] & captured[k + 1] & 1 or _waits(st, table, pins):
        return
    st[PENDING] = 0
    if not (seen[k] ^ seen[k + 1]) & captured[k] & captured[k + 1] & 0xFFFF:
        st[PENDING] = 1
        st[P] &= ~FLAG_I
        st[PM] |= FLAG_I


@compiled
def end_cycle(st, table, data, datam, pins):
    """End the current cycle with these pins and show the next one.

    st : int64 (STATE_FIELDS,), written. table : int32, one row of the packed table. data, datam :
    byte on the data pins and the mask of its known bits. pins : levels, RES_PIN | ...
    """
    entry_at = st[ENTRY]
    entry = np.int64(table[entry_at])
    poll = entry >> 18 & 3
    end = entry >> 14 & 15
    # What is looked at now was latched at the end of the cycle before.
    if (poll == POLL_ALWAYS or (poll == POLL_AT_END and _way_on(st, table, end) < 0)) and (
        st[NMI_SEEN] or (st[IRQ_LINE] and not st[P] & FLAG_I)
    ):
        st[PENDING] = 1

    st[WAITED] = 1
    if not _waits(st, table, pins):
        st[WAITED] = 0
        if table[FEATURES_AT] & HAS_PORT and st[ADDRESSM] & 0xFFFE == 0xFFFE and st[ADDRESS] < 2:
            data, datam = _at_port(st, data, datam)
        _act(st, table, entry, data, datam)
        way = _way_on(st, table, end)
        if way < 0:
            st[ENTRY] = FETCH
            st[RUNNING] = INSTRUCTION
            # An NMI edge that came while its vector was being fetched is lost with the one served.
            if st[VECTOR] == 0xFFFA or st[VECTOR] == 0xFFFC:
                st[NMI_SEEN] = 0
        elif way:
            st[ENTRY] = entry_at + way

    # RES acts two cycles after its level; what the aborted instruction did is not known.
    if not st[RES_LEVEL]:
        if entry_at != HELD:
            st[PCM], st[AM], st[XM], st[YM], st[SM], st[PM] = 0, 0, 0, 0, 0, 0x30
            st[DDR], st[DDRM], st[PORTM] = 0, 0xFF, 0
        st[ENTRY] = HELD
        st[PENDING] = 0
        st[RUNNING] = RESET
    elif entry_at == HELD:
        st[ENTRY] = FETCH

    if st[NMI_LEVEL] and not pins & NMI_PIN:
        st[NMI_SEEN] = 1
    if st[SO_LEVEL] and not pins & SO_PIN:
        st[P] |= FLAG_V
        st[PM] |= FLAG_V
    st[RES_LEVEL] = pins & RES_PIN
    st[NMI_LEVEL] = pins & NMI_PIN
    st[SO_LEVEL] = pins & SO_PIN
    st[IRQ_LINE] = 0 if pins & IRQ_PIN else 1
    show(st, table)


@compiled_part
def _odd_address(st, where):
    """Address and known bits for the words that only CMOS parts use."""
    lower = ((st[PC] & st[PCM]) - 1) ^ ((st[PC] | (st[PCM] ^ 0xFFFF)) - 1)
    last, lastm = (st[PC] - 1) & 0xFFFF, st[PCM] & ~lower
    address, mask = st[AH] << 8 | st[AL], st[AHM] << 8 | st[ALM]
    if where == AT_AD_1:
        differ = ((address & mask) + 1) ^ ((address | (mask ^ 0xFFFF)) + 1)
        return (address + 1) & 0xFFFF, mask & ~differ
    if where == AT_LAST:
        return last, lastm
    if where == AT_ANY:
        # The reference cases read the same two addresses always; parts are said to differ.
        return 0x7F if st[OPERATION] == ADC else 0xB8 if st[OPERATION] == SBC else last, 0
    if not st[CARRYM]:
        mask &= lastm & ~(address ^ last)
    elif st[CARRY]:
        return last, lastm
    return address, mask


@compiled
def show(st, table):
    """Put the current cycle's address, data and R/W on the pins.

    st : int64 (STATE_FIELDS,), written. table : int32, one row of the packed table.
    """
    entry = np.int64(table[st[ENTRY]])
    where = entry & 15
    if where == AT_PC:
        address, mask = st[PC], st[PCM]
    elif where == AT_AD:
        address, mask = st[AH] << 8 | st[AL], st[AHM] << 8 | st[ALM]
    elif where == AT_SP:
        address, mask = 0x100 | st[S], 0xFF00 | st[SM]
    elif where == AT_PTR:
        address, mask = st[POINTER], 0xFF00 | st[POINTERM]
    elif where == AT_PTR_NEXT:
        total, known, _ = _add(st[POINTER], st[POINTERM], 1, 0xFF, 0, 1)
        address, mask = total & 0xFF, 0xFF00 | known
    elif where == AT_AD_NEXT:
        total, known, _ = _add(st[AL], st[ALM], 1, 0xFF, 0, 1)
        address, mask = st[AH] << 8 | (total & 0xFF), st[AHM] << 8 | known
    elif where == AT_VEC:
        address, mask = st[VECTOR], 0xFFFF
    elif where == AT_VEC_NEXT:
        address, mask = st[VECTOR] | 1, 0xFFFF
    elif where >= AT_LAST:
        address, mask = _odd_address(st, where)
    else:
        address, mask = 0xFFFE if where == AT_FFFE else 0xFFFF, 0xFFFF

    # A wait in a cycle that carries into the high byte shows the carried address from its second
    # cycle on: seen in recordings of reads (chip traces); elsewhere the high byte is left open.
    if st[WAITED] and where < AT_LAST and (st[CARRY] or not st[CARRYM]):
        action = entry >> 7 & 31
        if action == DO_OPERATE_CARRY or action == DO_CARRY or action == DO_CARRY_AND:
            address = (address + (st[CARRY] << 8)) & 0xFFFF
            if action != DO_OPERATE_CARRY or not st[CARRYM]:
                mask &= 0xFF
        elif action == DO_TARGET_CARRY:
            mask &= 0xFF

    access = entry >> 4 & 7
    out, outm = 0, 0
    if access == ACC_STORE:
        out, outm = _stored(st, table)
    elif access == ACC_LATCH:
        out, outm = st[LATCH], st[LATCHM]
    elif access == ACC_PCH:
        out, outm = st[PC] >> 8, st[PCM] >> 8
    elif access == ACC_PCL:
        out, outm = st[PC] & 0xFF, st[PCM] & 0xFF
    elif access == ACC_P:
        out = st[P] | (0x30 if st[RUNNING] == INSTRUCTION else 0x20)
        outm = st[PM] | 0x30
    st[READ] = 0
    if access == ACC_READ or st[RUNNING] == RESET:
        st[READ] = 1
        out, outm = 0, 0
    st[DRIVES] = 0 if table[FEATURES_AT] & HAS_PORT and mask == 0xFFFF and address < 2 else 1
    st[CONTROLM] = RW_BIT | SYNC_BIT
    if st[ENTRY] == HELD:
        mask = 0
    elif not st[RES_LEVEL]:
        mask, outm = 0, 0
        st[CONTROLM] = 0
    st[ADDRESS] = address & table[ADDRESS_MASK_AT]
    # A line without a pin counts as known: it is 0 for everyone outside.
    st[ADDRESSM] = mask | (table[ADDRESS_MASK_AT] ^ 0xFFFF)
    st[OUT] = out
    st[OUTM] = outm


@compiled_part
def _open(st, table, entry):
    """Whether the way on from this cycle hangs on an unknown bit."""
    end = entry >> 14 & 15
    if end == END_UNTAKEN:
        _, known, bits, _ = _branches_on(st, table)
        return known & bits != bits
    if entry >> 7 & 31 == DO_TARGET:
        return st[PCM] & 0xFF != 0xFF or st[LATCHM] != 0xFF
    if end == END_BINARY or (end == END_SAME_BINARY and st[CARRYM] and not st[CARRY]):
        return st[PM] & FLAG_D == 0
    return (end == END_SAME or end == END_SAME_BINARY or end == END_SKIP_SAME) and not st[CARRYM]


@compiled_part
def _decide(st, table, entry, k, offset, seen, telling):
    """Make the way on from this cycle known; False when it cannot be, or not here.

    Where it hangs on an unknown bit, SYNC in the next observed cycle decides. Else the next
    address; the two ways of a branch read the same address next, so there it is the one after it.
    What only CMOS parts leave open is decided by `bustrace.cpu.deciding`.
    """
    untaken = entry >> 14 & 15 == END_UNTAKEN
    if not untaken and (entry >> 14 & 15 != END_SAME or entry & 15 != AT_AD):
        return False
    pins = np.int64(table[ADDRESS_MASK_AT])
    ends = -1
    if k + 1 < seen.size and telling[k + 1] & SYNC_LEVEL:
        ends = 1 if seen[k + 1] & SYNC_LEVEL else 0
    elif k + 2 < seen.size and st[PCM] & pins == pins:
        at = k + 1
        way_on, certain = ((st[AH] + 1) & 0xFF) << 8 | st[AL], st[AHM] << 8 | st[ALM]
        way_out = st[PC]
        if untaken:
            at = k + 2
            way_on, certain = ((st[PC] + 1) & 0xFF00) | ((st[PC] + 1 + offset) & 0xFF), 0xFFFF
            way_out = (st[PC] + 2) & 0xFFFF
        address, told = np.int64(seen[at]), np.int64(telling[at]) & pins
        certain &= told
        off = (address ^ way_out) & told
        on = (address ^ way_on) & certain
        if (way_on ^ way_out) & certain and (off == 0 or on == 0):
            ends = 1 if off == 0 else 0
    if ends < 0:
        return False
    if untaken:
        _, _, bits, taken_when_set = _branches_on(st, table)
        of = POINTER if st[OPERATION] == BBR or st[OPERATION] == BBS else P
        st[of] = (st[of] & ~bits) | (bits if taken_when_set != (ends == 1) else 0)
        st[of + 1] |= bits
    else:
        st[CARRY] = 1 - ends
        st[CARRYM] = 1
    return True


@compiled_part
def _mean_known(st, meaning, op, v):
    """As `_mean`, of registers and flags that are known; -1, and nothing done, where one is not.

    Also where only some opcodes are concerned that are rare: decimal mode, and what differs from
    die to die. Returns the byte that a read-modify-write puts back.
    """
    p, pm = st[P], st[PM]
    a = st[A]
    source = meaning >> 17 & 7
    first = meaning >> 8 & 3
    shift = meaning >> 10 & 7
    combine = meaning >> 14 & 7
    against = meaning >> 20 & 3
    force = meaning >> 22 & 3
    asks = 0xFF
    if source:
        v, asks = st[2 * source], st[2 * source + 1]
    if first == AND_X or op == SBX:
        asks &= st[XM]
    elif first == AND_S:
        asks &= st[SM]
    with_a = first == AND_A or op == BIT or op == TSB or op == TRB or op == SBX
    adds = combine == WITH_ADD or combine == WITH_SUBTRACT
    if with_a or (combine != WITH_NOTHING and not against):
        asks &= st[AM]
    if meaning >> 13 & 1 and not pm & FLAG_C:
        return -1
    if against:
        asks &= st[2 * against + 1]
    elif adds and (not pm & FLAG_C or not pm & FLAG_D or p & FLAG_D):
        return -1
    if asks != 0xFF or combine == WITH_MAGIC or op == ARR or op == RMB or op == SMB:
        return -1

    if first == AND_A:
        v &= a
    elif first == AND_X:
        v &= st[X]
    elif first == AND_S:
        v &= st[S]
    c, overflow = p & FLAG_C, p & FLAG_V
    carry_in = c if meaning >> 13 & 1 else 0
    if shift == SHIFT_LEFT:
        c, v = v >> 7, (v << 1 & 0xFF) | carry_in
    elif shift == SHIFT_RIGHT:
        c, v = v & 1, v >> 1 | carry_in << 7
    elif shift != SHIFT_NONE:
        v = (v + (1 if shift == STEP_UP else 0xFF)) & 0xFF
    put_back = v
    z = v
    if combine == WITH_OR:
        v = z = a | v
    elif combine == WITH_XOR:
        v = z = a ^ v
    elif combine == WITH_AND:
        v = z = a & v
    n = v
    if adds:
        w = v ^ 0xFF if combine == WITH_SUBTRACT else v
        if against:
            a = (a & st[X]) if op == SBX else st[2 * against]
            c = 1
        total = a + w + c
        v = n = z = total & 0xFF
        c = total >> 8
        if not against:
            overflow = (a ^ v) & (w ^ v) & 0x80
    elif op == ANC:
        c = v >> 7
    elif op == BIT:
        z, overflow = a & v, v & 0x40
    elif op == TSB or op == TRB:
        z = a & v
        put_back = a | v if op == TSB else v & ~a

    changed = meaning & 0xCF
    if changed:
        flags = (n & FLAG_N) | (0 if z else FLAG_Z)
        if force != FORCE_NONE:
            c = overflow = 1 if force == FORCE_ONE else 0
            flags |= FLAG_I | FLAG_D if force == FORCE_ONE else 0
        flags |= (FLAG_V if overflow else 0) | (FLAG_C if c else 0)
        if op == PLP:
            flags = v
        st[P] = (p & ~changed) | (flags & changed)
        st[PM] = pm | changed
    for register in range(4):  # A, X, Y, S
        if meaning & TO_A << register:
            st[A + 2 * register], st[AM + 2 * register] = v, 0xFF
    return put_back


@compiled_part
def _lane_is_open(st):
    """Whether an instruction begins, nothing interrupts it, and its address is known."""
    return (
        st[ENTRY] == FETCH
        and st[RUNNING] == INSTRUCTION
        and st[PCM] == 0xFFFF
        and not (st[PENDING] | st[NMI_SEEN] | st[IRQ_LINE] | st[WAITED])
        and st[RES_LEVEL]
        and st[NMI_LEVEL]
        and st[SO_LEVEL]
    )


@compiled_part
def _lane(
    st, table, reads, reads_known, pins, seen, captured, stop_on_mismatch, meant, certain, off,
    row_cycle, row_kind, row_opcode, row_pc, row_pc_known, row_registers, row_known, k, rows,
    first,
):  # fmt: skip
    """Whole instructions from cycle `k` on, as long as what they use is known and nothing is odd.

    The same table, without masks and without all that seldom happens: ten times as fast. An
    instruction that cannot be ended here is undone, and left to the slow way. Returns the cycle
    and the number of rows reached, and the first mismatch or -1.
    """
    lines = np.int64(table[ADDRESS_MASK_AT])
    port = table[FEATURES_AT] & HAS_PORT
    begun = k
    n = reads.size
    pc, carry = st[PC], st[CARRY]
    al, ah, pointer, latch = st[AL], st[AH], st[POINTER], st[LATCH]
    code, op = st[OPCODE], st[OPERATION]
    odd = np.int64(0)  # not 0 where the instruction at hand is left to the slow way
    while not odd and k < n:
        row_cycle[rows] = k
        row_kind[rows] = KIND_INSTRUCTION
        row_opcode[rows] = reads[k]
        row_pc[rows], row_pc_known[rows] = pc, 0xFFFF
        for j in range(5):
            row_registers[rows, j], row_known[rows, j] = st[2 * j + 2], st[2 * j + 3]
        mismatch = first
        at = np.int64(FETCH)
        now = k
        while True:
            entry = np.int64(table[at])
            where, access = entry & 15, entry >> 4 & 7
            action, count, end = entry >> 7 & 31, entry >> 12 & 3, entry >> 14 & 15
            if where == AT_PC:
                address = pc
            elif where == AT_AD:
                address = ah << 8 | al
            elif where == AT_SP:
                address = 0x100 | st[S]
                odd |= st[SM] ^ 0xFF
            elif where == AT_PTR:
                address = pointer
            elif where == AT_PTR_NEXT:
                address = (pointer + 1) & 0xFF
            elif where == AT_AD_NEXT:
                address = ah << 8 | ((al + 1) & 0xFF)
            elif where == AT_LAST or where == AT_AD_LAST:
                address = (pc - 1) & 0xFFFF if where == AT_LAST or carry else ah << 8 | al
            else:
                address = ((ah << 8 | al) + 1) & 0xFFFF
                odd |= where - AT_AD_1
            datum = np.int64(reads[now])
            if pins.size:
                odd |= pins[now] ^ ALL_HIGH
            if port and address < 2:
                odd = np.int64(1)
            if access == ACC_READ:
                level, sure = address & lines | RW_LEVEL, np.int64(0x300FFFF)
                if reads_known.size:
                    odd |= reads_known[now] ^ 0xFF
            else:
                out = latch
                if access == ACC_STORE:
                    source = table[MEANINGS_AT + op] >> 17 & 7
                    if source == FROM_AX:
                        out = st[A] & st[X]
                        odd |= st[AM] & st[XM] ^ 0xFF
                    elif source == FROM_ZERO:
                        out = np.int64(0)
                    else:
                        out = st[2 * source] | (0x30 if source == FROM_P else 0)
                        odd |= st[2 * source + 1] ^ 0xFF
                elif access != ACC_LATCH:
                    out = pc >> 8 if access == ACC_PCH else pc & 0xFF
                    odd |= access == ACC_P
                level, sure = address & lines | out << OUT_AT, np.int64(0x3FFFFFF)
            if at == FETCH:
                level |= SYNC_LEVEL
            meant[now] = level
            certain[now] = sure
            off[now] = 0
            if seen.size:
                wrong = (level ^ seen[now]) & captured[now] & sure
                off[now] = wrong
                if wrong and mismatch < 0:
                    mismatch = now
                    odd |= stop_on_mismatch

            if action == DO_OPCODE:
                code = datum
                word = np.int64(table[OPCODES_AT + code])
                op = word >> 8
                at = MODES_AT + 8 * (word & 0xFF)
            elif (
                action == DO_OPERATE
                or action == DO_ACCUMULATE
                or action == DO_MODIFY
                or (action == DO_OPERATE_CARRY and not carry)
            ):
                v = datum
                if action == DO_ACCUMULATE:
                    v = st[A]
                    odd |= st[AM] ^ 0xFF
                elif action == DO_MODIFY:
                    v = latch
                v = _mean_known(st, np.int64(table[MEANINGS_AT + op]), op, v)
                if v < 0:
                    odd = np.int64(1)
                elif action == DO_ACCUMULATE:
                    st[A] = v
                elif action == DO_MODIFY:
                    latch = v
            elif action == DO_LOW:
                al, ah = datum, np.int64(0)
            elif action == DO_HIGH or action == DO_HIGH_X or action == DO_HIGH_Y:
                ah = datum
            elif action == DO_LATCH or action == DO_LATCH_CARRY:
                latch = datum
            elif action == DO_POINTER:
                pointer = datum
            elif action == DO_JUMP:
                pc = datum << 8 | latch
            elif action == DO_TARGET:
                low = (pc & 0xFF) + latch - ((latch & 0x80) << 1)
                carry = low >> 8
                pc = (pc & 0xFF00) | (low & 0xFF)
            elif action == DO_TARGET_CARRY:
                pc = (pc + (carry << 8)) & 0xFFFF
            elif action == DO_FLAGS:
                st[P], st[PM] = (datum | 0x20) & 0xEF, 0xFF
            elif action == DO_VECTOR or action == DO_CARRY_AND:
                odd = np.int64(1)
            if carry and (
                action == DO_CARRY or action == DO_OPERATE_CARRY or action == DO_LATCH_CARRY
            ):
                ah = (ah + 1) & 0xFF

            if (
                action == DO_HIGH_X
                or action == DO_HIGH_Y
                or action == DO_LOW_X
                or action == DO_LOW_Y
                or action == DO_POINTER_X
            ):
                by = Y if action == DO_HIGH_Y or action == DO_LOW_Y else X
                total = (pointer if action == DO_POINTER_X else al) + st[by]
                odd |= st[by + 1] ^ 0xFF
                carry = total >> 8
                if action == DO_POINTER_X:
                    pointer = total & 0xFF
                else:
                    al = total & 0xFF
            if count == COUNT_PC:
                pc = (pc + 1) & 0xFFFF
            elif count != COUNT_NONE:
                st[S] = (st[S] + (1 if count == COUNT_S_UP else 0xFF)) & 0xFF
                odd |= st[SM] ^ 0xFF

            now += 1
            way = np.int64(1)
            if end == END_YES:
                way = np.int64(-1)
            elif end == END_UNTAKEN:
                value, known = st[P], st[PM]
                meaning = np.int64(table[MEANINGS_AT + op])
                bits, when_set = meaning & 0xCF, meaning & BRANCH_SET != 0
                odd |= (op == BBR) | (op == BBS) | (known & bits != bits)
                way = np.int64(1) if (value & bits != 0) == when_set else np.int64(-1)
            elif end == END_STAY:
                way = np.int64(0)
                odd |= action != DO_OPCODE
            elif end == END_SAME:
                way = np.int64(1) if carry else np.int64(-1)
            elif end != END_NO:
                decimal = np.int64(0)
                if end == END_BINARY or (end == END_SAME_BINARY and not carry):
                    odd |= st[PM] & FLAG_D ^ FLAG_D
                    decimal = st[P] & FLAG_D
                odd |= end == END_WOKEN
                if end == END_BINARY:
                    way = np.int64(1) if decimal else np.int64(-1)
                elif not carry:
                    way = np.int64(2) if end == END_SKIP_SAME or decimal else np.int64(-1)
            at += way
            if way < 0 or at == FETCH or odd:
                break
            if now == n:
                odd = np.int64(1)
                break
        if not odd:
            k = now
            rows += 1
            first = mismatch
    if odd:
        pc = np.int64(row_pc[rows])
        for j in range(5):
            st[2 * j + 2] = row_registers[rows, j]
            st[2 * j + 3] = row_known[rows, j]
    if k > begun:
        st[PC] = pc
        st[AL], st[AH], st[POINTER], st[LATCH], st[CARRY] = al, ah, pointer, latch, carry
        st[ALM] = st[AHM] = st[POINTERM] = st[LATCHM] = 0xFF
        st[CARRYM] = 1
        st[OPCODE], st[OPERATION], st[VECTOR] = code, op, 0
        # The pins in a fetch: as `show` has them.
        st[ADDRESS], st[ADDRESSM] = pc & lines, 0xFFFF
        st[OUT], st[OUTM], st[READ], st[CONTROLM] = 0, 0, 1, RW_BIT | SYNC_BIT
        st[DRIVES] = 0 if port and pc < 2 else 1
    return k, rows, first


@compiled_part
def _row_kind(st):
    """Kind of the running sequence, as far as it has shown itself."""
    if st[RUNNING] == RESET:
        return KIND_RESET
    if st[RUNNING] == INTERRUPT:
        return KIND_NMI if st[VECTOR] == 0xFFFA else KIND_IRQ
    if st[OPERATION] == BRK:
        return KIND_BRK_NMI if st[VECTOR] == 0xFFFA else KIND_BRK
    return KIND_INSTRUCTION


@compiled
def replay(
    st, table, reads, reads_known, pins, seen, captured, telling, stop_on_mismatch, meant, certain,
    off, row_cycle, row_kind, row_opcode, row_pc, row_pc_known, row_registers, row_known, counts,
):  # fmt: skip
    """Execute `reads.size` cycles and compare each prediction with what was observed.

    st int64 (STATE_FIELDS,), written; table int32, one row of the packed table. Inputs of n cycles,
    each of size n, or 0 where absent: reads, reads_known, pins uint8; seen, captured, telling
    uint32, the levels of the bus, which of them were observed, and which may decide what hangs on
    an unknown bit. Outputs of n cycles, uint32: meant, certain, off, the levels foretold, which of
    them are known, and which were observed otherwise. Outputs, one row a sequence: row_cycle int64,
    row_kind, row_opcode uint8 (n,), row_pc, row_pc_known uint16 (n,), row_registers, row_known
    uint8 (n, 5) as A X Y S P.
    counts int64 (5,), written: predicted cycles, ended cycles, rows, first mismatch or -1, reason;
    0 0 0 -1 0 to begin, as it was left to go on once what was undecided is settled.
    """
    n = reads.size
    k = counts[1]
    rows = counts[2]
    predicted = k
    first = counts[3]
    reason = RAN_OUT
    begins = rows == 0
    lane_from = k
    while k < n:
        if begins and k >= lane_from and _lane_is_open(st):
            reached, rows, first = _lane(
                st, table, reads, reads_known, pins, seen, captured, stop_on_mismatch, meant,
                certain, off, row_cycle, row_kind, row_opcode, row_pc, row_pc_known, row_registers,
                row_known, k, rows, first,
            )  # fmt: skip
            # Where it gets nowhere it is not tried at once again.
            lane_from = reached + (1 if reached > k else LANE_REST)
            k = predicted = reached
            if k == n:
                break
        entry_at = st[ENTRY]
        entry = np.int64(table[entry_at])
        if begins:
            row_cycle[rows] = k
            fetches = entry_at == FETCH and st[RUNNING] == INSTRUCTION
            row_kind[rows] = KIND_INSTRUCTION if fetches else _row_kind(st)
            row_opcode[rows] = reads[k] if fetches else st[OPCODE]
            row_pc[rows], row_pc_known[rows] = st[PC], st[PCM]
            for j in range(5):
                row_registers[rows, j], row_known[rows, j] = st[2 * j + 2], st[2 * j + 3]
            rows += 1

        # What the CPU shows, and how it compares.
        shown = st[READ] | (SYNC_BIT if entry_at == FETCH else 0)
        level = st[ADDRESS] | st[OUT] << OUT_AT | shown << CONTROL_AT
        sure = st[ADDRESSM] | st[OUTM] << OUT_AT | st[CONTROLM] << CONTROL_AT
        compared = sure if st[DRIVES] else sure & NO_DATA
        meant[k] = level | (0 if st[DRIVES] else 1 << INSIDE_AT)
        certain[k] = sure
        off[k] = 0
        predicted = k + 1
        if seen.size:
            wrong = (level ^ seen[k]) & captured[k] & compared
            off[k] = wrong
            if wrong:
                if first < 0:
                    first = k
                if stop_on_mismatch:
                    reason = DISAGREES
                    break

        levels = np.int64(pins[k]) if pins.size else ALL_HIGH
        datum = np.int64(reads[k])
        known = np.int64(reads_known[k]) if reads_known.size else 0xFF
        if not st[DRIVES]:
            known = 0  # levels at the port are not on the data pins
        waits = _waits(st, table, levels)
        if not waits:
            if entry_at == FETCH and known != 0xFF and not st[PENDING] and st[RUNNING] != RESET:
                reason = UNKNOWN_OPCODE
                break
            if _open(st, table, entry) and not _decide(st, table, entry, k, datum, seen, telling):
                reason = UNDECIDED
                break
        end_cycle(st, table, datum, known, levels)
        k += 1

        now = st[ENTRY]
        begins = (now == FETCH and not waits and entry_at != HELD) or (
            now == HELD and entry_at != HELD
        )
        if begins and not st[PM] & FLAG_I and seen.size and k + 1 < n:
            _interrupted(st, table, np.int64(pins[k]) if pins.size else ALL_HIGH, k, seen, captured)
        if not begins:
            if entry_at == FETCH and now != FETCH:
                row_opcode[rows - 1] = st[OPCODE]
                row_kind[rows - 1] = _row_kind(st)
            elif entry >> 7 & 31 == DO_VECTOR:
                row_kind[rows - 1] = _row_kind(st)
    counts[0] = predicted
    counts[1] = k
    counts[2] = rows
    counts[3] = first
    counts[4] = reason
