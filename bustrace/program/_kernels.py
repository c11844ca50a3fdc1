"""Compiled search for the instructions that cycles were: the best path over opcode fetches.

Every cycle may be an opcode fetch, a *node*. From a node lead edges: each opcode that the captured
data bits allow in each of its lengths, an interrupt, a reset, or one cycle that is no program. An
edge is walked through the microcycle table; what the table foretells and what was captured are
compared as log-odds against uniform bits. Of the edges that end in a node the best one is kept,
with the registers it leads to; best edges backwards from the end are the program.

The numbers below are spelled out here, not imported: a compiled kernel is kept on disk until *this*
file changes. A test holds them equal to those of `bustrace.cpu`.
"""
# Chains of `==` compile in a fraction of the time of `in` with a tuple.
# ruff: noqa: SIM109

from __future__ import annotations

import numpy as np

from bustrace.compiled import compiled, compiled_part

# Fields of a walker, int64 (WALKER_FIELDS,); the first NODE_FIELDS are kept in a node. A mask of
# known bits follows its value.
(PC, PCM, A, AM, X, XM, Y, YM, S, SM, P, PM) = range(12)
(STACK, PEEK, PEEKM, MODE, FETCHED) = range(12, 17)
NODE_FIELDS = 17
(AL, ALM, AH, AHM, POINTER, POINTERM, LATCH, LATCHM, CARRY, CARRYM) = range(17, 27)
(ENTRY, OPERATION, OPCODE, RUNNING, VECTOR) = range(27, 32)
(AT, SCORE, BASE, BASEM, INDEX, PULLED, PULLEDM, WAITS, STAGE, LOST, SKIPS, RUNS, PAID) = range(
    32, 45
)
WALKER_FIELDS = 45

# RUNNING: what the current sequence is. MODE of a node: what came before it.
INSTRUCTION, INTERRUPT, RESET = range(3)
PLAIN, JAMMED, WAITING, ASTRAY = range(4)

# Kind of the edge that led to a node.
BY_INSTRUCTION, BY_RESET, BY_IRQ, BY_NMI, BY_BRK, BY_NOTHING, BY_STAYING = range(7)

# Columns of `links`, int32 (n, LINK_FIELDS).
(FROM, EDGE, CODE, OTHER, BEHIND) = range(5)
LINK_FIELDS = 5

# Layout of one row of the packed table, int32, and the fields of its entries.
ADDRESS_MASK_AT, FEATURES_AT, OPCODES_AT, MEANINGS_AT, MODES_AT = 0, 1, 16, 272, 400
FETCH, HELD = MODES_AT, MODES_AT + 8
HAS_CMOS, HAS_PORT = 1, 2
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

# Mnemonics with a rule of their own; UNNAMED stands for any of a shape.
ADC, ANC, ARR, BIT, BRK, JAM, PLP, SBC, SBX = 0, 2, 4, 9, 13, 32, 47, 55, 56
BBR, BBS, RMB, SMB, TRB, TSB, STP, WAI = 76, 77, 84, 85, 88, 89, 86, 90
UNNAMED = 127

FLAG_N, FLAG_V, FLAG_D, FLAG_I, FLAG_Z, FLAG_C = 0x80, 0x40, 0x08, 0x04, 0x02, 0x01

# Fields of a packed meaning.
AND_NONE, AND_A, AND_X, AND_S = range(4)
SHIFT_NONE, SHIFT_LEFT, SHIFT_RIGHT, STEP_UP, STEP_DOWN = range(5)
WITH_NOTHING, WITH_OR, WITH_XOR, WITH_AND, WITH_MAGIC, WITH_ADD, WITH_SUBTRACT = range(7)
FORCE_NONE, FORCE_ONE, FORCE_ZERO = range(3)
FROM_P, FROM_AX, FROM_ZERO, TO_A, TO_S, BRANCH_SET = 5, 6, 7, 1 << 24, 1 << 27, 2 << 28

# A captured cycle packed in an int64: address, its mask, data, its mask, and these bits.
AMASK_AT, DATA_AT, DMASK_AT = 16, 32, 40
RW_AT, RW_KNOWN_AT, HELD_AT, REPEATS_AT = 48, 49, 50, 51

# Prices in sixteenths of a bit, int64 (PRICES,).
(
    WRONG, STRAY, STRAYS_ON, BEAM, BY_INTERRUPT, AS_NMI, AFTER_RESET, SKIPPED, WAITED, AGAINST,
    HEALED, HEALED_DATA, CROSSES, DOUBT, EITHER, GAP_DOUBT, HOPED,
) = range(17)  # fmt: skip
PRICES = 17
BIT_UNITS = 16
TIE = 4 * BIT_UNITS
"""Another way into a node that is no worse than that may have been the true one."""

NO_SCORE = -(1 << 60)
AHEAD = 64
"""Nodes past the one at hand that an edge may reach."""

FORKS = 48
"""Walkers that wait while another one walks."""

MOST_WALKS = 32
"""Walkers that one opcode may take."""

# Choices of what a fetch begins; an opcode below BREAK_IN is what was captured.
BREAK_IN, SHAPE, ONE_BIT_OFF = 256, 512, 1024

# STAGE of a walker in its cycle: it has been compared, the way on is chosen, the capture lacks it.
COMPARED, CHOSEN, LACKING = 1, 2, 4

# The one array that all parts work on, int64: the walker, then these. A helper with one array is
# called in a tenth of the time of one with ten.
FETCHED_AT, PRICES_AT, COUNTS_AT, TABLE_AT = 64, 128, 160, 192
TABLE_WORDS = MODES_AT + 640
PRIORS_AT = TABLE_AT + TABLE_WORDS
SHAPES_AT = PRIORS_AT + 256
CHOICES_AT = SHAPES_AT + 256
CHOICES = 300
PENDING_AT = CHOICES_AT + CHOICES
STACKS_AT = PENDING_AT + FORKS * WALKER_FIELDS

# Counts: first free stack cell, walkers that wait, number of shapes, node reached with the least
# loss, that loss, the score below which a walker is given up where the one at hand is, whether
# the capture may lack cycles or have waits, what the node reached paid for what was wrong, and the
# loss from which the beam is counted, whatever has been reached.
TOP, WALKERS, SHAPES, FAR, FAR_LOSS, LEAST, GAPS, FAR_PAID, MOST_LOSS = range(9)


@compiled_part
def _ones(v):
    """How many of 16 bits are set."""
    v = v - ((v >> 1) & 0x5555)
    v = (v & 0x3333) + ((v >> 2) & 0x3333)
    v = (v + (v >> 4)) & 0x0F0F
    return (v + (v >> 8)) & 0x1F


