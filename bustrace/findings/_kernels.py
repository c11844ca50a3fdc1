"""The board's answers, cycle by cycle, under one assumption of what is wrong."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from bustrace.compiled import compiled, compiled_in_place, compiled_part

# Kinds of chips, as in the `kind` column.
OTHER, ROM, RAM, IO = 0, 1, 2, 3

TOLD_BANKS = 16
"""Banks whose surprises are told apart; further ones share with these."""

SOMETIMES_PRICE = 16.0
"""Bits for a fault that comes and goes: how often is a free parameter, and where it may hide is
much."""

SOMETIMES_SHARE = 0.75
"""Share of what it spares that a fault that comes and goes is credited with: it may choose its
cycles, and what is seen again and again is only counted once."""

TELLS = 0.5
"""Bits by which a cycle must differ to tell whether a fault that comes and goes was there."""

LOOKS_AHEAD = 64
"""Cycles after which it is asked anew what a fault that comes and goes can still come to."""

LONGEST_DRIFT = 6
"""Cycles without a driver after which one more makes no difference."""

ALL_LINES = 8 * (LONGEST_DRIFT + 1)
"""Place in `drift` of how often an undriven bus goes high as a whole; before it come its lines:
those that were high, and those that were low, by how long nobody has driven them."""
OFTEN_UP = 0.125
"""Share of undriven reads that are high as a whole, before one was seen: some boards have
pull-ups."""

RARE = 0.01
"""Departures of an undriven line that are taken for granted before it was ever seen undriven."""

FALLS = 0.125
"""Share of undriven reads in which a line that was high may go low, however often it did: nothing
draws it there but noise, and a bus that shows any byte is driven by something."""

AT_REST = 3.0
"""Bits for a register that is 0 or $FF, one in eight each: those at rest often are (judgement)."""

AS_IT_SHOULD = 0.415
"""Bits for what comes with a chance of three in four."""

CPU_WON = 2.0
"""Bits for a high level of the CPU's that stands against a chip that pulls it low."""

ECHO = 2.0
"""Bits for a register that is selected along with memory, and gives what the memory holds."""

REMEMBERS = 8.0
"""Bits for a register that gives at an address what it gave there before, and meanwhile gave or
took another byte: it does not know by which of its addresses it is asked, but memory does."""

ANY_BYTES, ROM_BYTES, OPCODES, FILLINGS, PAGES, OTHER_PAGES, JUMPS, ACCESSES, BRANCHES = range(9)
"""Rows of `usual`: bytes of a RAM at power-on, of a ROM, the opcodes of a program, what the free
space of a ROM is filled with, the page in which a program begins, the pages of the other vectors,
those that a program jumps to and those that it accesses, and how far it branches."""

ANY_REGISTER = 0
"""Place of the last byte that any I/O register gave."""

ANY_BYTE = ANY_REGISTER + 1
"""From here on, by chip, the last byte of a memory that was not known before; with `REPEATED` where
it was the one before it, too, and the lines that told it from bit `TELLING` on."""

REPEATED = 512

TELLING = 16

OF_ADDRESSES = ANY_BYTE + 32
"""From here on, by `places`, the last byte of each address."""

# Where two joined lines are joined; a chip's own pins are `PINS` plus its number.
BUS, BEHIND, DECODER, PINS = 0, 1, 2, 4
READS, WRITES = 2, 3
"""The places 2 and 3 of the data bus: in that direction alone."""

# Which level a joint of two lines, or a line with two drivers, takes.
LOW_WINS, HIGH_WINS, FIRST_WINS, SECOND_WINS = 0, 1, 2, 3
EITHER_WINS = 4
"""Of two drivers: now one and now the other, as it comes."""

# What a chip's weak line may give in place of its level: none of its lows, none of its highs, or,
# where it comes late, what the undriven bus still holds.
WEAK_LOW, WEAK_HIGH, LATE = 0, 1, 2

EVERY_CHIP = -2
"""In place of a weak chip: the line is weak, whoever drives it."""

ALONE = ALL_LINES + 1
"""Place in `drift` of how often a weak line did not come to its own level."""

FELL = ALONE + 1
"""Place in `drift` of how many reads of empty places showed noise: lines that fell, and not as when
the place was last read."""

FEW_FALLS = 4.0
"""Such reads that are surprises; more of them only tell again that this bus picks up noise."""

AGAIN = FELL + 1
"""Place in `drift` of how often a row of one byte in a memory went on."""

ROW_USED, ROW_LOST, BYTE_USED, LEFT = range(4)
"""Rows of `charged`, what is kept of a RAM that forgets, see `replay_board`."""

HALF_KNOWN = 4
"""Unknown bits of a byte that are looked at as one."""

SELDOM_AGAIN = 0.0078125
"""Share of a memory's unknown bytes that begin a row of one byte: what nobody wrote holds one in
large parts. Each row begins anew, so that pairs of bytes still tell of a line that makes them."""

VECTORS = 0xFFFA
"""First address of the CPU's vectors (MCS6500 Hardware Manual)."""

RESET_PAGE = 0xFFFD
"""Address of the reset vector's page."""

IDLE = AGAIN + 1
"""Place in `drift` of how often a line moves that no chip drives while others are driven, or that
one drives too late: those that were low, then those that were high."""

UP_AT_FIRST, DOWN_AT_FIRST = 0.125, 0.002
"""Share of such lines that go high, and low, before one was seen."""

ANY_LATE = IDLE + 16
"""Place in `drift` of how often any line went high that was low, and driven too late; behind it how
often any went low."""

ANY_LEVELS = ANY_LATE + 2
"""Place in `drift` of how often an undriven bus showed what its lines' habits make unlikely."""

IN_STEP, LATELY = ANY_LEVELS + 1, 0.95
"""Place in `drift` of how many of the bytes that were run as opcodes looked as if meant so, and
what one more leaves of the weight of those before."""

EMPTY = IN_STEP + 1
"""Place in `drift` of how often a place that nobody knows of looked as if nobody answered there."""

CHANGES, MET_BEFORE = EMPTY + 1, 16.0
"""Place in `drift` of how often a bit of a register that nobody asked was not as last seen, and how
many such bits are taken for granted, of which one had changed: counters change all the time, but
few registers are counters."""

MOST_FOR_CHANGE = 0.0009765625
"""Share of changes, at least: ten bits, as for any bit that should not be."""

OVERRULED = CHANGES + 1
"""Place in `drift` of how often a line showed the other level where a driver of which nothing is
known may have won: those that were low, then those that were high."""

OTHER_WINS = 0.25
"""Share of such lines before one was seen: the other differs half of the time, and wins half of
the rest."""

HABITS = OVERRULED + 2
"""Columns of `drift`."""

KEEPS, CHANGED = 0.1, 4.0
"""Bits for such a bit of one that now wins against another driver and now does not: it holds 15
times of 16."""

SELDOM = 0.1
"""Share of weak levels that do not come, at least: what is seldom wrong is no weak output."""

# Slots of the assumption vector. See `answers.Assumption` for their meaning.
(
    DECODER_AND,
    DECODER_OR,
    CHIPS_AND,
    CHIPS_OR,
    PIN_CHIPS,
    PIN_AND,
    PIN_OR,
    CLIP_AND,
    CLIP_OR,
    SHORT_A,
    SHORT_B,
    SHORT_PLACE,
    SHORT_WINS,
    READ_AND,
    READ_OR,
    WRITE_AND,
    WRITE_OR,
    WRITE_CLIP_AND,
    WRITE_CLIP_OR,
    DATA_SHORT_A,
    DATA_SHORT_B,
    DATA_SHORT_PLACE,
    DATA_PIN_CHIP,
    DATA_PIN_AND,
    DATA_PIN_OR,
    DATA_OPEN_CHIP,
    DATA_OPEN,
    SILENT,
    ALWAYS,
    FIGHT,
    STRONG,
    DOUBLED,
    DOUBLED_BY,
    SWAP_A,
    SWAP_B,
    RW_SEEN,
    RW_DECODER,
    RW_LINE_CHIP,
    RW_LINE_SEEN,
    LOOSE,
    CELL_CHIP,
    CELL,
    CELL_BLOCK,
    CELL_AND,
    CELL_OR,
    SELECT_OFF,
    SELECT_ON,
    SELECT_HIDDEN,
    RW_CLIP,
    DEAF,
    LATCH_DEAD,
    STATE_AND,
    STATE_OR,
    FORGETS,
    FORGETS_AFTER,
    FORGETS_ROWS,
    SELECT_CLIP,
    SELECT_CLIP_ON,
    IO_ILL,
    IO_WAY,
    WEAK_CHIP,
    WEAK_LINES,
    WEAK_WAY,
    YIELDS,
    PIN_HALF,
    SLOTS,
) = range(66)

TAKEN, TAKEN_WRITE, TAKEN_OFFSET = 1 << 15, 1 << 14, 8
"""What an I/O chip got in a cycle: an access; a write; its register from this bit on, five bits;
below it the byte."""

TAKES_NOTHING = 1
"""Row of the I/O chips' columns for one that takes no byte."""

OF_DATA, OF_ADDRESS, OF_SELECTS, OF_DRIVERS = 0, 1, 2, 3
"""Rows of `told`."""

# Bits of its words beside those of the lines. Of data: what was paid for in reads of a place.
(
    REGISTER_READ,
    REGISTERS_ALONG,
    PAIR_AGREES,
    PAIR_APART,
    UNDESCRIBED,
    BANK_OPEN,
    LOST_WRITE,
    LEFT_ALONE,
    LOST,
    KEPT,
    ECHOED,
    FOUGHT,
    COPIES_MEMORY,
    BESIDE_REGISTER,
    REMEMBERED,
) = range(16, 31)
# Of addresses: R/W, and from `SHOWN` on the data lines that a read of the address showed.
RW_WRONG, SHOWN = 16, 17

ANYWHERE = -1
"""Place of `told` for reads of which nobody knows the address."""

MAY_WRITE, DID_READ = 1, 2
"""What the CPU may have done anywhere in a skipped cycle, and what it did."""

ALL, FIRM = 0, 1
"""Rows of `sums`: every price, and those alone in which no register has a say."""

GAINED, LOWEST, SPARED, THERE, AWAY, AT_MOST, SUMS = range(7)
"""Columns of `sums`: what was gained over a healthy board so far, and the lowest that this was; of
a fault that comes and goes, the bits that it spared, in how many cycles it was there and was not,
and what it can come to. The last is their number."""

MOST_REGISTERS = 32
"""Of an I/O chip whose sheet is known."""

ALL_CHIPS = 0xFFFFFFFF
"""A bit each."""

TAUGHT, MOST_TAUGHT = 8, 24
"""Places in `OF_DRIVERS`, by chip, of what a read told of its byte; further chips share with
these."""


# What the kernel's parts hand on together. Compiled, these are but their members.


class Chips(NamedTuple):
    """Columns of the chips, as the kernel has them: what they are, and where their bytes lie."""

    kind: npt.NDArray[np.uint8]
    lanes: npt.NDArray[np.uint8]
    base: npt.NDArray[np.int64]
    inner: npt.NDArray[np.int32]
    page: npt.NDArray[np.int64]


class Cells(NamedTuple):
    """What the chips hold, which bits of it are known, and what the CPU wrote."""

    byte: npt.NDArray[np.uint8]
    known: npt.NDArray[np.uint8]
    written: npt.NDArray[np.uint8]


class Books(NamedTuple):
    """What was seen and paid for so far, as the kernel has it."""

    told: npt.NDArray[np.uint32]
    drift: npt.NDArray[np.float64]
    registers: npt.NDArray[np.uint32]
    charged: npt.NDArray[np.int32]
    usual: npt.NDArray[np.float64]


class Maps(NamedTuple):
    """Who answers where in each state, as the kernel has it."""

    states: npt.NDArray[np.int32]
    rows: npt.NDArray[np.int32]
    same: npt.NDArray[np.int32]
    responds: npt.NDArray[np.uint32]


