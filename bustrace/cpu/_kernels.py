"""Compiled heart of the executor: one cycle of the CPU on (value, mask of known bits) pairs.

Every value is carried as the CPU would have it if the initial registers were right; beside it goes
a mask of the bits that do not depend on anything unknown. With full masks this is the exact
simulator.

The numbers below are spelled out here, not imported: a compiled kernel is kept on disk until *this*
file changes, so a constant from another file would be served stale. A test holds them equal to the
vocabularies of `microcycles` and `opcodes`.
"""
# ruff: noqa: E741

from __future__ import annotations

import numpy as np
from numba import njit

# Fields of the state, int64 shape (STATE_FIELDS,). A mask follows its value.
(PC, PCM, A, AM, X, XM, Y, YM, S, SM, P, PM) = range(12)
(AL, ALM, AH, AHM, POINTER, POINTERM, LATCH, LATCHM, CARRY, CARRYM) = range(12, 22)
(ENTRY, OPERATION, OPCODE, RUNNING, VECTOR) = range(22, 27)
(PENDING, NMI_SEEN, NMI_LEVEL, IRQ_LINE, SO_LEVEL, RES_LEVEL) = range(27, 33)
(ADDRESS, ADDRESSM, OUT, OUTM, READ, CONTROLM) = range(33, 39)
STATE_FIELDS = 39

# RUNNING: what the current sequence is.
INSTRUCTION, INTERRUPT, RESET = range(3)

# Layout of one row of the packed table, int32.
ADDRESS_MASK_AT = 0
OPCODES_AT = 16
MODES_AT = 272
FETCH = MODES_AT
HELD = MODES_AT + 8

# Pin levels packed in one byte.
RES_PIN, IRQ_PIN, NMI_PIN, RDY_PIN, SO_PIN = 1, 2, 4, 8, 16

# CONTROLM and the control columns.
RW_BIT, SYNC_BIT = 1, 2

(
    AT_PC, AT_AD, AT_AD_NEXT, AT_PTR, AT_PTR_NEXT, AT_SP, AT_VEC, AT_VEC_NEXT, AT_FFFE, AT_FFFF
) = range(10)  # fmt: skip
(ACC_READ, ACC_STORE, ACC_LATCH, ACC_PCH, ACC_PCL, ACC_P) = range(6)
(
    DO_NOTHING, DO_OPCODE, DO_OPERATE, DO_ACCUMULATE, DO_LOAD, DO_LOAD_CARRY, DO_LOW, DO_LOW_X,
    DO_LOW_Y, DO_HIGH, DO_HIGH_X, DO_HIGH_Y, DO_CARRY, DO_CARRY_AND, DO_POINTER, DO_POINTER_X,
    DO_LATCH, DO_MODIFY, DO_OFFSET, DO_TARGET, DO_TARGET_CARRY, DO_JUMP, DO_FLAGS, DO_VECTOR,
) = range(24)  # fmt: skip
(COUNT_NONE, COUNT_PC, COUNT_S_UP, COUNT_S_DOWN) = range(4)
(END_NO, END_YES, END_SAME, END_UNTAKEN, END_STAY) = range(5)
(POLL_AT_END, POLL_ALWAYS, POLL_NEVER) = range(3)

(
    ADC, ALR, ANC, AND, ARR, ASL, BCC, BCS, BEQ, BIT, BMI, BNE, BPL, BRK, BVC, BVS, CLC, CLD, CLI,
    CLV, CMP, CPX, CPY, DCP, DEC, DEX, DEY, EOR, INC, INX, INY, ISC, JAM, JMP, JSR, LAS, LAX, LDA,
    LDX, LDY, LSR, LXA, NOP, ORA, PHA, PHP, PLA, PLP, RLA, ROL, ROR, RRA, RTI, RTS, SAX, SBC, SBX,
    SEC, SED, SEI, SHA, SHX, SHY, SLO, SRE, STA, STX, STY, TAS, TAX, TAY, TSX, TXA, TXS, TYA, XAA,
) = range(76)  # fmt: skip

FLAG_N, FLAG_V, FLAG_D, FLAG_I, FLAG_Z, FLAG_C = 0x80, 0x40, 0x08, 0x04, 0x02, 0x01