@compiled_part
def _add(a, am, b, bm, c, cm):
    """Sum of two bytes and a carry: 9-bit sum, mask of its known bits, 1 if the carry is known."""
    r0 = (a & am) + (b & bm) + (c & cm)
    r1 = (a | (am ^ 0xFF)) + (b | (bm ^ 0xFF)) + (c | (cm ^ 1))
    return a + b + c, am & bm & ~(r0 ^ r1) & 0xFF, 1 - ((r0 ^ r1) >> 8)


@compiled_part
def _and_mask(a, am, b, bm):
    """Known bits of `a & b`."""
    return (am & bm) | (am & ~a) | (bm & ~b)


@compiled_part
def _decimal(a, v, carry, subtract):
    """Decimal sum or difference of bytes that are wholly known: result and carry (NMOS)."""
    if subtract:
        low = (a & 15) - (v & 15) + carry - 1
        if low < 0:
            low = ((low - 6) & 15) - 16
        r = (a & 0xF0) - (v & 0xF0) + low
        if r < 0:
            r -= 0x60
        return r & 0xFF
    low = (a & 15) + (v & 15) + carry
    if low > 9:
        low = ((low + 6) & 15) + 16
    r = (a & 0xF0) + (v & 0xF0) + low
    if r > 0x9F:
        r += 0x60
    return r


@compiled_part
def _mean(w, v, m):
    """What a mnemonic makes of the byte it takes in; returns what a read-modify-write puts back.

    As in the executor, but flags that parts disagree on in decimal mode are left unknown, and so is
    what depends on the die.
    """
    op = w[OPERATION]
    if op == UNNAMED:
        w[AM], w[XM], w[YM], w[PM] = 0, 0, 0, 0x30
        return v, 0
    meaning = w[TABLE_AT + MEANINGS_AT + op]
    a, am = w[A], w[AM]
    c, cm = w[P] & FLAG_C, w[PM] & FLAG_C
    overflow, overflowm = w[P] & FLAG_V, w[PM] & FLAG_V
    source = meaning >> 17 & 7
    first = meaning >> 8 & 3
    shift = meaning >> 10 & 7
    combine = meaning >> 14 & 7
    against = meaning >> 20 & 3
    force = meaning >> 22 & 3
    if source:
        v, m = w[2 * source], w[2 * source + 1]
    if first == AND_A:
        v, m = v & a, _and_mask(v, m, a, am)
    elif first == AND_X:
        v, m = v & w[X], _and_mask(v, m, w[X], w[XM])
    elif first == AND_S:
        v, m = v & w[S], _and_mask(v, m, w[S], w[SM])

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
    back, backm = v, m

    if combine == WITH_OR:
        v, m = a | v, (am & m) | (am & a) | (m & v)
    elif combine == WITH_XOR:
        v, m = a ^ v, am & m
    elif combine == WITH_AND:
        v, m = a & v, _and_mask(a, am, v, m)
    elif combine == WITH_MAGIC:
        v, m = a & v, m & ~v

    n, nm, z, zm = v, m, v, m
    if combine == WITH_ADD or combine == WITH_SUBTRACT:
        if against:
            a, am = w[2 * against], w[2 * against + 1]
            if op == SBX:
                a, am = a & w[X], _and_mask(a, am, w[X], w[XM])
            c, cm = 1, 1
        other = v ^ 0xFF if combine == WITH_SUBTRACT else v
        total, known, carry_known = _add(a, am, other, m, c, cm)
        r = total & 0xFF
        overflow = (a ^ r) & (other ^ r) & 0x80
        overflowm = am & m & known & 0x80
        n, nm, z, zm = r, known, r, known
        if not against and (w[P] & FLAG_D or not w[PM] & FLAG_D):
            whole = am & m == 0xFF and cm and w[PM] & FLAG_D
            overflowm, nm, zm = 0, 0, 0
            if whole:
                r = _decimal(a, v, c, combine == WITH_SUBTRACT)
                total = total if combine == WITH_SUBTRACT else r
                r &= 0xFF
                if w[TABLE_AT + FEATURES_AT] & HAS_CMOS:
                    n, nm, z, zm = r, 0xFF, r, 0xFF
                elif combine == WITH_SUBTRACT:
                    nm, zm = 0xFF, 0xFF
            known = 0xFF if whole else 0
            carry_known = 1 if whole else 0
        v, m, c, cm = r, known, total >> 8, carry_known
    elif op == ARR:
        m, nm, zm, cm, overflowm = 0, 0, 0, 0, 0
    elif op == ANC:
        c, cm = v >> 7, m >> 7
    elif op == BIT:
        z, zm = a & v, _and_mask(a, am, v, m)
        overflow, overflowm = v & 0x40, m & 0x40
    elif op == TSB or op == TRB:
        z, zm = a & v, _and_mask(a, am, v, m)
        if op == TSB:
            back, backm = a | v, (am & m) | (am & a) | (m & v)
        else:
            back, backm = v & ~a, (am & m) | (am & a) | (m & ~v)
    elif op == RMB or op == SMB:
        bit = 1 << (w[OPCODE] >> 4 & 7)
        back, backm = v | bit if op == SMB else v & ~bit, m | bit

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
    w[P] = (w[P] & ~changed) | (flags & changed)
    w[PM] = (w[PM] & ~changed) | (known & changed)
    for register in range(4):  # A, X, Y, S
        if meaning & TO_A << register:
            w[A + 2 * register], w[AM + 2 * register] = v, m
    if meaning & TO_S:
        w[STACK] = STACKS_AT
    return back, backm


@compiled_part
def _stored(w):
    """Byte and mask that a storing mnemonic puts on the data pins."""
    if w[OPERATION] == UNNAMED:
        return 0, 0
    source = w[TABLE_AT + MEANINGS_AT + w[OPERATION]] >> 17 & 7
    if source == FROM_AX:
        return w[A] & w[X], _and_mask(w[A], w[AM], w[X], w[XM])
    if source == FROM_ZERO:
        return 0, 0xFF
    always = 0x30 if source == FROM_P else 0
    return w[2 * source] | always, w[2 * source + 1] | always