class Sheets(NamedTuple):
    """What the sheets of the I/O chips have them give, as the kernel has it: where they are asked,
    and what each register shows of itself just now, 256 times its known bits added.
    """

    expected: npt.NDArray[np.uint8]
    known: npt.NDArray[np.uint8]
    shown: npt.NDArray[np.int32]


class Cycle(NamedTuple):
    """Where the CPU means to go in one cycle, and what becomes of that on the way to the chips.

    `place` is that of the address among those of the capture, `at` the place of `told` for it in
    its bank, `use` the row of `usual` for what a ROM gives here.
    """

    i: int
    meant: int
    bus: int
    at_chips: int
    bank: int
    place: int
    at: int
    reading: int
    seen_read: int
    answering: int
    misread: int
    use: int


class Bus(NamedTuple):
    """The data lines at the clip, now and in the cycle before, and for how many cycles nobody has
    driven them.
    """

    seen: int
    seen_known: int
    last: int
    last_known: int
    pause: int


class Expected(NamedTuple):
    """What the clip should see in a read: a byte, which bits of it are known, which of these are
    known for line faults force them, and which the clip saw wrong.
    """

    byte: int
    known: int
    forced: int
    wrong: int


class Drive(NamedTuple):
    """What the chips in `driving` put on the data lines, by lines.

    `ones`, where every driver is known high, and `zeros`, where some are known low; the other way
    round where the high level wins. `highs` are lines of which some driver is known high, `hazy`
    those of which some driver's level is not known, `vague` the same of memories alone.
    `ones_but_free` are ones as if no register drove, `doubted` lines of a RAM that may have
    forgotten, `decided` those of an I/O chip that its sheet or its pins decide, `murky` those that
    no memory is known of and more than one drives. Of an `undecided` pair the cells are not known,
    but its two lines must agree.

    `strong` is the chip that overrules the others, `beaten` what a memory holds that it overrules,
    `free` whether registers drive, `register` the place of the one that does, and `asked` whether
    it should; all three numbers are -1 for none.
    """

    driving: int
    driven: int
    ones: int
    zeros: int
    highs: int
    hazy: int
    vague: int
    ones_but_free: int
    doubted: int
    decided: int
    murky: int
    undecided: int
    strong: int
    beaten: int
    free: bool
    register: int
    register_lanes: int
    asked: bool


@compiled_in_place
def _ones(value):
    """Number of bits that are 1."""
    count = 0
    while value:
        count += 1
        value &= value - 1
    return count


@compiled_part
def choice_bits(there, away):
    """Bits to say in which of all these cycles a fault was there that comes and goes:
    n H(k / n) (Shannon's entropy). It never falls with more of either.
    """
    if there == 0 or away == 0:
        return 0.0
    both = there + away
    return both * np.log2(both) - there * np.log2(there) - away * np.log2(away)


@compiled_part
def _now_and_then_at_most(spared, there, away, perhaps, most):
    """Bits that a fault which comes and goes can come to, at most, where it may yet spare `perhaps`
    bits, `most` in one cycle.

    In as few cycles as can be they cost least to tell; and since each of these costs less than the
    one before it (`choice_bits` is concave), it is best to spare all of them or none.
    """
    perhaps = max(perhaps, 0.0)  # a sum that was counted down
    none = SOMETIMES_SHARE * spared - choice_bits(there, away)
    whole = SOMETIMES_SHARE * (spared + perhaps) - choice_bits(there + perhaps / most, away)
    return max(none, whole) - SOMETIMES_PRICE


@compiled_in_place
def _add_up(sums, row, gained, spared, tells):
    """Add a cycle to a row of `sums`: bits gained over a healthy board and, if it `tells`, spared
    by a fault that comes and goes. Whether the gain never was so low before.
    """
    sums[row, GAINED] += gained
    if tells and spared > TELLS:
        sums[row, SPARED] += spared
        sums[row, THERE] += 1
    elif tells and spared < -TELLS:
        sums[row, AWAY] += 1
    lower = sums[row, GAINED] < sums[row, LOWEST]
    if lower:
        sums[row, LOWEST] = sums[row, GAINED]
    return lower


@compiled_in_place
def _falls_short(sums, row, ahead, least, onset_price):
    """Whether neither the whole gain nor that from the best onset can come to what it must, with
    the bits that a healthy board has yet to pay.
    """
    gained = sums[row, GAINED]
    return gained + ahead < least and gained - sums[row, LOWEST] + ahead < least + onset_price


@compiled_in_place
def _level(level, forced):
    """A level, or the one that it is forced to; -1 for none."""
    return forced if forced >= 0 else level


@compiled_in_place
def _news(told, row, at, wrong):
    """Surprises that were not paid for before, a bit each."""
    fresh = wrong & ~told[row, at]
    told[row, at] |= fresh
    return fresh


@compiled_in_place
def _first_time(told, row, at, mark):
    """Whether something is met at an address for the first time."""
    if (told[row, at] >> mark) & 1:
        return False
    told[row, at] |= 1 << mark
    return True


@compiled_in_place
def _short(value, a, b, wins):
    """Bits a and b joined: the low level wins, the high one, or whatever a has, or b."""
    one = (value >> a) & 1
    other = (value >> b) & 1
    if wins == LOW_WINS:
        level = one & other
    elif wins == HIGH_WINS:
        level = one | other
    elif wins == FIRST_WINS:
        level = one
    else:
        level = other
    pair = (1 << a) | (1 << b)
    return value | pair if level else value & ~pair


@compiled_in_place
def _joined(value, assume, a, b):
    return _short(value, assume[a], assume[b], assume[SHORT_WINS])


@compiled_in_place
def _joined_known(byte, known, assume):
    """Two data lines joined of which not all is known: byte, known bits, and the pair if open."""
    a = assume[DATA_SHORT_A]
    b = assume[DATA_SHORT_B]
    wins = assume[SHORT_WINS]
    pair = (1 << a) | (1 << b)
    decided = (known & pair) == pair
    if wins == LOW_WINS:
        decided = decided or (known & ~byte & pair) != 0
    elif wins == HIGH_WINS:
        decided = decided or (known & byte & pair) != 0
    elif wins == FIRST_WINS:
        decided = (known >> a) & 1 == 1
    else:
        decided = (known >> b) & 1 == 1
    if not decided:
        return byte, known & ~pair, pair
    if wins == LOW_WINS:
        byte |= pair & ~known
    elif wins == HIGH_WINS:
        byte &= known | ~pair
    return _short(byte, a, b, wins), known | pair, 0


@compiled_in_place
def _inside(cycle, assume, c):
    """Address at a chip's own pins."""
    if (assume[PIN_CHIPS] >> c) & 1:
        at = (cycle.bus & assume[PIN_AND]) | assume[PIN_OR]
        half = abs(assume[PIN_HALF])
        if half:
            low = (1 << half) - 1
            one = (at >> half) & low if assume[PIN_HALF] > 0 else at & low
            at = (at & ~(low | low << half)) | one | one << half
        return at
    if assume[SHORT_PLACE] == PINS + c and assume[SHORT_A] >= 0:
        return _joined(cycle.at_chips, assume, SHORT_A, SHORT_B)
    return cycle.at_chips


@compiled_in_place
def _way(assume, c):
    """Row of the I/O chips' columns that holds for a chip."""
    if c == assume[IO_ILL]:
        return assume[IO_WAY]
    gets_reads = assume[RW_LINE_CHIP] == c and assume[RW_LINE_SEEN] == 1
    return TAKES_NOTHING if gets_reads or (assume[DEAF] >> c) & 1 else 0


@compiled_in_place
def _astray(chips, assume, cycle, touched):
    """I/O chips that get another access than a healthy board gives them, of those that get one."""
    found = 0
    for c in range(chips.kind.shape[0]):
        if (touched >> c) & 1:
            other = chips.inner[c, _inside(cycle, assume, c)] != chips.inner[c, cycle.meant]
            other = other or cycle.seen_read != cycle.reading
            other = other or c == assume[SWAP_A] or c == assume[SWAP_B]
            if other or ((cycle.misread >> c) & 1 and _way(assume, c) != TAKES_NOTHING):
                found |= 1 << c
    return found


@compiled_in_place
def _swapped(assume, c):
    """The chip that is in the place of chip c."""
    if c == assume[SWAP_A]:
        return assume[SWAP_B]
    return assume[SWAP_A] if c == assume[SWAP_B] else c


@compiled_in_place
def _take(chips, assume, cycle, touched, byte, taken):
    """Note what I/O chips get."""
    for s in range(chips.kind.shape[0]):
        if (touched >> s) & 1:
            c = _swapped(assume, s)
            write = cycle.seen_read == ((cycle.misread >> c) & 1)
            offset = chips.inner[s, _inside(cycle, assume, c)] & 31
            what = TAKEN | (TAKEN_WRITE if write else 0)
            taken[c, cycle.i] = what | offset << TAKEN_OFFSET | byte


@compiled_in_place
def _is_memory(chips, c):
    """Whether a chip is a ROM or a RAM."""
    return chips.kind[c] == ROM or chips.kind[c] == RAM


@compiled_in_place
def _cell(chips, cells, c, offset):
    """Place of a chip's byte; in another's socket a smaller chip repeats."""
    base = chips.base
    end = base[c + 1] if c + 1 < base.shape[0] else cells.byte.shape[0]
    size = end - base[c]
    return base[c] + (offset if offset < size else offset % size)  # to divide takes long


@compiled_in_place
def _place(chips, cells, assume, cycle, s):
    """Place of the byte that the chip in a socket is asked for."""
    offset = chips.inner[s, _inside(cycle, assume, s)] + chips.page[cycle.bank, s]
    return _cell(chips, cells, _swapped(assume, s), offset)


@compiled_in_place
def _hold(cells, where, byte, lines):
    """Have a cell hold these lines of a byte; which of its bits are known is another matter."""
    cells.byte[where] = (cells.byte[where] & ~lines) | (byte & lines)


@compiled_in_place
def _learn(cells, where, byte, lines):
    """Have a cell hold these lines of a byte, for that is known now."""
    _hold(cells, where, byte, lines)
    cells.known[where] |= lines


@compiled_in_place
def _is_bad(assume, chip, offset):
    """Whether a chip's byte is the bad one, or lies with it in a block of its array."""
    return chip == assume[CELL_CHIP] and (offset ^ assume[CELL]) & assume[CELL_BLOCK] == 0


@compiled_in_place
def _row_of(assume, start, where):
    """Row of a byte in a RAM that forgets and begins at `start`."""
    return start + ((where - start) & assume[FORGETS_ROWS])


@compiled_in_place
def _charge(charged, assume, start, where, i):
    """Use a byte of a RAM that forgets, which refreshes its row; whether it may be lost: its row
    was left too long since the byte was last used.
    """
    row = _row_of(assume, start, where)
    if i - charged[ROW_USED, row] > assume[FORGETS_AFTER]:
        charged[ROW_LOST, row] = i
    charged[ROW_USED, row] = i
    perhaps = charged[ROW_LOST, row] > charged[BYTE_USED, where]
    charged[BYTE_USED, where] = i
    return perhaps


@compiled_in_place
def _chance(books, use, lines, byte, pair, assume):
    """Probability of what some lines show of a memory's byte that is not known. What is run as an
    opcode, or obeyed as its operand, was meant as one as often as opcodes looked so lately: a
    program that runs wild runs its operands, too.
    """
    if use in (PAGES, OTHER_PAGES):
        return _chance_of(books, use, lines, byte, pair, assume)
    chance = _chance_of(books, min(use, ROM_BYTES), lines, byte, pair, assume)
    if use < OPCODES:
        return chance
    drift = books.drift
    share = (drift[0, IN_STEP] + 1.0) / (drift[1, IN_STEP] + 2.0)
    meant = share * _chance_of(books, use, lines, byte, pair, assume)
    chance = meant + (1.0 - share) * chance
    if use == OPCODES:
        drift[0, IN_STEP] = LATELY * drift[0, IN_STEP] + meant / chance
        drift[1, IN_STEP] = LATELY * drift[1, IN_STEP] + 1.0
    return chance