# What XAA and LXA or into A; it differs from die to die and with temperature (common practice).
MAGIC = 0xEE

# Why a replay stopped.
RAN_OUT, DISAGREES, UNDECIDED, UNKNOWN_OPCODE = range(4)

# Kinds of rows in the table of sequences.
KIND_INSTRUCTION, KIND_RESET, KIND_IRQ, KIND_NMI, KIND_BRK, KIND_BRK_NMI = range(6)


@njit(cache=True, nogil=True)
def _add(a, am, b, bm, c, cm):
    """Sum of two bytes and a carry: 9-bit sum, mask of its known bits, 1 if the carry is known.

    r0 is the sum with unknown bits 0, r1 with unknown bits 1; a bit whose operands are known is
    known where the two agree, since carries are monotone.
    """
    r0 = (a & am) + (b & bm) + (c & cm)
    r1 = (a | (am ^ 0xFF)) + (b | (bm ^ 0xFF)) + (c | (cm ^ 1))
    return a + b + c, am & bm & ~(r0 ^ r1) & 0xFF, 1 - ((r0 ^ r1) >> 8)


@njit(cache=True, nogil=True)
def _and_mask(a, am, b, bm):
    """Known bits of `a & b`: both known, or either known to be 0."""
    return (am & bm) | (am & ~a) | (bm & ~b)


@njit(cache=True, nogil=True)
def _set_flag(st, flag, on, known):
    st[P] = (st[P] | flag) if on else (st[P] & ~flag)
    st[PM] = (st[PM] | flag) if known else (st[PM] & ~flag)


@njit(cache=True, nogil=True)
def _set_nz(st, v, m):
    _set_flag(st, FLAG_N, v & 0x80, m & 0x80)
    _set_flag(st, FLAG_Z, v == 0, m == 0xFF or (v & m) != 0)


@njit(cache=True, nogil=True)
def _set_register(st, register, v, m):
    st[register] = v
    st[register + 1] = m
    _set_nz(st, v, m)


@njit(cache=True, nogil=True)
def _compare(st, register, v, m):
    total, known, carry_known = _add(st[register], st[register + 1], v ^ 0xFF, m, 1, 1)
    _set_nz(st, total & 0xFF, known)
    _set_flag(st, FLAG_C, total >> 8, carry_known)
    return total & 0xFF, known


@njit(cache=True, nogil=True)
def _add_to_a(st, v, m, subtract):
    """ADC, or SBC with `v` as read from the bus; NMOS decimal mode included.

    NMOS decimal mode: Z from the binary sum, N and V from the sum before its upper digit is
    corrected; SBC takes all flags from the binary difference (common practice; the makers' sheets
    call N, V and Z invalid there).
    """
    a, am = st[A], st[AM]
    c, cm = st[P] & FLAG_C, st[PM] & FLAG_C
    w = v ^ 0xFF if subtract else v
    total, known, carry_known = _add(a, am, w, m, c, cm)
    r = total & 0xFF
    carry = total >> 8
    overflow = (a ^ r) & (w ^ r) & 0x80
    overflow_known = am & m & known & 0x80
    _set_nz(st, r, known)
    if (st[P] | ~st[PM]) & FLAG_D:
        exact = am == 0xFF and m == 0xFF and cm and st[PM] & FLAG_D
        known = 0xFF if exact else 0
        carry_known = 1 if exact else 0
        overflow_known = carry_known
        if st[P] & FLAG_D:
            if subtract:
                low = (a & 15) - (v & 15) + c - 1
                if low < 0:
                    low = ((low - 6) & 15) - 16
                r = (a & 0xF0) - (v & 0xF0) + low
                if r < 0:
                    r -= 0x60
                r &= 0xFF
            else:
                low = (a & 15) + (v & 15) + c
                if low > 9:
                    low = ((low + 6) & 15) + 16
                r = (a & 0xF0) + (v & 0xF0) + low
                st[P] = (st[P] & ~FLAG_N) | (r & FLAG_N)
                overflow = (a ^ r) & (v ^ r) & 0x80
                if r > 0x9F:
                    r += 0x60
                carry = 1 if r > 0xFF else 0
                r &= 0xFF
        if not exact:
            st[PM] &= ~(FLAG_N | FLAG_Z)
    _set_flag(st, FLAG_V, overflow, overflow_known)
    _set_flag(st, FLAG_C, carry, carry_known)
    st[A] = r
    st[AM] = known