@compiled_part
def _address(w, where):
    """Address that the table foretells, and its known bits."""
    if where == AT_PC:
        return w[PC], w[PCM]
    if where == AT_AD:
        return w[AH] << 8 | w[AL], w[AHM] << 8 | w[ALM]
    if where == AT_SP:
        return 0x100 | w[S], 0xFF00 | w[SM]
    if where == AT_PTR:
        return w[POINTER], 0xFF00 | w[POINTERM]
    if where == AT_VEC:
        return w[VECTOR], 0xFFFF
    if where == AT_VEC_NEXT:
        return w[VECTOR] | 1, 0xFFFF
    if where == AT_PTR_NEXT:
        total, known, _ = _add(w[POINTER], w[POINTERM], 1, 0xFF, 0, 1)
        return total & 0xFF, 0xFF00 | known
    if where == AT_AD_NEXT:
        total, known, _ = _add(w[AL], w[ALM], 1, 0xFF, 0, 1)
        return w[AH] << 8 | (total & 0xFF), w[AHM] << 8 | known
    if where == AT_FFFE or where == AT_FFFF:
        return 0xFFFE if where == AT_FFFE else 0xFFFF, 0xFFFF
    address, mask = w[AH] << 8 | w[AL], w[AHM] << 8 | w[ALM]
    if where == AT_AD_1:
        differ = ((address & mask) + 1) ^ ((address | (mask ^ 0xFFFF)) + 1)
        return (address + 1) & 0xFFFF, mask & ~differ
    last = (w[PC] - 1) & 0xFFFF
    lastm = w[PCM] & ~(((w[PC] & w[PCM]) - 1) ^ ((w[PC] | (w[PCM] ^ 0xFFFF)) - 1))
    if where == AT_AD_LAST and w[CARRYM] and not w[CARRY]:
        return address, mask
    if where == AT_AD_LAST and not w[CARRYM]:
        return address, mask & lastm & ~(address ^ last)
    return last, lastm if where == AT_LAST or where == AT_AD_LAST else 0


@compiled_part
def _believe(w, where, address, known):
    """Take over what the bus shows of the address: the program counter, a pointer, an index."""
    if where == AT_PC:
        w[PC] = (w[PC] & ~known) | (address & known)
        w[PCM] |= known
        return
    low = known & 0xFF
    value = address & 0xFF
    if where == AT_SP:
        w[S] = (w[S] & ~low) | (value & low)
        w[SM] |= low
    elif where == AT_PTR:
        w[POINTER] = (w[POINTER] & ~low) | (value & low)
        w[POINTERM] |= low
    elif where == AT_AD:
        index = w[INDEX]
        if index:
            # The sum and one operand, from the lowest bit up, give the other operand.
            run = low & w[BASEM]
            run = ((run ^ (run + 1)) >> 1) & 0xFF
            w[index] = (w[index] & ~run) | ((value - w[BASE]) & run)
            w[index + 1] |= run
        w[AL] = (w[AL] & ~low) | (value & low)
        w[ALM] |= low
        high = known >> 8
        w[AH] = (w[AH] & ~high) | (address >> 8 & high)
        w[AHM] |= high
        if index and not w[CARRYM] and w[ALM] & w[BASEM] == 0xFF:
            w[CARRY], w[CARRYM] = 1 if w[AL] < w[BASE] else 0, 1


@compiled_part
def _forget(w, where):
    """What the bus contradicts in an address was not known."""
    if where == AT_AD and w[INDEX]:
        w[w[INDEX] + 1] = 0
        w[CARRYM] = 0


@compiled_part
def _written(w, access):
    """Byte that a write shows, and its known bits."""
    if access == ACC_STORE:
        return _stored(w)
    if access == ACC_LATCH:
        return w[LATCH], w[LATCHM]
    if access == ACC_PCH:
        return w[PC] >> 8, w[PCM] >> 8
    if access == ACC_PCL:
        return w[PC] & 0xFF, w[PCM] & 0xFF
    return w[P] | (0x30 if w[RUNNING] == INSTRUCTION else 0x20), w[PM] | 0x30


@compiled_part
def _learn_written(w, access, value, known):
    """Take over what a write shows of a register."""
    if access == ACC_STORE:
        if w[OPERATION] == UNNAMED:
            return
        source = w[TABLE_AT + MEANINGS_AT + w[OPERATION]] >> 17 & 7
        if source == FROM_AX or source == FROM_ZERO:
            return
        if source == FROM_P:
            known &= 0xCF
        w[2 * source] = (w[2 * source] & ~known) | (value & known)
        w[2 * source + 1] |= known
    elif access == ACC_LATCH:
        w[LATCH] = (w[LATCH] & ~known) | (value & known)
        w[LATCHM] |= known
    elif access == ACC_PCH:
        w[PC] = (w[PC] & ~(known << 8)) | (value & known) << 8
        w[PCM] |= known << 8
    elif access == ACC_PCL:
        w[PC] = (w[PC] & ~known) | (value & known)
        w[PCM] |= known
    else:
        known &= 0xCF
        w[P] = (w[P] & ~known) | (value & known)
        w[PM] |= known


@compiled_part
def _foretold(w, where):
    """Byte that a read should show, and its known bits: pulled, or read twice."""
    if where == AT_SP:
        return w[PULLED], w[PULLEDM]
    if where != AT_PC:
        return 0, 0
    return w[PEEK], w[PEEKM]


@compiled_part
def _act(w, entry, data, datam):
    """Do what a microcycle says with the byte that was read."""
    action = entry >> 7 & 31
    if (
        action == DO_OPERATE
        or action == DO_ACCUMULATE
        or action == DO_MODIFY
        or (action == DO_OPERATE_CARRY and not w[CARRY])
    ):
        # Called in one place: each one is compiled anew.
        of = A if action == DO_ACCUMULATE else LATCH
        v, m = data, datam
        if action == DO_ACCUMULATE or action == DO_MODIFY:
            v, m = w[of], w[of + 1]
        v, m = _mean(w, v, m)
        if action == DO_ACCUMULATE or action == DO_MODIFY:
            w[of], w[of + 1] = v, m
    elif action == DO_LOW:
        w[AL], w[ALM], w[AH], w[AHM] = data, datam, 0, 0xFF
    elif action == DO_HIGH or action == DO_HIGH_X or action == DO_HIGH_Y:
        w[AH], w[AHM] = data, datam
    elif action == DO_LATCH or action == DO_LATCH_CARRY:
        w[LATCH], w[LATCHM] = data, datam
    elif action == DO_POINTER:
        w[POINTER], w[POINTERM] = data, datam
    elif action == DO_JUMP:
        w[PC], w[PCM], w[PEEKM] = data << 8 | w[LATCH], datam << 8 | w[LATCHM], 0
    elif action == DO_TARGET:
        _branch(w)
    elif action == DO_TARGET_CARRY:
        w[PC] = (w[PC] + (w[CARRY] << 8)) & 0xFFFF
        if not w[CARRYM]:
            w[PCM] &= 0xFF
        w[PEEKM] = 0
    elif action == DO_FLAGS:
        w[P], w[PM] = (data | 0x20) & 0xEF, datam | 0x30
    elif action == DO_VECTOR:
        w[P] |= FLAG_I
        w[PM] |= FLAG_I
        if w[TABLE_AT + FEATURES_AT] & HAS_CMOS:
            w[P] &= ~FLAG_D
            w[PM] |= FLAG_D
    if (
        action == DO_CARRY
        or action == DO_OPERATE_CARRY
        or action == DO_CARRY_AND
        or action == DO_LATCH_CARRY
    ):
        _carry(w, action)