@compiled_in_place
def _chance_of(books, use, lines, byte, pair, assume):
    """The same of a byte of one kind; of a `pair` that is joined either line may have brought the
    level.
    """
    if pair == 0:
        return books.usual[use, lines, byte & lines]
    a = assume[DATA_SHORT_A]
    b = assume[DATA_SHORT_B]
    chance = 0.0
    for levels in range(4):
        held = (levels & 1) << a | (levels >> 1) << b
        if (_short(held, a, b, assume[SHORT_WINS]) ^ byte) & pair == 0:
            chance += books.usual[use, lines | pair, (byte & lines) | held]
    return chance


@compiled_in_place
def _unknown_byte(byte, new, pair, assume, books, use, place, filled):
    """Bits for a byte of a memory of which some bits were not known; less where it is the same
    as the last such one, at `place`, by how often it was; before it ever was, by how often memory
    that is `filled` is filled with that. None is looked at where `place` is -1.
    """
    registers, drift = books.registers, books.drift
    lines = new | pair
    chance = _chance(books, use, new, byte, pair, assume)
    if place < 0 or _ones(new) + (pair != 0) < HALF_KNOWN:
        return -math.log2(chance)
    before = registers[place]
    told = before >> TELLING
    both = told & lines
    repeated = _ones(both) >= HALF_KNOWN and (before ^ byte) & both == 0
    share = SELDOM_AGAIN
    if filled:
        # What ROMs are filled with comes in rows, and seldom else.
        share *= _chance_of(books, FILLINGS, new, byte, pair, assume)
        share = min(share / _chance_of(books, ROM_BYTES, new, byte, pair, assume), 0.5)
    if before & REPEATED:
        share = (drift[0, AGAIN] + 0.5) / (drift[1, AGAIN] + 1.0)
        drift[0, AGAIN] += repeated
        drift[1, AGAIN] += 1.0
    row = byte & lines
    if repeated:
        row |= before & told & ~lines
        lines |= told
    registers[place] = lines << TELLING | 256 | row | (REPEATED if repeated else 0)
    return -math.log2((share if repeated else 0.0) + (1.0 - share) * chance)


@compiled_in_place
def _of_nobody_knows(bus, books):
    """Bits for a byte of a place of which nobody knows who answers: little where it looks as if
    nobody did, by how often it looked so, else that and as for any byte at all.

    A bus that is left alone keeps its last byte, or goes high as a whole.
    """
    drift, seen = books.drift, bus.seen_known
    empty = bus.seen & seen == seen or (bus.seen ^ bus.last) & bus.last_known & seen == 0
    share = (drift[0, EMPTY] + 0.5) / (drift[1, EMPTY] + 1.0)
    drift[0, EMPTY] += empty
    drift[1, EMPTY] += 1.0
    return -math.log2(share) if empty else _ones(seen) - math.log2(1.0 - share)


@compiled_in_place
def _went_up(up, one_by_one, drift):
    """Bits for an undriven bus that goes high as a whole, or whose lines each do what they do, by
    how often it was the one or the other.
    """
    share = (drift[0, ALL_LINES] + OFTEN_UP) / (drift[1, ALL_LINES] + 1.0)
    drift[1, ALL_LINES] += 1.0
    as_lines = one_by_one - math.log2(1.0 - share)
    if up and -math.log2(share) < as_lines:
        drift[0, ALL_LINES] += 1.0
        return -math.log2(share)
    return as_lines


@compiled_in_place
def _drifted(bus, departed, drift):
    """Bits for what an undriven bus does with its last byte, by what its lines did before: a charge
    leaks away in a time of its own, mostly to the high level.
    """
    price = 0.0
    leaking = 8 * min(bus.pause, LONGEST_DRIFT)
    for b in range(8):
        at = b if (bus.last >> b) & 1 else leaking + b
        share = (drift[0, at] + RARE) / (drift[1, at] + 1.0)
        gone = (departed >> b) & 1
        if gone and at < 8:
            share = min(share, FALLS)
        price -= math.log2(share if gone else 1.0 - share)
        drift[0, at] += gone
        drift[1, at] += 1.0
    return price


@compiled_in_place
def _at_most(news, drift):
    """Bits for an undriven bus, no more than for any byte at all, by how often that is the lesser
    price: one at most to say so.
    """
    share = max(0.5, (drift[0, ANY_LEVELS] + 0.5) / (drift[1, ANY_LEVELS] + 1.0))
    any_byte = 8.0 - math.log2(share)
    drift[0, ANY_LEVELS] += news > any_byte
    drift[1, ANY_LEVELS] += 1.0
    return min(news, any_byte)


@compiled_in_place
def _left_alone(bus, lines, books, cycle):
    """Bits for lines that no chip drives while others are driven, by how often each moved so far:
    for the first read of an address, and for the first in which a line has moved.
    """
    told, drift = books.told, books.drift
    price = 0.0
    for b in range(8):
        if (lines >> b) & 1 == 0:
            continue
        moved = ((bus.last ^ bus.seen) >> b) & 1
        first = (told[OF_ADDRESS, cycle.place] >> (SHOWN + b)) & 1 == 0
        if not first and (moved == 0 or (told[OF_DATA, cycle.at] >> b) & 1 == 1):
            continue
        told[OF_ADDRESS, cycle.place] |= 1 << (SHOWN + b)
        told[OF_DATA, cycle.at] |= moved << b
        high = (bus.last >> b) & 1
        at = IDLE + 8 * high + b
        price += _by_its_share(moved, at, DOWN_AT_FIRST if high else UP_AT_FIRST, drift)
    return price


@compiled_in_place
def _by_its_share(moved, at, at_first, drift):
    """Bits for a line that moves or does not, by how often such lines did so far (Krichevsky and
    Trofimov's estimator), counted at its place in `drift`; `at_first` is the share before.
    """
    share = (drift[0, at] + at_first) / (drift[1, at] + 1.0)
    drift[0, at] += moved
    drift[1, at] += 1.0
    return -math.log2(share if moved else 1.0 - share)


@compiled_in_place
def _either(drive, bus, cells, books, cycle):
    """Bits for what comes of drivers of which now one wins and now another, once for each address,
    line and winner: one where they are known to differ. A register that is not known agrees half of
    the time, and wins half of the rest; one that is not asked holds what it won with once.

    Of a memory that is not known, once for each address and line, what the share of lines that it
    overruled so far makes of it (Krichevsky and Trofimov's estimator): large parts of what nobody
    wrote hold one level.
    """
    told, drift = books.told, books.drift
    highs, lows, hazy = drive.highs, drive.zeros, drive.hazy
    byte, byte_known = bus.seen, bus.seen_known
    register = -1 if drive.asked else drive.register
    kept = drive.register_lanes & ~drive.vague
    astray = (highs & ~lows & ~byte) | (lows & ~highs & byte)
    seen = (astray & told[OF_DRIVERS, cycle.at]) | (
        ~astray & (told[OF_ADDRESS, cycle.place] >> SHOWN)
    )
    # Where all that drive are known to agree nothing is chosen: what comes is judged elsewhere.
    news = (highs & lows | hazy) & byte_known & ~seen & 255
    told[OF_DRIVERS, cycle.at] |= news & astray
    told[OF_ADDRESS, cycle.place] |= (news & ~astray) << SHOWN
    price = float(_ones(news & ((highs & lows) | (hazy & ~(highs ^ lows)))))
    soft = news & hazy & (highs ^ lows)
    if register >= 0:
        held = soft & kept & cells.known[register]
        agrees = held & ~(cells.byte[register] ^ highs)
        price += CHANGED * _ones(agrees & astray) + KEEPS * _ones(agrees & ~astray)
        price += _ones(held & ~agrees)
        _learn(cells, register, byte, byte_known & kept & hazy & astray & 255)
        soft &= ~held
    if drive.register >= 0:
        return price + 2.0 * _ones(soft & astray) + AS_IT_SHOULD * _ones(soft & ~astray)
    told[OF_DRIVERS, cycle.at] |= soft
    told[OF_ADDRESS, cycle.place] |= soft << SHOWN
    for high in range(2):
        level = soft & (highs if high else ~highs)
        for moved, lines in ((1.0, level & astray), (0.0, level & ~astray)):
            for _ in range(_ones(lines)):
                price += _by_its_share(moved, OVERRULED + high, OTHER_WINS, drift)
    return price


@compiled_in_place
def _driven_weakly(chips, assume, driving):
    """Data lines that a weak chip drives and no other does: of a bank each chip has its own."""
    weak = assume[WEAK_CHIP]
    if weak == EVERY_CHIP:
        return 255 if driving else 0
    if weak < 0 or (driving >> weak) & 1 == 0:
        return 0
    lines = 255 & chips.lanes[weak]
    c = 0
    while driving >> c:
        if c != weak and (driving >> c) & 1:
            lines &= ~chips.lanes[c]
        c += 1
    return lines


@compiled_in_place
def _weakly(ones, zeros, among, bus, assume, books, place):
    """Of the lines `among` which some are driven weakly: those whose level is left open, and the
    bits for what was seen of them, once for each address and line.

    A level that comes at times costs what its share so far makes of it (Krichevsky and Trofimov's
    estimator), so that a line which mostly gives way costs little wherever it does.
    """
    told, drift = books.told, books.drift
    other = 1 - assume[WEAK_WAY]
    known = ones | zeros
    lines = assume[WEAK_LINES] & among & bus.seen_known
    price = 0.0
    openly = 0
    for b in range(8):
        if (lines >> b) & 1 == 0:
            continue
        gone = (bus.seen >> b) & 1 == other
        fresh = (told[OF_ADDRESS, place] >> (SHOWN + b)) & 1 == 0
        share = max(SELDOM, (drift[0, ALONE] + 0.5) / (drift[1, ALONE] + 1.0))
        unknown = (known >> b) & 1 == 0
        if not unknown and (ones >> b) & 1 == other:
            continue
        if gone or not unknown:
            openly |= 1 << b  # tells nothing of a cell that is not known
        if not fresh:
            continue
        told[OF_ADDRESS, place] |= 1 << (SHOWN + b)
        weakly = 1.0 if gone else 0.0
        chance = share if gone else 1.0 - share
        if unknown and gone:
            chance = (1.0 + share) / 2.0  # half of the cells hold that level anyway
            weakly = share / chance
        drift[0, ALONE] += weakly
        drift[1, ALONE] += 1.0
        price -= math.log2(chance)
    return openly, price


@compiled_in_place
def _departs(drift, b, high):
    """Share of the times in which a line that is driven too late leaves its last level before: by
    how often it did so far, before that by how often any line did, and before that by how often the
    whole bus went high where no chip is.
    """
    moves = DOWN_AT_FIRST
    if not high:
        moves = (drift[0, ALL_LINES] + OFTEN_UP) / (drift[1, ALL_LINES] + 1.0)
    any_line, mine = ANY_LATE + high, IDLE + 8 * high + b
    moves = (drift[0, any_line] + moves) / (drift[1, any_line] + 1.0)
    moves = (drift[0, mine] + moves) / (drift[1, mine] + 1.0)
    return min(moves, FALLS) if high else moves