@njit(cache=True, nogil=True)
def _arr(st, v, m):
    """ARR: AND, then ROR with flags of its own; in decimal mode the digits are corrected."""
    t = st[A] & v
    tm = _and_mask(st[A], st[AM], v, m)
    c = st[P] & FLAG_C
    cm = st[PM] & FLAG_C
    r = (t >> 1) | (c << 7)
    rm = (tm >> 1) | (cm << 7)
    _set_register(st, A, r, rm)
    carry = r >> 6 & 1
    overflow = (r >> 6 ^ r >> 5) & 1
    known = rm & 0x60 == 0x60
    if (st[P] | ~st[PM]) & FLAG_D:
        known = rm == 0xFF and tm == 0xFF and (st[PM] & FLAG_D) != 0
        if not known:
            st[AM] = 0
            st[PM] &= ~(FLAG_N | FLAG_Z)
        if st[P] & FLAG_D:
            overflow = (t ^ r) & 0x40
            if (t & 15) + (t & 1) > 5:
                r = (r & 0xF0) | ((r + 6) & 15)
            carry = 0
            if (t & 0xF0) + (t & 0x10) > 0x50:
                carry = 1
                r = (r + 0x60) & 0xFF
            st[A] = r
    _set_flag(st, FLAG_V, overflow, known)
    _set_flag(st, FLAG_C, carry, known)


@njit(cache=True, nogil=True)
def _modify(st, op, v, m):
    """Result and mask of a read-modify-write mnemonic; sets flags and, where it combines, A."""
    c = st[P] & FLAG_C
    cm = st[PM] & FLAG_C
    if op == INC or op == ISC:
        total, rm, _ = _add(v, m, 1, 0xFF, 0, 1)
        r = total & 0xFF
    elif op == DEC or op == DCP:
        total, rm, _ = _add(v, m, 0xFF, 0xFF, 0, 1)
        r = total & 0xFF
    elif op == ASL or op == SLO or op == ROL or op == RLA:
        rotate = op == ROL or op == RLA
        r = (v << 1 & 0xFF) | (c if rotate else 0)
        rm = (m << 1 & 0xFF) | (cm if rotate else 1)
        _set_flag(st, FLAG_C, v & 0x80, m & 0x80)
    else:
        rotate = op == ROR or op == RRA
        r = v >> 1 | (c << 7 if rotate else 0)
        rm = m >> 1 | (cm << 7 if rotate else 0x80)
        _set_flag(st, FLAG_C, v & 1, m & 1)
    if op == SLO:
        _load(st, ORA, r, rm)
    elif op == RLA:
        _load(st, AND, r, rm)
    elif op == SRE:
        _load(st, EOR, r, rm)
    elif op == RRA:
        _add_to_a(st, r, rm, False)
    elif op == ISC:
        _add_to_a(st, r, rm, True)
    elif op == DCP:
        _compare(st, A, r, rm)
    else:
        _set_nz(st, r, rm)
    return r, rm