@compiled_part
def _branch(w):
    """Take a branch: the low byte of its target, and the carry into the high one."""
    low = (w[PC] & 0xFF) + w[LATCH] - ((w[LATCH] & 0x80) << 1)
    if w[PCM] & 0xFF == 0xFF and w[LATCHM] == 0xFF:
        w[PC] = (w[PC] & 0xFF00) | (low & 0xFF)
    else:
        w[PC] = (w[PC] & 0xFF00) | (low & 0xFF)
        w[PCM] &= 0xFF00
        if w[LATCHM] & 0x80 == 0 and w[CARRY]:
            w[CARRYM] = 0
    w[PEEKM] = 0


@compiled_part
def _carry(w, action):
    """Carry an index into the high address byte."""
    high, highm, _ = _add(w[AH], w[AHM], 1, 0xFF, 0, 1)
    high &= 0xFF
    if action == DO_CARRY_AND:
        v, m = _stored(w)
        if w[OPERATION] != UNNAMED and w[TABLE_AT + MEANINGS_AT + w[OPERATION]] & TO_S:
            w[S], w[SM] = v, m
        m = _and_mask(v, m, high, highm)
        high, highm = v & high, m
        w[LATCH], w[LATCHM] = high, m
    if w[CARRY]:
        w[AH], w[AHM] = high, highm
    if not w[CARRYM]:
        w[AHM] = 0
    w[INDEX] = 0


@compiled_part
def _count(w, entry):
    """Count and index as a microcycle says, after its action."""
    action = entry >> 7 & 31
    count = entry >> 12 & 3
    field = -1
    if action == DO_HIGH_X or action == DO_HIGH_Y or action == DO_LOW_X or action == DO_LOW_Y:
        field = AL
    elif action == DO_POINTER_X:
        field = POINTER
    if field >= 0:
        by = Y if action == DO_HIGH_Y or action == DO_LOW_Y else X
        w[BASE], w[BASEM], w[INDEX] = w[field], w[field + 1], by
        if field == POINTER:
            w[INDEX] = 0
        total, known, carry_known = _add(w[field], w[field + 1], w[by], w[by + 1], 0, 1)
        w[field], w[field + 1] = total & 0xFF, known
        w[CARRY], w[CARRYM] = total >> 8, carry_known
        if action == DO_LOW_X or action == DO_LOW_Y:
            w[CARRY], w[CARRYM] = 0, 1
    elif count == COUNT_S_UP or count == COUNT_S_DOWN:
        total, known, _ = _add(w[S], w[SM], 1 if count == COUNT_S_UP else 0xFF, 0xFF, 0, 1)
        w[S], w[SM] = total & 0xFF, known
        if count == COUNT_S_UP:
            top = w[STACK]
            w[PULLED], w[PULLEDM] = w[top + 1] & 0xFF, w[top + 1] >> 8
            w[STACK] = w[top]
    if count == COUNT_PC and w[RUNNING] == INSTRUCTION:
        differ = ((w[PC] & w[PCM]) + 1) ^ ((w[PC] | (w[PCM] ^ 0xFFFF)) + 1)
        w[PCM] &= ~differ
        w[PC] = (w[PC] + 1) & 0xFFFF
        w[PEEKM] = 0


@compiled_part
def _open(w, entry):
    """What decides whether the instruction goes on: 0 nothing, 1 carry, 2 flags, 3 a data bit.

    Returns that, the bits it looks at, and the side that is believed: 1 goes on, 0 ends, 2 open.
    """
    end = entry >> 14 & 15
    if end == END_SAME or end == END_SKIP_SAME or end == END_SAME_BINARY:
        if entry >> 7 & 31 == DO_TARGET:
            if w[PCM] & 0xFF != 0xFF or w[LATCHM] != 0xFF:
                return 1, 0, 2
            low = (w[PC] & 0xFF) + w[LATCH] - ((w[LATCH] & 0x80) << 1)
            return 1, 0, 0 if low >> 8 == 0 else 1
        return 1, 0, 2 if not w[CARRYM] else 1 if w[CARRY] else 0
    if end == END_UNTAKEN:
        if w[OPERATION] == UNNAMED:
            return 2, 0, 2
        if w[OPERATION] == BBR or w[OPERATION] == BBS:
            bits = 1 << (w[OPCODE] >> 4 & 7)
            taken = (w[POINTER] & bits != 0) == (w[OPERATION] == BBS)
            return 3, bits, 2 if not w[POINTERM] & bits else 1 if taken else 0
        meaning = w[TABLE_AT + MEANINGS_AT + w[OPERATION]]
        bits = meaning & 0xCF
        taken = (w[P] & bits != 0) == (meaning & BRANCH_SET != 0)
        return 2, bits, 2 if w[PM] & bits != bits else 1 if taken else 0
    if end == END_BINARY:
        return 2, FLAG_D, 2 if not w[PM] & FLAG_D else 1 if w[P] & FLAG_D else 0
    return 0, 0, 2


@compiled_part
def _choose(w, entry, what, bits, on):
    """Take one side of what is open, and know from then on what that means."""
    w[STAGE] |= CHOSEN
    end = entry >> 14 & 15
    if what == 1:
        w[CARRY], w[CARRYM] = on, 1
        if on:
            w[SCORE] -= w[PRICES_AT + CROSSES]
        if on and entry >> 7 & 31 == DO_TARGET and w[LATCH] & 0x80:
            w[CARRY] = -1
    elif end == END_BINARY:
        w[P] = (w[P] & ~FLAG_D) | (FLAG_D if on else 0)
        w[PM] |= FLAG_D
        w[LOST] = 1 - on
    else:
        w[LOST] = 1 - on
        if what == 3:
            value = bits if (on == 1) == (w[OPERATION] == BBS) else 0
            w[POINTER], w[POINTERM] = (w[POINTER] & ~bits) | value, w[POINTERM] | bits
        elif bits:
            meaning = w[TABLE_AT + MEANINGS_AT + w[OPERATION]]
            value = bits if (on == 1) == (meaning & BRANCH_SET != 0) else 0
            w[P], w[PM] = (w[P] & ~bits) | value, w[PM] | bits