@compiled_in_place
def _too_late(ones, zeros, among, is_register, bus, assume, books, cycle):
    """The same of lines that are driven too late: a line shows its own level, or what an undriven
    one does with its last. What seldom comes in time is dead.

    Where it is as it should be, and as the bus was, that is paid for once, and once what it does
    else; of a memory, once for each level that it should come to. No register answers there, so
    that its place in `registers` keeps which of them were met.
    """
    told, drift = books.told, books.drift
    known = ones | zeros
    lines = assume[WEAK_LINES] & among & bus.seen_known
    price = 0.0
    openly = 0
    for b in range(8):
        if (lines >> b) & 1 == 0:
            continue
        left_known = (bus.last_known >> b) & 1 == 1
        high = (bus.last >> b) & 1
        seen = (bus.seen >> b) & 1
        own = (ones >> b) & 1
        moved = high ^ seen
        moves = _departs(drift, b, high) if left_known else 0.5
        share = (drift[0, ALONE] + 0.5) / (drift[1, ALONE] + 1.0)
        share = min(max(SELDOM, share), 1.0 - SELDOM)
        late = share * (moves if moved else 1.0 - moves)
        came = 1.0 - share
        row, mark = OF_ADDRESS, SHOWN + b
        if (known >> b) & 1 == 0:
            came /= 2.0  # a cell that nobody knows
            if late > SELDOM * came:
                openly |= 1 << b  # tells nothing of it
        elif left_known and own == seen and not moved:
            row, mark = OF_DRIVERS, b
        else:
            openly |= 1 << b
            if own != seen:
                came = 0.0
        new_level = False
        if (known >> b) & 1 and left_known and own != high and not is_register:
            here = OF_ADDRESSES + cycle.place
            turned, new_level = _as_it_came(books.registers, here, b, own, own == seen)
            price += turned
        if new_level:
            told[OF_ADDRESS, cycle.place] |= 1 << mark
        elif not _first_time(told, row, cycle.place, mark):
            continue
        price -= math.log2(late + came)
        if (known >> b) & 1:
            late /= late + came
            drift[0, ALONE] += late
            drift[1, ALONE] += 1.0
            for at in (ANY_LATE + high, IDLE + 8 * high + b):
                drift[0, at] += late * moved if left_known else 0.0
                drift[1, at] += late if left_known else 0.0
    return openly, price


@compiled_in_place
def _as_it_came(registers, at, b, own, in_time):
    """One bit, once, where a line is in time at an address of a late memory and was not when it was
    met before, or the other way round; and whether it never had to come to this level there.

    Kept of each line: whether a low level was met, from bit 8 on a high one, from bit 16 on whether
    the last was in time, from bit 24 on whether the bit was paid.
    """
    was = registers[at]
    level, came, paid = 1 << (b + 8 * own), 1 << (b + 16), 1 << (b + 24)
    met = (was >> b | was >> (b + 8)) & 1 == 1
    turned = met and (was & came != 0) != in_time and was & paid == 0
    now = was | level | came | (paid if turned else 0)
    registers[at] = now if in_time else now ^ came
    return 1.0 if turned else 0.0, was & level == 0


@compiled_in_place
def _map_in_doubt(maps, page, at, state, known):
    """Map to take at an address while some state bits are not known, -1 where they decide."""
    if maps.same[at] >= 0:
        return 0
    found = -1
    for m in range(maps.states.shape[0]):
        if (maps.states[m] ^ state) & known:
            continue
        if found < 0:
            found = m
            continue
        row = maps.rows[m, at]
        if row != maps.rows[found, at]:
            return -1
        here = maps.responds[row, 0] | maps.responds[row, 1]
        for c in range(page.shape[1]):
            if (here >> c) & 1 and page[m, c] != page[found, c]:
                return -1
    return found


@compiled_in_place
def _on_the_way_out(byte, assume):
    """A byte that the CPU writes: at the clip, and where the chips take it."""
    at_clip = (byte & assume[WRITE_CLIP_AND]) | assume[WRITE_CLIP_OR]
    at_chips = (byte & assume[WRITE_AND]) | assume[WRITE_OR]
    if assume[DATA_SHORT_A] >= 0:
        place = assume[DATA_SHORT_PLACE]
        if place == BUS:
            at_clip = _joined(at_clip, assume, DATA_SHORT_A, DATA_SHORT_B)
            at_chips = at_clip
        elif place in (BEHIND, WRITES):
            at_chips = _joined(at_chips, assume, DATA_SHORT_A, DATA_SHORT_B)
    return at_clip, at_chips


@compiled_in_place
def _fought(chips, cells, assume, cycle, told, fighting, highs, seen):
    """Unknown bits in a write that chips take for a read: they drive against the CPU's high levels,
    and the low level wins.
    """
    lows = 0
    news = 0
    for c in range(chips.kind.shape[0]):
        if (fighting >> c) & 1 and _is_memory(chips, c):
            where = _place(chips, cells, assume, cycle, c)
            lows |= ~cells.byte[where] & cells.known[where] & chips.lanes[c]
            if fighting == 1 << c:
                # What stands against a high level shows through.
                shown = highs & ~cells.known[where] & chips.lanes[c]
                _learn(cells, where, seen, shown)
                news += _ones(shown)
                highs &= ~shown
    price = float(news)
    if _first_time(told, OF_DATA, cycle.at, FOUGHT):
        price += _ones(highs & ~lows & 255)
        price += CPU_WON * _ones(highs & lows & seen)
    return price


@compiled_in_place
def _doubt_what_it_reached(chips, cells, maps, at_decoder, at_chips, state, known):
    """After a write of which it is not known where it went: what it may have reached is unknown."""
    for k in range(maps.states.shape[0]):
        if (maps.states[k] ^ state) & known:
            continue
        perhaps = maps.responds[maps.rows[k, at_decoder], 0]
        for c in range(chips.kind.shape[0]):
            if (perhaps >> c) & 1 and chips.kind[c] == RAM:
                cells.known[chips.base[c] + chips.inner[c, at_chips] + chips.page[k, c]] = 0


@compiled_in_place
def _at_its_pins(byte, assume, c):
    """A byte that is written, as a chip takes it."""
    if c == assume[DATA_PIN_CHIP]:
        byte = (byte & assume[DATA_PIN_AND]) | assume[DATA_PIN_OR]
    if c == assume[DATA_OPEN_CHIP]:
        byte |= assume[DATA_OPEN]
    if assume[DATA_SHORT_A] >= 0 and assume[DATA_SHORT_PLACE] == PINS + c:
        byte = _joined(byte, assume, DATA_SHORT_A, DATA_SHORT_B)
    return byte


@compiled_in_place
def _write(chips, cells, books, assume, cycle, s, byte, sure, sheets, io_sure):
    """Have the chip in a place take what is written; the byte it took, -1 for none. What an I/O
    chip shows of that later is taken to be the byte, where no sheet tells (`io_sure`); that it
    gives back the byte speaks for one without a sheet (`sheets`), another status is by chance.
    """
    c = _swapped(assume, s)
    offset = chips.inner[s, _inside(cycle, assume, c)] + chips.page[cycle.bank, s]
    where = _cell(chips, cells, c, offset)
    is_ram = chips.kind[c] == RAM
    if (assume[DEAF] >> c) & 1:
        if is_ram:
            cells.known[where] = 0
            cells.written[where] = 1
        return -1
    if not is_ram and (chips.kind[c] != IO or _way(assume, c) == TAKES_NOTHING):
        return -1
    took = _at_its_pins(byte, assume, c)
    if is_ram or io_sure >> c & 1 == 0:
        cells.byte[where] = took
        cells.known[where] = sure & chips.lanes[c]
    if is_ram:
        cells.written[where] = 1
        if (assume[FORGETS] >> c) & 1:
            _charge(books.charged, assume, chips.base[c], where, cycle.i)
    elif sheets >> c & 1 == 0:
        books.registers[OF_ADDRESSES + cycle.place] = 256 | took
    return took


@compiled_in_place
def _driving(assume, answering, seen_read, misread):
    """Chips that drive a read."""
    if seen_read == 0:
        return 0
    driving = (answering & ~assume[SILENT]) | assume[ALWAYS]
    if assume[DOUBLED] >= 0 and (answering >> assume[DOUBLED]) & 1:
        driving |= 1 << assume[DOUBLED_BY]
    driving &= ~misread
    if driving & assume[YIELDS]:
        driving &= ~(1 << assume[STRONG])  # these are the stronger
    return driving


@compiled_in_place
def _held(chips, cells, assume, source, where):
    """Byte of a memory and its known bits, with what is bad in the cell."""
    byte = cells.byte[where]
    known = cells.known[where]
    if _is_bad(assume, source, where - chips.base[source]):
        byte = (byte & assume[CELL_AND]) | assume[CELL_OR]
        known |= (~assume[CELL_AND] | assume[CELL_OR]) & 255
    return byte, known


@compiled_in_place
def _drive(chips, cells, sheets, assume, cycle, charged, driving, io_sure, responding):
    """What the chips put on the data lines, see `Drive`; it uses the rows of a RAM that forgets.

    Of the I/O chips in `io_sure` the sheets tell what they give.
    """
    strong = -1
    if assume[FIGHT] == FIRST_WINS and (driving >> assume[STRONG]) & 1:
        strong = assume[STRONG]
    flip = 255 if assume[FIGHT] == HIGH_WINS else 0
    ones = ones_but_free = 255
    zeros = highs = hazy = vague = driven = doubted = 0
    decided = murky = undecided = register_lanes = 0
    register = beaten = -1
    free = asked = False
    for c in range(chips.kind.shape[0]):
        if (driving >> c) & 1 == 0:
            continue
        mine = chips.lanes[c]
        if c == assume[DATA_OPEN_CHIP]:
            mine &= ~assume[DATA_OPEN]
        driven |= mine
        if strong >= 0 and c != strong:
            mine &= ~chips.lanes[strong]
        is_memory = _is_memory(chips, c)
        if is_memory:
            source = _swapped(assume, c)
            where = _place(chips, cells, assume, cycle, c)
            forgets = (assume[FORGETS] >> c) & 1 == 1
            if forgets and _charge(charged, assume, chips.base[c], where, cycle.i):
                doubted |= mine & cells.known[where]
            byte, known = _held(chips, cells, assume, source, where)
        else:
            register = -1 if free else _cell(chips, cells, c, chips.inner[c, cycle.at_chips])
            free = True
            register_lanes = mine
            asked = (responding >> c) & 1 == 1
            byte = known = 0
            way = _way(assume, c)
            if (io_sure & cycle.answering) >> c & 1:
                byte = sheets.expected[way, cycle.i]
                known = sheets.known[way, cycle.i]
            elif io_sure >> c & 1 and way == 0:
                shown = sheets.shown[c, chips.inner[c, cycle.at_chips]]
                byte = shown & 255
                known = shown >> 8
        if c == assume[DATA_PIN_CHIP]:
            byte = (byte & assume[DATA_PIN_AND]) | assume[DATA_PIN_OR]
            known |= (~assume[DATA_PIN_AND] | assume[DATA_PIN_OR]) & 255
        if assume[DATA_SHORT_A] >= 0 and assume[DATA_SHORT_PLACE] == PINS + c:
            byte, known, undecided = _joined_known(byte, known, assume)
        if not is_memory:
            decided |= known | (undecided & -undecided)  # of a pair, one decides the other
            if not known:
                ones &= ~mine
                hazy |= mine
                continue
        highs |= byte & known & mine
        hazy |= ~known & mine
        if is_memory and strong >= 0 and c != strong and known == 255:
            beaten = byte
        # Where the high level wins, highs do what lows do elsewhere.
        byte ^= flip
        ones &= (byte & known) | ~mine
        zeros |= ~byte & known & mine
        if is_memory:
            murky |= vague & ~known & mine
            vague |= ~known & mine
            ones_but_free &= byte | ~known | ~mine
    return Drive(
        driving,
        driven,
        ones & driven,
        zeros,
        highs,
        hazy,
        vague,
        ones_but_free,
        doubted,
        decided,
        murky & ~zeros,
        undecided,
        strong,
        beaten,
        free,
        register,
        register_lanes,
        asked,
    )