@njit(cache=True, nogil=True)
def _load(st, op, v, m):
    """Meaning of a mnemonic that takes a byte from the bus."""
    a, am = st[A], st[AM]
    if op == LDA or op == PLA:
        _set_register(st, A, v, m)
    elif op == LDX:
        _set_register(st, X, v, m)
    elif op == LDY:
        _set_register(st, Y, v, m)
    elif op == LAX:
        _set_register(st, A, v, m)
        _set_register(st, X, v, m)
    elif op == AND:
        _set_register(st, A, a & v, _and_mask(a, am, v, m))
    elif op == ORA:
        _set_register(st, A, a | v, (am & m) | (am & a) | (m & v))
    elif op == EOR:
        _set_register(st, A, a ^ v, am & m)
    elif op == ADC:
        _add_to_a(st, v, m, False)
    elif op == SBC:
        _add_to_a(st, v, m, True)
    elif op == CMP:
        _compare(st, A, v, m)
    elif op == CPX:
        _compare(st, X, v, m)
    elif op == CPY:
        _compare(st, Y, v, m)
    elif op == BIT:
        both = _and_mask(a, am, v, m)
        _set_flag(st, FLAG_Z, a & v == 0, both == 0xFF or (a & v & both) != 0)
        _set_flag(st, FLAG_N, v & 0x80, m & 0x80)
        _set_flag(st, FLAG_V, v & 0x40, m & 0x40)
    elif op == PLP:
        _set_status(st, v, m)
    elif op == ANC:
        _set_register(st, A, a & v, _and_mask(a, am, v, m))
        _set_flag(st, FLAG_C, st[A] & 0x80, st[AM] & 0x80)
    elif op == ALR:
        st[A], st[AM] = _modify_lsr(st, a & v, _and_mask(a, am, v, m))
    elif op == ARR:
        _arr(st, v, m)
    elif op == SBX:
        both = _and_mask(a, am, st[X], st[XM])
        st[X] &= a
        st[XM] = both
        st[X], st[XM] = _compare(st, X, v, m)
    elif op == LAS:
        r = v & st[S]
        rm = _and_mask(v, m, st[S], st[SM])
        st[S] = r
        st[SM] = rm
        _set_register(st, X, r, rm)
        _set_register(st, A, r, rm)
    elif op == XAA or op == LXA:
        # MAGIC cannot be relied on: a bit is known only where A has a 1 or the rest gives 0.
        rest, restm = v, m
        if op == XAA:
            rest = v & st[X]
            restm = _and_mask(v, m, st[X], st[XM])
        r = (a | MAGIC) & rest
        rm = (am & a & restm) | (restm & ~rest)
        _set_register(st, A, r, rm)
        if op == LXA:
            _set_register(st, X, r, rm)


@njit(cache=True, nogil=True)
def _modify_lsr(st, v, m):
    _set_flag(st, FLAG_C, v & 1, m & 1)
    _set_nz(st, v >> 1, m >> 1 | 0x80)
    return v >> 1, m >> 1 | 0x80


@njit(cache=True, nogil=True)
def _set_status(st, v, m):
    st[P] = (v | 0x20) & 0xEF
    st[PM] = m | 0x30


@njit(cache=True, nogil=True)
def _operate(st, op):
    """Meaning of a mnemonic that touches registers only."""
    if op == TAX:
        _set_register(st, X, st[A], st[AM])
    elif op == TAY:
        _set_register(st, Y, st[A], st[AM])
    elif op == TXA:
        _set_register(st, A, st[X], st[XM])
    elif op == TYA:
        _set_register(st, A, st[Y], st[YM])
    elif op == TSX:
        _set_register(st, X, st[S], st[SM])
    elif op == TXS:
        st[S] = st[X]
        st[SM] = st[XM]
    elif op == INX or op == INY or op == DEX or op == DEY:
        register = X if op == INX or op == DEX else Y
        step = 1 if op == INX or op == INY else 0xFF
        total, known, _ = _add(st[register], st[register + 1], step, 0xFF, 0, 1)
        _set_register(st, register, total & 0xFF, known)
    elif op == CLC or op == SEC:
        _set_flag(st, FLAG_C, op == SEC, True)
    elif op == CLI or op == SEI:
        _set_flag(st, FLAG_I, op == SEI, True)
    elif op == CLD or op == SED:
        _set_flag(st, FLAG_D, op == SED, True)
    elif op == CLV:
        _set_flag(st, FLAG_V, False, True)


@njit(cache=True, nogil=True)
def _stored(st, op):
    """Byte and mask that a storing mnemonic puts on the data pins."""
    if op == STA or op == PHA:
        return st[A], st[AM]
    if op == STX or op == SHX:
        return st[X], st[XM]
    if op == STY or op == SHY:
        return st[Y], st[YM]
    if op == PHP:
        return st[P] | 0x30, st[PM] | 0x30
    return st[A] & st[X], _and_mask(st[A], st[AM], st[X], st[XM])