@compiled_part
def _way_on(w, entry):
    """Entries to go on by: 0 is this cycle again, -1 the next opcode."""
    end = entry >> 14 & 15
    if end == END_NO:
        return 1
    if end == END_YES or end == END_STAY or end == END_WOKEN:
        return -1
    if end == END_UNTAKEN or end == END_BINARY:
        return -1 if w[LOST] else 1
    if w[CARRY]:
        return 1
    if end == END_SKIP_SAME or (end == END_SAME_BINARY and w[P] & FLAG_D):
        return 2
    return -1


@compiled_part
def _fork(w):
    """Keep a copy of the walker for later."""
    waiting = w[COUNTS_AT + WALKERS]
    if waiting < FORKS and w[SCORE] >= w[COUNTS_AT + LEAST]:
        at = PENDING_AT + waiting * WALKER_FIELDS
        for k in range(WALKER_FIELDS):
            w[at + k] = w[k]
        w[COUNTS_AT + WALKERS] = waiting + 1


@compiled_part
def _fork_gaps(w, cycle):
    """Walk on as though this cycle were a wait, or as though the capture lacked a cycle here."""
    held = w[WAITS]
    if not w[SKIPS]:
        w[STAGE], w[SKIPS] = COMPARED | LACKING, 1
        w[SCORE] -= w[PRICES_AT + SKIPPED]
        _fork(w)
        w[SCORE] += w[PRICES_AT + SKIPPED]
        w[STAGE], w[SKIPS] = 0, 0
    if cycle >> REPEATS_AT & 1 and (held or w[RUNS] < 2):
        price = 0 if held else w[PRICES_AT + WAITED]
        # A wait gains what any cycle that is explained gains.
        gains = BIT_UNITS * (_ones(cycle >> AMASK_AT & 0xFFFF) + (cycle >> RW_KNOWN_AT & 1))
        w[WAITS] = 1
        w[RUNS] += 1 - held
        w[AT] += 1
        w[SCORE] += gains - price
        _fork(w)
        w[WAITS] = held
        w[RUNS] -= 1 - held
        w[AT] -= 1
        w[SCORE] -= gains - price


@compiled_part
def _compare(w, cycle, entry):
    """Compare one cycle with what the table foretells, and believe the bus.

    Returns the byte that was read or written, and its known bits.
    """
    where = entry & 15
    access = entry >> 4 & 7
    writes = access != ACC_READ and w[RUNNING] != RESET
    address, mask = _address(w, where)
    captured = cycle >> AMASK_AT & 0xFFFF
    both = mask & captured
    off = (cycle ^ address) & both
    gain = BIT_UNITS * _ones(both)
    wrong = 0
    if off:
        wrong = _ones(off)
        gain -= min((w[PRICES_AT + WRONG] + BIT_UNITS) * wrong, w[PRICES_AT + HEALED])
    if cycle >> RW_KNOWN_AT & 1:
        if (cycle >> RW_AT & 1) == (0 if writes else 1):
            gain += BIT_UNITS
        else:
            gain -= w[PRICES_AT + WRONG]
            wrong += 1
    data = cycle >> DATA_AT & 0xFF
    known = cycle >> DMASK_AT & 0xFF
    if w[TABLE_AT + FEATURES_AT] & HAS_PORT and mask == 0xFFFF and address < 2 and where != AT_PC:
        known = 0
    if writes:
        value, valuem = _written(w, access)
    else:
        value, valuem = _foretold(w, where)
    told = valuem & known
    if told:
        gain += BIT_UNITS * _ones(told)
        clash = _ones((value ^ data) & told)
        if clash:
            gain -= min((w[PRICES_AT + WRONG] + BIT_UNITS) * clash, w[PRICES_AT + HEALED_DATA])
            wrong += clash
    if wrong:
        if w[COUNTS_AT + GAPS]:
            _fork_gaps(w, cycle)
        w[PAID] += 1
    w[SCORE] += gain
    if writes:
        _learn_written(w, access, data, known)
    if off:
        if off & (off - 1):
            _forget(w, where)
        else:
            # One bit: the capture may be wrong, not what is known.
            w[STAGE] |= COMPARED
            _fork(w)
            w[STAGE] &= ~COMPARED
    _believe(w, where, cycle & 0xFFFF, captured)
    return (data & known) | (value & valuem & ~known), known | valuem


@compiled_part
def _end_cycle(w, entry, data, datam):
    """What happens at the end of a cycle: push, act, count, pull."""
    where = entry & 15
    if where == AT_SP and entry >> 4 & 7 != ACC_READ and w[RUNNING] != RESET:
        top = w[COUNTS_AT + TOP]
        w[top] = w[STACK]
        w[top + 1] = data | datam << 8
        w[STACK] = top
        w[COUNTS_AT + TOP] = top + 2
    w[PULLEDM] = 0
    if where == AT_PC and entry >> 12 & 3 == COUNT_NONE:
        w[PEEK], w[PEEKM] = data, datam
    _act(w, entry, data, datam)
    _count(w, entry)


@compiled_part
def _fork_ways(w, entry):
    """Where the way on is not certain keep a walker for the other way, and take one."""
    what, bits, side = _open(w, entry)
    if not what:
        return
    other = 1 if side == 2 else 1 - side
    # An even chance where it is open, else against what is believed.
    even = w[PRICES_AT + EITHER] if side == 2 else 0
    carry, carrym, p, pm = w[CARRY], w[CARRYM], w[P], w[PM]
    pointer, pointerm, lost, score = w[POINTER], w[POINTERM], w[LOST], w[SCORE]
    stage = w[STAGE]
    w[STAGE] |= COMPARED
    w[SCORE] -= even if side == 2 else w[PRICES_AT + AGAINST]
    _choose(w, entry, what, bits, other)
    _fork(w)
    w[CARRY], w[CARRYM], w[P], w[PM] = carry, carrym, p, pm
    w[POINTER], w[POINTERM], w[LOST], w[SCORE] = pointer, pointerm, lost, score - even
    w[STAGE] = stage
    _choose(w, entry, what, bits, 1 - other)