@compiled_in_place
def _on_the_way_in(ones, zeros, assume):
    """What the clip should see of what the chips drive: byte, known bits, those that line faults
    force, and the pair of joined lines if open.
    """
    byte = (ones & assume[READ_AND]) | assume[READ_OR]
    forced = (~assume[READ_AND] | assume[READ_OR]) & 255
    known = ones | zeros | forced
    pair = 0
    if assume[DATA_SHORT_A] >= 0 and assume[DATA_SHORT_PLACE] <= READS:
        byte, known, pair = _joined_known(byte, known, assume)
    return byte, known, forced, pair


@compiled_in_place
def _whoever_drives(assume, told, byte, byte_known):
    """Surprises of a read anywhere, of those data lines that line faults force: held ones are at
    their level, joined ones agree.
    """
    level, _, forced, pair = _on_the_way_in(0, 0, assume)
    wrong = (level ^ byte) & forced & byte_known
    if pair & byte_known == pair and byte & pair not in (0, pair):
        wrong |= pair & -pair  # one of them
    return _ones(_news(told, OF_DATA, ANYWHERE, wrong))


@compiled_in_place
def _left_to_itself(bus, books, cycle, expected, fresh, stays):
    """Bits for what an undriven bus does, of which `expected` is the last byte.

    It mostly holds that; it may drift high, keep what the other half's owner left there (`stays`),
    or pick up noise: one price for a whole departure. Lines that often drift are expected to.
    """
    forced = expected.forced
    departed = (expected.byte ^ bus.seen) & ~forced & 255
    up = departed != 0 and bus.seen | forced == 255
    first_here = _first_time(books.told, OF_DATA, cycle.at, LEFT_ALONE) and expected.known == 255
    news = 0.0
    if first_here and not (stays and departed):
        news = _at_most(_drifted(bus, departed, books.drift), books.drift)
        if expected.byte | forced != 255:
            news = _went_up(up, news, books.drift)
    elif fresh & ~forced:
        news = _at_most(_drifted(bus, departed, books.drift), books.drift)
        if stays or up:
            news = min(3.0, news)
    return news


@compiled_in_place
def _not_yet_noise(bus, books, place, expected):
    """Share of its price that is charged for what an empty place shows, by how much noise this bus
    picked up so far.
    """
    drift, registers = books.drift, books.registers
    share = FEW_FALLS / (FEW_FALLS + drift[0, FELL])
    departed = (expected.byte ^ bus.seen) & ~expected.forced & 255
    before = registers[OF_ADDRESSES + place]
    other = before != 0 and before != 256 | bus.seen
    drift[0, FELL] += other and departed & bus.last != 0
    registers[OF_ADDRESSES + place] = 256 | bus.seen
    return share


@compiled_in_place
def _registers_give(
    price, unknown, drive, asked, astray, settled, decided, bus, cells, books, cycle
):
    """Price of a cycle, `price` so far, with that of a read in which registers drive; `unknown` is
    that of a bit, `astray` whether no register should answer here, `settled` are lines that some
    chip is known to pull low, and `decided` those of which the level is no news.

    What the register gives that is asked is kept.
    """
    told, register = books.told, drive.register
    fresh_here = _first_time(told, OF_DATA, cycle.at, REGISTERS_ALONG)
    visible = drive.register_lanes & ~settled & ~drive.vague & bus.seen_known
    if not asked:
        visible &= ~decided
    if register >= 0 and not asked:
        changed = cells.known[register] != 255 or cells.byte[register] != bus.seen
        if (
            changed
            and drive.decided != 255
            and drive.beaten == bus.seen
            and _first_time(told, OF_DATA, cycle.at, COPIES_MEMORY)
        ):
            price += 8 * unknown  # a register that changed to what memory holds
        news = _register_shows(bus.seen, visible, cells, register, books, cycle)
        price += unknown * news
    elif drive.ones_but_free == 255:
        other = astray and register >= 0
        other = other and cells.known[register] & (cells.byte[register] ^ bus.seen) & 255 != 0
        news = _free_read(bus.seen, books, cycle, asked, other)
        price += unknown * news * _ones(255 & ~decided) / 8
        if fresh_here and not asked:
            # What one of them decides stands against another: one unknown each.
            price += unknown * _ones(drive.decided & ~settled & 255)
    elif fresh_here:
        # Registers against another chip's byte can pull down the bits that are high there: one
        # unknown each.
        price += unknown * _ones(drive.ones_but_free & ~settled & 255)
    if register >= 0 and asked:
        _learn(cells, register, bus.seen, visible)
    return price


@compiled_in_place
def _of_another_content(cells, where, told, cycle, bits, seen, wrong, fresh):
    """Bits for a wrong byte of a ROM whose content is in doubt: it holds what it gave at first, and
    another content is always the same one.
    """
    if cells.written[where]:
        return bits[0] * _ones(_news(told, OF_DRIVERS, cycle.at, wrong))
    if fresh == 0:
        return 0.0
    cells.byte[where] = seen
    cells.written[where] = 1
    return bits[4] * (0.75 if _ones(fresh) == 1 else 1.0)


@compiled_in_place
def _kept_or_lost(chips, cells, assume, books, cycle, bus, drive, wrong):
    """Unknown bits in a byte that a RAM may have forgotten.

    Kept or lost, one bit, unless either is the same; what it holds when lost is as new as at
    power-on, and the same every time: each cell leaks to a level of its own. Once an address.
    """
    lost = wrong & drive.doubted != 0
    told, charged = books.told, books.charged
    differs = 0
    news = 0
    for c in range(chips.kind.shape[0]):
        if ((drive.driving & assume[FORGETS]) >> c) & 1 == 0:
            continue
        offset = chips.inner[c, _inside(cycle, assume, c)] + chips.page[cycle.bank, c]
        where = _cell(chips, cells, c, offset)
        mine = drive.doubted & chips.lanes[c]
        left = charged[LEFT, where]
        as_left = mine & (left >> 8)
        differs |= mine & (~as_left | (left ^ cells.byte[where]))
        if lost:
            news += _ones(mine & (~as_left | (left ^ bus.seen)))
            gone = mine & bus.seen_known
            _hold(cells, where, bus.seen, gone)
            charged[LEFT, where] = _with_left(left, bus.seen, gone)
    if differs == 0 or not _first_time(told, OF_DATA, cycle.at, LOST if lost else KEPT):
        return 0.0
    return 1.0 + news


@compiled_in_place
def _with_left(left, byte, lines):
    """What a byte holds when it is lost, its known bits in the high byte, with these lines told."""
    return (left & ~lines) | (byte & lines) | lines << 8


@compiled_in_place
def _legible(chips, assume, drive, c, where, shown):
    """Of the lines that a read shows, those that show what is in a chip's cell."""
    lines = shown & chips.lanes[c]
    if drive.strong >= 0 and c != drive.strong:
        lines &= ~chips.lanes[drive.strong]
    if c == assume[DATA_OPEN_CHIP]:
        lines &= ~assume[DATA_OPEN]
    if assume[DATA_SHORT_A] >= 0 and assume[DATA_SHORT_PLACE] == PINS + c:
        lines &= ~((1 << assume[DATA_SHORT_A]) | (1 << assume[DATA_SHORT_B]))
    if c == assume[DATA_PIN_CHIP]:
        lines &= assume[DATA_PIN_AND] & ~assume[DATA_PIN_OR]
    holder = _swapped(assume, c)
    if _is_bad(assume, holder, where - chips.base[holder]):
        lines &= assume[CELL_AND] & ~assume[CELL_OR]
    return lines


@compiled_in_place
def _taught(chips, cells, books, assume, cycle, bus, drive, c, shown, pair, wrong, forgot):
    """Learn from the lines that a read shows what a chip's cell holds; bits for what is news.

    Of a `pair` that is joined only the common level is news. What writes that were not seen made
    unknown again (`forgot`) is paid for once.
    """
    told, at = books.told, cycle.at
    where = _place(chips, cells, assume, cycle, c)
    holder = _swapped(assume, c)
    written = cells.written[where] != 0
    if drive.driving == 1 << c and chips.kind[holder] == RAM and not written:
        # Known from a read alone, which may have been the stray one.
        cells.byte[where] ^= wrong & chips.lanes[c] & cells.known[where]
    new = _legible(chips, assume, drive, c, where, shown) & ~cells.known[where]
    price = 0.0
    if pair & cells.known[where]:
        price = 1.0
        pair = 0
    if new | pair == 0:
        return price
    _learn(cells, where, bus.seen, new)
    if (assume[FORGETS] >> c) & 1 and not written:
        charged = books.charged
        if charged[ROW_LOST, _row_of(assume, chips.base[c], where)] > 0:
            # It was left too long since power-on: this is what is left then.
            charged[LEFT, where] = _with_left(charged[LEFT, where], bus.seen, new)
    if (assume[DEAF] >> c) & 1 and written and not _first_time(told, OF_DATA, at, LOST_WRITE):
        return price  # what it holds after each lost write is one question
    if not _first_time(told, OF_DRIVERS, at, TAUGHT + c % MOST_TAUGHT) and forgot:
        return price
    use = cycle.use if chips.kind[holder] == ROM else ANY_BYTES
    asked = _inside(cycle, assume, c)
    if chips.kind[holder] == ROM and asked >= VECTORS and asked & 1:
        use = PAGES if asked == RESET_PAGE else OTHER_PAGES
    if holder == assume[LOOSE]:
        use = ANY_BYTES  # what it gave at first may be anything; from then on it holds that
        cells.written[where] = 1
    # What tells beside another driver are lines at one level, and where the bus is late those that
    # are not as it was before: these make no row, nor do vectors, which are where they are.
    late = c == assume[WEAK_CHIP] and assume[WEAK_WAY] == LATE
    alone = drive.driving == 1 << c and not late
    row = ANY_BYTE + holder if alone and cycle.meant < VECTORS else -1
    filled = chips.kind[holder] == ROM
    return price + _unknown_byte(bus.seen, new, pair, assume, books, use, row, filled)


@compiled_in_place
def _laid_to(chips, cells, assume, cycle, drive, responding, unclear, byte):
    """Lay lines of which any driver may have brought the level to one of these, so that it comes
    again: to the chip that was asked, for that one is seldom seen without the other. Lines laid.
    """
    among = drive.driving & responding
    among = among if among else drive.driving
    laid = 0
    for c in range(chips.kind.shape[0]):
        if (among >> c) & 1 and _is_memory(chips, c):
            where = _place(chips, cells, assume, cycle, c)
            lines = _legible(chips, assume, drive, c, where, unclear) & ~cells.known[where]
            _learn(cells, where, byte, lines)
            laid |= lines
            unclear &= ~lines  # one of several chips that are asked, and each its own lines
    return _ones(laid)


@compiled_in_place
def _beside_a_register(chips, cells, books, assume, cycle, bus, drive, shown, forgot):
    """Learn what memories hold beside a register that nobody asked, which may hold anything: the
    level that loses is that of both, and the one that wins that of the memory where the register
    is known to hold the other. Bits for what is news.
    """
    along = drive.vague & drive.register_lanes & ~drive.decided & shown
    weaker = 0 if assume[FIGHT] == HIGH_WINS else 255
    both = along & ~(bus.seen ^ weaker)
    register = drive.register
    restless = cells.written[register] != 0
    known = 0 if restless else cells.known[register]
    held, level = known, cells.byte[register]
    if _ones(held) >= AT_REST and (level ^ weaker) & held == 0:
        held, level = 255, weaker  # one at rest is so on all lines
    by_memory = along & ~both & held & ~(level ^ weaker)
    hidden = along & ~both & ~by_memory
    open_ = hidden & ~held
    changed = both & known & (level ^ weaker)
    moved = _moved(_ones(changed), _ones(both & known & ~changed), books.drift)
    # It may hold anything, and bring the level that wins; or it is at rest, and the memory does.
    news = _ones(both & ~known) + AS_IT_SHOULD * _ones(open_)
    at_rest = _more_of_a_register(bus.seen, both, cells, register, books.registers) + _ones(open_)
    if not restless:
        news = min(news, at_rest)
    first_here = _first_time(books.told, OF_DATA, cycle.at, BESIDE_REGISTER)
    price = news + moved if first_here else 0.0
    for c in range(chips.kind.shape[0]):
        if (drive.driving >> c) & 1 and _is_memory(chips, c):
            told = shown & ~hidden
            price += _taught(chips, cells, books, assume, cycle, bus, drive, c, told, 0, 0, forgot)
    return price