@njit(cache=True, nogil=True)
def _branch_flag(op):
    """Flag that a branch looks at, and the level at which it is taken."""
    if op == BPL or op == BMI:
        return FLAG_N, op == BMI
    if op == BVC or op == BVS:
        return FLAG_V, op == BVS
    if op == BCC or op == BCS:
        return FLAG_C, op == BCS
    return FLAG_Z, op == BEQ


@njit(cache=True, nogil=True)
def _untaken(st):
    flag, level = _branch_flag(st[OPERATION])
    return ((st[P] & flag) != 0) != level


@njit(cache=True, nogil=True)
def _step_pc(st):
    if st[PCM] == 0xFFFF:
        st[PC] = (st[PC] + 1) & 0xFFFF
        return
    low, lowm, carrym = _add(st[PC] & 0xFF, st[PCM] & 0xFF, 1, 0xFF, 0, 1)
    high, highm, _ = _add(st[PC] >> 8, st[PCM] >> 8, low >> 8, 0xFF, 0, 1)
    if not carrym:
        highm = 0
    st[PC] = (high & 0xFF) << 8 | (low & 0xFF)
    st[PCM] = highm << 8 | lowm


@njit(cache=True, nogil=True)
def _index(st, field, register):
    """Add an index register to a byte of the address; the carry is kept apart."""
    total, known, carry_known = _add(st[field], st[field + 1], st[register], st[register + 1], 0, 1)
    st[field] = total & 0xFF
    st[field + 1] = known
    st[CARRY] = total >> 8
    st[CARRYM] = carry_known


@njit(cache=True, nogil=True)
def _carry_into_high(st):
    if st[CARRYM]:
        total, known, _ = _add(st[AH], st[AHM], st[CARRY], 0xFF, 0, 1)
    else:
        total, known = st[AH] + st[CARRY], 0
    st[AH] = total & 0xFF
    st[AHM] = known


@njit(cache=True, nogil=True)
def _act(st, table, action, data, datam):
    """Do what the microcycle says with the byte on the data pins."""
    op = st[OPERATION]
    if action == DO_OPCODE:
        code = data
        if st[RUNNING] == RESET or st[PENDING]:
            if st[RUNNING] != RESET:
                st[RUNNING] = INTERRUPT
            code = 0
        else:
            _step_pc(st)
        st[PENDING] = 0
        st[VECTOR] = 0
        st[OPCODE] = code
        word = table[OPCODES_AT + code]
        st[OPERATION] = word >> 8
        st[ENTRY] = MODES_AT + 8 * (word & 0xFF)
    elif action == DO_LOAD or (action == DO_LOAD_CARRY and not st[CARRY]):
        _load(st, op, data, datam)
    elif action == DO_LOW:
        st[AL], st[ALM], st[AH], st[AHM] = data, datam, 0, 0xFF
    elif action == DO_HIGH or action == DO_HIGH_X or action == DO_HIGH_Y:
        st[AH], st[AHM] = data, datam
        if action != DO_HIGH:
            _index(st, AL, X if action == DO_HIGH_X else Y)
    elif action == DO_LATCH or action == DO_OFFSET:
        st[LATCH], st[LATCHM] = data, datam
    elif action == DO_OPERATE:
        _operate(st, op)
    elif action == DO_ACCUMULATE:
        st[A], st[AM] = _modify(st, op, st[A], st[AM])
    elif action == DO_JUMP:
        st[PC] = data << 8 | st[LATCH]
        st[PCM] = datam << 8 | st[LATCHM]
    elif action == DO_TARGET:
        offset = st[LATCH] - 256 if st[LATCH] & 0x80 else st[LATCH]
        low = (st[PC] & 0xFF) + offset
        st[CARRY] = low >> 8
        st[PC] = (st[PC] & 0xFF00) | (low & 0xFF)
    elif action == DO_TARGET_CARRY:
        st[PC] = (st[PC] + (st[CARRY] << 8)) & 0xFFFF
    elif action == DO_CARRY or action == DO_LOAD_CARRY:
        _carry_into_high(st)
    elif action == DO_LOW_X or action == DO_LOW_Y:
        _index(st, AL, X if action == DO_LOW_X else Y)
    elif action == DO_MODIFY:
        st[LATCH], st[LATCHM] = _modify(st, op, st[LATCH], st[LATCHM])
    elif action == DO_POINTER:
        st[POINTER], st[POINTERM] = data, datam
    elif action == DO_POINTER_X:
        _index(st, POINTER, X)
    elif action == DO_CARRY_AND:
        v, m = _stored(st, op)
        if op == TAS:
            st[S], st[SM] = v, m
        high, highm, _ = _add(st[AH], st[AHM], 1, 0xFF, 0, 1)
        st[LATCH] = v & high & 0xFF
        st[LATCHM] = _and_mask(v, m, high & 0xFF, highm)
        if st[CARRY]:
            st[AH], st[AHM] = st[LATCH], st[LATCHM]
        if not st[CARRYM]:
            st[AHM] = 0
    elif action == DO_FLAGS:
        _set_status(st, data, datam)
    elif action == DO_VECTOR:
        if st[RUNNING] == RESET:
            st[VECTOR] = 0xFFFC
            st[NMI_SEEN] = 0
        elif st[NMI_SEEN]:
            st[VECTOR] = 0xFFFA
            st[NMI_SEEN] = 0
        else:
            st[VECTOR] = 0xFFFE
        _set_flag(st, FLAG_I, True, True)