@compiled_part
def _fork_vectors(w):
    """Choose the vector: an NMI may come, or take that of a BRK (NMOS)."""
    if w[RUNNING] == RESET:
        w[VECTOR] = 0xFFFC
        return
    if w[RUNNING] == INTERRUPT or not w[TABLE_AT + FEATURES_AT] & HAS_CMOS:
        w[VECTOR] = 0xFFFA
        w[SCORE] -= w[PRICES_AT + AS_NMI]
        w[AT] += 1
        w[ENTRY] += 1
        _fork(w)
        w[ENTRY] -= 1
        w[AT] -= 1
        w[SCORE] += w[PRICES_AT + AS_NMI]
    w[VECTOR] = 0xFFFE


@compiled_part
def _walk(w, cycles, potential, floor, limit):
    """Walk an instruction to its end: True, or False where it fell too far behind."""
    n = cycles.size
    while True:
        at = w[AT]
        if at >= n:
            return True
        w[COUNTS_AT + LEAST] = potential[at] - floor
        if at > limit or w[SCORE] < w[COUNTS_AT + LEAST]:
            return False
        entry = w[TABLE_AT + w[ENTRY]]
        if w[STAGE] & LACKING:
            data, known = np.int64(0), np.int64(0)
        elif w[STAGE] & COMPARED:
            data, known = cycles[at] >> DATA_AT & 0xFF, cycles[at] >> DMASK_AT & 0xFF
        else:
            data, known = _compare(w, cycles[at], entry)
        if entry >> 14 & 15 >= END_SAME and not w[STAGE] & CHOSEN:
            _fork_ways(w, entry)
        _end_cycle(w, entry, data, known)
        lacking = w[STAGE] & LACKING
        w[STAGE] = 0
        if entry >> 7 & 31 == DO_VECTOR:
            _fork_vectors(w)
        way = _way_on(w, entry)
        w[LOST] = 0
        if not lacking:
            w[AT] = at + 1
            w[WAITS] = 0
        if way < 0:
            return True
        w[ENTRY] += way


@compiled_part
def _kind(w):
    """Kind of the edge that was walked."""
    if w[RUNNING] == RESET:
        return BY_RESET
    if w[RUNNING] == INTERRUPT:
        return BY_NMI if w[VECTOR] == 0xFFFA else BY_IRQ
    if w[OPCODE] == 0 and w[OPERATION] == BRK:
        return BY_NMI if w[VECTOR] == 0xFFFA else BY_BRK
    return BY_INSTRUCTION


@compiled_part
def _fetch_gain(w, cycle):
    """What the address, R/W and byte of the next cycle say of a fetch there."""
    captured = cycle >> AMASK_AT & 0xFFFF
    if cycle >> HELD_AT & 1:
        return BIT_UNITS * (_ones(captured) + (cycle >> RW_KNOWN_AT & 1)), 0
    address, mask = w[PC], w[PCM]
    if w[MODE] == JAMMED:
        address, mask = np.int64(0xFFFF), np.int64(0xFFFF)
    both = mask & captured
    gain = BIT_UNITS * _ones(both)
    off = (cycle ^ address) & both
    wrong = 0
    if off:
        wrong = _ones(off)
        gain -= min((w[PRICES_AT + WRONG] + BIT_UNITS) * wrong, w[PRICES_AT + HEALED])
    if cycle >> RW_KNOWN_AT & 1:
        gain += BIT_UNITS if cycle >> RW_AT & 1 else -w[PRICES_AT + WRONG]
        wrong += 1 - (cycle >> RW_AT & 1)
    told = w[PEEKM] & cycle >> DMASK_AT & 0xFF
    if told:
        gain += BIT_UNITS * _ones(told)
        clash = _ones((w[PEEK] ^ cycle >> DATA_AT) & told)
        if clash:
            gain -= min((w[PRICES_AT + WRONG] + BIT_UNITS) * clash, w[PRICES_AT + HEALED_DATA])
            wrong += clash
    return gain, wrong


@compiled_part
def _agree(w, nodes, end):
    """Know of the registers only what two ways into a node that explain as much agree on."""
    for j in range(A, PM, 2):
        both = w[j + 1] & nodes[end, j + 1] & ~(w[j] ^ nodes[end, j])
        w[j + 1] = both
        nodes[end, j + 1] = both


@compiled_part
def _arrive(w, nodes, scores, links, cycles, potential, start, kind, code):
    """Keep the edge that ends in a node if it is the best so far; whether it is.

    The fetch in that node counts: it shows whether the program counter is right.
    """
    end = w[AT]
    gain, wrong = np.int64(0), np.int64(0)
    loss = potential[end]
    if end < cycles.size:
        gain, wrong = _fetch_gain(w, cycles[end])
        loss = potential[end + 1]
    score = w[SCORE] + gain
    loss -= score
    if links[end, FROM] != start and scores[end] > NO_SCORE and abs(score - scores[end]) < TIE:
        _agree(w, nodes, end)
    if score <= scores[end]:
        if links[end, FROM] == start and links[end, CODE] != code:
            behind = scores[end] - score
            if links[end, OTHER] < 0 or behind < links[end, BEHIND]:
                links[end, OTHER] = code
                links[end, BEHIND] = min(behind, 1 << 20)
        return False
    links[end, OTHER] = -1
    if links[end, FROM] == start and links[end, CODE] != code and scores[end] > NO_SCORE:
        links[end, OTHER] = links[end, CODE]
        links[end, BEHIND] = min(score - scores[end], 1 << 20)
    w[FETCHED] = gain
    scores[end] = score
    for k in range(NODE_FIELDS):
        nodes[end, k] = w[k]
    links[end, FROM] = start
    links[end, EDGE] = kind
    links[end, CODE] = code
    if w[COUNTS_AT + FAR] <= start or loss <= w[COUNTS_AT + FAR_LOSS]:
        w[COUNTS_AT + FAR] = end
        w[COUNTS_AT + FAR_LOSS] = loss
        w[COUNTS_AT + FAR_PAID] = wrong + w[PAID]
    return True