@compiled_in_place
def _take_the_bus(chips, cells, assume, cycle, bus):
    """Have a RAM that takes a read for a write take what stands on the bus."""
    c = assume[RW_LINE_CHIP]
    where = chips.base[c] + chips.inner[c, _inside(cycle, assume, c)] + chips.page[cycle.bank, c]
    cells.byte[where] = bus.seen
    cells.known[where] = bus.seen_known & chips.lanes[c]
    cells.written[where] = 1


@compiled_in_place
def _on_address_lines(meant, assume):
    """An address that the CPU puts out: at the clip, on the bus, at the decoder, at the chips."""
    at_clip = (meant & assume[CLIP_AND]) | assume[CLIP_OR]
    bus = meant
    at_decoder = meant
    if assume[SHORT_A] >= 0 and assume[SHORT_PLACE] < PINS:
        at_decoder = _joined(meant, assume, SHORT_A, SHORT_B)
        if assume[SHORT_PLACE] != DECODER:
            bus = at_decoder
        if assume[SHORT_PLACE] == BUS:
            at_clip = bus
    at_decoder = (at_decoder & assume[DECODER_AND]) | assume[DECODER_OR]
    at_chips = (bus & assume[CHIPS_AND]) | assume[CHIPS_OR]
    return at_clip, bus, at_decoder, at_chips


@compiled_in_place
def _forced_selects(answering, selected, assume):
    """Chips that answer, and selects at the clips, with those that never or always come."""
    always = 1 << assume[SELECT_ON] if assume[SELECT_ON] >= 0 else 0
    answering = (answering & ~assume[SELECT_OFF]) | always
    if assume[SELECT_HIDDEN] == 0:
        selected = (selected & ~assume[SELECT_OFF]) | always
    return answering, selected


@compiled_in_place
def _at_select_clips(selected, seen_read, assume):
    """Selects as the clips see them, and those that may be seen or not."""
    unsure = 0
    if assume[DOUBLED_BY] >= 0 and (selected >> assume[DOUBLED]) & 1:
        selected |= 1 << assume[DOUBLED_BY]
        if seen_read == 0:  # whether writes are doubled too depends on where the fault is
            unsure = 1 << assume[DOUBLED_BY]
    if assume[SELECT_CLIP] >= 0:
        selected &= ~(1 << assume[SELECT_CLIP])
        selected |= assume[SELECT_CLIP_ON] << assume[SELECT_CLIP]
    return selected, unsure


@compiled_in_place
def _meddled_with(assume):
    """Chips of which a read may not be as on a healthy board for other reasons than the address at
    their pins, what they hold, and levels there and on the bus that are forced; a bit each.
    """
    anywhere = assume[SELECT_ON] >= 0 or assume[ALWAYS] or assume[WEAK_CHIP] == EVERY_CHIP
    if anywhere or assume[RW_SEEN] == 0 or assume[RW_DECODER] == 0:
        return ALL_CHIPS
    found = assume[SILENT] | assume[SELECT_OFF] | assume[FORGETS]
    for slot in (STRONG, DOUBLED, SWAP_A, SWAP_B, RW_LINE_CHIP, LOOSE, DATA_OPEN_CHIP, WEAK_CHIP):
        if assume[slot] >= 0:
            found |= 1 << assume[slot]
    if assume[DATA_SHORT_A] >= 0 and assume[DATA_SHORT_PLACE] >= PINS:
        found |= 1 << (assume[DATA_SHORT_PLACE] - PINS)
    return found


@compiled_in_place
def _given_plainly(chips, cells, assume, cycle, among):
    """Byte at the clip, of memories that share the data lines and with which nothing else meddles;
    -1 where one of them holds something that is not known.
    """
    if assume[FIGHT] == EITHER_WINS and among & (among - 1):
        return -1
    byte = 0
    c = 0
    while among >> c:
        if (among >> c) & 1:
            where = _place(chips, cells, assume, cycle, c)
            if chips.lanes[c] & ~cells.known[where]:
                return -1
            level, _ = _held(chips, cells, assume, c, where)
            if c == assume[DATA_PIN_CHIP]:
                level = (level & assume[DATA_PIN_AND]) | assume[DATA_PIN_OR]
            byte |= level & chips.lanes[c]
        c += 1
    came, _, _, _ = _on_the_way_in(byte, 255 & ~byte, assume)
    return came


@compiled_in_place
def _of_another_way(one, other, chips):
    """I/O chips whose columns are not the same in two assumptions."""
    found = 0
    for c in range(chips.kind.shape[0]):
        if _way(one, c) != _way(other, c):
            found |= 1 << c
    return found


@compiled_in_place
def _forget_ram(chips, cells):
    """After writes that were not seen any byte of RAM may be another."""
    count = chips.kind.shape[0]
    for c in range(count):
        if chips.kind[c] == RAM:
            end = chips.base[c + 1] if c + 1 < count else cells.byte.shape[0]
            for at in range(chips.base[c], end):
                cells.known[at] = 0


@compiled_in_place
def _latched(bits, data_bits, written, written_known, assume):
    """Of the state bits that a latch takes from the data lines, as the chips see them: those that
    are set, and those that are cleared; both where it is not known.
    """
    byte = (written & assume[WRITE_AND]) | assume[WRITE_OR]
    if assume[DATA_SHORT_A] >= 0 and assume[DATA_SHORT_PLACE] < PINS:
        byte = _joined(byte, assume, DATA_SHORT_A, DATA_SHORT_B)
    raised = 0
    cleared = 0
    for b in range(data_bits.shape[0]):
        if bits >> b & 1:
            unknown = written_known >> data_bits[b] & 1 == 0
            if unknown or byte >> data_bits[b] & 1 == 1:
                raised |= 1 << b
            if unknown or byte >> data_bits[b] & 1 == 0:
                cleared |= 1 << b
    return raised, cleared