@njit(cache=True, nogil=True)
def _ends(st, end):
    """Whether the instruction ends with this cycle."""
    if end == END_YES:
        return True
    if end == END_SAME:
        return st[CARRY] == 0
    return end == END_UNTAKEN and _untaken(st)


@njit(cache=True, nogil=True)
def _end_cycle(st, table, data, datam, pins):
    """End the current cycle with these pins and show the next one."""
    entry_at = st[ENTRY]
    entry = table[entry_at]
    poll = entry >> 17 & 3
    end = entry >> 14 & 7
    # What is looked at now was latched at the end of the cycle before.
    if (poll == POLL_ALWAYS or (poll == POLL_AT_END and _ends(st, end))) and (
        st[NMI_SEEN] or (st[IRQ_LINE] and not st[P] & FLAG_I)
    ):
        st[PENDING] = 1

    if pins & RDY_PIN or not st[READ]:
        action = entry >> 7 & 31
        _act(st, table, action, data, datam)
        count = entry >> 12 & 3
        if count == COUNT_PC:
            if st[RUNNING] == INSTRUCTION:
                _step_pc(st)
        elif count != COUNT_NONE:
            step = 1 if count == COUNT_S_UP else 0xFF
            total, known, _ = _add(st[S], st[SM], step, 0xFF, 0, 1)
            st[S], st[SM] = total & 0xFF, known
        if _ends(st, end):
            st[ENTRY] = FETCH
            st[RUNNING] = INSTRUCTION
        elif end != END_STAY:
            st[ENTRY] = entry_at + 1

    # RES acts two cycles after its level; what the aborted instruction did is not known.
    if not st[RES_LEVEL]:
        if entry_at != HELD:
            st[PCM] = st[AM] = st[XM] = st[YM] = st[SM] = 0
            st[PM] = 0x30
        st[ENTRY] = HELD
        st[PENDING] = 0
        st[RUNNING] = RESET
    elif entry_at == HELD:
        st[ENTRY] = FETCH

    if st[NMI_LEVEL] and not pins & NMI_PIN:
        st[NMI_SEEN] = 1
    if st[SO_LEVEL] and not pins & SO_PIN:
        _set_flag(st, FLAG_V, True, True)
    st[RES_LEVEL] = pins & RES_PIN
    st[NMI_LEVEL] = pins & NMI_PIN
    st[SO_LEVEL] = pins & SO_PIN
    st[IRQ_LINE] = 0 if pins & IRQ_PIN else 1
    _show(st, table)