@compiled_part
def _stray(w, nodes, scores, links, cycles, potential, t):
    """One cycle that is no program, or more of what a stopped CPU shows."""
    for k in range(NODE_FIELDS):
        w[k] = nodes[t, k]
    cycle = cycles[t]
    mode = w[MODE]
    score = scores[t]
    kind = BY_NOTHING
    if cycle >> HELD_AT & 1:
        w[AM], w[XM], w[YM], w[PM], w[PCM], w[SM], w[STACK] = 0, 0, 0, 0x30, 0, 0, STACKS_AT
    elif mode == JAMMED or mode == WAITING:
        # One place is read again and again: it gives one byte.
        w[PEEK], w[PEEKM] = cycle >> DATA_AT & 0xFF, cycle >> DMASK_AT & 0xFF
        kind = BY_STAYING
    else:
        score -= w[FETCHED]
        score -= w[PRICES_AT + STRAYS_ON] if mode == ASTRAY else w[PRICES_AT + STRAY]
        # What was missed may have counted on, or gone elsewhere.
        w[AM], w[XM], w[YM], w[PM], w[PCM] = 0, 0, 0, 0x30, 0
        w[PEEKM] = 0
        w[MODE] = ASTRAY
    w[SCORE] = score
    w[AT] = t + 1
    w[PAID] = 1
    _arrive(w, nodes, scores, links, cycles, potential, t, kind, -1)


@compiled_part
def _fetch(w, nodes, cycle, t, score):
    """The opcode fetch, the same for all opcodes; the walker after it is kept at FETCHED_AT."""
    for k in range(NODE_FIELDS):
        w[k] = nodes[t, k]
    for k in range(NODE_FIELDS, WALKER_FIELDS):
        w[k] = 0
    w[CARRYM] = 1
    captured = cycle >> DMASK_AT & 0xFF
    w[SCORE] = score + BIT_UNITS * (_ones(captured) - 8)
    w[PEEK], w[PEEKM] = cycle >> DATA_AT & 0xFF, captured
    _believe(w, AT_PC, cycle & 0xFFFF, cycle >> AMASK_AT & 0xFFFF)
    w[AT] = t + 1
    w[MODE] = PLAIN
    for k in range(WALKER_FIELDS):
        w[FETCHED_AT + k] = w[k]


@compiled_part
def _set_out(w, choice):
    """A walker in the second cycle of what a choice says; the opcode to be noted for it."""
    for k in range(WALKER_FIELDS):
        w[k] = w[FETCHED_AT + k]
    code = choice & 0xFF
    shown = code
    if choice >> 9 == 1:
        code, shown = w[SHAPES_AT + 2 * code], -1
    word = w[TABLE_AT + OPCODES_AT + code]
    w[OPCODE], w[OPERATION] = code, word >> 8
    w[ENTRY] = MODES_AT + 8 * (word & 0xFF)
    if choice == BREAK_IN or choice == BREAK_IN + 1:
        w[RUNNING] = INTERRUPT
        w[SCORE] -= w[PRICES_AT + BY_INTERRUPT]
        if choice == BREAK_IN + 1:
            w[OPCODE], w[OPERATION] = 0, w[TABLE_AT + OPCODES_AT] >> 8
            w[ENTRY] = MODES_AT + 8 * (w[TABLE_AT + OPCODES_AT] & 0xFF)
            w[RUNNING] = RESET
            w[SCORE] += w[PRICES_AT + BY_INTERRUPT] - w[PRICES_AT + AFTER_RESET]
            w[AM], w[XM], w[YM], w[PM], w[STACK] = 0, 0, 0, 0x30, STACKS_AT
        return -1
    if choice >> 9 == 1:
        w[OPERATION] = UNNAMED
        w[SCORE] += w[SHAPES_AT + 2 * (choice & 0xFF) + 1]
    else:
        w[SCORE] += w[PRIORS_AT + code]
        if choice >= ONE_BIT_OFF:
            w[SCORE] -= w[PRICES_AT + WRONG] + BIT_UNITS
    differ = ((w[PC] & w[PCM]) + 1) ^ ((w[PC] | (w[PCM] ^ 0xFFFF)) + 1)
    w[PC], w[PCM] = (w[PC] + 1) & 0xFFFF, w[PCM] & ~differ
    w[PEEKM] = 0
    return shown


@compiled_part
def _add_choices(w, number, data, captured, above):
    """All opcodes that the captured data bits allow."""
    free = captured ^ 0xFF
    subset = free
    while number < CHOICES:
        w[CHOICES_AT + number] = (data & captured) | subset | above
        number += 1
        if subset == 0:
            break
        subset = (subset - 1) & free
    return number


@compiled_part
def _may_break_in(cycles, t):
    """Whether an interrupt or a reset may begin: one place is then read twice."""
    if t + 1 >= cycles.size:
        return True
    one, other = cycles[t], cycles[t + 1]
    address = (one ^ other) & one >> AMASK_AT & other >> AMASK_AT & 0xFFFF
    data = (one ^ other) >> DATA_AT & one >> DMASK_AT & other >> DMASK_AT & 0xFF
    writes = other >> RW_KNOWN_AT & 1 and not other >> RW_AT & 1
    return not writes and _ones(address) + _ones(data) <= 2


@compiled_part
def _add_shapes(w, cycles, t, loss):
    """All bus shapes of which the third cycle may be what was captured; how many.

    Where no data was captured all walkers have the same second cycle, and the third one tells most
    of them: the zero page, the stack, or the next byte of the program.
    """
    number = 0
    within = t + 2 < cycles.size
    cycle = cycles[t + 2] if within else np.int64(0)
    captured = cycle >> AMASK_AT & 0xFFFF
    high = captured & 0xFF00
    zero, stack = _ones(cycle & high), _ones((cycle ^ 0x100) & high)
    told = captured & (w[PCM] ^ (w[PCM] + 1)) >> 1  # the bits known from the lowest one up
    same, following = _ones((cycle ^ (w[PC] + 1)) & told), _ones((cycle ^ (w[PC] + 2)) & told)
    floor = min(w[COUNTS_AT + FAR_LOSS], w[COUNTS_AT + MOST_LOSS]) + w[PRICES_AT + BEAM]
    for k in range(w[COUNTS_AT + SHAPES]):
        at = MODES_AT + 8 * (w[TABLE_AT + OPCODES_AT + w[SHAPES_AT + 2 * k]] & 0xFF)
        entry, after = w[TABLE_AT + at], w[TABLE_AT + at + 1]
        end, where = entry >> 14 & 15, after & 15
        wrong = 0
        if end == END_YES or end == END_UNTAKEN or where == AT_PC:
            wrong = following if entry >> 12 & 3 == COUNT_PC else same
        elif where == AT_SP:
            wrong = stack
        elif where == AT_PTR or where == AT_AD:
            wrong = zero
        price = min((w[PRICES_AT + WRONG] + BIT_UNITS) * wrong, w[PRICES_AT + HEALED])
        if at == FETCH or not within or price - w[SHAPES_AT + 2 * k + 1] <= floor - loss:
            w[CHOICES_AT + number] = SHAPE + k
            number += 1
    return number