@compiled
def replay_board(
    address,
    places,
    read,
    written,
    written_known,
    clip_address,
    clip_address_known,
    clip_rw,
    data,
    data_known,
    left,
    left_known,
    clip_selects,
    clip_selects_known,
    in_reset,
    unseen,
    sheets,
    io_asked,
    io_expected,
    io_known,
    io_kept,
    io_shown,
    io_exact,
    io_taken,
    told_state,
    told_state_known,
    plain,
    plain_bank,
    states,
    map_of,
    state_masks,
    rows,
    responds,
    asserts,
    asserts_known,
    described,
    inner,
    page,
    same,
    changes,
    data_bits,
    lanes,
    kind,
    base,
    memory,
    memory_known,
    cell_written,
    registers,
    told,
    drift,
    charged,
    usual,
    obeyed_as,
    faulty,
    sound,
    first,
    bits,
    healthy,
    ahead,
    least,
    onset_price,
    given,
    tells,
    given_ahead,
    most_given,
    least_now_and_then,
    pace,
    sums,
    expected,
    expected_known,
    drivers,
    cost,
    chosen,
):
    """Replay what the CPU did against the board and price every surprise in bits.

    Parameters
    ----------
    address : int32, shape (n,)
        Address the CPU meant; -1 where it is not known (the cycle is skipped).
    places : int32, shape (n,)
        Number of that address among all those of the capture.
    read : uint8, shape (n,)
        1 where the CPU meant to read.
    written, written_known : uint8, shape (n,)
        Byte the CPU meant to write.
    clip_address, clip_address_known : int32, shape (n,)
        Address lines as the clips saw them.
    clip_rw : uint8, shape (n,)
        R/W as the clip saw it; 2 where not captured.
    data, data_known : uint8, shape (n,)
        Data lines as the clips saw them.
    left, left_known : uint8, shape (n,)
        What another owner of the bus left on the data lines in the other half of the cycle.
    clip_selects, clip_selects_known : uint32, shape (n,)
        Selects, 1 asserted, one bit a chip of the map.
    in_reset : uint8, shape (n,)
    unseen : uint8, shape (n,)
        Of skipped cycles of the CPU: `MAY_WRITE` where it may have written anywhere, `DID_READ`
        where it did read.
    sheets, io_asked, io_expected, io_known, io_kept
        As `chips`, `asked`, `expected`, `known` and `kept` of `io_reads.IoReads`.
    io_shown : int32, shape (chips, `MOST_REGISTERS`)
        What each register shows of itself just now, 256 times its known bits added; 0 at first,
        changed in place.
    io_exact : int
        I/O chips whose columns are made for this very assumption.
    io_taken : uint16, shape (chips, n), or (1, 1) where it is not wanted
        Out: what each of the I/O chips in `sheets` got in each cycle, see `TAKEN`; 0 for nothing.
    told_state, told_state_known : int32, shape (n,)
        State bits as the program has them; taken in reset, where what happened in a skipped cycle
        changed them, and for the CPU's port.
    plain : uint32, shape (n,)
        Memories that answer a read alone, together on all data lines, in the map `plain_bank` of
        the cycle, and set no latch by it; 0 where that is not so.
    plain_bank : int16, shape (n,)
        Negative where state bits that are not known decide who answers on a healthy board.
    states, map_of, rows, responds, asserts, asserts_known, described, inner, page, same, changes,
    data_bits
        As in `banks.Banks`.
    state_masks : int32, shape (3,)
        State bits that matter, that are the CPU's port, that reset sets.
    lanes : uint8, shape (chips,)
        Data lines that each chip is wired to.
    kind : uint8, shape (chips,); base : int64, shape (chips,)
        Kind, and where the chip's bytes begin in `memory`.
    memory, memory_known, cell_written : uint8, shape (bytes,)
        Contents, which bits are known, and whether the CPU wrote the cell; changed in place.
    registers : uint32, shape (`OF_ADDRESSES` and one a place,)
        Last byte of each I/O address and of each empty one, of any I/O register, and of each
        memory, plus 256, 0 for none yet; changed in place.
    told : uint32, shape (4, a place for each map, `TOLD_BANKS` at most, and one more)
        Surprises already paid for, a bit each: data, address, selects; the last place is
        `ANYWHERE`. Changed in place.
    drift : float64, shape (2, HABITS)
        How often each line of the undriven bus departed from its last level, all of them went
        high together, and a weak line gave way, of how many times; changed in place.
    charged : int32, shape (4, bytes), or (4, 1) where no RAM forgets
        Of a RAM that forgets: cycle in which each row was last used, that in which it was last
        found to have been left too long, that in which each byte was last used, and what each
        byte holds when it is lost, 256 times its known bits added; changed in place.
    usual : float64, shape (9, 256, 256)
        As `usual_bytes.usual_on` has it.
    obeyed_as : uint8, shape (n,)
        Row of `usual` for what a ROM gives: by what the program takes the byte at the address for,
        in this cycle or another.
    faulty, sound : int32, shape (SLOTS,)
        The assumption from cycle `first` on, and the one up to it.
    first : int
    bits : float64, shape (5,)
        Prices: wrong data bit, wrong address bit, wrong select, unknown bit, wrong byte of a
        loose ROM.
    healthy : float32, shape (n,)
        Cost of each cycle on a healthy board, for the onset; zeros when that is being computed.
    ahead : float64
        Sum of `healthy`: no fault can gain more than a healthy board has still to pay.
    least, onset_price : float64
        The replay stops where the gain over the healthy board cannot come to `least` any more, nor
        that from the best onset to so much and the price of an onset, nor that in single cycles to
        `least_now_and_then`. Where I/O chips are `astray` their columns are made anew after the
        replay: what registers have a say in may be cheaper then, and is left out.
    given, tells, given_ahead, most_given, least_now_and_then
        The same for what is gained in single cycles, see `answers.NowAndThen`; `given_ahead` is the
        sum of `given` where a cycle tells.
    pace : float64, shape (n,)
        It stops, too, where it has not gained so much over what is given by a cycle.
    sums : float64, shape (2, SUMS)
        What was gained so far, by every price and by those that stay; 0 at first, changed in place.
    expected, expected_known : uint8, shape (n,)
        Out: byte expected at the clip, and which bits are certain.
    drivers : uint32, shape (n,)
        Out: chips that drive a read.
    cost : float32, shape (n,)
        Out: price of each cycle.
    chosen : int16, shape (n,)
        Out: map of each cycle, -1 where the cycle is skipped or unknown state bits decide.

    Returns
    -------
    total : float64
        Sum of `cost`.
    lowest : float64
        Lowest running sum of ``healthy - cost``: the gain from the best onset is
        ``sum(healthy) - total - lowest``.
    onset : int64
        Cycle after which that lowest sum was reached.
    whole : bool
        Whether the replay went to the end; else all of the above is worth nothing.
    astray : int
        I/O chips whose columns did not hold, for they got other accesses.
    """
    n = address.shape[0]
    count = kind.shape[0]
    chips = Chips(kind, lanes, base, inner, page)
    cells = Cells(memory, memory_known, cell_written)
    maps = Maps(states, rows, same, responds)
    io = Sheets(io_expected, io_known, io_shown)
    changes_told = 0
    books = Books(told, drift, registers, charged, usual)
    addresses = registers.shape[0] - OF_ADDRESSES
    noting = io_taken.shape[1] == n
    total = 0.0
    sums[ALL, AT_MOST] = sums[FIRM, AT_MOST] = np.inf
    # What may be cheaper when the columns of I/O chips are made anew.
    perhaps_spared = 0.0
    # Whether what registers give may have told of memories, or of how weak a line is.
    mixed = faulty[WEAK_CHIP] == EVERY_CHIP or sound[WEAK_CHIP] == EVERY_CHIP
    over = 0.0
    lowest_over = 0.0
    choice = 0.0
    onset = 0
    last = 0
    last_known = 0
    pause = 0  # cycles for which nobody has driven the bus
    matters = state_masks[0]
    ports = state_masks[1]
    resets = state_masks[2]
    state = 0
    state_known = 0
    skipped = True
    assume = sound
    meddled = _meddled_with(sound)
    missed = False  # whether writes were missed
    forgot = False  # whether they ever were
    astray = 0  # I/O chips that were accessed otherwise than on a healthy board
    with_registers = 0
    for c in range(count):
        if not _is_memory(chips, c):
            with_registers |= 1 << c
    for i in range(n):
        if i == first:
            assume = faulty
            meddled = _meddled_with(faulty)
            if i:
                # The columns are those of a chip that was so all the time.
                astray |= _of_another_way(faulty, sound, chips)
        while changes_told < io_kept.shape[0] and io_kept[changes_told, 0] <= i:
            c = io_kept[changes_told, 1]
            register = io_kept[changes_told, 2]
            io_shown[c, register] = io_kept[changes_told, 3] | io_kept[changes_told, 4] << 8
            changes_told += 1
        price = 0.0
        behind = data[i]  # what is left on the bus, past what is between it and the CPU
        paused = pause
        pause = 0
        chosen[i] = -1
        if matters:
            taken = ports
            if i == 0:
                taken = matters
            elif skipped:
                taken |= told_state[i] ^ told_state[i - 1]
                taken |= told_state_known[i] ^ told_state_known[i - 1]
            if in_reset[i]:
                taken |= resets
            state = (state & ~taken) | (told_state[i] & taken)
            state_known = (state_known & ~taken) | (told_state_known[i] & taken)
        expected_known[i] = 0
        expected[i] = 0
        drivers[i] = 0
        meant = address[i]
        place = places[i]
        skipped = meant < 0
        if skipped:
            if unseen[i] == MAY_WRITE:
                missed = True
            elif unseen[i] == DID_READ:
                price = bits[0] * _whoever_drives(assume, told, data[i], data_known[i])
            # What the bus held before the first judged cycle is as good as unknown.
            last_known = data_known[i] if i else 0
            last = data[i]
            cost[i] = price
            total += price
            sums[ALL, GAINED] += healthy[i] - price
            sums[FIRM, GAINED] += healthy[i] - price
            ahead -= healthy[i]
            continue  # in `given_ahead` it stays: so much it may gain
        if missed:
            _forget_ram(chips, cells)
            missed = False
            forgot = True
        # What the clips show of the address and of R/W, against what the CPU meant.
        at_clip, bus, at_decoder, at_chips = _on_address_lines(meant, assume)
        wrong = (at_clip ^ clip_address[i]) & clip_address_known[i]
        price += bits[1] * _ones(_news(told, OF_ADDRESS, place, wrong))
        reading = read[i]
        # R/W at the clip: its surprises share the address row's bit 16.
        rw_wrong = clip_rw[i] < 2 and clip_rw[i] != _level(reading, assume[RW_CLIP])
        if rw_wrong and _first_time(told, OF_ADDRESS, place, RW_WRONG):
            price += bits[1]
        seen_read = _level(reading, assume[RW_SEEN])
        decoder_read = _level(seen_read, assume[RW_DECODER])
        m = 0
        state_shown = 0
        if matters:
            state_shown = ((state & assume[STATE_AND]) | assume[STATE_OR]) & matters
            if state_known & matters == matters:
                m = map_of[state_shown]
            else:
                m = _map_in_doubt(maps, page, at_decoder, state_shown, state_known & matters)
        chosen[i] = m
        if (
            plain[i]
            and plain[i] & meddled == 0
            and m == plain_bank[i]
            and bus == meant
            and at_decoder == meant
            and at_chips == meant
            and price == 0.0
            and healthy[i] == 0.0
            and given[i] == 0.0
            and (sheets == 0 or io_asked[i] == 0)
            and i % LOOKS_AHEAD != 0
        ):
            # Nothing but what these chips hold tells what comes.
            row = rows[m, meant]
            cycle = Cycle(i, meant, bus, at_chips, m, place, 0, 1, 1, plain[i], 0, 0)
            byte = _given_plainly(chips, cells, assume, cycle, plain[i])
            selected, _ = _at_select_clips(asserts[row, 1], 1, assume)
            wrong = (selected ^ clip_selects[i]) & clip_selects_known[i] & asserts_known[row, 1]
            if (
                byte >= 0
                and (byte ^ data[i]) & data_known[i] == 0
                and wrong == 0
                and asserts[row, 1] & meddled == 0
            ):
                expected[i] = byte
                expected_known[i] = 255
                drivers[i] = plain[i]
                last = data[i]
                last_known = data_known[i]
                cost[i] = 0.0
                continue
        # Who answers. The same address in another bank is another place.
        t = place if m < 0 else place + (m % TOLD_BANKS) * addresses
        unsure_map = m < 0
        row = 0
        answering = 0
        selected = 0
        if not unsure_map:
            row = rows[m, at_decoder]
            answering = responds[row, decoder_read]
            selected = asserts[row, decoder_read]
        answering, selected = _forced_selects(answering, selected, assume)
        # Chips that take a write for a read, and the other way round, by their own R/W pin.
        misread = 0
        if assume[RW_LINE_CHIP] >= 0 and assume[RW_LINE_SEEN] != seen_read:
            misread = 1 << assume[RW_LINE_CHIP]
        use = obeyed_as[i]
        cycle = Cycle(
            i, meant, bus, at_chips, m, place, t, reading, seen_read, answering, misread, use
        )
        if sheets:
            touched = answering & sheets
            astray |= touched ^ io_asked[i]
            if touched:
                astray |= _astray(chips, assume, cycle, touched)
                if noting:
                    _take(chips, assume, cycle, touched, data[i], io_taken)
            astray &= ~io_exact
        selected, unsure = _at_select_clips(selected, seen_read, assume)
        wrong = (selected ^ clip_selects[i]) & clip_selects_known[i] & ~unsure
        wrong &= asserts_known[row, decoder_read]
        if unsure_map or not described[row]:
            wrong = 0
        price += bits[2] * _ones(_news(told, OF_SELECTS, t, wrong))

        firm = True  # whether no register has a say in the price
        if reading == 0:
            # A write: the clip sees the CPU's byte through the line faults, the chips take it.
            byte = written[i]
            byte_known = written_known[i]
            clip_byte, chip_byte = _on_the_way_out(byte, assume)
            behind = _on_the_way_out(data[i], assume)[1]
            wrong = (clip_byte ^ data[i]) & data_known[i] & byte_known
            # Where the clip saw another level than the CPU should have written, either may be
            # what it did write: a byte read where nobody drives reaches CPU and clip differently.
            sure = byte_known & ~wrong
            fighting = (answering if seen_read else misread & answering) & ~assume[SILENT]
            if fighting:
                wrong &= ~clip_byte
                highs = clip_byte & byte_known & data_known[i]
                news = _fought(chips, cells, assume, cycle, told, fighting, highs, data[i])
                price += bits[3] * news
            price += bits[0] * _ones(_news(told, OF_DATA, t, wrong << 8))
            if seen_read == 0 and unsure_map:
                _doubt_what_it_reached(
                    chips, cells, maps, at_decoder, at_chips, state_shown, state_known & matters
                )
            elif seen_read == 0:
                for s in range(count):
                    c = _swapped(assume, s)  # the chip in that place
                    if (answering >> s) & 1 == 0 or (misread >> c) & 1:
                        continue  # one that takes it for a read keeps what it holds
                    io_sure = sheets & ~astray
                    took = _write(
                        chips, cells, books, assume, cycle, s, chip_byte, sure, sheets, io_sure
                    )
                    if took >= 0 and kind[c] == IO:
                        if took != byte and (io_exact >> c) & 1 == 0:
                            astray |= 1 << c
                        if noting and (sheets >> c) & 1:
                            io_taken[c, i] = (io_taken[c, i] & 0xFF00) | took
            expected[i] = clip_byte
            expected_known[i] = byte_known
        elif unsure_map:
            firm = False
            if _first_time(told, OF_DATA, t, BANK_OPEN):
                data_bus = Bus(data[i], data_known[i], last, last_known, 0)
                price += bits[3] * _of_nobody_knows(data_bus, books)
        else:
            # A read: what the chips drive, and who wins.
            driving = _driving(assume, answering, seen_read, misread)
            drivers[i] = driving
            pause = paused + 1 if driving == 0 else 0
            responding = responds[row, seen_read]
            io_sure = sheets & ~astray
            firm = driving != 0 and driving & with_registers == 0
            mixed = mixed or (not firm and driving & ~with_registers != 0)
            drive = _drive(chips, cells, io, assume, cycle, charged, driving, io_sure, responding)
            data_bus = Bus(data[i], data_known[i], last, last_known, pause)
            ones = drive.ones
            zeros = drive.zeros
            free = drive.free
            either = assume[FIGHT] == EITHER_WINS and driving & (driving - 1) != 0
            if either:
                price += bits[3] * _either(drive, data_bus, cells, books, cycle)
                ones = drive.highs & ~zeros & ~drive.hazy
                zeros &= ~drive.highs & ~drive.hazy
                free = False
            openly = 0
            by_weak = _driven_weakly(chips, assume, driving)
            if by_weak:
                among = by_weak & (drive.driven & (ones | zeros) if free else drive.driven)
                if assume[WEAK_WAY] == LATE:
                    openly, news = _too_late(
                        ones, zeros, among, free, data_bus, assume, books, cycle
                    )
                else:
                    openly, news = _weakly(ones, zeros, among, data_bus, assume, books, place)
                price += bits[3] * news
                ones &= ~openly
                zeros &= ~openly
            settled = zeros
            if assume[FIGHT] == HIGH_WINS:
                ones, zeros = zeros, ones
            if driving == 0:
                ones = last & last_known
                zeros = ~last & last_known & 255
            # What the clip should see of that.
            byte, known, forced, pair = _on_the_way_in(ones, zeros, assume)
            undecided = pair if driving != 0 and pair else drive.undecided
            memory_alone = driving & (driving - 1) == 0 and not free
            untold = 0
            if undecided & ~known:
                # Not known, but the two must agree: a level that is news, or a contradiction.
                agree = data[i] & undecided in (0, undecided)
                if not agree and _first_time(told, OF_DATA, t, PAIR_APART):
                    price += bits[0]
                elif agree and not free and _first_time(told, OF_DATA, t, PAIR_AGREES):
                    if memory_alone:
                        untold = undecided
                    else:
                        price += bits[3]
            wrong = (byte ^ data[i]) & known & data_known[i]
            expect = Expected(byte, known, forced, wrong)
            fresh = _news(told, OF_DATA, t, wrong)
            # What it costs.
            idle = 255 & ~drive.driven
            if driving != 0 and idle:
                # Data lines that none of the chips drives are an undriven bus: see below.
                price += bits[3] * _ones(idle & ~last_known)
                alone = last_known & data_known[i] & idle & ~forced
                price += bits[3] * _left_alone(data_bus, alone, books, cycle)
            if driving == 0:
                price += bits[3] * _ones(~last_known & 255)
                if described[row]:
                    stays = left_known[i] == 255 and left[i] == data[i]
                    news = _left_to_itself(data_bus, books, cycle, expect, fresh, stays)
                    if responds[rows[m, meant], reading] == 0:
                        news *= bits[3] * _not_yet_noise(data_bus, books, place, expect)
                    price += news
                    fresh &= forced
                else:
                    # Nobody said what is here: whatever comes is news, once an address.
                    known = 0
                    fresh = 0
                    if _first_time(told, OF_DATA, t, UNDESCRIBED):
                        price += bits[3] * _of_nobody_knows(data_bus, books)
            elif free:
                asked = drive.asked if drive.register >= 0 else driving == responding
                decided = drive.decided | forced | (pair & -pair)
                strays = responds[rows[m, meant], reading] & with_registers == 0
                price = _registers_give(
                    price,
                    bits[3],
                    drive,
                    asked,
                    strays,
                    settled,
                    decided,
                    data_bus,
                    cells,
                    books,
                    cycle,
                )
                if drive.vague and drive.register >= 0 and not asked:
                    shown = data_known[i] & ~settled & ~forced & ~openly & 255
                    price += bits[3] * _beside_a_register(
                        chips, cells, books, assume, cycle, data_bus, drive, shown, forgot
                    )
            if assume[LOOSE] >= 0 and wrong and (driving >> assume[LOOSE]) & 1:
                c = assume[LOOSE]
                where = base[c] + inner[c, at_chips] + page[m, c]
                price += _of_another_content(cells, where, told, cycle, bits, data[i], wrong, fresh)
                fresh = 0
            if drive.doubted:
                price += bits[3] * _kept_or_lost(
                    chips, cells, assume, books, cycle, data_bus, drive, wrong
                )
                fresh &= ~drive.doubted
            price += bits[0] * _ones(fresh)
            # What the read tells about cells that were not known.
            if driving != 0 and not free and not either:
                shown = data_known[i] & ~settled & ~forced & ~openly & 255
                # Where more than one may have brought the level that wins, it tells of neither.
                unclear = drive.murky & shown
                unclear &= data[i] if assume[FIGHT] == HIGH_WINS else ~data[i]
                if unclear:
                    shown &= ~unclear
                    news = _laid_to(
                        chips, cells, assume, cycle, drive, responding, unclear, data[i]
                    )
                    price += bits[3] * AS_IT_SHOULD * news
                if assume[DATA_SHORT_A] >= 0 and assume[DATA_SHORT_PLACE] <= READS:
                    shown &= ~((1 << assume[DATA_SHORT_A]) | (1 << assume[DATA_SHORT_B]))
                for c in range(count):
                    if (driving >> c) & 1 and _is_memory(chips, c):
                        price += bits[3] * _taught(
                            chips,
                            cells,
                            books,
                            assume,
                            cycle,
                            data_bus,
                            drive,
                            c,
                            shown,
                            untold,
                            wrong,
                            forgot,
                        )
            expected[i] = byte & known
            expected_known[i] = known
            if misread & answering and kind[assume[RW_LINE_CHIP]] == RAM:
                _take_the_bus(chips, cells, assume, cycle, data_bus)
        # What it sets in the board's latches.
        if matters:
            by_data = changes[0, seen_read, at_decoder]
            cleared = changes[1, seen_read, at_decoder]
            raised = changes[2, seen_read, at_decoder]
            latched = (by_data | cleared | raised) & ~assume[LATCH_DEAD]
            if in_reset[i]:
                latched &= ~resets
            if latched:
                if by_data & latched:
                    ups, downs = _latched(
                        by_data & latched, data_bits, written[i], written_known[i], assume
                    )
                    raised |= ups
                    cleared |= downs
                # What is both set and cleared is not known.
                state = (state & ~latched) | (raised & ~cleared & latched)
                state_known = (state_known & ~latched) | ((raised ^ cleared) & latched)
        # What is not seen of a bus that nobody drives is as it was.
        kept = last_known & ~data_known[i] if pause else 0
        last = (behind & ~kept) | (last & kept)
        last_known = data_known[i] | kept
        if (m < 0) != (plain_bank[i] < 0) and bits[3] and (m >= 0 or healthy[i] < bits[0]):
            # Who answers is not known, here or on a healthy board: mere news speak for neither.
            price = max(price, healthy[i])
        cost[i] = price
        total += price
        spared = given[i] - price
        if _add_up(sums, ALL, healthy[i] - price, spared, tells[i]):
            onset = i + 1
        _add_up(sums, FIRM, healthy[i] - (price if firm else 0.0), spared, tells[i] and firm)
        ahead -= healthy[i]
        over += spared
        lowest_over = min(lowest_over, over)
        if tells[i]:
            given_ahead -= given[i]
            perhaps_spared += 0.0 if firm else given[i]
        if i % LOOKS_AHEAD == 0:
            choice = choice_bits(sums[ALL, THERE], sums[ALL, AWAY])
            for row, perhaps in ((ALL, given_ahead), (FIRM, perhaps_spared + given_ahead)):
                sums[row, AT_MOST] = _now_and_then_at_most(
                    sums[row, SPARED], sums[row, THERE], sums[row, AWAY], perhaps, most_given
                )
            now_and_then = SOMETIMES_SHARE * sums[ALL, SPARED] - choice - SOMETIMES_PRICE
            if max(over - lowest_over, now_and_then) < pace[i]:
                return total, sums[ALL, LOWEST], onset, False, astray
        if astray == 0 or io_exact:
            hopeless = _falls_short(sums, ALL, ahead, least, onset_price)
        else:
            hopeless = sums[ALL, GAINED] - sums[ALL, LOWEST] + ahead < least
        if hopeless:
            whole = sums[ALL, SPARED] + given_ahead
            now_and_then = SOMETIMES_SHARE * whole - choice - SOMETIMES_PRICE
            if min(now_and_then, sums[ALL, AT_MOST]) < least_now_and_then:
                return total, sums[ALL, LOWEST], onset, False, astray
        elif (
            sums[FIRM, AT_MOST] < least_now_and_then
            and _falls_short(sums, FIRM, ahead, least, onset_price)
            and not mixed
        ):
            return total, sums[ALL, LOWEST], onset, False, astray
    return total, sums[ALL, LOWEST], onset, True, astray