@njit(cache=True, nogil=True)
def _show(st, table):
    """Put the current cycle's address, data and R/W on the pins."""
    entry = table[st[ENTRY]]
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
    else:
        address, mask = 0xFFFE if where == AT_FFFE else 0xFFFF, 0xFFFF

    access = entry >> 4 & 7
    out, outm = 0, 0
    if access == ACC_STORE:
        out, outm = _stored(st, st[OPERATION])
    elif access == ACC_LATCH:
        out, outm = st[LATCH], st[LATCHM]
    elif access == ACC_PCH:
        out, outm = st[PC] >> 8, st[PCM] >> 8
    elif access == ACC_PCL:
        out, outm = st[PC] & 0xFF, st[PCM] & 0xFF
    elif access == ACC_P:
        out = st[P] | (0x30 if st[RUNNING] == INSTRUCTION else 0x20)
        outm = st[PM] | 0x30
    st[READ] = 1
    if access != ACC_READ and st[RUNNING] != RESET:
        st[READ] = 0
    else:
        out, outm = 0, 0
    st[CONTROLM] = RW_BIT | SYNC_BIT
    if st[ENTRY] == HELD:
        mask = 0
    elif not st[RES_LEVEL]:
        mask, outm = 0, 0
        st[CONTROLM] = 0
    st[ADDRESS] = address & table[ADDRESS_MASK_AT]
    st[ADDRESSM] = mask & table[ADDRESS_MASK_AT]
    st[OUT] = out
    st[OUTM] = outm


@njit(cache=True, nogil=True)
def show(st, table):
    """Put the current cycle on the pins, after `st` was filled in by the caller.

    st : int64 (STATE_FIELDS,), written; table : int32, one row of the packed table.
    """
    _show(st, table)


@njit(cache=True, nogil=True)
def end_cycle(st, table, data, pins):
    """End one cycle: `data` the byte on the data pins, `pins` the levels (RES_PIN | ...).

    st : int64 (STATE_FIELDS,), written; table : int32, one row of the packed table.
    """
    _end_cycle(st, table, data, 0xFF, pins)


@njit(cache=True, nogil=True)
def _decided(st, entry):
    """Whether the way on from this cycle follows from what is known."""
    end = entry >> 14 & 7
    if end == END_UNTAKEN:
        flag, _ = _branch_flag(st[OPERATION])
        return (st[PM] & flag) != 0
    if end == END_SAME:
        if entry >> 7 & 31 == DO_TARGET:
            return st[PCM] == 0xFFFF and st[LATCHM] == 0xFF
        return st[CARRYM] != 0
    return True


@njit(cache=True, nogil=True)
def _agrees(k, address, address_known, expected):
    return (address[k] ^ expected) & address_known[k] == 0


@njit(cache=True, nogil=True)
def _decide(st, entry, k, offset, address, address_known, control, control_known):
    """Let the observed cycles after `k` choose the way on; True when they do.

    SYNC in the next cycle decides. Else the next address; the two ways of a branch read the same
    address next, so there it is the address after it.
    """
    target = entry >> 7 & 31 == DO_TARGET
    untaken = entry >> 14 & 7 == END_UNTAKEN
    if target or st[PCM] != 0xFFFF:
        return False
    ends = -1
    if k + 1 < control.size and control_known[k + 1] & SYNC_BIT:
        ends = 1 if control[k + 1] & SYNC_BIT else 0
    elif k + 2 < address.size:
        if untaken:
            pc = (st[PC] + 1) & 0xFFFF
            at = k + 2
            way_on = (pc & 0xFF00) | ((pc + offset) & 0xFF)
            way_out = (pc + 1) & 0xFFFF
        else:
            at = k + 1
            way_on = ((st[AH] + 1) & 0xFF) << 8 | st[AL]
            way_out = st[PC]
        on = _agrees(at, address, address_known, way_on)
        out = _agrees(at, address, address_known, way_out)
        if on != out:
            ends = 1 if out else 0
    if ends < 0:
        return False
    if untaken:
        flag, level = _branch_flag(st[OPERATION])
        _set_flag(st, flag, level != (ends == 1), True)
    else:
        st[CARRY] = 1 - ends
        st[CARRYM] = 1
    return True


@njit(cache=True, nogil=True)
def _row_kind(st):
    """Kind of the running sequence, as far as it has shown itself."""
    if st[RUNNING] == RESET:
        return KIND_RESET
    if st[RUNNING] == INTERRUPT:
        return KIND_NMI if st[VECTOR] == 0xFFFA else KIND_IRQ
    if st[OPERATION] == BRK:
        return KIND_BRK_NMI if st[VECTOR] == 0xFFFA else KIND_BRK
    return KIND_INSTRUCTION