@compiled_part
def _first_choices(w, cycles, t, captured, data, mode, loss):
    """What a fetch may begin; how many choices there are."""
    number = 0
    if mode != JAMMED:
        if captured:
            number = _add_choices(w, 0, data, captured, 0)
        else:
            number = _add_shapes(w, cycles, t, loss)
        if not _may_break_in(cycles, t):
            return number
        w[CHOICES_AT + number] = BREAK_IN
        number += 1
    w[CHOICES_AT + number] = BREAK_IN + 1
    return number + 1


@compiled_part
def _last_cycle_waits(w, cycles, t):
    """Take the next cycle for a wait in the last one, where no fetch fits there."""
    at = w[AT]
    if at >= cycles.size or at > t + AHEAD - 8 or not cycles[at] >> REPEATS_AT & 1:
        return False
    _, wrong = _fetch_gain(w, cycles[at])
    if not wrong:
        return False
    w[SCORE] += BIT_UNITS * (
        _ones(cycles[at] >> AMASK_AT & 0xFFFF) + (cycles[at] >> RW_KNOWN_AT & 1)
    )
    w[SCORE] -= 0 if w[WAITS] else w[PRICES_AT + WAITED]
    w[WAITS] = 1
    w[AT] = at + 1
    return True


@compiled_part
def _explore(w, nodes, scores, links, cycles, potential, t, choice):
    """Walk what a choice begins, in all its lengths."""
    shown = _set_out(w, choice)
    mark = w[COUNTS_AT + TOP]
    useful = False
    w[COUNTS_AT + WALKERS] = 0
    for _ in range(MOST_WALKS):
        done = w[ENTRY] == FETCH  # an instruction of one cycle
        if not done:
            floor = min(w[COUNTS_AT + FAR_LOSS], w[COUNTS_AT + MOST_LOSS]) + w[PRICES_AT + BEAM]
            done = _walk(w, cycles, potential, floor, t + AHEAD - 4)
        if done:
            kind = _kind(w)
            if kind == BY_INSTRUCTION:
                if w[OPERATION] == JAM or w[OPERATION] == STP:
                    w[MODE], w[PEEKM] = JAMMED, 0
                elif w[OPERATION] == WAI:
                    w[MODE] = WAITING
            while True:
                if _arrive(w, nodes, scores, links, cycles, potential, t, kind, shown):
                    useful = True
                if not w[COUNTS_AT + GAPS] or not _last_cycle_waits(w, cycles, t):
                    break
        waiting = w[COUNTS_AT + WALKERS] - 1
        if waiting < 0:
            break
        w[COUNTS_AT + WALKERS] = waiting
        for j in range(WALKER_FIELDS):
            w[j] = w[PENDING_AT + waiting * WALKER_FIELDS + j]
    if not useful:
        w[COUNTS_AT + TOP] = mark


@compiled
def search(cycles, potential, begin, stop, nodes, scores, links, w):
    """Extend the best paths from the nodes ``begin`` to ``stop`` (excluded).

    cycles int64 (n,): packed captured cycles. potential int64 (n + 1,): what all address and R/W
    bits before a node could score. nodes int32 (n + 1, NODE_FIELDS), scores int64 (n + 1,),
    links int32 (n + 1, LINK_FIELDS): written. w int64: the walker, and at the places named above
    the prices, the packed table, the score of each opcode, one opcode and the score of each bus
    shape, and stack cells (cell below; value and mask). Returns the first node that is left:
    `stop`, or less where the stack cells ran out.
    """
    room = w.size - 8192
    for t in range(begin, stop):
        if w[COUNTS_AT + TOP] >= room:
            return t
        if scores[t] == NO_SCORE:
            continue
        loss = potential[t + 1] - scores[t]
        if w[COUNTS_AT + FAR] <= t:
            w[COUNTS_AT + FAR_LOSS] = np.int64(1) << 60
        elif loss > w[COUNTS_AT + FAR_LOSS] + w[PRICES_AT + BEAM]:
            scores[t] = NO_SCORE
            continue
        w[COUNTS_AT + MOST_LOSS] = loss + w[PRICES_AT + HOPED]
        cycle = cycles[t]
        _stray(w, nodes, scores, links, cycles, potential, t)
        if cycle >> HELD_AT & 1:
            continue
        _fetch(w, nodes, cycle, t, scores[t])
        captured = cycle >> DMASK_AT & 0xFF
        data = cycle >> DATA_AT & 0xFF
        number = _first_choices(w, cycles, t, captured, data, nodes[t, MODE], loss)
        w[COUNTS_AT + GAPS] = 0
        for k in range(number):
            _explore(w, nodes, scores, links, cycles, potential, t, w[CHOICES_AT + k])
        doubtful = w[COUNTS_AT + FAR_LOSS] > loss + w[PRICES_AT + DOUBT]
        if w[COUNTS_AT + FAR_PAID] and w[COUNTS_AT + FAR_LOSS] > loss + w[PRICES_AT + GAP_DOUBT]:
            # Nothing fits well: the capture may lack a cycle here, or have waits.
            w[COUNTS_AT + GAPS] = 1
            for k in range(number):
                _explore(w, nodes, scores, links, cycles, potential, t, w[CHOICES_AT + k])
        if captured and doubtful and nodes[t, MODE] != JAMMED:
            # Or the byte was captured with one bit wrong.
            number = 0
            for bit in range(8):
                if captured >> bit & 1:
                    number = _add_choices(w, number, data ^ (1 << bit), captured, ONE_BIT_OFF)
            for k in range(number):
                _explore(w, nodes, scores, links, cycles, potential, t, w[CHOICES_AT + k])
    return stop


@compiled
def settled(links, scores, begin, first, end):
    """Last node at or before `first` that all paths alive in ``[first, end)`` share.

    links int32 (n, LINK_FIELDS), scores int64 (n,). Paths start at `begin`, which is shared.
    """
    common = np.int64(-1)
    for t in range(first, end):
        if scores[t] == NO_SCORE:
            continue
        at = np.int64(t)
        while at >= first:
            at = np.int64(links[at, FROM])
        if common < 0:
            common = at
        while at != common and common > begin:
            if at > common:
                at = np.int64(links[at, FROM])
            else:
                common = np.int64(links[common, FROM])
            if at < begin:
                return begin
    return max(common, begin)


@compiled
def traced(links, begin, end, path):
    """Nodes on the best path from `end` back to `begin`, into `path` int64; how many."""
    number = 0
    at = np.int64(end)
    while at > begin:
        path[number] = at
        number += 1
        at = np.int64(links[at, FROM])
    path[number] = at
    return number + 1