@compiled_in_place
def _register_shows(byte, visible, cells, register, books, cycle):
    """Bits for what a register shows that is not asked, once for each address and line, and keep
    it.

    What it showed last is expected; what it never showed is new. One that shows this and that where
    it is met again does not keep what it holds: that is paid for once more.
    """
    place = cycle.place
    known = visible & cells.known[register]
    changed = (cells.byte[register] ^ byte) & known
    fresh = visible & ~(books.told[OF_ADDRESS, place] >> SHOWN)
    books.told[OF_ADDRESS, place] |= fresh << SHOWN
    if known == 0 and fresh == 255:
        _learn(cells, register, byte, visible)
        return _new_register(byte, books.registers)
    new = _more_of_a_register(byte, visible, cells, register, books.registers)
    again = _news(books.told, OF_DRIVERS, cycle.at, changed & ~fresh)
    kept = fresh & known & ~changed
    return new + _ones(again) + _moved(_ones(fresh & changed), _ones(kept), books.drift)


@compiled_in_place
def _more_of_a_register(byte, lines, cells, register, registers):
    """Learn lines of a register that nobody asks; bits for those that were not known."""
    known = cells.known[register]
    before = _at_rest(cells.byte[register], known, registers)
    if (cells.byte[register] ^ byte) & known & lines:
        cells.written[register] = 1  # it does not keep what it holds
    _learn(cells, register, byte, lines)
    if lines & ~known == 0:
        return 0.0
    lines |= known
    news = _at_rest(cells.byte[register], lines, registers) - before
    level = cells.byte[register] & lines
    if level in (0, lines) and _ones(lines) >= AT_REST:
        registers[ANY_REGISTER] = 256 | (255 if level else 0)
    return max(news, 0.0)


@compiled_in_place
def _at_rest(byte, lines, registers):
    """Unknown bits in some lines of a register: see `_new_register`."""
    level = byte & lines
    count = float(_ones(lines))
    if level != 0 and level != lines:
        return count
    plain = 255 if level else 0
    return min(count, 1.0 if registers[ANY_REGISTER] == 256 | plain else AT_REST)


@compiled_in_place
def _moved(moved, kept, drift):
    """Bits for bits of a register that have changed since it was last seen, and that have not, by
    how often they did so far.
    """
    share = (drift[0, CHANGES] + 1.0) / (drift[1, CHANGES] + MET_BEFORE)
    share = max(share, MOST_FOR_CHANGE)
    drift[0, CHANGES] += moved
    drift[1, CHANGES] += moved + kept
    return -moved * math.log2(share) - kept * math.log2(1.0 - share)


@compiled_in_place
def _new_register(byte, registers):
    """Unknown bits in a register that was not seen before: those at rest are often alike, and often
    0 or $FF.
    """
    before = registers[ANY_REGISTER]
    registers[ANY_REGISTER] = 256 | byte
    plain = byte == 0 or byte == 255
    if before == 256 | byte:
        return 1.0 if plain else AT_REST
    return AT_REST if plain else 8.0


@compiled_in_place
def _free_read(byte, books, cycle, asked, other):
    """Unknown bits in a byte that a register gave: none when it is the one it gave or took last.

    In a memory's place, or beside one, its byte is as new as the memory's; that it gives back just
    what was written there, as the memory would, is a surprise, once an address.

    Bits that the chip's sheet decides are judged by that; they are no news.

    Kept by the address the CPU meant, so that hypotheses about address lines are not judged by
    what registers happen to hold. But in a memory's place a register has few addresses of its own:
    what gives the same byte again at one, and another (`other`) at those that are the same to the
    register, is no register.
    """
    told, registers, t = books.told, books.registers, cycle.at
    here = OF_ADDRESSES + cycle.place
    if registers[here] == 256 | byte:
        price = 0.0 if asked or not _first_time(told, OF_DATA, t, ECHOED) else ECHO
        if other and _first_time(told, OF_DATA, t, REMEMBERED):
            price += REMEMBERS
        return price
    registers[here] = 256 | byte
    price = _new_register(byte, registers)
    # A register that changes often is one piece of evidence, not thousands.
    if not _first_time(told, OF_DATA, t, REGISTER_READ):
        return 0.0
    return price if asked else 8.0