@njit(cache=True, nogil=True)
def replay(
    st, table, reads, reads_known, pins, address, address_known, data, data_known, control,
    control_known, stop_on_mismatch, out_address, out_address_known, out_data, out_data_known,
    out_control, out_control_known, bad_address, bad_data, bad_control, row_cycle, row_kind,
    row_opcode, row_registers, row_known, counts,
):  # fmt: skip
    """Execute `reads.size` cycles and compare each prediction with what was observed.

    st int64 (STATE_FIELDS,), written; table int32, one row of the packed table. Inputs of n cycles,
    each of size n, or 0 where absent: reads, reads_known, pins, data, data_known, control,
    control_known uint8; address, address_known uint16. Outputs of n cycles: out_address,
    out_address_known, bad_address uint16; out_data, out_data_known, out_control,
    out_control_known, bad_data, bad_control uint8. Outputs, one row a sequence: row_cycle int64,
    row_kind, row_opcode uint8 (n,), row_registers, row_known uint16 (n, 6) as PC A X Y S P.
    counts int64 (5,), written: predicted cycles, ended cycles, rows, first mismatch or -1, reason.
    """
    n = reads.size
    rows = 0
    predicted = 0
    ended = 0
    first = -1
    reason = RAN_OUT
    begins = True
    for k in range(n):
        entry_at = st[ENTRY]
        entry = table[entry_at]
        if begins:
            row_cycle[rows] = k
            row_kind[rows] = _row_kind(st)
            row_opcode[rows] = st[OPCODE]
            row_registers[rows, 0] = st[PC]
            row_known[rows, 0] = st[PCM]
            for j in range(1, 6):
                row_registers[rows, j] = st[2 * j]
                row_known[rows, j] = st[2 * j + 1]
            rows += 1

        # What the CPU shows, and how it compares.
        shown = st[READ] | (SYNC_BIT if entry_at == FETCH else 0)
        out_address[k] = st[ADDRESS]
        out_address_known[k] = st[ADDRESSM]
        out_data[k] = st[OUT]
        out_data_known[k] = st[OUTM]
        out_control[k] = shown
        out_control_known[k] = st[CONTROLM]
        predicted = k + 1
        wrong = 0
        if address.size:
            bad_address[k] = (address[k] ^ st[ADDRESS]) & address_known[k] & st[ADDRESSM]
            wrong = wrong | bad_address[k]
        if data.size:
            bad_data[k] = (data[k] ^ st[OUT]) & data_known[k] & st[OUTM]
            wrong = wrong | bad_data[k]
        if control.size:
            bad_control[k] = (control[k] ^ shown) & control_known[k] & st[CONTROLM]
            wrong = wrong | bad_control[k]
        if wrong:
            if first < 0:
                first = k
            if stop_on_mismatch:
                reason = DISAGREES
                break

        levels = pins[k] if pins.size else 31
        datum = reads[k]
        known = reads_known[k] if reads_known.size else 0xFF
        waits = st[READ] and not levels & RDY_PIN
        if not waits:
            if entry_at == FETCH and known != 0xFF and not st[PENDING] and st[RUNNING] != RESET:
                reason = UNKNOWN_OPCODE
                break
            if not _decided(st, entry) and not _decide(
                st, entry, k, datum, address, address_known, control, control_known
            ):
                reason = UNDECIDED
                break
        _end_cycle(st, table, datum, known, levels)
        ended = k + 1

        now = st[ENTRY]
        begins = (now == FETCH and not waits and entry_at != HELD) or (
            now == HELD and entry_at != HELD
        )
        if not begins:
            if entry_at == FETCH and now != FETCH:
                row_opcode[rows - 1] = st[OPCODE]
                row_kind[rows - 1] = _row_kind(st)
            elif entry >> 7 & 31 == DO_VECTOR:
                row_kind[rows - 1] = _row_kind(st)
    counts[0] = predicted
    counts[1] = ended
    counts[2] = rows
    counts[3] = first
    counts[4] = reason
